"""Quantities with limits as the trade writes them: ``5 V ± 5 %``, ``4.75 V .. 5.25 V``, ``at least 2 V``."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, WithJsonSchema

from wrongbit.errors import InputError
from wrongbit.machine.fields import checked, refused
from wrongbit.units import HERTZ, PICOSECONDS, format_time, parse_quantity

Quantity = Literal["voltage", "frequency", "time", "share"]

VOLTS: dict[str, int | Decimal] = {
    "V": 1,
    "kV": 1000,
    "mV": Decimal("1e-3"),
    "uV": Decimal("1e-6"),
    "µV": Decimal("1e-6"),
    "μV": Decimal("1e-6"),
}
"""Volts in one of each unit of voltage."""

UNITS: dict[Quantity, Mapping[str, int | Decimal]] = {
    "voltage": VOLTS,
    "frequency": HERTZ,
    "time": PICOSECONDS,
    "share": {"%": 1},
}
"""Units of each quantity; values are held in volts, hertz, picoseconds and per cent."""

EXAMPLES: dict[Quantity, str] = {
    "voltage": "5 V ± 5 %",
    "frequency": "1 MHz ± 1 %",
    "time": "10 ms ± 10 %",
    "share": "40 % .. 60 %",
}

_VALUES: dict[Quantity, str] = {
    "voltage": "a voltage such as '4.9 V'",
    "frequency": "a frequency such as '1 MHz'",
    "time": "a time such as '450 ns'",
    "share": "a share such as '48 %'",
}

_PLUS_MINUS = r"(?:±|\+/-|\+-)"
_RANGE = r"(?:\.\.|\bto\b)"
_BOUND = r"(?:>=|≥|<=|≤|at least|at most)"
_SPREAD = re.compile(rf"^(.*?)\s*{_PLUS_MINUS}\s*(.*)$", re.DOTALL)
_FROM_TO = re.compile(rf"^(.*?)\s*{_RANGE}\s*(.*)$", re.DOTALL)
_ONE_SIDED = re.compile(rf"^\s*({_BOUND})\s*(.*)$", re.DOTALL)
_BARE = re.compile(r"^\s*[+-]?[0-9][0-9_ ]*(?:[.,][0-9]+)?(?:[eE][+-]?[0-9]+)?\s*$")


@dataclass(frozen=True)
class Limits:
    """What a quantity may be, both ends included.

    Args:
        quantity: Which quantity; values are in volts, hertz, picoseconds or per cent.
        low: The least, or None where there is no lower limit.
        high: The most, or None.
        nominal: What it should be, where the notation says so.
    """

    quantity: Quantity
    low: float | None = None
    high: float | None = None
    nominal: float | None = None

    @property
    def target(self) -> float | None:
        """The nominal value, else the middle of the range, else the one limit that there is."""
        if self.nominal is not None:
            return self.nominal
        if self.low is not None and self.high is not None:
            return (self.low + self.high) / 2
        return self.low if self.low is not None else self.high

    def excess(self, value: float) -> float:
        """By how much a value is outside: negative below the lower limit, positive above, else 0.

        >>> parse_limits("5 V ± 5 %", "voltage").excess(4.5)
        -0.25
        """
        if self.low is not None and value < self.low:
            return value - self.low
        if self.high is not None and value > self.high:
            return value - self.high
        return 0.0

    def __str__(self) -> str:
        low = None if self.low is None else format_value(self.low, self.quantity)
        high = None if self.high is None else format_value(self.high, self.quantity)
        if low is None and high is None:
            return "" if self.nominal is None else format_value(self.nominal, self.quantity)
        if low is None:
            return f"at most {high}"
        return f"at least {low}" if high is None else f"{low} to {high}"


def parse_value(text: str, quantity: Quantity) -> float:
    """A measured value in the base unit of its quantity.

    Raises:
        InputError: It is not a number with a unit of this quantity.

    >>> parse_value("40 mV", "voltage"), parse_value("48,5 %", "share")
    (0.04, 48.5)
    """
    return float(parse_quantity(text, UNITS[quantity], _VALUES[quantity]))


def parse_limits(text: str, quantity: Quantity, *, bare: bool = False) -> Limits:
    """A quantity with its limits.

    Args:
        text: ``Q ± Q``, ``Q ± N %``, ``Q .. Q`` (or ``to``), ``at least Q`` (``>=``), ``at most Q`` (``<=``).
            A share's ``±`` counts per cent of the whole: ``50 % ± 10 %`` is 40 % to 60 %.
        quantity: Which quantity.
        bare: A value without limits will do; it becomes the nominal value.

    Raises:
        InputError: The text is none of these, or its lower limit is above the upper one.

    >>> parse_limits("5 V ± 5 %", "voltage")
    Limits(quantity='voltage', low=4.75, high=5.25, nominal=5.0)
    >>> parse_limits("0.4 .. 0.8 V", "voltage").low, parse_limits("at most 0.8 V", "voltage").high
    (0.4, 0.8)
    >>> str(parse_limits("-12 V +/- 0.6 V", "voltage"))
    '-12.6 V to -11.4 V'
    """
    if (match := _ONE_SIDED.match(text)) is not None:
        value = parse_value(match[2], quantity)
        if match[1] in (">=", "≥", "at least"):
            return Limits(quantity, low=value)
        return Limits(quantity, high=value)
    if (match := _SPREAD.match(text)) is not None:
        return _spread(match[1], match[2], quantity)
    if (match := _FROM_TO.match(text)) is not None:
        return _from_to(match[1], match[2], quantity)
    value = parse_value(text, quantity)
    if not bare:
        raise InputError(
            f"{text!r} has no limits.", f"Write how far it may be off, such as '{EXAMPLES[quantity]}'."
        )
    return Limits(quantity, nominal=value)


def _spread(middle: str, spread: str, quantity: Quantity) -> Limits:
    nominal = parse_quantity(middle, UNITS[quantity], _VALUES[quantity])
    if quantity != "share" and spread.rstrip().endswith("%"):
        by = abs(nominal) * parse_quantity(spread, UNITS["share"], _VALUES["share"]) / 100
    else:
        by = parse_quantity(spread, UNITS[quantity], _VALUES[quantity])
    if by < 0:
        raise InputError(f"{spread!r} is negative.", "Write the spread after ± without a sign.")
    return Limits(quantity, float(nominal - by), float(nominal + by), float(nominal))


def _from_to(first: str, last: str, quantity: Quantity) -> Limits:
    high = parse_value(last, quantity)
    unit = re.sub(r"^.*[0-9]\s*", "", last, flags=re.DOTALL).strip()
    low = parse_value(f"{first} {unit}" if _BARE.match(first) else first, quantity)
    if low > high:
        raise InputError(
            f"The lower limit {first.strip()!r} is above the upper one {last.strip()!r}.",
            "Write the lower one first.",
        )
    return Limits(quantity, low, high)


def format_value(value: float, quantity: Quantity) -> str:
    """A value in the unit that reads best, four significant digits at most.

    >>> format_value(0.04, "voltage"), format_value(1.01e6, "frequency"), format_value(48.25, "share")
    ('40 mV', '1.01 MHz', '48.25 %')
    >>> format_value(5e7, "time")
    '50 µs'
    """
    if quantity == "time":
        return format_time(value)
    if quantity == "share":
        return f"{value:.4g} %"
    if quantity == "voltage":
        return f"{value:.4g} V" if abs(value) >= 0.1 or value == 0 else f"{value * 1000:.4g} mV"
    for unit in ("GHz", "MHz", "kHz"):
        if abs(value) >= HERTZ[unit]:
            return f"{value / HERTZ[unit]:.4g} {unit}"
    return f"{value:.4g} Hz"


# -- in a machine file -------------------------------------------------------------------------------------


def limits_pattern(quantity: Quantity) -> str:
    """Regular expression of the notation, for the published JSON Schema."""
    sign = "[+-]?" if quantity == "voltage" else "[+]?"
    digits = r"[0-9][0-9_ ]*([.,][0-9]+)?([eE][+-]?[0-9]+)?"
    unit = "(" + "|".join(UNITS[quantity]) + ")"
    value = rf"{sign}{digits}\s*{unit}"
    spread = rf"{value}\s*(±|\+/-|\+-)\s*[+]?{digits}\s*({unit}|%)"
    ranged = rf"{sign}{digits}\s*{unit}?\s*(\.\.|to)\s*{value}"
    bound = rf"(>=|≥|<=|≤|at least|at most)\s*{value}"
    return rf"^\s*({spread}|{ranged}|{bound})\s*$"


def limits_schema(quantity: Quantity) -> dict[str, Any]:
    """JSON Schema of the notation."""
    return {"type": "string", "pattern": limits_pattern(quantity)}


def _check(quantity: Quantity) -> AfterValidator:
    def check(text: str) -> str:
        limits = checked(lambda each: parse_limits(each, quantity), text)
        ends = [end for end in (limits.low, limits.high) if end is not None]
        if quantity in ("frequency", "time") and any(end < 0 for end in ends):
            raise refused(f"{text!r} is negative.", "Write a range from 0 upward.")
        if quantity == "share" and any(not 0 <= end <= 100 for end in ends):
            raise refused(f"{text!r} leaves the range from 0 % to 100 %.", "Write a range within it.")
        return text

    return AfterValidator(check)


VoltageLimits = Annotated[str, _check("voltage"), WithJsonSchema(limits_schema("voltage"))]
"""A voltage with limits, kept as it was written; `parse_limits` reads it."""
FrequencyLimits = Annotated[str, _check("frequency"), WithJsonSchema(limits_schema("frequency"))]
TimeLimits = Annotated[str, _check("time"), WithJsonSchema(limits_schema("time"))]
ShareLimits = Annotated[str, _check("share"), WithJsonSchema(limits_schema("share"))]
