"""The parts under suspicion, what speaks for and against each, and what to measure next."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

from wrongbit.casework.words import part_kind, sentence, share_text, trigger_text, weighing_conclusion
from wrongbit.diagnose.confirm import CAUTION, confirmations, confirmed_by, decided_part
from wrongbit.diagnose.entropy import doubt_text, odds_text, removes_text
from wrongbit.diagnose.planning import Proposal
from wrongbit.diagnose.suspects import Suspect, Weighing
from wrongbit.machine.model import Machine
from wrongbit.report.content import Block, Column, Figure, Heading, Listed, Paragraph, Section, Table
from wrongbit.report.figures import board_map, odds_bars, suspect_odds
from wrongbit.report.sections.words import absent

SHOWN, WITNESSED, PROPOSED = 8, 4, 3
"""Suspects that are listed, those of whom every observation is told, proposals told in full."""


def suspects_section(weighing: Weighing | str | None) -> Section:
    """Parts by suspicion.

    Args:
        weighing: From all captures and measurements; None where the machine file has no paths; a text: why
            they cannot be weighed.
    """
    title = "Suspects"
    if isinstance(weighing, str):
        return Section(title, (absent(f"Not weighed: {weighing}"),))
    if weighing is None:
        return Section(
            title,
            (absent("Not weighed: the machine file does not say what lies between chips and processor."),),
        )
    blocks: list[Block] = [Paragraph(weighing_conclusion(weighing), "conclusion")]
    if not weighing.labels:
        return Section(title, tuple(blocks))
    suspects = weighing.suspects()
    blocks += _shares(weighing, suspects[:SHOWN])
    blocks.append(
        Figure(
            partial(board_map, weighing),
            "Board map: paths from chips (left) to processors (right), with each part's share of the doubt.",
            wide=True,
        )
    )
    blocks += _witnesses(weighing, suspects[:WITNESSED])
    blocks += _structure(weighing)
    return Section(title, tuple(blocks))


def _shares(weighing: Weighing, suspects: Sequence[Suspect]) -> Iterator[Block]:
    top = weighing.top()
    rows = []
    for each in suspects:
        mark = ("first, tied" if len(top) > 1 else "first") if each.part in top else ""
        kind = part_kind(weighing, each.part)
        way = each.ways[0][0] if each.ways else "–"
        rows.append((mark, each.part, kind or "–", share_text(each.share), share_text(each.prior), way))
    columns = (
        Column(""), Column("part"), Column("kind"), Column("odds", "number"), Column("before", "number"),
        Column("most likely", share=1),
    )  # fmt: skip
    marked = frozenset(number for number, each in enumerate(suspects) if each.part in top)
    yield Table(
        columns,
        tuple(rows),
        "Parts by their odds; before: by failure rates alone, when nothing was measured. "
        f"Doubt that is left: {doubt_text(weighing.doubt)}.",
        marked,
    )
    yield Figure(
        partial(odds_bars, suspect_odds(weighing, SHOWN), title="Odds of the parts"),
        "Odds of the parts; ▲ marks the first, a stroke the odds before anything was measured.",
    )


def _witnesses(weighing: Weighing, suspects: Sequence[Suspect]) -> Iterator[Block]:
    yield Heading("What speaks for and against")
    rows = tuple(
        (label, *(odds_text(each.witnesses[number].nats) for each in suspects))
        for number, label in enumerate(weighing.labels)
    )
    columns = (Column("observation", share=1.5), *(Column(each.part, share=1) for each in suspects))
    yield Table(columns, rows, "What each observation says of the first suspects, as a change of their odds.")


def _structure(weighing: Weighing) -> Iterator[Block]:
    """What follows from the board alone."""
    if not weighing.conflicts:
        return
    yield Heading("Why: by the structure of the board, without probabilities")
    told = [f"Not all of these are sound: {', '.join(sorted(each))}." for each in weighing.conflicts[:SHOWN]]
    single = sorted(next(iter(each)) for each in weighing.diagnoses if len(each) == 1)
    pairs = [" with ".join(sorted(each)) for each in weighing.diagnoses if len(each) == 2]
    if single:
        told.append(f"One part alone would do: {', '.join(single)}.")
    if pairs:
        more = f" and {len(pairs) - 4} more" if len(pairs) > 4 else ""
        told.append(f"Or two together: {'; '.join(pairs[:4])}{more}.")
    yield Listed(tuple(told))


def _make_sure(weighing: Weighing) -> Iterator[Block]:
    """What would confirm the part that the odds have decided for."""
    part, ways = decided_part(weighing), confirmations(weighing)
    if not part:
        return
    yield Heading(f"Before {part} is unsoldered or replaced")
    done = confirmed_by(weighing)
    if done:
        yield Listed(tuple(f"Already speaks for it: {each}." for each in done))
    if not ways:
        yield Paragraph("All that the machine file knows of to make sure of it was done.")
        return
    yield Paragraph(CAUTION)
    columns = (
        Column("what to do", share=1.3),
        Column("minutes", "number"),
        Column(f"it is {part} if", share=1),
        Column("it is not if", share=1),
    )
    rows = tuple((f"{each.text}.", f"{each.minutes:g}", each.confirms, each.clears) for each in ways)
    yield Table(columns, rows, f"What would make sure that it is {part}.")


def next_section(machine: Machine, proposals: Sequence[Proposal], weighing: Weighing | str | None) -> Section:
    """What to measure next, and what would make sure of a part that the odds have decided for.

    Args:
        machine: The machine.
        proposals: Most telling first.
        weighing: As for `suspects_section`.
    """
    title = "Next measurement"
    if not isinstance(weighing, Weighing):
        return Section(
            title, (absent("Not computed: without weighed suspects nothing says what tells most."),)
        )
    if not proposals:
        text = "No measurement that the machine file knows of would tell the parts apart any further."
        return Section(title, (Paragraph(text), *_make_sure(weighing)))
    blocks: list[Block] = []
    for number, each in enumerate(proposals[:PROPOSED], 1):
        blocks.append(Heading(f"{number}. {sentence(each.text)}"))
        blocks.append(
            Paragraph(
                f"{each.minutes:g} minutes; removes {removes_text(each.gain, each.remaining)} on average. "
                f"{trigger_text(machine, each)}".rstrip()
            )
        )
        rows = tuple(
            (
                outcome.text,
                share_text(outcome.share),
                ", ".join(f"{name} {share_text(share)}" for name, share in outcome.parts) or "–",
            )
            for outcome in each.outcomes[:5]
        )
        columns = (
            Column("if this is seen", share=1),
            Column("chance", "number"),
            Column("suspects then", share=2),
        )
        blocks.append(Table(columns, rows, "What it would mean."))
    rest = proposals[PROPOSED : PROPOSED + SHOWN]
    if rest:
        told = tuple(
            f"{sentence(each.text)} {each.minutes:g} minutes, {removes_text(each.gain, each.remaining)}."
            for each in rest
        )
        blocks += [Heading("Also possible"), Listed(told)]
    return Section(title, (*blocks, *_make_sure(weighing)))
