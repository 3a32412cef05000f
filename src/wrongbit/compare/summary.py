"""Counts over judged cycles: what a person wants to know before any fault is named."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_each_bit, mask_of
from wrongbit.bus.cycles import Cycles
from wrongbit.compare.judge import is_addressed, is_reading
from wrongbit.compare.memory_map import MemoryMap
from wrongbit.compare.observations import Observations, observe
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
        judged_addresses: Different addresses among the judged cycles: a loop reads the same ones again.
        wrong_addresses: Different addresses at which a word was wrong.
    """

    line: int
    judged: tuple[int, int]
    wrong: tuple[int, int]
    judged_addresses: tuple[int, int] = (0, 0)
    wrong_addresses: tuple[int, int] = (0, 0)


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


def summarise(cycles: Cycles, verdicts: Verdicts, memory_map: MemoryMap) -> Summary:
    """Count verdicts per bit, per chip and per address line."""
    seen = observe(cycles, verdicts)
    reading = is_reading(cycles)
    differs = verdicts.verdict == DIFFERS
    unknown = np.flatnonzero(reading & (verdicts.judged == 0))
    wrong = _where(seen, seen.wrong != 0)
    every, bad = _Weighed(seen, memory_map), _Weighed(wrong, memory_map)
    judged_lines = every.each_bit(seen.address, memory_map.address_bits)
    wrong_lines = bad.each_bit(wrong.address, memory_map.address_bits)
    total, total_wrong = int(seen.count.sum()), _count(differs)
    places, bad_places = (_places(each, memory_map.address_bits) for each in (seen, wrong))
    return Summary(
        cycles=len(cycles),
        reading=_count(reading),
        agrees=_count(verdicts.verdict == AGREES),
        differs=total_wrong,
        not_known=len(unknown),
        unjudged=_unjudged(cycles.take(unknown), memory_map),
        first_wrong=int(np.argmax(differs)) if total_wrong else None,
        bits=_bits(every, bad),
        chips=tuple(_chips(every, bad)),
        lines=tuple(
            LineCount(line, (total - high, high), (total_wrong - low, low), places[line], bad_places[line])
            for line, (high, low) in enumerate(zip(judged_lines, wrong_lines, strict=True))
        ),
    )


def _places(seen: Observations, lines: int) -> list[tuple[int, int]]:
    """For each address line, the number of different addresses with the line at 0 and at 1."""
    both = np.unique(np.stack([seen.bank.astype(np.uint64), seen.address]), axis=1)[1]
    high = count_each_bit(both, lines, np.ones(len(both), np.int64)).tolist()
    return [(len(both) - each, each) for each in high]


def _where(seen: Observations, chosen: NDArray[np.bool_]) -> Observations:
    return Observations(*(getattr(seen, column.name)[chosen] for column in fields(seen)))


class _Weighed:
    """Observations that are counted as often as they were made."""

    def __init__(self, seen: Observations, memory_map: MemoryMap) -> None:
        self.seen, self.memory_map = seen, memory_map
        self.answers = memory_map.answering(seen.bank, seen.address)

    def cycles(self, chosen: NDArray[np.bool_]) -> int:
        """Number of cycles in which this holds."""
        return int(self.seen.count[chosen].sum())

    def each_bit(self, words: Words, width: int) -> list[int]:
        """For each bit, the number of cycles in which it is 1."""
        counts: list[int] = count_each_bit(words, width, self.seen.count).tolist()
        return counts

    def at(self, number: int, masks: Words) -> NDArray[np.bool_]:
        """``bool (m,)``: a chip answers, and some bit of its lane is set."""
        own, lane = np.uint64(1 << number), np.uint64(self.memory_map.chips[number].lane_mask)
        return np.asarray(((self.answers & own) != 0) & ((masks & lane) != 0))


def _bits(every: _Weighed, bad: _Weighed) -> tuple[BitCount, ...]:
    chips, width = every.memory_map.chips, every.memory_map.word_bits
    wrong, expected = bad.seen.wrong, bad.seen.expected
    judged = every.each_bit(every.seen.judged, width)
    as_one, as_zero = bad.each_bit(wrong & ~expected, width), bad.each_bit(wrong & expected, width)
    return tuple(
        BitCount(bit, tuple(chip.name for chip in chips if bit in chip.lane), *counts)
        for bit, counts in enumerate(zip(judged, as_one, as_zero, strict=True))
    )


def _chips(every: _Weighed, bad: _Weighed) -> Iterator[ChipCount]:
    """Every chip with judged reads."""
    seen = bad.seen
    unlike_held = (seen.expected ^ seen.wrong ^ seen.held) & seen.judged
    for number, chip in enumerate(every.memory_map.chips):
        judged = every.cycles(every.at(number, every.seen.judged))
        if not judged:
            continue
        wrong = bad.at(number, seen.wrong)
        yield ChipCount(
            name=chip.name,
            judged=judged,
            wrong=bad.cycles(wrong),
            wrong_addresses=len(np.unique(chip.chip_address(seen.address[wrong]))),
            held=bad.cycles(wrong & ((unlike_held & np.uint64(chip.lane_mask)) == 0)),
        )


def _unjudged(cycles: Cycles, memory_map: MemoryMap) -> Unjudged:
    """Why these reading cycles could not be judged."""
    answers = memory_map.answering(cycles.bank, cycles.address)

    def of(*numbers: int) -> NDArray[np.bool_]:
        return np.asarray((answers & np.uint64(mask_of(numbers))) != 0)

    chips = list(enumerate(memory_map.chips))
    rom, ram, port = (of(*(n for n, chip in chips if chip.kind == kind)) for kind in ("rom", "ram", "io"))
    shared = of(*(n for n, chip in chips if chip.kind == "ram" and chip.shared))
    addressed = is_addressed(cycles, memory_map)
    memory = rom | ram
    nobody = addressed & ~memory & ~port
    silent = addressed & memory & (cycles.known == 0)
    rest = addressed & memory & ~silent
    return Unjudged(
        no_address=_count(~addressed),
        nobody=_count(nobody),
        open_bus=_count(nobody & (cycles.known != 0) & (((cycles.word ^ cycles.held) & cycles.known) == 0)),
        port=_count(addressed & ~memory & port),
        unwritten=_count(rest & ram & ~shared),
        no_reference=_count(rest & ~ram),
        no_level=_count(silent),
        shared=_count(rest & ram & shared),
    )


def _count(where: NDArray[np.bool_]) -> int:
    return int(np.count_nonzero(where))
