"""How a comparison is shown: share judged, first wrong word, counts per bit, chip and address line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from rich.text import Text

from wrongbit.bits import mask_of
from wrongbit.bus.cycles import NO_TIME
from wrongbit.casework.words import answering, bank_text, known_word, wrong_chips
from wrongbit.cli.show import (
    ACCENT,
    QUIET,
    bit_strip,
    hex_word,
    indented,
    moment,
    out,
    plain_table,
    show_cautions,
)
from wrongbit.compare.chance import all_on_one_side
from wrongbit.compare.seen import lines_never_seen
from wrongbit.compare.summary import LineCount, Summary
from wrongbit.compare.verdicts import AGREES, BASIS_RAM, DIFFERS
from wrongbit.job import FIRST, Comparison, Job
from wrongbit.machine.recipe import KINDS

CONTEXT = 3
"""Cycles shown before and after the first wrong one."""


def show_comparison(job: Job, comparison: Comparison) -> None:
    """Everything the comparison says, for a person."""
    summary = comparison.summary
    out.print(
        Text(job.machine.machine.name, "bold"), f"— {job.processor.name} at probe point {job.point.name}"
    )
    show_cautions(job.machine.machine.cautions)
    out.print()
    show_first(comparison.notes)
    out.print(judged_sentence(summary), soft_wrap=True)
    if summary.not_known:
        reasons = "; ".join(f"{count}: {reason}" for count, reason in summary.unjudged.reasons())
        out.print(Text(f"  not known because: {reasons}.", QUIET), soft_wrap=True)
    unjudged = unjudged_chips(job, summary)
    if unjudged:
        chips = f"{', '.join(unjudged[:-1])} or {unjudged[-1]}" if len(unjudged) > 1 else unjudged[0]
        out.print(
            f"  No word of {chips} was read that could be judged: a fault there would not show.",
            soft_wrap=True,
        )
    if summary.first_wrong is None:
        if summary.agrees:
            out.print("Every word that could be judged agrees with what should have been there.")
        else:
            out.print("No word could be judged: nothing says what should have been at the addresses seen.")
            out.print(Text.assemble(("→ ", ACCENT), (what_to_do(summary), "bold")), soft_wrap=True)
        return
    show_first_wrong(job, comparison, summary.first_wrong)
    show_counts(job, summary)


def show_first(notes: Sequence[str]) -> None:
    """What the result may rest on, before any result."""
    told = [note.removeprefix(FIRST) for note in notes if note.startswith(FIRST)]
    for note in told:
        out.print(Text.assemble(("! ", ACCENT), (note, "bold")), soft_wrap=True)
    if told:
        out.print()


def other_notes(notes: Sequence[str]) -> tuple[str, ...]:
    """The notes that `show_first` does not show."""
    return tuple(note for note in notes if not note.startswith(FIRST))


def what_to_do(summary: Summary) -> str:
    """The next step where no read could be judged: such a capture is no proof that the machine is sound."""
    if not summary.reading:
        return (
            "This capture holds no read. Check which column says what a cycle does, the texts under 'kinds' "
            "of the probe point, and the clips on the read strobe."
        )
    reasons = summary.unjudged.reasons()
    if reasons and reasons[0][0] == summary.unjudged.no_address:
        return (
            "Clip and map the address and bank lines that were not seen, or say under 'tied' of the probe "
            "point which of them are fixed."
        )
    return (
        "Check the columns and the radix of the probe point, the regions and images of the chips, and that "
        "the capture was taken while the processor ran from them."
    )


def judged_sentence(summary: Summary) -> str:
    """How much could be judged, and with what result."""
    return (
        f"{summary.cycles} bus cycles, {summary.reading} of them reads. {summary.judged_share:.1%} of these "
        f"can be judged: {summary.agrees} agree, {summary.differs} differ, {summary.not_known} not known."
    )


def show_first_wrong(job: Job, comparison: Comparison, row: int) -> None:
    """The first wrong word: what stood where, bit by bit, and the cycles around it."""
    out.print()
    show_word(job, comparison, row, "First wrong word")
    out.print(indented(around(job, comparison, row)))


def show_word(job: Job, comparison: Comparison, row: int, title: str) -> None:
    """One cycle's word beside the one that should have been there: where, of which chip, and bit by bit."""
    cycles, verdicts = comparison.cycles, comparison.verdicts
    address = hex_word(int(cycles.address[row]), job.processor.address_bits)
    expected = known_word(int(verdicts.expected[row]), int(verdicts.judged[row]), job.processor.word_bits)
    seen = known_word(int(cycles.word[row]), int(cycles.known[row]), job.processor.word_bits)
    basis = "as last written" if verdicts.basis[row] == BASIS_RAM else "by the reference"
    chips = " and ".join(wrong_chips(job, comparison, row))
    out.print(
        Text.assemble(
            (title, "bold"),
            f"  cycle {row}, {KINDS[cycles.kind[row]]} at ",
            (address, "bold"),
            f"{bank_text(job, int(cycles.bank[row]))}: expected {expected} {basis}, seen ",
            (seen, ACCENT if verdicts.verdict[row] == DIFFERS else ""),
            f"  — chip {chips}" if chips else "",
        ),
        soft_wrap=True,
    )
    out.print()
    out.print(
        indented(
            bit_strip(
                int(verdicts.expected[row]),
                int(cycles.word[row]),
                int(verdicts.judged[row]),
                job.memory_map,
                answering(job, comparison, row),
            )
        )
    )


def around(job: Job, comparison: Comparison, row: int) -> Any:
    """A table of the cycles around one."""
    cycles, verdicts = comparison.cycles, comparison.verdicts
    table = plain_table(
        ("cycle", "right"),
        ("time", "right"),
        ("kind", "left"),
        ("address", "left"),
        ("expected", "left"),
        ("seen", "left"),
        ("verdict", "left"),
    )
    begun = int(cycles.time_ps[0])
    word_bits = job.processor.word_bits
    unseen = mask_of(lines_never_seen(cycles, job.memory_map)[1])
    for at in range(max(row - CONTEXT, 0), min(row + CONTEXT + 1, len(cycles))):
        verdict = verdicts.verdict[at]
        judged = int(verdicts.judged[at])
        agrees = f"agrees in {judged.bit_count()} bits" if unseen else "agrees"
        words = {AGREES: agrees, DIFFERS: "differs ▲"}
        table.add_row(
            str(at),
            moment(int(cycles.time_ps[at]), begun),
            KINDS[cycles.kind[at]],
            known_word(int(cycles.address[at]), int(cycles.address_known[at]), job.processor.address_bits),
            known_word(int(verdicts.expected[at]), judged, word_bits) if judged else "–",
            known_word(int(cycles.word[at]), int(cycles.known[at]), word_bits),
            words.get(verdict, "not known"),
            style=ACCENT if verdict == DIFFERS else None,
        )
    return table


def show_counts(job: Job, summary: Summary) -> None:
    """Counts per bit and per chip; address lines only where being wrong clearly goes with a level."""
    bits = plain_table(
        ("bit", "right"),
        ("chip", "left"),
        ("wrong", "right"),
        ("read as 1", "right"),
        ("read as 0", "right"),
        ("judged", "right"),
    )
    bad = {each.name for each in summary.chips if each.wrong}
    for count in summary.bits:
        if count.wrong:
            bits.add_row(
                str(count.bit),
                " ".join(name for name in count.chips if name in bad),
                str(count.wrong),
                str(count.read_as_one),
                str(count.read_as_zero),
                str(count.judged),
            )
    chips = plain_table(
        ("chip", "left"),
        ("wrong reads", "right"),
        ("of judged", "right"),
        ("wrong addresses", "right"),
        ("as if not driven", "right"),
    )
    for each in summary.chips:
        chips.add_row(each.name, str(each.wrong), str(each.judged), str(each.wrong_addresses), str(each.held))
    out.print()
    out.print(indented(bits))
    out.print()
    out.print(indented(chips))
    telling = telling_lines(summary)
    if telling:
        out.print()
        out.print(Text(f"  Wrong only where {' and '.join(telling)}.", QUIET), soft_wrap=True)


TELLING = 0.01
"""Probability that chance alone makes any of the address lines look telling, below which one is told."""


def telling_lines(summary: Summary) -> list[str]:
    """Address lines at whose one level nothing is wrong while at the other something is, by level.

    Of few wrong words all lie by chance at one level of some line or other. A line is told only where so many
    wrong addresses, drawn by lot from all addresses that were judged, would all lie there with a probability
    that, times both levels of all lines that moved, stays below `TELLING`.
    """
    moved = sum(min(line.judged_addresses) > 0 for line in summary.lines)

    def telling(line: LineCount, level: int) -> bool:
        wrong = line.wrong_addresses[level]
        if not wrong or line.wrong_addresses[1 - level]:
            return False
        chance = all_on_one_side(wrong, line.judged_addresses[level], line.judged_addresses[1 - level])
        return 2 * moved * chance < TELLING

    sentences = []
    for level in (0, 1):
        lines = [f"A{line.line}" for line in summary.lines if telling(line, level)]
        if lines:
            sentences.append(f"{' '.join(lines)} {'are all' if len(lines) > 1 else 'is'} {level}")
    return sentences


def unjudged_chips(job: Job, summary: Summary) -> tuple[str, ...]:
    """ROMs that have a reference and of which this capture could judge no word."""
    judged = {count.name for count in summary.chips if count.judged}
    return tuple(
        chip.name
        for chip in job.memory_map.chips
        if chip.kind == "rom" and chip.name not in judged and bool(np.any(chip.known))
    )


def comparison_as_json(job: Job, comparison: Comparison) -> dict[str, Any]:
    """A comparison for programs."""
    summary = comparison.summary
    row = summary.first_wrong
    return {
        "machine": job.machine.machine.name,
        "processor": job.processor.name,
        "point": job.point.name,
        "notes": list(comparison.notes),
        "cycles": summary.cycles,
        "reads": summary.reading,
        "agrees": summary.agrees,
        "differs": summary.differs,
        "not_known": summary.not_known,
        "not_known_because": vars(summary.unjudged),
        "judged_share": summary.judged_share,
        "first_wrong": None if row is None else first_wrong_as_json(job, comparison, row),
        "bits": [
            {
                "bit": count.bit,
                "chips": list(count.chips),
                "judged": count.judged,
                "read_as_one": count.read_as_one,
                "read_as_zero": count.read_as_zero,
            }
            for count in summary.bits
        ],
        "chips": [vars(count) for count in summary.chips],
        "chips_not_judged": list(unjudged_chips(job, summary)),
        "address_lines": [vars(count) for count in summary.lines],
    }


def first_wrong_as_json(job: Job, comparison: Comparison, row: int) -> dict[str, Any]:
    """The first wrong cycle for programs."""
    cycles, verdicts = comparison.cycles, comparison.verdicts
    wrong = int(verdicts.wrong[row])
    time = int(cycles.time_ps[row])
    return {
        "cycle": row,
        "sample": int(cycles.sample[row]),
        "time_ps": None if time == NO_TIME else time,
        "kind": KINDS[cycles.kind[row]],
        "bank": int(cycles.bank[row]),
        "address": hex_word(int(cycles.address[row]), job.processor.address_bits),
        "expected": known_word(
            int(verdicts.expected[row]), int(verdicts.judged[row]), job.processor.word_bits
        ),
        "seen": known_word(int(cycles.word[row]), int(cycles.known[row]), job.processor.word_bits),
        "wrong_bits": [bit for bit in range(job.processor.word_bits) if wrong >> bit & 1],
        "chips": list(wrong_chips(job, comparison, row)),
        "basis": "last write" if verdicts.basis[row] == BASIS_RAM else "reference",
    }


def differing_rows(comparison: Comparison) -> np.typing.NDArray[np.intp]:
    """Rows of all cycles that differ."""
    return np.flatnonzero(comparison.verdicts.verdict == DIFFERS)
