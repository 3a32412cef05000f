"""Bring files in: drop them, see what each seems to be, correct that, add it to the case."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from hashlib import sha256
from pathlib import Path
from typing import cast

from nicegui import background_tasks
from nicegui.element import Element

from wrongbit.bus.recipes import bus_widths
from wrongbit.capture.formats.beginning import Beginning
from wrongbit.capture.formats.cycle_rows import ROLES
from wrongbit.case.entries import Entry, ReferenceKind
from wrongbit.casework.accept import (
    check_capture,
    check_capture_is_new,
    check_reading,
    check_reading_is_new,
    check_reference,
    check_reference_is_new,
    parsed_conditions,
)
from wrongbit.casework.questions import question_capture, question_reading, question_reference
from wrongbit.compare.doubt import SET_UP, set_up_doubtful
from wrongbit.errors import InputError, QuestionedError, UsageError, WrongbitError
from wrongbit.job import Job, Progress
from wrongbit.machine.model import Machine, Point
from wrongbit.web.browse import Browser
from wrongbit.web.elements import (
    Choice,
    Field,
    button,
    heading,
    link,
    message,
    paragraph,
    quiet,
    section,
    table,
    tag,
    tell,
)
from wrongbit.web.file_drop import FileDrop
from wrongbit.web.incoming import (
    SHOWN_CYCLES,
    WHATS,
    Guess,
    Preview,
    What,
    drop,
    drop_stale,
    guess,
    look,
    waiting_place,
)
from wrongbit.web.machine_draft import save_text
from wrongbit.web.machine_text import columns_text, with_columns
from wrongbit.web.page_style import add_page_style
from wrongbit.web.workbench import Cancelled, Workbench


def page(bench: Workbench) -> None:
    """Put the import on the page."""
    add_page_style()
    place = bench.case.derived("incoming/here")
    drop_stale(place.parent)
    with section("Files"):
        FileDrop(
            lambda name: waiting_place(bench.case.derived, name),
            lambda path, name: _File(bench, path, name, waiting),
            lambda text: tell(text, bad=True),
        )
        quiet(
            "Captures as CSV, VCD or typed text; readings and images as Intel HEX, S-records or binary; "
            "listings as text. Nothing is added before you say so, and your own files stay where they are."
        )
    waiting = tag("div", aria_live="polite")


class _File:
    """A file that waits, on its own part of the page."""

    def __init__(self, bench: Workbench, path: Path, name: str, parent: Element) -> None:
        self.bench, self.path, self.name = bench, path, name
        self.what: What = "capture"
        self.columns: dict[str, str] | None = None
        self.ignore: list[str] = []
        self.turn = 0
        self.doubt: Element | None = None
        with parent:
            self.area = tag("section", classes="wb-section in-file", aria_label=name)
        self.area.client.on_delete(lambda: drop(path))
        background_tasks.create(self.begin(), name="look")

    @property
    def machine(self) -> Machine:
        """The machine as it is now."""
        return self.bench.casework.machine

    # -- what it is -----------------------------------------------------------------------------------------

    async def begin(self) -> None:
        """Look at the file, and propose what it is."""
        with self.area:
            heading(self.name)
            wait = quiet("Looking at it …")
        try:
            found = await self.bench.run(
                f"Looking at {self.name}",
                lambda _: guess(self.machine, self.path, self.name, self.bench.casework.job),
            )
        except Cancelled:
            self.leave()
            return
        except WrongbitError as error:
            if self.area.is_deleted:
                return
            wait.delete()
            with self.area:
                message(error)
                button("Leave it out", self.leave)
            drop(self.path)
            return
        if self.area.is_deleted:
            return
        wait.delete()
        self.guess = found
        self.what = found.what
        with self.area:
            quiet(f"{_size(self.path)}. {found.why}")
            with tag("div", classes="wb-row wb-controls"):
                Choice(
                    "It is", {str(each): text for each, text in WHATS.items()}, found.what, on_change=self.be
                )
            self.form = tag("div")
        self.be(found.what)

    def be(self, what: str) -> None:
        """Take it for something else."""
        self.what = next(each for each in WHATS if each == what)
        self.settle()
        self.form.clear()
        with self.form:
            if self.what == "capture":
                self.capture_form(self.guess)
            else:
                self.chip_form(self.guess)

    def leave(self) -> None:
        """Leave the file out."""
        drop(self.path)
        if not self.area.is_deleted:
            self.area.delete()

    def buttons(self, add: Callable[[], object]) -> None:
        """What ends it."""
        with tag("div", classes="wb-row wb-controls"):
            button("Add to the case", add, main=True, says=f"add {self.name} to the case")
            button("Leave it out", self.leave, says=f"leave {self.name} out")

    # -- something of a chip --------------------------------------------------------------------------------

    def chip_form(self, found: Guess) -> None:
        chips = {
            chip.name: f"{chip.name} {chip.type}".strip() for chip in self.machine.chip if chip.kind == "rom"
        }
        if self.what == "listing":
            chips = {"": "every chip at its addresses", **chips}
        with tag("div", classes="wb-row"):
            self.chip = Choice("Chip", chips, "" if self.what == "listing" else found.chip)
            formats = {
                "auto": "as its contents tell",
                "binary": "binary",
                "intel-hex": "Intel HEX",
                "s-record": "S-record",
            }
            self.format = Choice("Format", formats)
            self.note = Field("Remark", width=30)
        if self.what == "reading":
            with tag("div", classes="wb-row"):
                self.conditions = Field(
                    "How it was read",
                    width=50,
                    hint="If you know: voltage = 4.75 V; temperature = 40 °C; speed = 450 ns",
                )
        self.buttons(self.add_chip)

    async def add_chip(self, *, anyway: bool = False) -> None:
        """Add a reading or a reference; what is probably a slip only when the person says so."""
        chip, format_, note = self.chip.value, self.format.value, self.note.value
        what, path, name, case = self.what, self.path, self.name, self.bench.case
        if what == "reading":
            texts = [text for text in self.conditions.value.split(";") if text.strip()]
            conditions = parsed_conditions(texts)

            def work(progress: Progress) -> Entry:
                _named(lambda: check_reading(self.machine, path, chip, format_, conditions), name)
                check_reading_is_new(case, path, chip, name)
                if not anyway:
                    question_reading(self.bench.casework, path, chip, format_, name)
                progress(0, 1)
                return case.add_reading(
                    path, chip, format=format_, conditions=conditions, note=note, name=name
                )

        else:

            def work(progress: Progress) -> Entry:
                _named(lambda: check_reference(self.machine, path, what, chip, format_), name)
                check_reference_is_new(case, path, what, chip, name)
                if not anyway:
                    question_reference(self.bench.casework, path, what, chip, format_, name)
                progress(0, 1)
                kind = cast(ReferenceKind, what)
                return case.add_reference(path, kind, chip, format=format_, note=note, name=name)

        await self.add(work, f"/chips?chip={chip}" if chip else "/chips", lambda: self.add_chip(anyway=True))

    # -- a capture ------------------------------------------------------------------------------------------

    def capture_form(self, found: Guess) -> None:
        points = {point.name: _point_text(point) for point in self.machine.point}
        if not points:
            paragraph(
                "The machine file has no probe point: add a [[point]] that says where captures are taken."
            )
            link("To the machine file", "/machine")
            return
        if not found.point:  # the first point would be as good a guess as any, and believed
            points = {"": "choose …", **points}
        with tag("div", classes="wb-row"):
            self.point = Choice("Probe point", points, found.point, on_change=self.at_point)
            self.note = Field("Remark", width=30)
        self.preview_area = tag("div")
        self.end_area = tag("div")
        self.at_point(self.point.value)

    def at_point(self, name: str) -> None:
        """Look at the file as it would be read at a probe point."""
        self.columns, self.ignore = None, []
        self.settle()
        if not name:
            self.turn += 1  # what is being looked at is no longer wanted
            self.preview_area.clear()
            self.end_area.clear()
            with self.preview_area:
                paragraph("No probe point fits this file of itself: say where it was taken.")
            with self.end_area:
                button("Leave it out", self.leave, says=f"leave {self.name} out")
            return
        background_tasks.create(self.preview(), name="preview")

    def chosen_point(self, job: Job) -> Point:
        """The probe point, with the columns that were corrected."""
        if self.columns is None:
            return job.point
        return job.point.model_copy(update={"columns": self.columns, "ignore": tuple(self.ignore)})

    async def preview(self) -> None:
        """Show the first rows and the first cycles."""
        self.turn += 1
        turn, name = self.turn, self.point.value
        wait = None
        if not self.preview_area.default_slot.children:
            with self.preview_area:
                wait = quiet("Reading the beginning …")
        try:
            job = self.bench.casework.job(name)
            point = self.chosen_point(job)
            found = await self.bench.run("Reading the beginning", lambda _: look(job, self.path, point))
        except Cancelled:
            return
        except WrongbitError as error:
            failure = error
            if wait is not None:
                wait.delete()
            with self.preview_area:
                message(failure)
            return
        if turn == self.turn and not self.area.is_deleted:
            self.draw_preview(job, point, found)

    def draw_preview(self, job: Job, point: Point, found: Preview) -> None:
        """The first rows with what each column is, and what cycles they make."""
        self.preview_area.clear()
        self.end_area.clear()
        with self.preview_area:
            if found.beginning is not None and found.beginning.headings:
                heading("Its columns, and its first rows", 3)
                self._columns(job, point, found)
            if found.problem is not None:
                message(found.problem)
            elif found.comparison is None:
                paragraph("No bus cycle shows at its beginning.", classes="wb-bad-text")
            else:
                self._cycles(job, point, found)
            for note in found.notes:
                quiet(note)
        with self.end_area:
            if found.problem is not None and self.columns is None:
                quiet("It cannot be added as it is: choose another probe point, or correct its columns.")
                button("Leave it out", self.leave, says=f"leave {self.name} out")
            elif self.columns is None:
                self.buttons(self.add_capture)
            else:
                self._offer(point)

    def _columns(self, job: Job, point: Point, found: Preview) -> None:
        beginning = found.beginning
        assert beginning is not None
        options = _targets(job, point)
        outer = tag("div", classes="wb-table-scroll", tabindex="0", role="group", aria_label="First rows")
        with outer, tag("table", classes="wb-table in-columns"):
            with tag("thead"):
                with tag("tr"):
                    for name in beginning.headings:
                        tag("th", name or "–", scope="col")
                with tag("tr"):
                    for name, use in zip(beginning.headings, beginning.uses, strict=True):
                        with tag("td"):
                            self._column(name, use, options, beginning)
            with tag("tbody"):
                for row in beginning.rows:
                    with tag("tr"):
                        for cell in row:
                            tag("td", cell, classes="wb-mono")

    def _column(self, name: str, use: str, options: Sequence[str], beginning: Beginning) -> None:
        shown = {"": "not used"} | {each: each for each in [*options, *([use] if use else [])]}
        choice = Choice(
            f"Column {name}", shown, use, on_change=lambda value: self.correct(name, value, beginning)
        )
        choice.classes("in-column")

    def correct(self, name: str, value: str, beginning: Beginning) -> None:
        """A person says what a column is; what its own name says needs no entry."""
        told = dict(zip(beginning.headings, beginning.uses, strict=True)) | {name: value}
        own = dict(zip(beginning.headings, beginning.own, strict=True))
        changed = {each: use for each, use in told.items() if each and use != own[each]}
        self.columns = {each: use for each, use in changed.items() if use}
        self.ignore = [each for each, use in changed.items() if not use]
        background_tasks.create(self.preview(), name="preview")

    def _cycles(self, job: Job, point: Point, found: Preview) -> None:
        comparison = found.comparison
        assert comparison is not None
        summary = comparison.summary
        heading("The first cycles that they make", 3)
        browser = Browser(
            Job(job.machine, job.machine_file, job.processor, point, job.memory_map), comparison
        )
        rows = browser.rows(range(min(SHOWN_CYCLES, len(browser))))
        marks = {"differs": "≠ differs", "agrees": "= agrees", "not known": "· not known", "": ""}
        table(
            ("cycle", "kind", "bank", "address", "expected", "seen", "verdict"),
            [(r.cycle, r.kind, r.bank, r.address, r.expected, r.seen, marks[r.verdict]) for r in rows],
            caption="First cycles",
            mono=(3, 4, 5),
            right=(0,),
            marked=[number for number, r in enumerate(rows) if r.verdict == "differs"],
        )
        judged = summary.agrees + summary.differs
        paragraph(
            f"At the beginning of the file: {summary.cycles} cycles; of {judged} that can be judged "
            f"{summary.agrees} agree with the reference."
        )
        if set_up_doubtful(summary):
            paragraph(SET_UP, classes="wb-bad-text")

    def _offer(self, point: Point) -> None:
        """Corrected columns belong into the machine file: offer the text, and to write it."""
        text = columns_text(self.columns or {}, self.ignore)
        with tag("div", classes="wb-panel wb-now"):
            paragraph(
                f"These columns are not those of the probe point {point.name} in the machine file. Captures "
                "are always read as the machine file says, so this has to stand there, in its [[point]]:"
            )
            with tag("div", classes="wb-copyable"):
                tag("pre", text, classes="in-toml")
                copy = tag("button", "copy", classes="wb-copy", type="button", aria_label="copy the text")
                copy._props["data-copy"] = text
            with tag("div", classes="wb-row wb-controls"):
                button("Write it into the machine file", lambda: self.write(point), main=True)
                button("Back to what it says now", lambda: self.at_point(point.name))
        quiet("The machine file as it was stays in the case's store.")

    def write(self, point: Point) -> None:
        """Write the columns into the machine file, if it is valid with them."""
        file = self.bench.case.machine_file
        try:
            data = file.read_bytes()
            old = data.decode("utf-8-sig")
        except (OSError, ValueError) as error:
            raise UsageError(f"The machine file cannot be read: {error}.", "Edit it by hand.") from None
        changed = with_columns(old, point.name, self.columns or {}, self.ignore)
        save_text(self.bench.case, changed, sha256(data).hexdigest(), ends_draft=False)
        self.bench.changed()
        tell("The machine file has these columns now.")
        self.at_point(point.name)

    async def add_capture(self, *, anyway: bool = False) -> None:
        """Add the capture; what is probably a slip only when the person says so."""
        point, note, path, name = self.point.value, self.note.value, self.path, self.name

        def work(progress: Progress) -> Entry:
            _named(lambda: check_capture(self.machine, path, point), name)
            check_capture_is_new(self.bench.case, path, point, name)
            if not anyway:
                question_capture(self.bench.casework, path, point, name)
            return self.bench.case.add_capture(path, point, note=note, name=name, progress=progress)

        await self.add(work, "/cycles?capture={number}", lambda: self.add_capture(anyway=True))

    # -- adding ---------------------------------------------------------------------------------------------

    async def add(
        self, work: Callable[[Progress], Entry], target: str, anyway: Callable[[], Awaitable[None]]
    ) -> None:
        """Add it; what stops half-way leaves nothing in the case, and what is questioned is asked about."""
        self.settle()
        try:
            entry = await self.bench.run(f"Adding {self.name}", work)
        except QuestionedError as error:
            if not self.area.is_deleted:
                self.ask(error, anyway)
            return
        drop(self.path)
        self.bench.changed()
        if self.area.is_deleted:
            return
        self.area.clear()
        with self.area:
            heading(self.name)
            with tag("p"):
                tag("span", f"Added as entry {entry.number}. ", classes="wb-good-text")
                link("Look at it", target.replace("{number}", str(entry.number)))

    def ask(self, error: QuestionedError, anyway: Callable[[], Awaitable[None]]) -> None:
        """Show what speaks against it, and let the person say that it is meant."""
        with self.area:
            self.doubt = tag("div")
        with self.doubt:
            message(error)
            button("Add it anyway", anyway, says=f"add {self.name} to the case anyway")

    def settle(self) -> None:
        """Take a question away: something else was chosen, or it was answered."""
        if self.doubt is not None and not self.doubt.is_deleted:
            self.doubt.delete()
        self.doubt = None


def _named(check: Callable[[], object], name: str) -> None:
    """A mistake in a waiting file is told under the name that the person knows."""
    try:
        check()
    except InputError as error:
        if error.file is not None:
            error.file = name
        raise


def _size(path: Path) -> str:
    size = path.stat().st_size
    for unit, bits in (("GiB", 30), ("MiB", 20), ("KiB", 10)):
        if size >> bits:
            return f"{size / (1 << bits):.1f} {unit}"
    return f"{size} bytes"


def _point_text(point: Point) -> str:
    kinds: Mapping[str, str] = {"timing": "samples", "state": "a sample a clock", "cycles": "whole cycles"}
    return f"{point.name} ({kinds[point.mode]})"


def _targets(job: Job, point: Point) -> tuple[str, ...]:
    """What a column can be at a probe point."""
    if point.mode == "cycles":
        lines = (("A", job.processor.address_bits), ("D", job.processor.word_bits))
        return (*ROLES, *(f"{letter}{line}" for letter, count in lines for line in range(count)))
    found: list[str] = []
    for name, width in bus_widths(job.processor).items():
        found.append(name)
        if width > 1:
            found += [f"{name}{bit}" for bit in range(width)]
    times = [f"time [{unit}]" for unit in ("ns", "us", "ms", "s")]
    return (*found, "time", *times, "sample")
