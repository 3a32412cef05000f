"""Two captures side by side, against the plain dynamic programme and with faults put in on purpose."""

from __future__ import annotations

from dataclasses import replace
from difflib import SequenceMatcher

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wrongbit.align.runs import align_runs, align_symbols, compare_runs
from wrongbit.bus.cycles import KIND_CODE, NO_TIME, Cycles
from wrongbit.compare.memory_map import ChipMap, ChipRegion, MemoryMap

Symbols = st.lists(st.integers(0, 5), max_size=40)


def longest_common(a: list[int], b: list[int]) -> int:
    """Length by the textbook's table."""
    table = [[0] * (len(b) + 1) for _ in range(len(a) + 1)]
    for i, left in enumerate(a, 1):
        for j, right in enumerate(b, 1):
            same = table[i - 1][j - 1] + 1 if left == right else 0
            table[i][j] = max(table[i - 1][j], table[i][j - 1], same)
    return table[-1][-1]


@given(Symbols, Symbols)
def test_small_captures_are_aligned_best(a: list[int], b: list[int]) -> None:
    left, right = align_symbols(np.array(a, np.int64), np.array(b, np.int64))
    assert (np.diff(left) > 0).all() and (np.diff(right) > 0).all()
    assert [a[i] for i in left] == [b[j] for j in right]
    assert len(left) == longest_common(a, b)
    assert len(left) >= sum(block.size for block in SequenceMatcher(None, a, b, False).get_matching_blocks())


def program(count: int, seed: int) -> np.ndarray:
    """A run through loops and straight code."""
    rng = np.random.default_rng(seed)
    parts = []
    at = 0
    while sum(map(len, parts)) < count:
        length = int(rng.integers(4, 60))
        parts.append(np.tile(np.arange(at, at + length), int(rng.integers(1, 12))))
        at = at + length if rng.random() < 0.8 else int(rng.integers(0, 2000))
    return np.concatenate(parts)[:count] % 2048


def with_interrupts(addresses: np.ndarray, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """The same run with a service routine put in here and there, and where each old row is now."""
    rng = np.random.default_rng(seed)
    places = np.sort(rng.integers(0, len(addresses), len(addresses) // 3000))
    pieces, moved = [], np.arange(len(addresses))
    for piece in np.split(addresses, places):
        pieces += [piece, np.arange(3000, 3040)]
    for place in places:
        moved[place:] += 40
    return np.concatenate(pieces[:-1]), moved


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_long_captures_with_interrupts_and_another_start(seed: int) -> None:
    truth = program(60_000, seed)
    other, moved = with_interrupts(truth, seed)
    start = 1234
    left, right = align_symbols(truth[start:], other)
    expected = moved[start:]
    found = dict(zip(left.tolist(), right.tolist(), strict=True))
    right_ones = sum(found.get(row) == place for row, place in enumerate(expected.tolist()))
    assert right_ones > 0.99 * len(expected)


def contents() -> np.ndarray:
    return np.random.default_rng(5).integers(0, 256, 4096).astype(np.uint64)


def cycles(addresses: np.ndarray, words: np.ndarray | None = None) -> Cycles:
    count = len(addresses)
    return Cycles(
        sample=np.arange(count, dtype=np.int64),
        time_ps=np.full(count, NO_TIME),
        kind=np.full(count, KIND_CODE["fetch"], np.uint8),
        bank=np.zeros(count, np.int32),
        address=addresses.astype(np.uint64),
        address_known=np.full(count, 0xFFFF, np.uint64),
        word=contents()[addresses] if words is None else words,
        known=np.full(count, 0xFF, np.uint64),
        held=np.zeros(count, np.uint64),
        flags=np.zeros(count, np.uint8),
    )


def board() -> MemoryMap:
    nothing = np.zeros(4096, np.uint64)

    def chip(name: str, lane: range) -> ChipMap:
        return ChipMap(
            name, "rom", tuple(lane), tuple(range(12)), (ChipRegion(None, 0, 4096),), nothing, nothing
        )

    return MemoryMap("P", 8, 16, (chip("U1", range(4)), chip("U2", range(4, 8))))


def test_equal_captures() -> None:
    run = cycles(program(5000, 1))
    found = compare_runs(run, run)
    assert len(found.left) == 5000 and found.differ == 0
    assert found.first_word is None and found.parted is None and found.places == ()


@pytest.mark.parametrize("memory_map", [None, board()])
def test_an_intermittent_bit_has_its_rate(memory_map: MemoryMap | None) -> None:
    addresses = np.tile(np.arange(100, 140), 200)
    sick = cycles(addresses)
    rng = np.random.default_rng(3)
    hits = np.flatnonzero((addresses == 117) & (rng.random(len(addresses)) < 0.25))
    sick.word[hits] ^= np.uint64(0x20)
    found = compare_runs(cycles(addresses), sick, memory_map)
    (place,) = found.places
    assert (place.address, place.reads, place.differ, place.bits) == (117, 200, len(hits), 0x20)
    assert place.low < 0.25 < place.high and place.first == hits[0]
    assert found.intermittent == (place,)
    assert np.flatnonzero(found.bits).tolist() == [5]
    assert found.chips == (() if memory_map is None else (("U2", len(hits)),))


def test_first_divergence() -> None:
    sound = np.arange(0, 300)
    astray = np.concatenate([np.arange(0, 200), np.arange(900, 1000)])
    sick = cycles(astray)
    sick.word[198] ^= np.uint64(1)
    found = compare_runs(cycles(sound), sick)
    assert found.first_word == 198
    assert found.parted == 199 and not found.one_sided


def test_an_interrupt_is_one_sided() -> None:
    run = np.arange(0, 300)
    found = compare_runs(cycles(run), cycles(np.insert(run, 150, np.arange(3000, 3020))))
    assert found.parted == 149 and found.one_sided and found.differ == 0


def test_written_addresses_are_no_evidence_of_a_fault() -> None:
    addresses = np.tile(np.arange(100), 3)
    one = cycles(addresses)
    kind = one.kind.copy()
    kind[10] = KIND_CODE["write"]
    one = replace(one, kind=kind)
    other = replace(one, word=np.where(addresses == 10, one.word ^ np.uint64(1), one.word))
    found = compare_runs(one, other)
    assert found.places == () and found.changing == 1


def test_nothing_in_common() -> None:
    found = compare_runs(cycles(np.arange(100)), cycles(np.arange(1000, 1100)))
    assert len(found.left) == 0 and found.parted is None
    left, right = align_runs(Cycles.empty(), cycles(np.arange(3)))
    assert len(left) == len(right) == 0
