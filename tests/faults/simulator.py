"""A board in plain Python, to damage by hand: address in, chips chosen, cells, outputs, bus.

It works on single whole numbers, knows nothing of `wrongbit.faults`, and makes evidence by counting in
dictionaries. A damage is a function put at one place on the way of a read.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np

from wrongbit.compare.memory_map import ChipMap, ChipRegion, MemoryMap
from wrongbit.faults.evidence import Evidence


def bit(number: int, position: int) -> int:
    return number >> position & 1


def put(number: int, position: int, level: int) -> int:
    return number | 1 << position if level else number & ~(1 << position)


@dataclass
class Chip:
    """A ROM (with contents) or a RAM (without)."""

    name: str
    lane: tuple[int, ...]
    lines: tuple[int, ...]
    base: int
    size: int
    contents: list[int] = field(default_factory=list)
    known: list[int] = field(default_factory=list)
    bank: int | None = None
    inverted: bool = False
    rows: tuple[int, ...] = ()
    columns: tuple[int, ...] = ()

    @property
    def kind(self) -> str:
        return "rom" if self.contents else "ram"

    @property
    def every(self) -> int:
        return (1 << len(self.lane)) - 1

    def answers(self, bank: int, address: int) -> bool:
        return self.base <= address < self.base + self.size and self.bank in (None, bank)


@dataclass
class Board:
    """Chips on one bus, and what is wrong with them.

    ``address`` and ``chosen`` act before the chips; ``lines``, ``cells`` and ``outputs`` by chip name;
    ``bus`` last. Cells are given the chip address, outputs and bus what was held.
    """

    chips: list[Chip]
    word_bits: int = 8
    address_bits: int = 8
    address: Callable[[int, int], tuple[int, int]] = lambda bank, address: (bank, address)
    chosen: Callable[[set[str]], set[str]] = lambda names: names
    lines: dict[str, Callable[[int], int]] = field(default_factory=dict)
    cells: dict[str, Callable[[int, int], int]] = field(default_factory=dict)
    outputs: dict[str, Callable[[int, int], int]] = field(default_factory=dict)
    bus: Callable[[int, int], int] = lambda word, held: word
    ram: dict[tuple[str, int], int] = field(default_factory=dict)

    def read(self, bank: int, address: int, held: int) -> int:
        bank, address = self.address(bank, address)
        names = self.chosen({chip.name for chip in self.chips if chip.answers(bank, address)})
        word, driven = 0, 0
        for chip in self.chips:
            if chip.name not in names:
                continue
            at = sum(bit(address, line) << k for k, line in enumerate(chip.lines))
            at = self.lines.get(chip.name, lambda lines: lines)(at)
            at %= len(chip.contents) or 1 << len(chip.lines)
            value = chip.contents[at] if chip.contents else self.ram.get((chip.name, at), 0)
            value = self.cells.get(chip.name, lambda cell, word: word)(at, value)
            # What the chip's outputs would have to be for the bus to stay as it is.
            own = sum(bit(held, line) << k for k, line in enumerate(chip.lane)) ^ chip.every * chip.inverted
            value = self.outputs.get(chip.name, lambda word, held: word)(value, own)
            if chip.inverted:
                value ^= chip.every
            for k, line in enumerate(chip.lane):
                level = bit(value, k)
                word = put(word, line, level & bit(word, line) if bit(driven, line) else level)
                driven |= 1 << line
        word = word | held & ~driven & ((1 << self.word_bits) - 1)
        return self.bus(word, held)

    def write(self, address: int, word: int) -> None:
        for chip in self.chips:
            if not chip.contents and chip.answers(0, address):
                at = sum(bit(address, line) << k for k, line in enumerate(chip.lines))
                self.ram[chip.name, at] = sum(bit(word, line) << k for k, line in enumerate(chip.lane))

    def memory_map(self) -> MemoryMap:
        return MemoryMap(
            "P", self.word_bits, self.address_bits, tuple(self._map(chip) for chip in self.chips)
        )

    def _map(self, chip: Chip) -> ChipMap:
        size = len(chip.contents) or 1 << len(chip.lines)
        known = chip.known or [chip.every] * size
        return ChipMap(
            chip.name,
            chip.kind,  # type: ignore[arg-type]
            chip.lane,
            chip.lines,
            (ChipRegion(chip.bank, chip.base, chip.size),),
            np.array(chip.contents or [0] * size, np.uint64) & np.array(known, np.uint64),
            np.array(known if chip.contents else [0] * size, np.uint64),
            chip.inverted,
            chip.rows,
            chip.columns,
        )


def good(board: Board) -> Board:
    """The same board with nothing wrong."""
    return Board(board.chips, board.word_bits, board.address_bits, ram=board.ram)


def evidence_of(board: Board, reads: Iterable[tuple[int, int]], held: int = 0) -> Evidence:
    """Evidence from reads of ROM at (bank, address), one after another; every line holds its last level."""
    whole = good(board)
    seen: Counter[tuple[int, ...]] = Counter()
    first: dict[tuple[int, ...], int] = {}
    for number, (bank, address) in enumerate(reads):
        expected = whole.read(bank, address, 0)
        judged = 0
        for chip in board.chips:
            if chip.answers(bank, address):
                at = sum(bit(address, line) << k for k, line in enumerate(chip.lines)) % (
                    len(chip.contents) or 1 << 30
                )
                known = chip.known[at] if chip.known else chip.every
                judged |= sum(bit(known, k) << line for k, line in enumerate(chip.lane))
        rom = any(chip.contents and chip.answers(bank, address) for chip in board.chips)
        word = board.read(bank, address, held)
        row = (bank, address, held, expected & judged, judged, word & judged, int(rom))
        if judged:
            seen[row] += 1
            first.setdefault(row, number)
        held = word
    return evidence(list(seen), list(seen.values()), [first[row] for row in seen])


def evidence(
    rows: list[tuple[int, ...]], count: list[int] | None = None, first: list[int] | None = None
) -> Evidence:
    """Evidence from rows of (bank, address, held, expected, judged, seen, from_rom)."""
    bank, address, held, expected, judged, seen, rom = (
        (np.array(column) for column in zip(*rows, strict=True)) if rows else (np.empty(0, np.int64),) * 7
    )
    return Evidence(
        bank.astype(np.int32),
        address.astype(np.uint64),
        held.astype(np.uint64),
        expected.astype(np.uint64),
        judged.astype(np.uint64),
        seen.astype(np.uint64),
        rom.astype(np.bool_),
        np.array(count if count is not None else [1] * len(rows), np.int64),
        np.array(first if first is not None else range(len(rows)), np.int64),
    )
