"""Two captures side by side, without any reference: two runs of one machine, or a machine and its twin.

Cycles are lined up by kind, bank and address; words take no part, so that wrong ones do not hide. Runs of
addresses that occur once in each capture are the anchors, of which the heaviest chain in order is kept. What
lies between anchors is walked through: equal stretches at one look, the rest window by window with the
longest common subsequence (bit-parallel, Hyyrö 2004, "Bit-parallel LCS-length computation revisited").
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_each_bit
from wrongbit.bus.cycles import KIND_CODE, Cycles
from wrongbit.compare.judge import is_reading
from wrongbit.compare.memory_map import MemoryMap

Words = NDArray[np.uint64]
Rows = NDArray[np.int64]

GRAM = 12
"""Cycles in a run that may be an anchor. A choice."""

WINDOW = 2048
"""Cycles of each side that are compared in full at one time."""

SMALL = 4096
"""Up to so many cycles on either side the alignment is the best there is, without anchors."""

FRESH = 0.75
"""Share of a window after which its alignment is not relied on, as it may end badly."""


def align_runs(first: Cycles, second: Cycles) -> tuple[Rows, Rows]:
    """Cycles of two captures that belong together.

    Args:
        first: One capture.
        second: The other; depth, start, waits and interrupts may differ.

    Returns:
        Two ``int64 (p,)`` arrays of rows, both increasing: row ``a[k]`` of the first belongs to ``b[k]`` of
        the second. Captures of up to 4096 cycles are aligned with the most pairs possible.
    """
    a, b = _symbols(first, second)
    return align_symbols(a, b)


def align_symbols(a: Rows, b: Rows) -> tuple[Rows, Rows]:
    """`align_runs` for two rows of numbers, equal where cycles may belong together.

    >>> left, right = align_symbols(np.array([1, 2, 3, 4]), np.array([1, 3, 9, 4]))
    >>> left.tolist(), right.tolist()
    ([0, 2, 3], [0, 1, 3])
    """
    lefts: list[Rows] = []
    rights: list[Rows] = []

    def add(left: int, right: int, length: int) -> None:
        lefts.append(np.arange(left, left + length))
        rights.append(np.arange(right, right + length))

    at, bt = 0, 0
    for left, right, length in [*_chain(a, b), (len(a), len(b), 0)]:
        for start, other, size in _between(a[at:left], b[bt:right]):
            add(at + start, bt + other, size)
        add(left, right, length)
        at, bt = left + length, right + length
    none = np.empty(0, np.int64)
    return np.concatenate([none, *lefts]), np.concatenate([none, *rights])


def _symbols(first: Cycles, second: Cycles) -> tuple[Rows, Rows]:
    """A small number for each (kind, bank, address), the same in both captures."""
    key = np.concatenate([_key(first), _key(second)])
    _, number = np.unique(key, return_inverse=True)
    number = number.astype(np.int64)
    return number[: len(first)], number[len(first) :]


def _key(cycles: Cycles) -> Words:
    bank = (cycles.bank.astype(np.int64) + 1).astype(np.uint64)
    key: Words = (
        cycles.address * np.uint64(0x9E3779B97F4A7C15)  # odd, so that different addresses stay different
        + bank * np.uint64(0xC2B2AE3D27D4EB4F)
        + cycles.kind.astype(np.uint64) * np.uint64(0x165667B19E3779F9)
    )
    return key


# -- anchors -----------------------------------------------------------------------------------------------


def _chain(a: Rows, b: Rows) -> list[tuple[int, int, int]]:
    """Anchors in order as (row in a, row in b, length), none overlapping; none where both sides are small."""
    if len(a) <= SMALL and len(b) <= SMALL:
        return []
    grams_a, grams_b = _grams(a), _grams(b)
    once_a, once_b = _once(grams_a), _once(grams_b)
    _, left, right = np.intersect1d(grams_a[once_a], grams_b[once_b], assume_unique=True, return_indices=True)
    rows_a, rows_b = once_a[left], once_b[right]
    order = np.argsort(rows_a)
    rows_a, rows_b = rows_a[order], rows_b[order]
    if not len(rows_a):
        return []
    cut = np.flatnonzero((np.diff(rows_a) != 1) | (np.diff(rows_b) != 1)) + 1
    starts = np.concatenate([[0], cut])
    lengths = np.diff(np.concatenate([starts, [len(rows_a)]]))
    runs = zip(rows_a[starts].tolist(), rows_b[starts].tolist(), (lengths + GRAM - 1).tolist(), strict=True)
    chain: list[tuple[int, int, int]] = []
    end_a = end_b = 0
    for left_row, right_row, length in _heaviest(list(runs)):
        late = max(end_a - left_row, end_b - right_row, 0)
        if late < length:
            chain.append((left_row + late, right_row + late, length - late))
            end_a, end_b = left_row + length, right_row + length
    return chain


def _grams(symbols: Rows) -> Words:
    """A number for every run of `GRAM` symbols."""
    count = max(len(symbols) - GRAM + 1, 0)
    total = np.zeros(count, np.uint64)
    for step in range(GRAM):
        total = (
            total * np.uint64(0x100000001B3) + symbols[step : step + count].astype(np.uint64) + np.uint64(1)
        )
        total ^= total >> np.uint64(29)
    return total


def _once(grams: Words) -> Rows:
    _, first, times = np.unique(grams, return_index=True, return_counts=True)
    return np.asarray(first[times == 1], np.int64)


def _heaviest(runs: list[tuple[int, int, int]]) -> list[tuple[int, int, int]]:
    """The heaviest chain in which the second rows rise too; the runs come in order of the first."""
    ranks = sorted({run[1] for run in runs})
    best: list[tuple[int, int]] = [(0, -1)] * (len(ranks) + 1)  # a Fenwick tree of prefix maxima
    before: list[int] = []
    for index, (_, right, length) in enumerate(runs):
        rank = bisect_left(ranks, right)
        weight, previous = 0, -1
        node = rank
        while node:
            if best[node][0] > weight:
                weight, previous = best[node]
            node -= node & -node
        before.append(previous)
        node = rank + 1
        while node < len(best):
            if weight + length > best[node][0]:
                best[node] = (weight + length, index)
            node += node & -node
    weight, index = max((_prefix(best, len(ranks)), (0, -1)), key=lambda each: each[0])
    chain = []
    while index >= 0:
        chain.append(runs[index])
        index = before[index]
    return chain[::-1]


def _prefix(tree: list[tuple[int, int]], node: int) -> tuple[int, int]:
    found = (0, -1)
    while node:
        found = max(found, tree[node], key=lambda each: each[0])
        node -= node & -node
    return found


# -- between anchors ---------------------------------------------------------------------------------------


def _between(a: Rows, b: Rows) -> Iterator[tuple[int, int, int]]:
    """Equal stretches of two rows as (start in a, start in b, length), in order."""
    at = bt = 0
    tail = _common(a[::-1], b[::-1])
    end_a, end_b = len(a) - tail, len(b) - tail
    while True:
        same = _common(a[at:end_a], b[bt:end_b])
        yield at, bt, same
        at, bt = at + same, bt + same
        if at == end_a or bt == end_b:
            break
        small = end_a - at <= SMALL and end_b - bt <= SMALL
        size = SMALL if small else WINDOW
        left, right = _longest_common(a[at : min(at + size, end_a)], b[bt : min(bt + size, end_b)])
        if not small:
            kept = (left < FRESH * size) & (right < FRESH * size)
            if not kept.any():
                at, bt = min(at + size // 2, end_a), min(bt + size // 2, end_b)
                continue
            left, right = left[kept], right[kept]
        for one, other in zip(left.tolist(), right.tolist(), strict=True):
            yield at + one, bt + other, 1
        if small:
            break
        at, bt = at + int(left[-1]) + 1, bt + int(right[-1]) + 1
    yield end_a, end_b, tail


def _common(a: Rows, b: Rows) -> int:
    """Length of the common beginning, looked at in growing pieces."""
    size = min(len(a), len(b))
    done, step = 0, 64
    while done < size:
        piece = slice(done, min(done + step, size))
        differ = a[piece] != b[piece]
        if differ.any():
            return done + int(differ.argmax())
        done, step = piece.stop, step * 4
    return size


def _longest_common(a: Rows, b: Rows) -> tuple[Rows, Rows]:
    """Rows of a longest common subsequence."""
    places: dict[int, int] = {}
    for row, symbol in enumerate(a.tolist()):
        places[symbol] = places.get(symbol, 0) | 1 << row
    full = (1 << len(a)) - 1
    columns = []
    state = full
    for symbol in b.tolist():
        match = state & places.get(symbol, 0)
        state = ((state + match) | (state - match)) & full
        columns.append(state)
    left, right = [], []
    i, j = len(a), len(b)
    while i and j:
        if columns[j - 1] >> (i - 1) & 1:
            i -= 1
        elif j > 1 and not columns[j - 2] >> (i - 1) & 1:
            j -= 1
        else:
            i, j = i - 1, j - 1
            left.append(i)
            right.append(j)
    return np.array(left[::-1], np.int64), np.array(right[::-1], np.int64)


# -- what differs ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Place:
    """An address whose words differ between the captures.

    Args:
        bank: Bank, or -1.
        address: Address.
        reads: Pairs of reads that belong together.
        differ: Of these, with different words.
        bits: Bits that differed, as a mask.
        first: Row of the first such pair in the first capture.
        low: Lower end of the 95 % interval of the rate, after Wilson (J. Am. Stat. Assoc. 22, 1927).
        high: Upper end.
    """

    bank: int
    address: int
    reads: int
    differ: int
    bits: int
    first: int
    low: float
    high: float

    @property
    def rate(self) -> float:
        """Share of the pairs that differ."""
        return self.differ / self.reads


@dataclass(frozen=True)
class RunsCompared:
    """What two captures have in common and where they part.

    Args:
        left: ``int64 (p,)`` rows of the first capture that belong to…
        right: ``int64 (p,)`` …these rows of the second.
        lengths: Cycles in each.
        first_word: Pair in which two words differ for the first time, or None.
        parted: Pair after which the captures first go different ways, to meet again or not, or None.
        one_sided: At that place only one capture has further cycles before both go on together: a wait, a
            refresh, an interrupt or another turn of a loop.
        reads: Pairs of reads with bits to compare.
        differ: Of these, with different words.
        places: Addresses that are never written, with different words; the most frequent first.
        changing: Number of addresses that are written, or whose chip is RAM or a port, with different words.
        bits: ``int64 (w,)`` differences of each bit at the ``places``.
        chips: (name, differences) of each ROM in whose lane they lie; empty without a memory map.
    """

    left: Rows
    right: Rows
    lengths: tuple[int, int]
    first_word: int | None
    parted: int | None
    one_sided: bool
    reads: int
    differ: int
    places: tuple[Place, ...]
    changing: int
    bits: NDArray[np.int64]
    chips: tuple[tuple[str, int], ...]

    @property
    def intermittent(self) -> tuple[Place, ...]:
        """Places with reads that agree and reads that do not: no steady fault, and no other contents."""
        return tuple(place for place in self.places if place.differ < place.reads)


def compare_runs(first: Cycles, second: Cycles, memory_map: MemoryMap | None = None) -> RunsCompared:
    """Line up two captures and tell what differs.

    Args:
        first: One capture.
        second: The other.
        memory_map: Tells which chip a difference belongs to and which addresses are ROM; may be left out.
    """
    left, right = align_runs(first, second)
    one, other = first.take(left), second.take(right)
    known = one.known & other.known
    known[~is_reading(one)] = 0
    wrong = (one.word ^ other.word) & known
    differing = np.flatnonzero(wrong)
    steady = _never_written(first, second, one, memory_map)
    width = memory_map.word_bits if memory_map is not None else int(known.max(initial=0)).bit_length()
    places, changing = _places(one, known, wrong, steady, left)
    parted, one_sided = _parting(left, right, (len(first), len(second)))
    return RunsCompared(
        left=left,
        right=right,
        lengths=(len(first), len(second)),
        first_word=int(differing[0]) if len(differing) else None,
        parted=parted,
        one_sided=one_sided,
        reads=int(np.count_nonzero(known)),
        differ=len(differing),
        places=places,
        changing=changing,
        bits=count_each_bit(wrong[steady], width),
        chips=_chips(one, wrong, memory_map),
    )


def _parting(left: Rows, right: Rows, lengths: tuple[int, int]) -> tuple[int | None, bool]:
    """Pair after which cycles have no partner, and whether only one side has such cycles there."""
    if not len(left):
        return None, False
    more = np.stack([np.diff(left), np.diff(right)]) - 1
    gaps = np.flatnonzero(more.any(axis=0))
    if len(gaps):
        return int(gaps[0]), bool((more[:, gaps[0]] == 0).any())
    rest = lengths[0] - 1 - left[-1], lengths[1] - 1 - right[-1]
    return (len(left) - 1, False) if min(rest) > 0 else (None, False)


def _never_written(
    first: Cycles, second: Cycles, pairs: Cycles, memory_map: MemoryMap | None
) -> NDArray[np.bool_]:
    """Pairs at addresses that keep their word: ROM where a map says so, else those that nobody writes."""
    if memory_map is not None:
        rom = np.zeros(len(pairs), np.bool_)
        for chip in memory_map.roms:
            rom |= chip.selected(pairs.bank, pairs.address)
        return rom
    written = np.concatenate([each.address[each.kind == KIND_CODE["write"]] for each in (first, second)])
    return ~np.isin(pairs.address, written)


def _places(
    pairs: Cycles, known: Words, wrong: Words, steady: NDArray[np.bool_], left: Rows
) -> tuple[tuple[Place, ...], int]:
    rows = np.flatnonzero(known)
    key = np.stack([pairs.bank[rows].astype(np.int64), pairs.address[rows].astype(np.int64)])
    cells, which, reads = np.unique(key, axis=1, return_inverse=True, return_counts=True)
    which = which.reshape(-1)
    bad = np.bincount(which, wrong[rows] != 0, minlength=len(reads)).astype(np.int64)
    places, changing = [], 0
    for cell in np.flatnonzero(bad):
        mine = rows[which == cell]
        if not steady[mine[0]]:
            changing += 1
            continue
        differing = mine[wrong[mine] != 0]
        low, high = _wilson(int(bad[cell]), int(reads[cell]))
        places.append(
            Place(
                bank=int(cells[0, cell]),
                address=int(cells[1, cell]),
                reads=int(reads[cell]),
                differ=int(bad[cell]),
                bits=int(np.bitwise_or.reduce(wrong[differing])),
                first=int(left[differing[0]]),
                low=low,
                high=high,
            )
        )
    return tuple(sorted(places, key=lambda place: (-place.differ, place.address))), changing


def _wilson(hits: int, count: int, z: float = 1.959964) -> tuple[float, float]:
    """Interval of a rate.

    >>> low, high = _wilson(1, 10)
    >>> round(low, 4), round(high, 4)
    (0.0179, 0.4042)
    """
    share, square = hits / count, z * z / count
    middle = (share + square / 2) / (1 + square)
    half = z / (1 + square) * (share * (1 - share) / count + square / count / 4) ** 0.5
    return max(0.0, middle - half), min(1.0, middle + half)


def _chips(pairs: Cycles, wrong: Words, memory_map: MemoryMap | None) -> tuple[tuple[str, int], ...]:
    if memory_map is None:
        return ()
    counts = [
        (
            chip.name,
            int(
                np.count_nonzero(
                    chip.selected(pairs.bank, pairs.address) & (wrong & np.uint64(chip.lane_mask) != 0)
                )
            ),
        )
        for chip in memory_map.roms
    ]
    return tuple(sorted((each for each in counts if each[1]), key=lambda each: -each[1]))


__all__ = ["Place", "RunsCompared", "align_runs", "align_symbols", "compare_runs"]
