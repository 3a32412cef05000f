"""Periods, widths, jitter, missing and short pulses against numpy, `scipy.signal` and plain loops."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from bringup.captures import LAYOUT, POSITION, changes_at, pieces, sampled, train
from wrongbit.bringup.pulses import Spread, measure
from wrongbit.capture.capture import Capture, Times
from wrongbit.errors import CaptureError

MS, US = 10**9, 10**6


def close_to(spread: Spread | None, values: np.ndarray) -> None:
    """Every figure is numpy's over the whole list."""
    assert spread is not None
    assert spread.count == len(values)
    assert (spread.least, spread.most) == (values.min(), values.max())
    assert spread.mean == pytest.approx(values.mean(), rel=1e-12)
    assert spread.rms == pytest.approx(values.std(), rel=1e-9, abs=1e-3)


@pytest.mark.parametrize("size", [7, 64, 10**6])
def test_known_jitter_is_what_numpy_finds(size: int) -> None:
    edges = train(3000, 10 * MS, 50 * US, jitter=20 * US, seed=3)
    found = measure(pieces(changes_at(edges, first_level=1), size), POSITION, leading="falling")
    close_to(found.period, np.diff(edges[::2]))
    close_to(found.low, edges[1::2] - edges[::2])
    close_to(found.high, edges[2::2] - edges[1:-1:2])
    # Two independent deviations of 20 µs make a period's deviation 20 µs x √2.
    assert found.period is not None
    assert found.period.rms == pytest.approx(20 * US * 2**0.5, rel=0.05)
    assert (found.missing.count, found.short.count, found.extra.count, found.silent_ps) == (0, 0, 0, 0)


@given(st.integers(2, 40), st.integers(1, 30), st.integers(1, 30), st.integers(1, 97), st.integers(0, 60))
@settings(max_examples=60, deadline=None)
def test_widths_against_scipy(count: int, low: int, high: int, size: int, lead: int) -> None:
    """`scipy.signal.find_peaks` finds the plateaus of the level and of its complement."""
    wave = np.concatenate([np.zeros(lead + 1), np.tile(np.repeat([1, 0], [high, low]), count)])
    found = measure(pieces(sampled(wave.astype(bool), 1000), size), POSITION)
    for spread, levels in ((found.high, wave), (found.low, 1 - wave)):
        plateaus = signal.find_peaks(levels, plateau_size=1)[1]["plateau_sizes"]
        close_to(spread, plateaus * 1000)
    assert found.duty == pytest.approx(high / (high + low))
    assert found.resolution_ps == 1000


def by_hand(edges: list[int], levels: list[int], end: int) -> dict[str, float]:
    """The same questions answered one edge after the other, with lists."""
    widths: dict[int, list[int]] = {0: [], 1: []}
    for (begin, level), (until, _) in pairwise(zip(edges, levels, strict=True)):
        widths[level].append(until - begin)
    leads = [edge for edge, level in zip(edges, levels, strict=True) if level == 0]
    periods = sorted(later - earlier for earlier, later in pairwise(leads))
    usual = periods[(len(periods) - 1) // 2]
    return {
        "missing": sum(round(each / usual) - 1 for each in periods if each > 1.5 * usual),
        "first": next((a for a, b in pairwise(leads) if b - a > 1.5 * usual), -1),
        "silent": end - leads[-1] if end - leads[-1] > 1.5 * usual else 0,
        "low": sum(widths[0]) / len(widths[0]),
    }


@given(st.sets(st.integers(2, 97), max_size=12), st.integers(1, 50), st.integers(0, 5), st.integers(0, 9))
@settings(max_examples=60, deadline=None)
def test_missing_pulses_against_a_plain_loop(gone: set[int], size: int, rest: int, seed: int) -> None:
    edges = train(100, MS, 100 * US, jitter=2 * US, seed=seed).reshape(-1, 2)
    edges = edges[[each not in gone for each in range(100)]].ravel()
    end = int(edges[-1]) + rest * MS + MS // 10
    expected = by_hand(edges.tolist(), [0, 1] * (len(edges) // 2), end)
    found = measure(pieces(changes_at(edges, first_level=1, end=end), size), POSITION, leading="falling")
    assert found.missing.count == expected["missing"] == len(gone)
    assert (-1 if found.missing.first_ps is None else found.missing.first_ps) == expected["first"]
    assert found.silent_ps == expected["silent"]
    assert found.low is not None and found.low.mean == pytest.approx(expected["low"])
    assert found.period is not None and found.period.most < 1.5 * MS


@pytest.mark.parametrize("size", [1, 5, 1000])
def test_short_pulses_are_told_and_leave_the_rest_alone(size: int) -> None:
    clean = train(200, MS, 400 * US)
    plain = measure(pieces(changes_at(clean, first_level=1), size), POSITION, leading="falling")
    at = int(clean[40]) + 700 * US  # in the middle of a high level
    bounce = int(clean[101])  # an edge that bounces twice
    spoilt = np.sort(np.concatenate([clean, [at, at + 2 * US, bounce + US, bounce + 3 * US]]))
    found = measure(pieces(changes_at(spoilt, first_level=1), size), POSITION, leading="falling")
    assert (found.short.count, found.short.first_ps) == (2, at)
    assert found.period == plain.period
    assert found.low == plain.low
    assert found.missing.count == 0


def test_one_long_pulse_is_not_hidden() -> None:
    edges = train(50, 10 * MS, 50 * US)
    edges[41] += 100 * US
    found = measure(pieces(changes_at(edges, first_level=1), 9), POSITION, leading="falling")
    close_to(found.low, edges[1::2] - edges[::2])


def test_a_level_that_never_moves() -> None:
    for level in (False, True):
        found = measure(pieces(sampled(np.full(1000, level), 1000), 33), POSITION)
        assert (found.edges, found.first_level, found.last_level) == (0, level, level)
        assert found.period is found.low is found.high is found.duty is found.frequency is None
        assert found.before_first_ps == 999_000


def test_levels_that_are_not_known_keep_the_level_before() -> None:
    wave = np.tile(np.repeat([True, False], 5), 20)
    doubt = np.zeros(200, bool)
    doubt[[0, 1, 12, 57, 133]] = True  # none of them the first sample of a level, but for the beginning
    for size in (1, 3, 200):
        found = measure(pieces(sampled(wave, 1000, doubt), size), POSITION)
        assert found.unknown == 5
        assert found.first_level == 1
        close_to(found.low, np.full(19, 5000))
    nothing = measure(pieces(sampled(wave, 1000, np.ones(200, bool)), 50), POSITION)
    assert (nothing.first_level, nothing.edges) == (None, 0)


@given(st.integers(0, 2**31), st.integers(1, 400))
@settings(max_examples=40, deadline=None)
def test_chunks_do_not_matter(seed: int, size: int) -> None:
    wave = np.random.default_rng(seed).random(400) < 0.3
    capture = sampled(wave, 1000)
    assert measure(pieces(capture, size), POSITION) == measure(pieces(capture, 400), POSITION)


def test_no_time_and_no_sample_are_told() -> None:
    plane = np.zeros(4, np.uint64)
    with pytest.raises(CaptureError, match="no time"):
        measure(lambda: [Capture(LAYOUT, (plane, plane), (None, None), Times())], POSITION)
    with pytest.raises(CaptureError, match="no sample"):
        measure(list, POSITION)


def test_memory_does_not_grow_with_the_capture() -> None:
    block = sampled(np.tile(np.repeat([True, False], 2), 1 << 14), 1000)

    def chunks(count: int) -> Iterator[Capture]:
        for number in range(count):
            start = number * len(block)
            yield Capture(LAYOUT, block.planes, block.unknown, Times(start * 1000, 1000), first_sample=start)

    def peak(count: int) -> int:
        tracemalloc.start()
        found = measure(lambda: chunks(count), POSITION)
        assert found.low is not None and found.low.count == count * len(block) // 4 - 1
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return most

    assert peak(40) < 1.2 * peak(4)
