"""The object itself: which one it is, and what was done to it; both go into the journal and the report."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import partial

from nicegui import ui

from wrongbit.bringup.advice import cautions as bench_cautions
from wrongbit.case.entries import Entry, ObjectDescribed, WorkDone
from wrongbit.case.journal import person
from wrongbit.casework.described import NAMES, check_object, object_of
from wrongbit.casework.work_done import (
    REVERSIBLE,
    WORK_KINDS,
    action_text,
    check_work,
    corrected,
    done_by,
    in_time_order,
    refuse_known,
)
from wrongbit.job import Progress
from wrongbit.web.elements import (
    Cell,
    Choice,
    Field,
    button,
    cautions,
    live,
    paragraph,
    quiet,
    section,
    table,
    tag,
    tell,
)
from wrongbit.web.page_style import add_page_style
from wrongbit.web.workbench import Workbench

Done = tuple[tuple[Entry, WorkDone], ...]

HINTS = {
    "inventory": "or accession number",
    "owner": "or institution",
    "model": "as its maker named it",
    "place": "building, room, shelf",
}


def page(bench: Workbench) -> None:
    """Put the page on the screen."""
    add_page_style()
    live(
        bench,
        "Reading the machine file",
        lambda progress: bench_cautions(bench.casework.machine),
        cautions,
    )
    with section("The object"):
        live(
            bench,
            "Reading the journal",
            lambda progress: object_of(bench.case.entries()),
            partial(_object_form, bench),
        )
    with section("What was done"):
        live(
            bench,
            "Reading the journal",
            lambda progress: in_time_order(bench.case.entries()),
            lambda done: _done(done, form),
        )
    form = WorkForm(bench)


# -- the object --------------------------------------------------------------------------------------------


def _object_form(bench: Workbench, known: ObjectDescribed) -> None:
    """A field for everything that can be said, with what is known in it."""
    with tag("div", classes="wb-row ow-row"):
        fields = {
            key: Field(name, getattr(known, key) or "", hint=HINTS.get(key, ""), width=30)
            for key, name in NAMES.items()
        }
    for each in fields.values():
        each.classes("wb-keep")  # on paper, too
    with tag("div", classes="wb-controls"):
        button("Keep what is said of the object", partial(_keep_object, bench, fields), main=True)
    quiet("It stands at the top of the report. What was said before stays in the journal.")


async def _keep_object(bench: Workbench, fields: dict[str, Field]) -> None:
    given = ObjectDescribed(**{key: field.value for key, field in fields.items()})

    def work(progress: Progress) -> Entry:
        return bench.case.add(check_object(object_of(bench.case.entries()), given))

    made = await bench.run("Writing it down", work)
    tell(f"Kept as entry {made.number}.")
    bench.changed()


# -- what was done -----------------------------------------------------------------------------------------


def _done(done: Done, form: WorkForm) -> None:
    if not done:
        quiet("Nothing is written down yet.")
        return
    table(
        ("no.", "date", "who", "what", "came out", "went in", "reversible", "old part is kept", ""),
        [_row(entry, made, form) for entry, made in done],
        caption="What was done, in the order of time",
        right=(0,),
        mono=(1,),
    )


def _row(entry: Entry, made: WorkDone, form: WorkForm) -> Sequence[Cell]:
    def what() -> None:
        tag("div", action_text(made))
        if made.note:
            tag("div", made.note, classes="wb-quiet")

    def correct() -> None:
        button(
            "Correct …",
            lambda: form.correct(entry, made),
            classes="wb-small",
            says=f"correct entry {entry.number} …",
        )

    said = (made.old or "–", made.new or "–", made.reversible or "–", made.kept or "–")
    return (entry.number, made.date, done_by(entry, made), what, *said, correct)


class WorkForm:
    """Fields for work, empty or with those of an entry that is to be corrected.

    Args:
        bench: The workbench.
    """

    def __init__(self, bench: Workbench) -> None:
        self._bench = bench
        self._area = tag("div", classes="wb-controls")
        self._empty()

    def correct(self, entry: Entry, made: WorkDone) -> None:
        """Show an entry's fields; what is entered then takes its place."""
        self._draw(f"Correct entry {entry.number}", corrected(entry, made, {}), entry.number)
        ui.run_javascript(f"getHtmlElement({self._fields['part'].input.id}).focus()")

    def _empty(self) -> None:
        self._draw("Enter what was done", WorkDone("", "", "", person()), None)

    def _draw(self, title: str, said: WorkDone, number: int | None) -> None:
        self._area.clear()
        with self._area, section(title):
            with tag("div", classes="wb-row ow-row"):
                kind = Choice("What was done", list(WORK_KINDS), said.kind)
                part = Field("At", said.part, hint="U3, C12, or whole board", width=18)
                date = Field("Date", said.date, hint="2024-05-17, 2024-05, 2024; empty: today", width=12)
                who = Field("Who", said.person, width=18)
            with tag("div", classes="wb-row ow-row"):
                old = Field("Part that came out", said.old, hint="its marking", width=26)
                kept = Field("Old part is kept", said.kept, hint="bag, box, shelf; mark it", width=26)
                new = Field("Part that went in", said.new, hint="its marking, label, checksum", width=26)
                undone = Choice("Reversible", ("", *REVERSIBLE), said.reversible)
            with tag("div", classes="wb-row ow-row"):
                note = Field("Note", said.note, width=60)
            with tag("div", classes="wb-row ow-row"):
                button(
                    "Enter" if number is None else "Put it in its place",
                    partial(self._enter, number),
                    main=True,
                )
                if number is not None:
                    button("Leave it as it is", self._empty)
            if number is not None:
                paragraph("The entry stays in the journal, as one that counts no more.", classes="wb-quiet")
        self._fields: dict[str, Field] = {
            "part": part, "date": date, "person": who, "old": old, "new": new, "kept": kept, "note": note,
        }  # fmt: skip
        self._choices = {"kind": kind, "reversible": undone}

    async def _enter(self, number: int | None) -> None:
        given = {key: each.value for key, each in self._fields.items()}
        given |= {key: each.value for key, each in self._choices.items()}
        bench = self._bench

        def work(progress: Progress) -> tuple[Entry, tuple[str, ...]]:
            today = datetime.now().astimezone().date()
            made, notes = check_work(bench.casework.machine, WorkDone(**given), today)
            refuse_known(bench.case.entries(), made, person())
            return (bench.case.add(made) if number is None else bench.case.correct(number, made)), notes

        entry, notes = await bench.run("Writing it down", work)
        tell(" ".join((f"Entered as entry {entry.number}.", *notes)))
        self._empty()
        bench.changed()
