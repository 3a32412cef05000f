"""Counts over judged cycles: what a person wants to know before any fault is named."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_each_bit, mask_of
from wrongbit.bus.cycles import Cycles
from wrongbit.compare.judge import is_reading
from wrongbit.compare.memory_map import MemoryMap
from wrongbit.compare.verdicts import AGREES, DIFFERS, Verdicts

Words = NDArray[np.uint64]


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
class Unjudged:
    """Reads that could not be judged, by reason.

    Args:
        no_address: The address or the bank was not seen whole.
        nobody: No memory answers there; of these ``open_bus`` show what the lines still held.
        open_bus: See ``nobody``.
        port: Only a port answers there.
        unwritten: RAM to which no write was seen before.
        no_reference: A ROM of which no reference gives these words.
        no_level: The reference is there, but no level was seen.
        shared: RAM that another processor may have written unseen.
    """

    no_address: int
    nobody: int
    open_bus: int
    port: int
    unwritten: int
    no_reference: int
    no_level: int
    shared: int

    def reasons(self) -> tuple[tuple[int, str], ...]:
        """(count, reason) in words, the most frequent first, without those that did not occur."""
        held = f" (where {self.open_bus} show only what the lines still held)" if self.open_bus else ""
        told = (
            (self.no_address, "address or bank not seen whole"),
            (self.nobody, f"no memory answers there{held}"),
            (self.port, "a port answers there"),
            (self.unwritten, "RAM not written before in this capture"),
            (self.no_reference, "ROM words that no reference gives"),
            (self.no_level, "levels not seen"),
            (self.shared, "RAM that another processor writes too"),
        )
        return tuple(sorted((each for each in told if each[0]), reverse=True))


@dataclass(frozen=True)
class Summary:
    """A whole capture beside its reference.

    Args:
        cycles: Number of cycles.
        reading: Number of cycles in which a memory drives the bus.
        agrees: Cycles that agree in every judged bit.
        differs: Cycles that differ in at least one.
        not_known: Reading cycles that could not be judged.
        unjudged: Why not.
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
    unjudged: Unjudged
    first_wrong: int | None
    bits: tuple[BitCount, ...]
    chips: tuple[ChipCount, ...]
    lines: tuple[LineCount, ...]

    @property
    def judged_share(self) -> float:
        """Share of the reading cycles that could be judged; 0 without reading cycles."""
        return (self.agrees + self.differs) / self.reading if self.reading else 0.0


BLOCK = 1 << 15
"""Cycles counted together: their columns and the scratch space stay in the processor's cache."""


def summarise(cycles: Cycles, verdicts: Verdicts, memory_map: MemoryMap) -> Summary:
    """Count verdicts per bit, per chip and per address line."""
    counts = _Counts(memory_map)
    for start in range(0, len(cycles), BLOCK):
        part = slice(start, start + BLOCK)
        counts.add(cycles.take(part), verdicts.take(part), start)
    return counts.summary(len(cycles))


class _Counts:
    """Running counts over blocks of judged cycles."""

    def __init__(self, memory_map: MemoryMap) -> None:
        self.memory_map = memory_map
        self.reading = self.agrees = self.differs = self.not_known = self.judged = 0
        self.first_wrong: int | None = None
        self.unjudged = np.zeros(len(fields(Unjudged)), np.int64)
        self.bits_judged, self.as_one, self.as_zero = np.zeros((3, memory_map.word_bits), np.int64)
        self.lines_judged, self.lines_wrong = np.zeros((2, memory_map.address_bits), np.int64)
        self.chips_judged, self.chips_wrong, self.chips_held = np.zeros((3, len(memory_map.chips)), np.int64)
        self.touched = [np.zeros(len(chip.contents), np.bool_) for chip in memory_map.chips]

    def add(self, cycles: Cycles, verdicts: Verdicts, start: int) -> None:
        """Count one more block, whose first cycle has the number ``start``."""
        reading = is_reading(cycles)
        judged = verdicts.judged != 0
        differs = np.flatnonzero(verdicts.verdict == DIFFERS)
        unknown = np.flatnonzero(reading & ~judged)
        if self.first_wrong is None and len(differs):
            self.first_wrong = start + int(differs[0])
        self.reading += _count(reading)
        self.judged += _count(judged)
        self.differs += len(differs)
        self.agrees += _count(verdicts.verdict == AGREES)
        self.not_known += len(unknown)
        self.bits_judged += count_each_bit(verdicts.judged, len(self.bits_judged))
        self.lines_judged += count_each_bit(cycles.address[judged], len(self.lines_judged))
        answers = self.memory_map.answering(cycles.bank, cycles.address)
        if len(unknown):
            self._add_unjudged(cycles.take(unknown), answers[unknown])
        for number, chip in enumerate(self.memory_map.chips):
            own, lane = np.uint64(1 << number), np.uint64(chip.lane_mask)
            self.chips_judged[number] += _count(((answers & own) != 0) & ((verdicts.judged & lane) != 0))
        if len(differs):
            self._add_wrong(cycles.take(differs), verdicts.take(differs), answers[differs])

    def _add_wrong(self, cycles: Cycles, verdicts: Verdicts, answers: Words) -> None:
        self.as_one += count_each_bit(verdicts.wrong & cycles.word, len(self.as_one))
        self.as_zero += count_each_bit(verdicts.wrong & ~cycles.word, len(self.as_zero))
        self.lines_wrong += count_each_bit(cycles.address, len(self.lines_wrong))
        unlike_held = (cycles.word ^ cycles.held) & verdicts.judged
        for number, chip in enumerate(self.memory_map.chips):
            own, lane = np.uint64(1 << number), np.uint64(chip.lane_mask)
            bad = ((answers & own) != 0) & ((verdicts.wrong & lane) != 0)
            self.chips_wrong[number] += _count(bad)
            self.chips_held[number] += _count(bad & ((unlike_held & lane) == 0))
            self.touched[number][chip.chip_address(cycles.address[bad]).astype(np.intp)] = True

    def _add_unjudged(self, cycles: Cycles, answers: Words) -> None:
        """Why these reading cycles could not be judged."""
        unseen = cycles.address_known != np.uint64((1 << self.memory_map.address_bits) - 1)
        if self.memory_map.banked:
            unseen |= cycles.bank < 0
        rom, ram, port = ((answers & self._of_kind(kind)) != 0 for kind in ("rom", "ram", "io"))
        shared = (answers & self._shared_ram()) != 0
        memory = rom | ram
        nobody = ~unseen & ~memory & ~port
        held = nobody & (cycles.known != 0) & (((cycles.word ^ cycles.held) & cycles.known) == 0)
        silent = ~unseen & memory & (cycles.known == 0)
        rest = ~unseen & memory & ~silent
        own = rest & ram & ~shared
        port_only = ~unseen & ~memory & port
        reasons = (unseen, nobody, held, port_only, own, rest & ~ram, silent, rest & ram & shared)
        self.unjudged += [_count(reason) for reason in reasons]

    def _of_kind(self, kind: str) -> np.uint64:
        return np.uint64(mask_of([n for n, chip in enumerate(self.memory_map.chips) if chip.kind == kind]))

    def _shared_ram(self) -> np.uint64:
        chips = enumerate(self.memory_map.chips)
        return np.uint64(mask_of([n for n, chip in chips if chip.kind == "ram" and chip.shared]))

    def summary(self, cycles: int) -> Summary:
        """The counts so far, of so many cycles."""
        chips = self.memory_map.chips
        return Summary(
            cycles=cycles,
            reading=self.reading,
            agrees=self.agrees,
            differs=self.differs,
            not_known=self.not_known,
            unjudged=Unjudged(*(int(count) for count in self.unjudged)),
            first_wrong=self.first_wrong,
            bits=tuple(
                BitCount(bit, tuple(chip.name for chip in chips if bit in chip.lane), *map(int, counts))
                for bit, counts in enumerate(zip(self.bits_judged, self.as_one, self.as_zero, strict=True))
            ),
            chips=tuple(
                ChipCount(
                    name=chip.name,
                    judged=int(self.chips_judged[number]),
                    wrong=int(self.chips_wrong[number]),
                    wrong_addresses=_count(self.touched[number]),
                    held=int(self.chips_held[number]),
                )
                for number, chip in enumerate(chips)
                if self.chips_judged[number]
            ),
            lines=tuple(
                LineCount(line, (self.judged - int(high), int(high)), (self.differs - int(bad), int(bad)))
                for line, (high, bad) in enumerate(zip(self.lines_judged, self.lines_wrong, strict=True))
            ),
        )


def _count(where: NDArray[np.bool_]) -> int:
    return int(np.count_nonzero(where))
