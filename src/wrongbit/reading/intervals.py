"""Confidence intervals of a rate: how far a count of a few among many can be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist

Interval = tuple[float, float]


def wilson(count: int, total: int, level: float = 0.95) -> Interval:
    """Wilson's score interval of a rate.

    Source: E. B. Wilson, "Probable inference, the law of succession, and statistical inference", Journal of
    the American Statistical Association 22 (1927), pp. 209-212 (from memory, not checked).

    Args:
        count: How often it happened.
        total: Out of how many; of none, nothing is known.
        level: Confidence, between 0 and 1.

    >>> [round(end, 4) for end in wilson(1, 10)]
    [0.0179, 0.4042]
    """
    _check(count, total, level)
    if not total:
        return 0.0, 1.0
    z = NormalDist().inv_cdf((1 + level) / 2)
    rate = count / total
    scale = 1 + z * z / total
    middle = (rate + z * z / (2 * total)) / scale
    half = z / scale * sqrt(rate * (1 - rate) / total + z * z / (4 * total * total))
    # At the ends the formula gives 0 and 1 but for rounding.
    return (0.0 if not count else max(0.0, middle - half)), (
        1.0 if count == total else min(1.0, middle + half)
    )


def clopper_pearson(count: int, total: int, level: float = 0.95) -> Interval:
    """The exact interval of a rate: it covers the true one at least as often as ``level`` says.

    Source: C. J. Clopper and E. S. Pearson, "The use of confidence or fiducial limits illustrated in the case
    of the binomial", Biometrika 26 (1934), pp. 404-413 (from memory, not checked).

    Args:
        count: How often it happened.
        total: Out of how many; of none, nothing is known.
        level: Confidence, between 0 and 1.

    >>> [round(end, 4) for end in clopper_pearson(1, 10)]
    [0.0025, 0.445]
    """
    _check(count, total, level)
    tail = (1 - level) / 2
    from scipy.special import betaincinv  # here, not above: it is slow to load

    low = 0.0 if not count else float(betaincinv(count, total - count + 1, tail))
    high = 1.0 if count == total else float(betaincinv(count + 1, total - count, 1 - tail))
    return low, high


def _check(count: int, total: int, level: float) -> None:
    if not 0 <= count <= total or not 0 < level < 1:
        raise ValueError(f"{count} of {total} at level {level} is no rate")


@dataclass(frozen=True)
class Rate:
    """A count of some among many, with its intervals.

    Args:
        count: How often it happened.
        total: Out of how many.
    """

    count: int
    total: int

    @property
    def value(self) -> float:
        """The rate; 0 of none."""
        return self.count / self.total if self.total else 0.0

    @property
    def wilson(self) -> Interval:
        """Wilson's interval at 95 %."""
        return wilson(self.count, self.total)

    @property
    def exact(self) -> Interval:
        """The interval of Clopper and Pearson at 95 %."""
        return clopper_pearson(self.count, self.total)
