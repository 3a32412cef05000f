"""Counts over judged cycles: what a person wants to know before any fault is named."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wrongbit.bits import gather_bits
from wrongbit.bus.cycles import Cycles
from wrongbit.compare.judge import is_reading
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.compare.verdicts import AGREES, DIFFERS, NOT_KNOWN, Verdicts


@dataclass(frozen=True)
class BitCount:
    """One bit of the word.

    Args:
        bit: Its number.
        chips: Chips whose lane it belongs to.
        judged: Cycles in which it could be judged.
        read_as_one: Of these, expected 0 and seen 1.
        read_as_zero: Expected 1 and seen 0.
    """

    bit: int
    chips: tuple[str, ...]
    judged: int
    read_as_one: int
    read_as_zero: int

    @property
    def wrong(self) -> int:
        """Cycles in which the bit was wrong."""
        return self.read_as_one + self.read_as_zero


@dataclass(frozen=True)
class ChipCount:
    """One chip's reads.

    Args:
        name: Reference designator.
        judged: Cycles in which at least one of its bits could be judged.
        wrong: Of these, with at least one wrong bit.
        wrong_addresses: Different addresses among the wrong ones.
        held: Of the wrong ones, those in which the whole lane shows what undriven lines would still hold.
    """

    name: str
    judged: int
    wrong: int
    wrong_addresses: int
    held: int


@dataclass(frozen=True)
class LineCount:
    """One address line: does being wrong go with its level?

    Args:
        line: Number of the address bit.
        judged: Judged cycles with the line at 0 and at 1.
        wrong: Wrong cycles with the line at 0 and at 1.
    """

    line: int
    judged: tuple[int, int]
    wrong: tuple[int, int]


@dataclass(frozen=True)
class Summary:
    """A whole capture beside its reference.

    Args:
        cycles: Number of cycles.
        reading: Number of cycles in which a memory drives the bus.
        agrees: Cycles that agree in every judged bit.
        differs: Cycles that differ in at least one.
        not_known: Reading cycles that could not be judged.
        first_wrong: Row of the first wrong cycle, or None.
        bits: Every bit of the word, bit 0 first.
        chips: Every chip with judged reads.
        lines: Every address line, line 0 first.
    """

    cycles: int
    reading: int
    agrees: int
    differs: int
    not_known: int
    first_wrong: int | None
    bits: tuple[BitCount, ...]
    chips: tuple[ChipCount, ...]
    lines: tuple[LineCount, ...]

    @property
    def judged_share(self) -> float:
        """Share of the reading cycles that could be judged; 0 without reading cycles."""
        return (self.agrees + self.differs) / self.reading if self.reading else 0.0


def summarise(cycles: Cycles, verdicts: Verdicts, memory_map: MemoryMap) -> Summary:
    """Count verdicts per bit, per chip and per address line."""
    reading = is_reading(cycles)
    differs = np.flatnonzero(verdicts.verdict == DIFFERS)
    return Summary(
        cycles=len(cycles),
        reading=int(np.count_nonzero(reading)),
        agrees=int(np.count_nonzero(verdicts.verdict == AGREES)),
        differs=len(differs),
        not_known=int(np.count_nonzero(reading & (verdicts.verdict == NOT_KNOWN))),
        first_wrong=int(differs[0]) if len(differs) else None,
        bits=tuple(_bit(bit, cycles, verdicts, memory_map) for bit in range(memory_map.word_bits)),
        chips=tuple(
            count
            for chip in memory_map.chips
            if (count := _chip(chip, cycles, verdicts, reading)) is not None
        ),
        lines=tuple(_line(line, cycles, verdicts) for line in range(memory_map.address_bits)),
    )


def _bit(bit: int, cycles: Cycles, verdicts: Verdicts, memory_map: MemoryMap) -> BitCount:
    one = np.uint64(1 << bit)
    wrong = (verdicts.wrong & one) != 0
    as_one = int(np.count_nonzero(wrong & ((cycles.word & one) != 0)))
    return BitCount(
        bit=bit,
        chips=tuple(chip.name for chip in memory_map.chips if bit in chip.lane),
        judged=int(np.count_nonzero(verdicts.judged & one)),
        read_as_one=as_one,
        read_as_zero=int(np.count_nonzero(wrong)) - as_one,
    )


def _chip(
    chip: ChipMap, cycles: Cycles, verdicts: Verdicts, reading: np.typing.NDArray[np.bool_]
) -> ChipCount | None:
    lane = np.uint64(chip.lane_mask)
    rows = np.flatnonzero(reading & ((verdicts.judged & lane) != 0))
    rows = rows[chip.selected(cycles.bank[rows], cycles.address[rows])]
    if not len(rows):
        return None
    wrong = rows[(verdicts.wrong[rows] & lane) != 0]
    judged = verdicts.judged[wrong] & lane
    held = ((cycles.word[wrong] ^ cycles.held[wrong]) & judged) == 0
    return ChipCount(
        name=chip.name,
        judged=len(rows),
        wrong=len(wrong),
        wrong_addresses=len(np.unique(chip.chip_address(cycles.address[wrong]))),
        held=int(np.count_nonzero(held)),
    )


def _line(line: int, cycles: Cycles, verdicts: Verdicts) -> LineCount:
    level = gather_bits(cycles.address, [line]).astype(np.intp)
    judged = np.bincount(level[verdicts.judged != 0], minlength=2)
    wrong = np.bincount(level[verdicts.wrong != 0], minlength=2)
    return LineCount(line, (int(judged[0]), int(judged[1])), (int(wrong[0]), int(wrong[1])))
