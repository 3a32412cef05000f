"""All faults of wires on a board, with quick lower bounds of their costs."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations, permutations

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_bits
from wrongbit.compare.memory_map import ChipMap
from wrongbit.faults.batch import Batch, Board, mixture_bound, wrong_elsewhere
from wrongbit.faults.fault import BUS, Fault
from wrongbit.faults.lines import What, levels
from wrongbit.faults.models.wires import (
    AddressFault,
    BankFault,
    ChipAddressFault,
    DataLineFault,
    OutputFault,
    WireFault,
)
from wrongbit.faults.refute import wrong_behind_addresses
from wrongbit.faults.rows import Costs, Index, Rows, Words

SINGLE: tuple[What, ...] = ("stuck at 0", "stuck at 1", "open")
"""Faults of one line; the others concern two."""

PREFERRED: dict[What, float] = {"low wins": 3.0, "follows": 0.5}
"""Share within a family, 1 where not named: a low level usually wins (see `wrongbit.faults.lines`)."""

NEIGHBOURS = 3.0
"""A bridge between neighbouring lines is this much likelier than any other (common practice, no source)."""

Maker = Callable[[What, object, object], WireFault]
Scan = Callable[[Board], Iterator[Batch]]


@dataclass(frozen=True)
class _List:
    """Faults of one kind at one place, as arrays: lines, and how likely each is within its family."""

    what: What
    first: Words
    second: NDArray[np.int64]
    share: Costs

    def columns(self, index: Index) -> tuple[Words, Words, Words]:
        """First lines, second lines and masks of both, each ``(k, 1)``."""
        first = self.first[index][:, None]
        second = np.maximum(self.second[index], 0).astype(np.uint64)[:, None]
        one = np.uint64(1) << first
        return first, second, one if self.what in SINGLE else one | (np.uint64(1) << second)


@lru_cache(maxsize=256)
def _list(count: int, what: What) -> _List:
    preferred = PREFERRED.get(what, 1.0)
    if what in SINGLE:
        return _List(what, np.arange(count, dtype=np.uint64), np.full(count, -1), np.full(count, preferred))
    order = permutations if what == "follows" else combinations
    pairs = np.array(list(order(range(count), 2)), np.int64).reshape(-1, 2)
    near = np.abs(pairs[:, 1] - pairs[:, 0]) == 1
    return _List(
        what, pairs[:, 0].astype(np.uint64), pairs[:, 1], preferred * np.where(near, NEIGHBOURS, 1.0)
    )


def _builder(make: Maker, listed: _List) -> Callable[[int], Fault]:
    return lambda number: make(listed.what, int(listed.first[number]), int(listed.second[number]))


def _wrong_data(
    listed: _List, index: Index, expected: Words, judged: Words, seen: Words, held: Words
) -> NDArray[np.uint8]:
    """``uint8 (k, n)`` bits that each fault certainly predicts otherwise than seen."""
    first, second, mask = listed.columns(index)
    if listed.what == "open":
        # A line that held 1 reads 1; one that held 0 may have drifted, so its bit is free.
        return count_bits(((expected | mask) ^ seen) & judged & ~(mask & ~held))
    value = levels(listed.what, first, second, expected)
    return count_bits((value ^ seen) & np.where((judged & mask) == mask, judged, judged & ~mask))


def _shared(scan: Scan) -> Scan:
    """A scan whose shares sum to 1."""

    def shared(board: Board) -> Iterator[Batch]:
        batches = list(scan(board))
        total = sum(float(batch.share.sum()) for batch in batches)
        return (replace(batch, share=batch.share / total) for batch in batches)

    return shared


def output_faults(*whats: What) -> Scan:
    """Faults at the outputs of every chip."""

    def scan(board: Board) -> Iterator[Batch]:
        for chip in board.chips:
            for what in whats:
                yield _output_batch(board, chip, _list(len(chip.lane), what))

    return _shared(scan)


def _output_batch(board: Board, chip: ChipMap, listed: _List) -> Batch:
    names = _names("D", chip.lane)

    def make(what: What, first: object, second: object) -> WireFault:
        return OutputFault(chip.name, what, first, second, names)

    def bound(rows: Rows, index: Index) -> Costs:
        at = rows.at(chip)
        # A floating line of the bus that held 1 stays there, which is a 0 at an output that is inverted.
        flip = ~np.uint64(0) if chip.inverted else np.uint64(0)
        words = (at.expected ^ flip, at.judged, at.seen ^ flip, at.held ^ flip)
        if listed.what != "open":
            words = (at.expected, at.judged, at.seen, at.held)
        active = _wrong_data(listed, index, *words)
        idle = count_bits(at.wrong)
        least = mixture_bound(active, idle, at.weight, board.noise)
        return least + wrong_elsewhere(rows, chip, board.noise)

    return Batch(listed.share, bound, _builder(make, listed), not board.suspected(chip))


def data_line_faults(*whats: What) -> Scan:
    """Faults on the shared data lines."""

    def scan(board: Board) -> Iterator[Batch]:
        width = board.rows.memory_map.word_bits
        for what in whats:
            yield _data_line_batch(board, _list(width, what))

    return _shared(scan)


def _data_line_batch(board: Board, listed: _List) -> Batch:
    names = _names("D", range(board.rows.memory_map.word_bits))

    def make(what: What, first: object, second: object) -> WireFault:
        return DataLineFault(BUS, what, first, second, names)

    def bound(rows: Rows, index: Index) -> Costs:
        active = _wrong_data(listed, index, rows.expected, rows.judged, rows.seen, rows.held)
        return mixture_bound(active, count_bits(rows.wrong), rows.weight, board.noise)

    return Batch(listed.share, bound, _builder(make, listed))


def chip_address_faults(*whats: What) -> Scan:
    """Faults on the address lines of every chip."""

    def scan(board: Board) -> Iterator[Batch]:
        for chip in board.chips:
            for what in whats:
                yield _chip_address_batch(board, chip, _list(len(chip.address_lines), what))

    return _shared(scan)


def _chip_address_batch(board: Board, chip: ChipMap, listed: _List) -> Batch:
    names = _names("A", chip.address_lines)

    def make(what: What, first: object, second: object) -> WireFault:
        return ChipAddressFault(chip.name, what, first, second, names)

    def wrong(what: What, rows: Rows, index: Index) -> NDArray[np.uint8]:
        at = rows.at(chip)
        first, second, _ = listed.columns(index)
        cell = levels(what, first, second, at.lines)
        if chip.kind != "rom":  # what another cell of a RAM holds is not known
            return count_bits((at.expected ^ at.seen) & np.where(cell == at.lines, at.judged, np.uint64(0)))
        cell %= np.uint64(len(chip.contents))
        return count_bits((chip.contents[cell] ^ at.seen) & at.judged & chip.known[cell])

    def bound(rows: Rows, index: Index) -> Costs:
        at = rows.at(chip)
        elsewhere = wrong_elsewhere(rows, chip, board.noise)
        if listed.what == "open":
            levels = wrong("stuck at 0", rows, index), wrong("stuck at 1", rows, index)
            return elsewhere + mixture_bound(*levels, at.weight, board.noise)
        idle = count_bits(at.wrong)
        return elsewhere + mixture_bound(wrong(listed.what, rows, index), idle, at.weight, board.noise)

    return Batch(listed.share, bound, _builder(make, listed), not board.suspected(chip))


def address_faults(*whats: What) -> Scan:
    """Faults on the shared address lines."""

    def scan(board: Board) -> Iterator[Batch]:
        width = board.rows.memory_map.address_bits
        names = _names("A", range(width))

        def make(what: What, first: object, second: object) -> WireFault:
            return AddressFault(BUS, what, first, second, names)

        def moved(rows: Rows, what: What, first: Words, second: Words) -> NDArray[np.uint8]:
            return wrong_behind_addresses(rows, rows.bank, levels(what, first, second, rows.address))

        for what in whats:
            yield _addressing_batch(board, _list(width, what), make, moved)

    return _shared(scan)


def bank_faults(*whats: What) -> Scan:
    """Faults on the lines that choose the bank."""

    def scan(board: Board) -> Iterator[Batch]:
        names = _names("BANK", range(board.bank_bits))

        def make(what: What, first: object, second: object) -> WireFault:
            return BankFault(BUS, what, first, second, names)

        def moved(rows: Rows, what: What, first: Words, second: Words) -> NDArray[np.uint8]:
            bank = levels(what, first, second, np.maximum(rows.bank, 0).astype(np.uint64))
            return wrong_behind_addresses(
                rows, np.where(rows.bank < 0, rows.bank, bank.astype(np.int32)), rows.address
            )

        for what in whats:
            yield _addressing_batch(board, _list(board.bank_bits, what), make, moved)

    return _shared(scan)


Moved = Callable[[Rows, What, Words, Words], NDArray[np.uint8]]
"""Certainly wrong bits, ``uint8 (k, n)``, with a fault on these lines, ``(k, 1)``."""


def _addressing_batch(board: Board, listed: _List, make: Maker, moved: Moved) -> Batch:
    def bound(rows: Rows, index: Index) -> Costs:
        first, second, _ = listed.columns(index)
        if listed.what == "open":  # it has a level of its own in every read
            forms = moved(rows, "stuck at 1", first, second), moved(rows, "stuck at 0", first, second)
        else:
            forms = moved(rows, listed.what, first, second), count_bits(rows.wrong)
        return mixture_bound(*forms, rows.weight, board.noise)

    return Batch(listed.share, bound, _builder(make, listed))


def _names(letter: str, bits: Sequence[int]) -> tuple[str, ...]:
    """``D3``, or ``D3 (bus D11)`` where a chip counts otherwise than the bus."""
    return tuple(
        f"{letter}{number}" if number == bit else f"{letter}{number} (bus {letter}{bit})"
        for number, bit in enumerate(bits)
    )
