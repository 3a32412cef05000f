"""Cycles with a mistake of the set-up undone, judged and weighed anew.

A capture with two clips exchanged of a machine that has a fault as well shows wrong words of both. With the
leads put right in the cycles, before they are compared (what RAM gives back depends on where it was written),
the fault is left alone and is weighed like any other.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from wrongbit.bits import count_bits, gather_bits
from wrongbit.bus.cycles import Cycles
from wrongbit.compare.judge import is_reading, judge
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.compare.verdicts import Verdicts
from wrongbit.faults.evidence import gather_evidence
from wrongbit.faults.findings import Findings
from wrongbit.faults.posterior import weigh
from wrongbit.faults.rows import Rows, Words


@dataclass(frozen=True)
class Correction:
    """How the cycles are put right.

    Args:
        address: For each address bit the lead that carries it; None: as named.
        address_inverted: Address bits that are inverted.
        word: For each bit of the word the lead that carries it; None: as named.
        word_inverted: Bits of the word that are inverted.
        chips: ROMs of which only the own outputs are concerned, and only where they answer.
        turned: Their outputs are named in the reverse order; otherwise they have the other polarity.
    """

    address: tuple[int, ...] | None = None
    address_inverted: int = 0
    word: tuple[int, ...] | None = None
    word_inverted: int = 0
    chips: tuple[str, ...] = ()
    turned: bool = False

    def apply(self, cycles: Cycles, memory_map: MemoryMap) -> Cycles:
        """The cycles as they would have been captured without the mistake."""
        address, given = cycles.address, cycles.address_known
        address = address ^ (np.uint64(self.address_inverted) & given)
        if self.address is not None:
            address, given = gather_bits(address, self.address), gather_bits(given, self.address)
        word, known, held = cycles.word, cycles.known, cycles.held
        flipped = np.uint64(self.word_inverted)
        word, held = word ^ (flipped & known), held ^ flipped
        if self.word is not None:
            word, known, held = (gather_bits(each, self.word) for each in (word, known, held))
        right = replace(cycles, address=address, address_known=given, word=word, known=known, held=held)
        for chip in memory_map.roms:
            if chip.name in self.chips:
                right = self._at(chip, right)
        return right

    def _at(self, chip: ChipMap, cycles: Cycles) -> Cycles:
        """The cycles with the outputs of one chip put right."""
        rows = np.flatnonzero(is_reading(cycles) & chip.selected(cycles.bank, cycles.address))
        word, known = cycles.word.copy(), cycles.known.copy()
        if self.turned:
            order = list(range(64))
            for bit, lead in zip(chip.lane, reversed(chip.lane), strict=True):
                order[bit] = lead
            word[rows], known[rows] = gather_bits(word[rows], order), gather_bits(known[rows], order)
        else:
            lane = np.uint64(sum(1 << bit for bit in chip.lane))
            word[rows] ^= lane & known[rows]
        return replace(cycles, word=word, known=known)


@dataclass(frozen=True)
class Corrected:
    """What is left once a mistake is undone.

    Args:
        cycles: The cycles without the mistake.
        verdicts: On these.
        findings: Single faults of the machine that explain what is still wrong.
        judged_weight: Judged bits of the observations with their weights.
    """

    cycles: Cycles
    verdicts: Verdicts
    findings: Findings
    judged_weight: float


def weigh_corrected(
    correction: Correction, cycles: Cycles, memory_map: MemoryMap, *, noise: float
) -> Corrected:
    """Undo a mistake in the cycles and weigh the machine's faults on what is left.

    Args:
        correction: How the cycles are put right.
        cycles: As they were captured.
        memory_map: The chips.
        noise: Probability that a bit is read wrong for no other reason.
    """
    right = correction.apply(cycles, memory_map)
    verdicts = judge(right, memory_map)
    evidence = gather_evidence(right, verdicts)
    # A mistake and two faults at once are not weighed: three guesses explain anything.
    findings = weigh(evidence, memory_map, noise=noise, pairs=False)
    return Corrected(right, verdicts, findings, judged_weight(Rows.of(evidence, memory_map)))


def judged_weight(rows: Rows) -> float:
    """Judged bits of the observations with their weights."""
    judged: Words = rows.judged
    return float((count_bits(judged) * rows.weight).sum())


__all__ = ["Corrected", "Correction", "judged_weight", "weigh_corrected"]
