"""A pulse train from the timer of any microcontroller: prescaler and counts, with their exact errors.

The timer counts clock edges divided by the prescaler from 0 to ``top`` and begins again; the output changes
when the count reaches ``compare``. All errors are exact fractions: counts are whole numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

PRESCALERS = (1, 8, 64, 256, 1024)
"""Common ratios; a timer's own data sheet tells which it has."""


@dataclass(frozen=True)
class Counts:
    """One setting of a timer.

    Args:
        prescaler: Clock edges for each count.
        period_counts: Counts in a period; 0 for a single pulse.
        pulse_counts: Counts in a pulse.
        period: Seconds, exactly; None for a single pulse.
        pulse: Seconds, exactly.
        period_error: Relative, signed, exactly; 0 for a single pulse.
        pulse_error: Relative, signed, exactly.
    """

    prescaler: int
    period_counts: int
    pulse_counts: int
    period: Fraction | None
    pulse: Fraction
    period_error: Fraction
    pulse_error: Fraction

    @property
    def error(self) -> Fraction:
        """The larger of the two errors."""
        return max(abs(self.period_error), abs(self.pulse_error))

    @property
    def top(self) -> int:
        """Highest count before the timer begins again, as it is written into its register."""
        return max(self.period_counts, self.pulse_counts) - 1

    @property
    def compare(self) -> int:
        """Last count of the pulse, as it is written into its register."""
        return self.pulse_counts - 1


def timer_counts(
    period_ps: int | None,
    pulse_ps: int,
    clock_hz: Fraction,
    *,
    bits: int = 16,
    prescalers: Sequence[int] = PRESCALERS,
) -> tuple[Counts, ...]:
    """Settings that a timer of this width can hold, the smallest error first, then the smallest prescaler.

    Args:
        period_ps: Wanted period, None for a single pulse.
        pulse_ps: Wanted width.
        clock_hz: Clock before the prescaler.
        bits: Width of the counter.
        prescalers: Ratios that it offers.

    >>> best = timer_counts(10 * 10**9, 50 * 10**6, Fraction(8_000_000))[0]
    >>> best.prescaler, best.top, best.compare, best.error
    (8, 9999, 49, Fraction(0, 1))
    """
    found = []
    for prescaler in prescalers:
        tick = Fraction(prescaler) / clock_hz
        period_counts = 0 if period_ps is None else round(Fraction(period_ps, 10**12) / tick)
        pulse_counts = max(round(Fraction(pulse_ps, 10**12) / tick), 1)
        longest = max(period_counts, pulse_counts)
        if longest > 1 << bits or (period_ps is not None and pulse_counts >= period_counts):
            continue
        period = None if period_ps is None else period_counts * tick
        pulse = pulse_counts * tick
        found.append(
            Counts(
                prescaler,
                period_counts,
                pulse_counts,
                period,
                pulse,
                Fraction(0)
                if period is None or period_ps is None
                else period / Fraction(period_ps, 10**12) - 1,
                pulse / Fraction(pulse_ps, 10**12) - 1,
            )
        )
    return tuple(sorted(found, key=lambda each: (each.error, each.prescaler)))
