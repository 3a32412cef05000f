"""Which address lines are told as those that wrong words go with, and that chance is not told as one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import hypergeom

from wrongbit.bits import mask_of
from wrongbit.bus.cycles import KIND_CODE, NO_TIME, Cycles
from wrongbit.cli.compared import telling_lines
from wrongbit.compare.judge import judge
from wrongbit.compare.memory_map import ChipMap, ChipRegion, MemoryMap
from wrongbit.compare.summary import Summary, summarise

LINES = 8
"""Address lines of a ROM of 256 bytes, all of which is read."""


def compared(wrong: np.ndarray, times: int = 1) -> Summary:
    """A ROM of zeros read from end to end, some of its words wrong; all of it so many times."""
    mask = np.uint64(0xFF)
    size = 1 << LINES
    chip = ChipMap(
        "U1",
        "rom",
        tuple(range(8)),
        tuple(range(LINES)),
        (ChipRegion(None, 0, size),),
        np.zeros(size, np.uint64),
        np.full(size, mask),
    )
    word = np.zeros(size, np.uint64)
    word[wrong] = 1
    address = np.tile(np.arange(size, dtype=np.uint64), times)
    count = len(address)
    cycles = Cycles(
        sample=np.arange(count, dtype=np.int64),
        time_ps=np.full(count, NO_TIME),
        kind=np.full(count, KIND_CODE["fetch"], np.uint8),
        bank=np.zeros(count, np.int32),
        address=address,
        address_known=np.full(count, np.uint64(mask_of(range(LINES)))),
        word=np.tile(word, times),
        known=np.full(count, mask),
        held=np.zeros(count, np.uint64),
        flags=np.zeros(count, np.uint8),
    )
    memory_map = MemoryMap("P", 8, LINES, (chip,))
    return summarise(cycles, judge(cycles, memory_map), memory_map)


def test_a_line_that_wrong_words_go_with_is_told() -> None:
    rng = np.random.default_rng(1)
    upper = np.flatnonzero(np.arange(256) >> 6 & 1)
    assert telling_lines(compared(rng.choice(upper, 40, replace=False))) == ["A6 is 1"]
    both = np.flatnonzero((np.arange(256) >> 3 & 1 == 0) & (np.arange(256) >> 6 & 1 == 1))
    assert telling_lines(compared(rng.choice(both, 40, replace=False))) == ["A3 is 0", "A6 is 1"]


@pytest.mark.parametrize("times", [1, 50])
def test_two_wrong_words_lie_at_one_level_of_many_lines_by_chance(times: int) -> None:
    """However often a loop reads them: it is still two addresses."""
    summary = compared(np.array([0b0001_0110, 0b0001_1010]), times)
    assert sum(0 in line.wrong_addresses for line in summary.lines) == 6
    assert telling_lines(summary) == []


def test_wrong_words_spread_by_lot_are_told_in_few_captures_only() -> None:
    """At one in a hundred, of 400 captures some four; a probability of twelve or more below 0.001."""
    rng = np.random.default_rng(5)
    told = sum(bool(telling_lines(compared(rng.choice(256, rng.integers(1, 12), replace=False))))
               for _ in range(400))  # fmt: skip
    assert told < 12


def test_how_many_wrong_words_it_takes_is_that_of_the_hypergeometric_distribution() -> None:
    """By SciPy: the smallest number whose probability, times both levels of eight lines, is below 0.01."""
    needed = next(n for n in range(1, 100) if 16 * hypergeom.pmf(n, 256, 128, n) < 0.01)
    low = np.flatnonzero(np.arange(256) >> 5 & 1 == 0)
    # Spread so that every other line has wrong words at both levels.
    spread = np.random.default_rng(0).permutation(low)
    assert "A5 is 0" in telling_lines(compared(spread[:needed]))
    assert "A5 is 0" not in telling_lines(compared(spread[: needed - 1]))


def test_counts_of_addresses_are_those_of_the_capture() -> None:
    summary = compared(np.array([1, 3, 200]), 7)
    line = summary.lines[7]
    assert (line.wrong, line.wrong_addresses) == ((14, 7), (2, 1))
    assert (line.judged, line.judged_addresses) == ((896, 896), (128, 128))
