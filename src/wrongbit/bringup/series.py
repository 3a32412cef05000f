"""Preferred values of resistors and capacitors: IEC 60063."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from typing import Literal

Series = Literal["E3", "E6", "E12", "E24"]

PREFERRED: dict[Series, tuple[int, ...]] = {
    "E3": (10, 22, 47),
    "E6": (10, 15, 22, 33, 47, 68),
    "E12": (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82),
    "E24": (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91),
}
"""Values of a decade, times ten. Source: IEC 60063:2015; E3 from memory, not checked."""

_PREFIXES = (("M", 1e6), ("k", 1e3), ("", 1.0), ("m", 1e-3), ("µ", 1e-6), ("n", 1e-9), ("p", 1e-12))


def values_between(low: float, high: float, series: Series) -> tuple[float, ...]:
    """All values of a series from ``low`` to ``high``, both included, ascending.

    >>> values_between(1e-9, 10e-9, "E6")
    (1e-09, 1.5e-09, 2.2e-09, 3.3e-09, 4.7e-09, 6.8e-09, 1e-08)
    """
    every = (float(f"{base}e{decade}") for decade in range(-13, 9) for base in PREFERRED[series])
    return tuple(value for value in every if low * (1 - 1e-12) <= value <= high * (1 + 1e-12))


def neighbours(wish: float, values: Sequence[float]) -> tuple[float, ...]:
    """The values on either side of a wish, or the nearest where it is beyond the ends.

    >>> neighbours(5000, values_between(1e3, 1e6, "E12"))
    (4700.0, 5600.0)
    >>> neighbours(4700, values_between(1e3, 1e6, "E12")), neighbours(1, values_between(1e3, 1e6, "E12"))
    ((4700.0,), (1000.0,))
    """
    at = bisect_left(values, wish * (1 - 1e-12))
    if at < len(values) and abs(values[at] - wish) <= 1e-9 * wish:
        return (values[at],)
    return tuple(values[max(at - 1, 0) : at + 1])


def engineering(value: float, unit: str) -> str:
    """A value with the prefix that reads best.

    >>> engineering(100e-9, "F"), engineering(953_000, "Ω")
    ('100 nF', '953 kΩ')
    """
    prefix, size = next((row for row in _PREFIXES if abs(value) >= row[1] * 0.9995), _PREFIXES[-1])
    return f"{value / size:.3g} {prefix}{unit}"
