"""Confidence intervals against scipy.stats, their definition and against worked values."""

from __future__ import annotations

from math import comb

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest

from wrongbit.reading.intervals import clopper_pearson, wilson

CASES = [(0, 1), (1, 1), (0, 20), (1, 20), (10, 20), (20, 20), (3, 1310720), (500000, 1310720), (7, 524288)]


@pytest.mark.parametrize(("count", "total"), CASES)
@pytest.mark.parametrize("level", [0.5, 0.95, 0.999])
def test_both_intervals_are_scipys(count: int, total: int, level: float) -> None:
    test = binomtest(count, total)
    for ours, method in ((wilson, "wilson"), (clopper_pearson, "exact")):
        theirs = test.proportion_ci(level, method)
        assert ours(count, total, level) == pytest.approx((theirs.low, theirs.high), rel=1e-7, abs=1e-12)


@settings(max_examples=150, deadline=None)
@given(st.integers(1, 5000).flatmap(lambda total: st.tuples(st.integers(0, total), st.just(total))))
def test_any_count_is_scipys(rate: tuple[int, int]) -> None:
    theirs = binomtest(*rate).proportion_ci(0.95, "exact")
    assert clopper_pearson(*rate) == pytest.approx((theirs.low, theirs.high), rel=1e-8, abs=1e-13)


@pytest.mark.parametrize(("count", "total"), [(1, 10), (7, 40), (39, 40)])
def test_the_exact_ends_are_what_defines_them(count: int, total: int) -> None:
    """At the lower end so many or more come up once in 40 times, at the upper end so many or fewer."""

    def chance(rate: float, numbers: range) -> float:
        return sum(comb(total, each) * rate**each * (1 - rate) ** (total - each) for each in numbers)

    low, high = clopper_pearson(count, total)
    assert chance(low, range(count, total + 1)) == pytest.approx(0.025, rel=1e-9)
    assert chance(high, range(count + 1)) == pytest.approx(0.025, rel=1e-9)


def test_nothing_is_known_of_nothing() -> None:
    assert wilson(0, 0) == (0.0, 1.0)
    assert clopper_pearson(0, 0) == (0.0, 1.0)


def test_the_exact_upper_end_for_none_in_n_is_worked_by_hand() -> None:
    """Nothing seen in n: the upper end p solves (1-p)^n = 0.025 (from the definition; no table needed)."""
    assert clopper_pearson(0, 60)[1] == pytest.approx(1 - 0.025 ** (1 / 60), rel=1e-10)


@pytest.mark.parametrize(("count", "total", "level"), [(2, 1, 0.95), (-1, 3, 0.95), (1, 2, 1.0)])
def test_what_is_no_rate_is_refused(count: int, total: int, level: float) -> None:
    with pytest.raises(ValueError, match="is no rate"):
        wilson(count, total, level)
