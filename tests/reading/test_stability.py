"""Counts of what differs between passes, by hand, and rates with scipy's intervals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binomtest

from reading.damage import as_reading
from wrongbit.reading.stability import measure
from wrongbit.reading.stack import stack_readings


def test_counts_by_hand() -> None:
    one = np.zeros(64, np.uint8)
    two, three = one.copy(), one.copy()
    two[[3, 35]] = 0x80
    three[3] = 0x81
    found = measure(stack_readings([as_reading(each) for each in (one, two, three)]))
    # Cell (3, D7) is 0 1 1, (3, D0) is 0 0 1, (35, D7) is 0 1 0.
    assert (found.words.count, found.words.total) == (2, 64)
    assert (found.cells.count, found.cells.total) == (3, 512)
    assert (found.reads.count, found.reads.total) == (3, 64 * 8 * 3)
    assert [output.cells.count for output in found.outputs] == [1, 0, 0, 0, 0, 0, 0, 2]
    assert [output.reads.count for output in found.outputs] == [1, 0, 0, 0, 0, 0, 0, 2]
    assert [level.count for level in found.lines[5].levels] == [2, 1]
    assert [level.total for level in found.lines[5].levels] == [256, 256]
    assert found.by_pass == (1, 1, 1)


def test_the_rates_have_scipys_intervals() -> None:
    draw = np.random.default_rng(1)
    base = draw.integers(0, 256, 1024).astype(np.uint8)
    passes = [base ^ ((draw.random(1024) < 0.02) * np.uint8(4)) for _ in range(6)]
    found = measure(stack_readings([as_reading(each) for each in passes]))
    rate = found.outputs[2].cells
    assert 60 < rate.count < 160
    theirs = binomtest(rate.count, 1024).proportion_ci(0.95, "wilson")
    assert rate.wilson == pytest.approx((theirs.low, theirs.high))
    theirs = binomtest(rate.count, 1024).proportion_ci(0.95, "exact")
    assert rate.exact == pytest.approx((theirs.low, theirs.high))


def test_an_address_line_whose_level_goes_with_the_trouble_is_telling() -> None:
    draw = np.random.default_rng(1)
    high = (np.arange(1024) & 0x40) != 0
    passes = [(high & (draw.random(1024) < 0.3)).astype(np.uint8) for _ in range(4)]
    found = measure(stack_readings([as_reading(each) for each in passes]))
    assert [line.line for line in found.lines if line.telling] == [6]


def test_lines_of_a_chip_whose_size_is_no_power_of_two() -> None:
    found = measure(stack_readings([as_reading(np.zeros(12, np.uint8))] * 2))
    assert [line.levels[1].total for line in found.lines] == [48, 48, 32, 32]
