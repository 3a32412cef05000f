"""The next measurement: what to do, why, what each outcome would mean; pressing an outcome enters it."""

from __future__ import annotations

from functools import partial

from wrongbit.case.entries import MeasurementAdded
from wrongbit.casework.accept import check_measurement
from wrongbit.casework.overview import OutcomeLine, Overview, ProposalLine
from wrongbit.diagnose.confirm import CAUTION
from wrongbit.diagnose.entropy import doubt_text, removes_text
from wrongbit.diagnose.hand import OUTCOMES
from wrongbit.errors import UsageError
from wrongbit.job import Progress
from wrongbit.report.figures import percent
from wrongbit.web.elements import (
    Cell,
    Choice,
    Field,
    button,
    cautions,
    heading,
    link,
    live,
    paragraph,
    quiet,
    section,
    share_bar,
    table,
    tag,
    tell,
)
from wrongbit.web.workbench import Workbench

SHOWN = 6
"""Proposals with all their outcomes; the others are worth little."""


def page(bench: Workbench) -> None:
    """Put the page on the screen."""
    live(bench, "Weighing the suspects", bench.casework.overview, lambda found: _draw(bench, found))


def _draw(bench: Workbench, overview: Overview) -> None:
    if overview.conclusion:
        with tag("div", classes="wb-panel wb-now"):
            paragraph(overview.conclusion, classes="wb-big")
            quiet(f"Doubt now: {doubt_text(overview.doubt)}.")
    if not overview.proposals:
        quiet("No measurement that the machine file knows of would tell the parts apart any further.")
    for number, proposal in enumerate(overview.proposals[:SHOWN], 1):
        _proposal(bench, number, proposal)
    _confirm(overview)
    _another(bench)


def _confirm(overview: Overview) -> None:
    """What would make sure of the part that the odds have decided for."""
    if not overview.confirmations:
        return
    part = overview.confirmations[0].part
    with section(f"Before {part} is unsoldered or replaced, make sure of it", key="confirm"):
        cautions((CAUTION,))
        table(
            ("what to do", "min", f"it is {part} if", "it is not if"),
            [
                (each.sentence, f"{each.minutes:g}", each.confirms, each.clears)
                for each in overview.confirmations
            ],
            caption=f"What would confirm {part}",
            right=(1,),
            stacked=True,
        )
        quiet("Enter what you found below: it is weighed with the rest.")


def _proposal(bench: Workbench, number: int, proposal: ProposalLine) -> None:
    sentence = f"{proposal.sentence[:1].upper()}{proposal.sentence[1:].rstrip('.')}"
    with section(f"{number}. {sentence}"):
        removes = removes_text(proposal.gain, proposal.remaining)
        paragraph(
            f"{proposal.minutes:g} min; expected to remove {removes}; "
            f"it spoils something in {proposal.risk:.0%} of cases."
        )
        if proposal.setting:
            paragraph(proposal.setting)
        table(
            ("what may be seen", "chance", "", "would then be suspected"),
            [(each.text, percent(each.share), _bar(each), each.parts) for each in proposal.outcomes],
            caption="Outcomes",
            right=(1,),
        )
        if proposal.can_be:
            _outcomes(bench, proposal)
        elif proposal.kind == "capture":
            link("Bring the capture in", f"/bring_in?point={proposal.place}")


def _bar(outcome: OutcomeLine) -> Cell:
    return lambda: share_bar(outcome.share)


def _outcomes(bench: Workbench, proposal: ProposalLine) -> None:
    """A button for each outcome, which enters it into the journal."""
    heading("What was found?", 3)
    with tag("div", classes="wb-row wb-controls"):
        note = Field("Note", hint="What you saw, if it matters", width=28)
        for outcome in proposal.can_be:
            button(
                outcome,
                partial(_record_outcome, bench, proposal, outcome, note),
                says=f"found {outcome}: {proposal.sentence}",
            )


async def _record_outcome(bench: Workbench, proposal: ProposalLine, outcome: str, note: Field) -> None:
    said = note.value.strip()
    await record(
        bench,
        MeasurementAdded(proposal.kind, proposal.place, proposal.line, proposal.carries, outcome, said),
    )


async def record(bench: Workbench, measurement: MeasurementAdded) -> None:
    """Enter a measurement into the journal.

    Raises:
        UsageError: No outcome was chosen.
        WrongbitError: It names something that is not there, or the journal cannot be written.
    """
    if not measurement.outcome:
        raise UsageError("No outcome was chosen.", "Choose what was found, then enter it.")

    def work(progress: Progress) -> MeasurementAdded:
        checked = check_measurement(bench.casework.machine, measurement)
        bench.case.add(checked)
        return checked

    made = await bench.run("Entering the measurement", work)
    where = f" {made.line}" if made.line else ""
    tell(f"Entered: {made.kind} {made.part}{where}: {made.outcome}.")
    bench.changed()


def _another(bench: Workbench) -> None:
    with section("Enter another measurement", classes="wb-controls"):
        measurement_form(bench)


def measurement_form(bench: Workbench, part: str = "") -> None:
    """Fields for a measurement by hand.

    Args:
        bench: The workbench.
        part: The one chosen at first.
    """
    with tag("div", classes="wb-row"):
        kind = Choice("What was done", list(OUTCOMES), on_change=lambda chosen: fit())
        where_slot = tag("div", classes="wb-slot")
        line = Field("Line", hint="D5 or A12; empty for all", width=6)
        outcome_slot = tag("div", classes="wb-slot")
        note = Field("Note", width=24)
        button("Enter", lambda: record(bench, filled(kind, fields[0], fields[1], line, note)), main=True)
    fields: list[Choice] = []

    def fit() -> None:
        """The places and outcomes that there are for what was done; line and note stay as they are."""
        before = fields[0].value if fields else part
        where_slot.clear()
        outcome_slot.clear()
        with where_slot:
            where = Choice("At", bench.places(kind.value), before)
        with outcome_slot:
            # None is chosen at first: a slip on Enter would put a cure into the evidence that nobody saw.
            outcome = Choice("Outcome", {"": "choose", **{each: each for each in OUTCOMES[kind.value]}})
        fields[:] = [where, outcome]

    fit()


def filled(kind: Choice, where: Choice, outcome: Choice, line: Field, note: Field) -> MeasurementAdded:
    """What the fields say."""
    given = line.value.strip().upper()
    carries = {"D": "data", "A": "address"}.get(given[:1], "")
    return MeasurementAdded(kind.value, where.value, given, carries, outcome.value, note.value.strip())
