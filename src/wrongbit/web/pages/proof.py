"""Proof and report: the repair against the case's own bars, and a document to hand on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from nicegui import ui

from wrongbit.case.entries import CaptureAdded, Entry, ReadingAdded
from wrongbit.casework.proof import Proof, ProofLine, WaiverHint, still_to_judge
from wrongbit.casework.said import say_entry
from wrongbit.casework.waivers import waiver_of
from wrongbit.casework.words import counted
from wrongbit.errors import UsageError
from wrongbit.job import Progress
from wrongbit.report.build import build_report, check_originals
from wrongbit.report.content import Report
from wrongbit.report.html import render_html
from wrongbit.report.pdf import render_pdf
from wrongbit.web.elements import (
    Check,
    Choice,
    Field,
    Live,
    button,
    folded,
    heading,
    link,
    live,
    paragraph,
    quiet,
    section,
    table,
    tag,
    tell,
)
from wrongbit.web.workbench import Workbench

MARKS = {
    "proved": "✓ proved",
    "waived": "○ waived",
    "not proved": "▲ not proved",
    "not covered": "· not covered",
}
HEADS = {
    "proved": "✓ Proved",
    "waived": "○ All but what was waived is proved",
    "not proved": "▲ Not proved",
    "not covered": "· Not proved yet",
}
SHOWN = 200
"""Sentences of a list that are shown; the command line's --json has all."""


def page(bench: Workbench) -> None:
    """Put the page on the screen."""
    _Proof(bench).draw()
    with section("Report"):
        paragraph(
            "Everything that another person needs to check the work: the machine, evidence, reasoning, "
            "suspects, replacement, proof, what is not known, and the hash of every file."
        )
        with tag("div", classes="wb-row wb-controls"):
            button("Make the report as PDF", lambda: _download(bench, "report.pdf", render_pdf), main=True)
            button("Make the report as one HTML page", lambda: _download(bench, "report.html", _html))


def _html(report: Report) -> bytes:
    return render_html(report).encode()


async def _download(bench: Workbench, name: str, render: Callable[[Report], bytes]) -> None:
    """Build the report in a thread and hand it to the browser."""

    def work(progress: Progress) -> bytes:
        check_originals(bench.case, progress)
        return render(build_report(bench.casework, progress))

    content = await bench.run("Writing the report", work)
    ui.download.content(content, name)
    tell(f"{name} is in the browser's downloads.")


class _Proof:
    """The proof with the fresh captures and readings that a person has ticked."""

    def __init__(self, bench: Workbench) -> None:
        self.bench = bench
        self.chosen: set[int] | None = None
        """Journal numbers; None until a person has chosen."""
        self.where: Field
        self.why: Field
        self.processor: Choice | None = None

    def draw(self) -> None:
        with section("Is the repair proved?"):
            self.live: Live = live(self.bench, "Comparing before and after", self.work, self.show)

    def work(self, progress: Progress) -> Proof:
        if self.chosen is None:
            return self.bench.casework.proof(progress=progress)
        captures = [entry for entry, _ in self.captures() if entry.number in self.chosen]
        readings = [entry for entry, _ in self.readings() if entry.number in self.chosen]
        return self.bench.casework.proof(captures, readings, progress)

    def captures(self) -> Sequence[tuple[Entry, CaptureAdded]]:
        return self.bench.case.of_kind(CaptureAdded)

    def readings(self) -> Sequence[tuple[Entry, ReadingAdded]]:
        return self.bench.case.of_kind(ReadingAdded)

    def show(self, found: Proof) -> None:
        proved = found.verdict == "proved"  # what is waived is not, and does not look so
        with tag("div", classes="wb-panel" if proved else "wb-panel wb-now"):
            paragraph(
                f"{HEADS[found.verdict]}.",
                classes="wb-big wb-good-text" if proved else "wb-big",
            )
            paragraph(found.sentence)
        table(
            ("", "bar", "before", "after", "why"),
            [_row(each) for each in found.lines],
            caption="The case's bars before and after the repair",
            marked=[number for number, each in enumerate(found.lines) if each.verdict == "not proved"],
            stacked=True,
        )
        if found.remedies:
            heading("What is left to do", 3)
            _list(found.remedies)
        if found.credited:
            heading("Seen right by a reader, not by the machine", 3)
            _list([each.sentence for each in found.credited])
        if found.waived:
            heading("Waived, not proved", 3)
            _list([each.sentence for each in found.waived])
            link("A waiver is withdrawn in the journal", "/journal")
        if summary := still_to_judge(found):
            paragraph(summary)
        elif found.uncovered:
            heading("Wrong before, and not looked at again", 3)
            with folded(f"Show {counted(len(found.uncovered), 'word')} one by one"):
                _list([each.sentence for each in found.uncovered])
            self.waive(found)
        if found.notes:
            heading("Notes", 3)
            _list(found.notes)
        self.choose(found)

    def waive(self, found: Proof) -> None:
        """Fields for a person's reason why words may stay unread; what is written into them is never ours."""
        if not found.looked_at:
            return
        names = sorted({each.processor for each in found.uncovered})
        with tag("div", classes="wb-controls"):
            heading("Let words be that the sound program never reads", 3)
            paragraph(
                "Nothing is proved by it: your reason stands with your name in journal and report.",
                classes="wb-quiet",
            )
            if found.hints:
                paragraph("Perhaps never read by the sound program; that is for you to judge:")
                with tag("ul"):
                    for hint in found.hints:
                        with tag("li"):
                            tag("span", f"{hint.sentence} {hint.why} ")
                            button(
                                "Take this into the fields",
                                partial(self.fill, hint),
                                classes="wb-small",
                                says=f"take {hint.where} into the fields",
                            )
            with tag("div", classes="wb-row"):
                self.where = Field("Address or range", hint="1F3A, 1F00..1FFF, or 2:1F3A in bank 2", width=22)
                self.processor = Choice("Bus of", names) if len(names) > 1 else None
                self.why = Field("Why they may stay unread", width=60)
            with tag("div", classes="wb-row"):
                button("Waive, with this reason", lambda: self.write(found))

    def fill(self, hint: WaiverHint) -> None:
        """Put what is suggested into the fields, to be read and changed before it counts."""
        self.where.value, self.why.value = hint.where, hint.why
        if self.processor is not None:
            self.processor.value = hint.processor

    async def write(self, found: Proof) -> None:
        """Keep the waiver in the journal."""
        where, why = self.where.value.strip(), self.why.value
        if not where:
            raise UsageError("Which words?", "Write an address or a range into the field.")
        name = None if self.processor is None else self.processor.value
        bench = self.bench

        def keep(progress: Progress) -> Entry:
            return bench.case.add(waiver_of(bench.casework.machine, found, where, why, name))

        made = await bench.run("Writing it down", keep)
        tell(f"Kept as entry {made.number}: {say_entry(made)}")
        bench.changed()

    def choose(self, found: Proof) -> None:
        """Boxes for what was taken after the repair."""
        after = {*found.captures_after, *found.readings_after}
        ticked = set(after)
        with tag("div", classes="wb-controls"):
            heading("Taken after the repair", 3)
            rows = [
                *((entry, f"{each.file.name} at {each.point}") for entry, each in self.captures()),
                *((entry, f"{each.file.name}, {each.chip}") for entry, each in self.readings()),
            ]
            for entry, says in rows:
                with tag("div"):
                    _box(entry.number, says, ticked)

            def again() -> None:
                self.chosen = set(ticked)
                self.live.again()

            with tag("div", classes="wb-row"):
                if rows:
                    button("Compare with these", again)
                link(
                    "Bring in a fresh capture or reading; “proof” in its note says what it is for",
                    "/bring_in",
                )


def _list(texts: Sequence[str]) -> None:
    """Sentences, one below the other."""
    with tag("ul"):
        for text in texts[:SHOWN]:
            tag("li", text)
    if len(texts) > SHOWN:
        quiet(f"… and {len(texts) - SHOWN} more.")


def _box(number: int, says: str, ticked: set[int]) -> None:
    def changed(value: bool) -> None:
        (ticked.add if value else ticked.discard)(number)

    Check(f"{number}  {says}", number in ticked, on_change=changed)


def _row(line: ProofLine) -> tuple[str, ...]:
    return MARKS[line.verdict], f"{line.group}: {line.title}", line.before, line.after or "–", line.says
