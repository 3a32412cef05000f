"""Sentences that the command line, the report and the workbench share."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from wrongbit.compare.doubt import SET_UP
from wrongbit.compare.verdicts import BASIS_RAM
from wrongbit.machine.recipe import KINDS
from wrongbit.units import format_bits, format_word

if TYPE_CHECKING:
    from wrongbit.diagnose.planning import Proposal
    from wrongbit.diagnose.suspects import Weighing
    from wrongbit.faults.findings import Findings
    from wrongbit.job import Comparison, Diagnosis, Job
    from wrongbit.machine.model import Machine


def share_text(share: float) -> str:
    """A probability as a percentage that never claims certainty.

    >>> share_text(0.5), share_text(0.99999), share_text(0.00001)
    ('50.0 %', '> 99.9 %', '< 0.1 %')
    """
    if share > 0.999:
        return "> 99.9 %"
    return f"{share:.1%}".replace("%", " %") if share >= 0.001 else "< 0.1 %"


def listed(names: Sequence[str], last: str = "and") -> str:
    """Names in a sentence.

    >>> listed(["U1"]), listed(["U1", "U2", "U3"])
    ('U1', 'U1, U2 and U3')
    """
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} {last} {names[-1]}" if names else ""


def counted(count: int, one: str, many: str = "") -> str:
    """A number with its noun.

    >>> counted(1, "word"), counted(2, "pass", "passes")
    ('1 word', '2 passes')
    """
    return f"{count} {one if count == 1 else many or one + 's'}"


# -- a diagnosis -----------------------------------------------------------------------------------------


def diagnosis_conclusion(job: Job, diagnosis: Diagnosis) -> str:
    """Part and lane in one line, or that the set-up is likelier."""
    machine = _where_to_look(job, diagnosis.findings)
    first = diagnosis.check_first
    if not first:
        if diagnosis.blames_nobody:
            return SET_UP
        return f"{SET_UP} {machine}" if diagnosis.set_up_doubtful else machine
    places = " and the ".join(dict.fromkeys(mistake.where for mistake in first))
    if first[0].probability > diagnosis.findings.best.probability:
        if first[0].faults:
            return f"Check the {places}, then capture again: the machine has a fault besides."
        return f"Check the {places}: that is likelier than any fault of the machine."
    return f"Check the {places} first. {machine}"


def _where_to_look(job: Job, findings: Findings) -> str:
    lanes = {chip.name: chip.lane for chip in job.memory_map.chips}
    parts = dict.fromkeys(part for finding in findings.ties for part in finding.parts)
    told = [
        f"chip {part} ({lane_text(lanes[part])})" if part in lanes else "the lines that all chips share"
        for part in parts
    ]
    if len(told) == 1:
        return f"Look at {told[0]}."
    return f"Look at {listed(told, 'or')}: what was captured does not decide between them."


def lane_text(lane: Sequence[int]) -> str:
    """The word bits of a chip for a person.

    >>> lane_text(range(8, 16)), lane_text([5])
    ('bits 8 to 15 of the word', 'bit 5 of the word')
    """
    bits = tuple(sorted(lane))
    if len(bits) == 1:
        return f"bit {bits[0]} of the word"
    gapless = bits[-1] - bits[0] == len(bits) - 1
    return f"bits {f'{bits[0]} to {bits[-1]}' if gapless else format_bits(bits)} of the word"


# -- words -------------------------------------------------------------------------------------------------


def known_word(value: int, known: int, bits: int) -> str:
    """A word in hexadecimal; a digit with any unknown bit is a question mark.

    >>> known_word(0x1200, 0xFF0F, 16)
    '12?0'
    """
    digits = []
    for shift in range(4 * (-(-bits // 4) - 1), -1, -4):
        need = (((1 << bits) - 1) >> shift) & 15
        digits.append(f"{value >> shift & 15:X}" if known >> shift & need == need else "?")
    return "".join(digits)


def answering(job: Job, comparison: Comparison, row: int) -> tuple[str, ...]:
    """Chips whose judged bits stand in this cycle."""
    cycles = comparison.cycles
    at = slice(row, row + 1)
    return tuple(
        chip.name
        for chip in job.memory_map.chips
        if chip.lane_mask & int(comparison.verdicts.judged[row])
        and bool(chip.selected(cycles.bank[at], cycles.address[at])[0])
    )


def wrong_chips(job: Job, comparison: Comparison, row: int) -> tuple[str, ...]:
    """Of the chips that answer in this cycle, those with a wrong bit in their lane."""
    wrong = int(comparison.verdicts.wrong[row])
    lanes = {chip.name: chip.lane_mask for chip in job.memory_map.chips}
    return tuple(name for name in answering(job, comparison, row) if lanes[name] & wrong)


def bank_text(job: Job, bank: int) -> str:
    """The bank, where the machine has banks."""
    return f" in bank {bank if bank >= 0 else 'unknown'}" if job.memory_map.banked else ""


def word_sentence(job: Job, comparison: Comparison, row: int) -> str:
    """A wrong word in a sentence."""
    cycles, verdicts, bits = comparison.cycles, comparison.verdicts, job.processor.word_bits
    wrong = int(verdicts.wrong[row])
    places = [str(bit) for bit in range(bits) if wrong >> bit & 1]
    basis = "as last written" if verdicts.basis[row] == BASIS_RAM else "by the reference"
    chips = wrong_chips(job, comparison, row)
    where = format_word(int(cycles.address[row]), job.processor.address_bits)
    told = (
        f"Cycle {row}, {KINDS[cycles.kind[row]]} at {where}{bank_text(job, int(cycles.bank[row]))}: expected "
        f"{format_word(int(verdicts.expected[row]), bits)} {basis}, seen "
        f"{format_word(int(cycles.word[row]), bits)}; bit{'s' if len(places) > 1 else ''} {listed(places)}"
    )
    return f"{told} of chip {listed(chips)}." if chips else f"{told}."


def differing(comparison: Comparison, most: int) -> tuple[int, ...]:
    """Samples, or rows, from which the first wrong words were taken."""
    rows = np.flatnonzero(comparison.verdicts.wrong)[:most]
    return tuple(int(sample) for sample in comparison.cycles.sample[rows])


# -- suspects ----------------------------------------------------------------------------------------------


def part_kind(weighing: Weighing, part: str) -> str:
    """What a suspected part is; empty where the machine file does not tell."""
    found = weighing.structure.parts.get(part)
    if found is not None:
        return found.kind
    chip = weighing.structure.chips.get(part)
    return chip.kind if chip is not None else ""


STANDS_OUT = 0.9
"""Share of a part that is named first though what was measured does not tell it from others. A choice."""


def weighing_conclusion(weighing: Weighing) -> str:
    """What to do, in a sentence or two."""
    if not weighing.labels:
        return "Nothing was measured yet: the shares are those of failure rates alone."
    if not weighing.fault_seen:
        return "Nothing that was measured is wrong; a fault in what was not exercised would not show."
    top = weighing.top()
    if not weighing.explained:
        return (
            f"{top[0]} explains it best, but leaves more unexplained than noise makes credible: look for a "
            "second fault, or check clips and reference."
        )
    if len(top) == 1:
        return f"It is {top[0]}: {weighing.suspects()[0].ways[0][0]}."
    first = weighing.suspects()[0]
    if first.share >= STANDS_OUT:
        return (
            f"Most likely it is {first.part}: {first.ways[0][0]}. What was measured so far does not rule out "
            f"{listed(top[1:], 'or')}."
        )
    return f"What was measured does not tell {listed(top)} apart."


def sentence(text: str) -> str:
    """A text with its first letter large and a full stop.

    >>> sentence("read U4")
    'Read U4.'
    """
    return f"{text[:1].upper()}{text[1:]}."


def trigger_text(machine: Machine, proposal: Proposal) -> str:
    """How to set the instrument, in words; empty where the proposal is no capture."""
    trigger = proposal.trigger
    if proposal.kind != "capture":
        return ""
    point = machine.point_of(proposal.place)
    processor = machine.processor_of(point.processor)
    if trigger is None:
        return "Trigger: reset goes away. Depth: as much as the instrument has."
    where = format_word(trigger.address, processor.address_bits)
    where += f" in bank {trigger.bank}" if trigger.bank else ""
    about = ""
    if trigger.expected is not None and trigger.seen is not None:
        about = (
            f" (first wrong word: expected {format_word(trigger.expected, processor.word_bits)}, "
            f"seen {format_word(trigger.seen, processor.word_bits)})"
        )
    return f"Trigger: address {where}{about}. Depth: {trigger.cycles} bus cycles or more from reset."
