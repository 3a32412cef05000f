"""Preferred values of resistors and capacitors: IEC 60063."""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

Series = Literal["E6", "E12", "E24"]

PREFERRED: dict[Series, tuple[int, ...]] = {
    "E6": (10, 15, 22, 33, 47, 68),
    "E12": (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82),
    "E24": (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91),
}
"""Values of a decade, times ten. Source: IEC 60063:2015."""


def is_preferred(value: float, series: Series) -> bool:
    """Whether a value belongs to a series, in any decade.

    >>> is_preferred(100e-9, "E6"), is_preferred(10_000, "E12"), is_preferred(5000, "E12")
    (True, True, False)
    """
    digits = Decimal(repr(float(value))).normalize().as_tuple().digits
    number = int("".join(map(str, digits))) * (10 if len(digits) == 1 else 1)
    return value > 0 and number in PREFERRED[series]


def preferred_between(low: float, high: float, series: Series, wish: float) -> float | None:
    """The value of a series between two limits that lies nearest to a wish, by ratio; None when none does.

    >>> preferred_between(2_000, 100_000, "E12", 10_000)
    10000.0
    """
    values = [
        float(Decimal(base).scaleb(decade - 1)) for decade in range(-12, 10) for base in PREFERRED[series]
    ]
    inside = [value for value in values if low <= value <= high]
    return min(inside, key=lambda value: max(value / wish, wish / value), default=None)


_PREFIXES = (("M", 10**6), ("k", 10**3), ("", 1), ("m", 1e-3), ("µ", 1e-6), ("n", 1e-9), ("p", 1e-12))


def engineering(value: float, unit: str) -> str:
    """A value with the prefix that reads best.

    >>> engineering(100e-9, "F"), engineering(10_000, "Ω")
    ('100 nF', '10 kΩ')
    """
    prefix, size = next((row for row in _PREFIXES if abs(value) >= row[1] * 0.9995), _PREFIXES[-1])
    return f"{value / size:.3g} {prefix}{unit}"
