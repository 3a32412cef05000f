"""A regular sampling clock, or a time for each sample: decided once for a whole file."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from wrongbit.capture.capture import Times

Integers = NDArray[np.int64]

_ENOUGH = 16
_COARSEST = 4


class SamplingClock:
    """A period that fits all times of a capture to within what their last digit can tell.

    Args:
        start_ps: Time of sample 0.
        period_ps: Time between samples.
        tolerance_ps: How far a time may lie beside the clock's tick.
    """

    def __init__(self, start_ps: int, period_ps: int, tolerance_ps: float) -> None:
        self.start_ps, self.period_ps, self.tolerance_ps = start_ps, period_ps, tolerance_ps

    @staticmethod
    def fitted(times: Integers, resolution_ps: float) -> SamplingClock | None:
        """The clock that the first times of a capture keep to, or None where they keep to none.

        Args:
            times: ``int64 (n,)`` in picoseconds.
            resolution_ps: What the last digit of a time stands for.
        """
        if len(times) < 2:
            return None
        start = int(times[0])
        period = _roundest(int(times[-1]) - start, len(times) - 1, resolution_ps)
        if period <= 0:
            return None
        # Few times, or digits that are coarse beside the steps, prove a clock only where all steps are equal.
        rounded = len(times) >= _ENOUGH and _COARSEST * resolution_ps <= period
        tolerance = resolution_ps if rounded else 0.0
        clock = SamplingClock(start, period, tolerance)
        return clock if clock.fits(times, 0).all() else None

    def fits(self, times: Integers, first_sample: int) -> NDArray[np.bool_]:
        """Which of the times lie on the clock's ticks."""
        beside = np.arange(first_sample, first_sample + len(times), dtype=np.int64)
        beside *= self.period_ps
        beside += self.start_ps
        beside -= times
        np.abs(beside, out=beside)
        near: NDArray[np.bool_] = beside <= math.floor(self.tolerance_ps)
        return near

    def pieces(self, times: Integers, first_sample: int) -> Iterator[tuple[slice, Times]]:
        """A chunk in pieces of regular samples: one piece, unless the file leaves its own clock."""
        if self.fits(times, first_sample).all():
            start = self.start_ps + first_sample * self.period_ps
            yield slice(0, len(times)), Times(start, self.period_ps)
            return
        off_step = np.abs(np.diff(times) - self.period_ps) > 2 * self.tolerance_ps
        edges = [0, *(np.flatnonzero(off_step) + 1).tolist(), len(times)]
        for begin, end in pairwise(edges):
            yield slice(begin, end), Times(int(times[begin]), self.period_ps)


def _roundest(span_ps: int, steps: int, resolution_ps: float) -> int:
    """The period with the most trailing zeros among those that the first and the last time allow."""
    shortest = math.ceil((span_ps - resolution_ps) / steps)
    longest = math.floor((span_ps + resolution_ps) / steps)
    exact = round(span_ps / steps)
    if exact * steps == span_ps or shortest > longest:
        return exact
    for zeros in range(len(str(longest)), -1, -1):
        unit = int(10**zeros)
        rounded = longest // unit * unit
        if rounded >= shortest:
            return rounded
    return exact
