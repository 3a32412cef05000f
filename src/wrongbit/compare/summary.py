"""Counts over judged cycles: what a person wants to know before any fault is named."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_each_bit, mask_of
from wrongbit.bus.cycles import Cycles
from wrongbit.compare.judge import is_reading
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.compare.verdicts import AGREES, DIFFERS, NOT_KNOWN, Verdicts

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
    """

    no_address: int
    nobody: int
    open_bus: int
    port: int
    unwritten: int
    no_reference: int
    no_level: int

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
    reading = is_reading(cycles)
    differs = np.flatnonzero(verdicts.verdict == DIFFERS)
    wrong = cycles.take(differs)
    wrong_bits = verdicts.wrong[differs]
    unknown = np.flatnonzero(reading & (verdicts.verdict == NOT_KNOWN))
    return Summary(
        cycles=len(cycles),
        reading=int(np.count_nonzero(reading)),
        agrees=int(np.count_nonzero(verdicts.verdict == AGREES)),
        differs=len(differs),
        not_known=len(unknown),
        unjudged=_unjudged(cycles, unknown, memory_map),
        first_wrong=int(differs[0]) if len(differs) else None,
        bits=_bits(wrong, wrong_bits, verdicts, memory_map),
        chips=_chips(cycles, verdicts, wrong, differs, memory_map),
        lines=_lines(cycles, verdicts, wrong, memory_map.address_bits),
    )


def _unjudged(cycles: Cycles, rows: NDArray[np.intp], memory_map: MemoryMap) -> Unjudged:
    """Why these reading cycles could not be judged."""
    bank, address, known = cycles.bank[rows], cycles.address[rows], cycles.known[rows]
    whole = np.uint64((1 << memory_map.address_bits) - 1)
    unseen = cycles.address_known[rows] != whole
    if memory_map.banked:
        unseen |= bank < 0
    chips = memory_map.answering(bank, address)
    answers = {
        kind: (
            chips & np.uint64(mask_of([n for n, chip in enumerate(memory_map.chips) if chip.kind == kind]))
        )
        != 0
        for kind in ("rom", "ram", "io")
    }
    memory = answers["rom"] | answers["ram"]
    nobody = ~unseen & ~memory & ~answers["io"]
    held = nobody & (known != 0) & (((cycles.word[rows] ^ cycles.held[rows]) & known) == 0)
    silent = ~unseen & memory & (known == 0)
    rest = ~unseen & memory & ~silent
    port = ~unseen & ~memory & answers["io"]
    return Unjudged(
        no_address=_count(unseen),
        nobody=_count(nobody),
        open_bus=_count(held),
        port=_count(port),
        unwritten=_count(rest & answers["ram"]),
        no_reference=_count(rest & ~answers["ram"]),
        no_level=_count(silent),
    )


def _count(where: NDArray[np.bool_]) -> int:
    return int(np.count_nonzero(where))


def _bits(
    wrong: Cycles, wrong_bits: Words, verdicts: Verdicts, memory_map: MemoryMap
) -> tuple[BitCount, ...]:
    width = memory_map.word_bits
    judged = count_each_bit(verdicts.judged, width)
    as_one = count_each_bit(wrong_bits & wrong.word, width)
    as_zero = count_each_bit(wrong_bits & ~wrong.word, width)
    return tuple(
        BitCount(
            bit=bit,
            chips=tuple(chip.name for chip in memory_map.chips if bit in chip.lane),
            judged=int(judged[bit]),
            read_as_one=int(as_one[bit]),
            read_as_zero=int(as_zero[bit]),
        )
        for bit in range(width)
    )


def _chips(
    cycles: Cycles, verdicts: Verdicts, wrong: Cycles, differs: NDArray[np.intp], memory_map: MemoryMap
) -> tuple[ChipCount, ...]:
    judged_rows = np.flatnonzero(verdicts.judged)
    answers = memory_map.answering(cycles.bank[judged_rows], cycles.address[judged_rows])
    judged_bits = verdicts.judged[judged_rows]
    wrong_answers = memory_map.answering(wrong.bank, wrong.address)
    wrong_bits, wrong_judged = verdicts.wrong[differs], verdicts.judged[differs]
    counts = []
    for number, chip in enumerate(memory_map.chips):
        lane, own = np.uint64(chip.lane_mask), np.uint64(1 << number)
        judged = _count(((answers & own) != 0) & ((judged_bits & lane) != 0))
        if not judged:
            continue
        bad = np.flatnonzero(((wrong_answers & own) != 0) & ((wrong_bits & lane) != 0))
        held = ((wrong.word[bad] ^ wrong.held[bad]) & wrong_judged[bad] & lane) == 0
        counts.append(
            ChipCount(
                name=chip.name,
                judged=judged,
                wrong=len(bad),
                wrong_addresses=_different(chip, wrong.address[bad]),
                held=_count(held),
            )
        )
    return tuple(counts)


def _different(chip: ChipMap, address: Words) -> int:
    """Number of different cells of a chip among these addresses."""
    touched = np.zeros(len(chip.contents), np.bool_)
    touched[chip.chip_address(address).astype(np.intp)] = True
    return int(np.count_nonzero(touched))


def _lines(cycles: Cycles, verdicts: Verdicts, wrong: Cycles, address_bits: int) -> tuple[LineCount, ...]:
    judged = cycles.address[verdicts.judged != 0]
    judged_high = count_each_bit(judged, address_bits)
    wrong_high = count_each_bit(wrong.address, address_bits)
    return tuple(
        LineCount(
            line,
            (len(judged) - int(judged_high[line]), int(judged_high[line])),
            (len(wrong) - int(wrong_high[line]), int(wrong_high[line])),
        )
        for line in range(address_bits)
    )
