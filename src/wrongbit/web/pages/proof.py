"""Proof and report: the repair against the case's own bars, and a document to hand on."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from nicegui import ui

from wrongbit.case.entries import CaptureAdded, Entry, ReadingAdded
from wrongbit.casework.proof import Proof, ProofLine, still_to_judge
from wrongbit.job import Progress
from wrongbit.report.build import build_report, check_originals
from wrongbit.report.content import Report
from wrongbit.report.html import render_html
from wrongbit.report.pdf import render_pdf
from wrongbit.web.elements import (
    Check,
    Live,
    button,
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

MARKS = {"proved": "✓ proved", "not proved": "▲ not proved", "not covered": "· not covered"}
HEADS = {"proved": "✓ Proved", "not proved": "▲ Not proved", "not covered": "· Not proved yet"}
UNCOVERED = 40
"""Words shown that were not looked at again."""


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
        proved = found.verdict == "proved"
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
        )
        if summary := still_to_judge(found):
            paragraph(summary)
        elif found.uncovered:
            heading("Wrong before, and not looked at again", 3)
            with tag("ul"):
                for word in found.uncovered[:UNCOVERED]:
                    tag("li", word.sentence)
            if len(found.uncovered) > UNCOVERED:
                quiet(f"… and {len(found.uncovered) - UNCOVERED} more.")
        self.choose(found)

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


def _box(number: int, says: str, ticked: set[int]) -> None:
    def changed(value: bool) -> None:
        (ticked.add if value else ticked.discard)(number)

    Check(f"{number}  {says}", number in ticked, on_change=changed)


def _row(line: ProofLine) -> tuple[str, ...]:
    return MARKS[line.verdict], f"{line.group}: {line.title}", line.before, line.after or "–", line.says
