"""Timer counts against a search through all of them, in exact fractions."""

from __future__ import annotations

from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st

from wrongbit.bringup.counter import timer_counts


@given(st.integers(10**6, 10**9), st.floats(0.01, 0.99), st.integers(100_000, 20_000_000))
@settings(max_examples=40, deadline=None)
def test_no_other_count_is_nearer(period_ps: int, share: float, clock: int) -> None:
    pulse_ps = max(int(period_ps * share), 1)
    for found in timer_counts(period_ps, pulse_ps, Fraction(clock), bits=8, prescalers=(1, 8)):
        tick = Fraction(found.prescaler, clock) * 10**12
        nearest = min(abs(count * tick - period_ps) for count in range(1, 257))
        assert abs(found.period_counts * tick - period_ps) == nearest
        assert found.period == found.period_counts * tick / 10**12
        assert found.period_error == found.period_counts * tick / period_ps - 1
        if found.pulse_counts > 1:
            best = min(abs(count * tick - pulse_ps) for count in range(1, 257))
            assert abs(found.pulse_counts * tick - pulse_ps) == best
        assert 0 < found.pulse_counts < found.period_counts <= 256
        assert found.top == found.period_counts - 1


def test_a_timer_run_by_hand() -> None:
    """8 MHz / 8 = 1 MHz: 10 000 counts of 1 µs are 10 ms, 50 of them 50 µs."""
    best = timer_counts(10 * 10**9, 50 * 10**6, Fraction(8_000_000))[0]
    assert (best.prescaler, best.period_counts, best.pulse_counts, best.error) == (8, 10_000, 50, 0)
    count, level, edges = 0, 0, []
    for tick in range(30_000):
        now = 0 if count <= best.compare else 1
        if now != level:
            edges.append(tick)
            level = now
        count = 0 if count == best.top else count + 1
    assert edges == [50, 10_000, 10_050, 20_000, 20_050]


def test_too_long_for_the_counter() -> None:
    assert timer_counts(10**12, 10**6, Fraction(8_000_000), bits=8) == ()
    assert [each.prescaler for each in timer_counts(None, 10**11, Fraction(8_000_000))] == [64, 256, 1024]
