"""The 555 as a stand-in: astable for a pulse train, monostable for one pulse, in values that can be bought.

Formulas (555 data sheets): the capacitor swings between a third and two thirds of the supply, so that the
output is high for ln 2 · (RA + RB) · C and low for ln 2 · RB · C; a monostable pulse lasts ln 3 · R · C. The
sheets round these to 0.693 and 1.1. With a diode across RB the capacitor charges through RA alone, from a
supply that the diode's drop VD diminishes: RA · C · ln((2/3 VCC - VD) / (1/3 VCC - VD)), derived here.

Times are in seconds, resistors in ohms, capacitors in farads, tolerances as fractions.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import product
from typing import Literal

from wrongbit.bringup.series import Series, neighbours, values_between
from wrongbit.machine.limits import Limits

LN2, LN3 = math.log(2), math.log(3)

SMALLEST_RESISTOR = 1e3
"""Ohms. Keeps the discharge pin's current to 5 mA, for which its saturation is specified; a choice."""

LARGEST_RESISTANCE = 1e6
"""Ohms, of RA + RB. The data sheet allows about 3.4 MΩ at 5 V (from memory, not checked); less leaves room
for leakage on a board that is not clean."""

SMALLEST_CAPACITOR, LARGEST_CAPACITOR = 1e-9, 100e-6
"""Farads. Below, a probe and the wiring count for more than two per cent; above, leakage does. A choice."""

LARGEST_FILM_CAPACITOR = 1e-6
"""Farads. Above it the capacitor is electrolytic."""

HIGHEST_FREQUENCY = 100e3
"""Hertz. Bipolar 555, data sheet, from memory, not checked."""

SHORTEST_INTERVAL = 5e-6
"""Seconds. Below, the timer's own delays of a microsecond or so spoil the formula; a choice."""

Kind = Literal["astable", "astable with a diode", "monostable"]
Level = Literal["low", "high"]


@dataclass(frozen=True)
class Wanted:
    """The signal that is wanted.

    Args:
        pulse: How long the pulse lasts, in picoseconds.
        level: Level of the pulse; the other one is the level of rest.
        period: From pulse to pulse, in picoseconds; None for a single pulse.
    """

    pulse: Limits
    level: Level
    period: Limits | None = None

    @property
    def pulse_seconds(self) -> float:
        """The pulse's nominal width."""
        return (self.pulse.target or 0.0) / 1e12

    @property
    def period_seconds(self) -> float:
        """The nominal period; 0 for a single pulse."""
        return 0.0 if self.period is None else (self.period.target or 0.0) / 1e12


@dataclass(frozen=True)
class Tolerances:
    """How far the parts may be off.

    Args:
        resistor: Of each resistor.
        capacitor: Of the timing capacitor.
        timer: Of the timer's own thresholds and delays. Data sheet, typical; from memory, not checked.
        supply: Nominal supply in volts, with ``supply_spread``; it matters with a diode only.
        supply_spread: Of the supply.
        drop: Lowest and highest forward voltage of the diode; common practice, no source.
    """

    resistor: float = 0.05
    capacitor: float = 0.10
    timer: float = 0.0225
    supply: float = 5.0
    supply_spread: float = 0.05
    drop: tuple[float, float] = (0.5, 0.7)


@dataclass(frozen=True)
class Band:
    """A time with its worst case, in seconds."""

    least: float
    nominal: float
    most: float

    def worst_error(self, wish: float) -> float:
        """The largest relative deviation from a wish."""
        return max(abs(self.least / wish - 1), abs(self.most / wish - 1))

    def within(self, limits: Limits) -> bool | None:
        """Whether the worst case keeps to limits in picoseconds; None where there are none."""
        if limits.low is None and limits.high is None:
            return None
        return not (limits.excess(self.least * 1e12) or limits.excess(self.most * 1e12))


@dataclass(frozen=True)
class Trim:
    """A fixed resistor and a trimmer in series in place of one timing resistor.

    Args:
        replaces: Designator of the resistor.
        fixed: Ohms.
        trimmer: Ohms.
    """

    replaces: str
    fixed: float
    trimmer: float


@dataclass(frozen=True)
class Choice:
    """Parts of one circuit with what they give.

    Args:
        kind: Which circuit.
        inverted: A gate behind it turns the output round.
        ra: Upper timing resistor; the only one of a monostable.
        rb: Lower timing resistor; 0 for a monostable.
        c: Timing capacitor.
        period: The period with its worst case; None for a single pulse.
        pulse: The pulse with its worst case.
        error: The largest relative deviation of either from what is wanted, in the worst case.
        fits: The worst case keeps to the limits; None where none were given.
    """

    kind: Kind
    inverted: bool
    ra: float
    rb: float
    c: float
    period: Band | None
    pulse: Band
    error: float
    fits: bool | None

    @property
    def title(self) -> str:
        """The circuit in words."""
        return f"{self.kind}, inverted" if self.inverted else self.kind


# -- formulas ----------------------------------------------------------------------------------------------


def astable(ra: float, rb: float, c: float) -> tuple[float, float]:
    """Seconds for which the output is high and low.

    >>> high, low = astable(10e3, 47e3, 100e-9)
    >>> round(1 / (high + low), 1), round(100 * high / (high + low), 1)
    (138.7, 54.8)
    """
    return LN2 * (ra + rb) * c, LN2 * rb * c


def diode_astable(
    ra: float, rb: float, c: float, supply: float = 5.0, drop: float = 0.6
) -> tuple[float, float]:
    """Seconds for which the output is high and low, with a diode across RB."""
    return charging(supply, drop) * ra * c, LN2 * rb * c


def charging(supply: float, drop: float) -> float:
    """Time constants from a third to two thirds of the supply through a diode.

    >>> round(charging(5, 0), 4), round(charging(5, 0.6), 3)
    (0.6931, 0.941)
    """
    return math.log((2 / 3 * supply - drop) / (supply / 3 - drop))


def monostable(r: float, c: float) -> float:
    """Seconds of a monostable's pulse.

    >>> round(monostable(100e3, 1e-6), 4)
    0.1099
    """
    return LN3 * r * c


# -- worst case --------------------------------------------------------------------------------------------


def _factors(tolerances: Tolerances) -> tuple[float, float, float]:
    """By how much every product of a resistor and the capacitor may be off: least, nominal, most."""
    least = (1 - tolerances.resistor) * (1 - tolerances.capacitor) * (1 - tolerances.timer)
    return least, 1.0, (1 + tolerances.resistor) * (1 + tolerances.capacitor) * (1 + tolerances.timer)


def _charging_range(kind: Kind, tolerances: Tolerances) -> tuple[float, float, float]:
    """Time constants of charging through RA: least, nominal, most."""
    if kind != "astable with a diode":
        return LN2, LN2, LN2
    spread = tolerances.supply_spread
    supplies = (tolerances.supply * (1 - spread), tolerances.supply * (1 + spread))
    corners = [charging(supply, drop) for supply, drop in product(supplies, tolerances.drop)]
    return min(corners), charging(tolerances.supply, sum(tolerances.drop) / 2), max(corners)


def high_and_low(kind: Kind, ra: float, rb: float, c: float, tolerances: Tolerances) -> tuple[Band, Band]:
    """Output high and low of an astable circuit with their worst cases.

    Every time is a sum of products of one resistor and the capacitor: it is longest when all parts are at
    their upper ends and shortest when all are at their lower ends; so is the period.
    """
    constants = _charging_range(kind, tolerances)
    through_rb = 0.0 if kind == "astable with a diode" else LN2 * rb
    high = Band(
        *(f * (k * ra + through_rb) * c for f, k in zip(_factors(tolerances), constants, strict=True))
    )
    low = Band(*(f * LN2 * rb * c for f in _factors(tolerances)))
    return high, low


# -- search ------------------------------------------------------------------------------------------------


def choices(
    wanted: Wanted, tolerances: Tolerances, resistors: Series = "E24", capacitors: Series = "E6"
) -> tuple[Choice, ...]:
    """Circuits that give the wanted signal, the smallest worst-case error first; empty where none can.

    Args:
        wanted: The signal.
        tolerances: Of the parts.
        resistors: Series of the resistors.
        capacitors: Series of the capacitor.
    """
    values = values_between(SMALLEST_RESISTOR, LARGEST_RESISTANCE, resistors)
    farads = values_between(SMALLEST_CAPACITOR, LARGEST_CAPACITOR, capacitors)
    if why_none(wanted):
        return ()
    found: Iterable[Choice]
    if wanted.period is None:
        found = _monostables(wanted, tolerances, values, farads)
    else:
        found = _astables(wanted, tolerances, values, farads)
    return tuple(sorted(found, key=_rank))


def _rank(choice: Choice) -> tuple[float, bool, bool, bool, float]:
    """Smallest error first; among equals the fewest parts, no electrolytic, resistors near 100 kΩ."""
    return (
        round(choice.error, 6),
        choice.c > LARGEST_FILM_CAPACITOR,
        choice.inverted,
        choice.kind == "astable with a diode",
        abs(math.log(choice.ra / 100e3)),
    )


def why_none(wanted: Wanted) -> str:
    """Why no 555 can give the signal at all; empty where one may."""
    pulse, period = wanted.pulse_seconds, wanted.period_seconds
    if pulse <= 0:
        return "the pulse has no width"
    if wanted.period is not None and pulse >= period:
        return "the pulse is not shorter than the period"
    rest = period - pulse if wanted.period is not None else pulse
    if min(pulse, rest) < SHORTEST_INTERVAL:
        return f"an interval is shorter than {SHORTEST_INTERVAL * 1e6:g} µs, which a 555 does not time well"
    if wanted.period is not None and 1 / period > HIGHEST_FREQUENCY:
        return f"the frequency is above {HIGHEST_FREQUENCY / 1e3:g} kHz"
    return ""


def _monostables(
    wanted: Wanted, tolerances: Tolerances, values: tuple[float, ...], farads: tuple[float, ...]
) -> Iterator[Choice]:
    for c in farads:
        for r in neighbours(wanted.pulse_seconds / (LN3 * c), values):
            pulse = Band(*(f * monostable(r, c) for f in _factors(tolerances)))
            yield Choice(
                "monostable", wanted.level == "low", r, 0.0, c, None, pulse,
                pulse.worst_error(wanted.pulse_seconds), pulse.within(wanted.pulse),
            )  # fmt: skip


def _astables(
    wanted: Wanted, tolerances: Tolerances, values: tuple[float, ...], farads: tuple[float, ...]
) -> Iterator[Choice]:
    kinds: tuple[Kind, ...] = ("astable", "astable with a diode")
    for kind, inverted, c in product(kinds, (False, True), farads):
        pulse_is_high = (wanted.level == "high") != inverted
        pulse, rest = wanted.pulse_seconds, wanted.period_seconds - wanted.pulse_seconds
        high, low = (pulse, rest) if pulse_is_high else (rest, pulse)
        constant = _charging_range(kind, tolerances)[1]
        for rb in neighbours(low / (LN2 * c), values):
            through_rb = rb if kind == "astable" else 0.0
            wish = high / (constant * c) - through_rb
            if wish < SMALLEST_RESISTOR / 2:
                continue
            for ra in neighbours(wish, values):
                if ra + rb <= LARGEST_RESISTANCE:
                    yield _judged(wanted, tolerances, kind, inverted, ra, rb, c)


def _judged(
    wanted: Wanted, tolerances: Tolerances, kind: Kind, inverted: bool, ra: float, rb: float, c: float
) -> Choice:
    high, low = high_and_low(kind, ra, rb, c, tolerances)
    period = Band(high.least + low.least, high.nominal + low.nominal, high.most + low.most)
    pulse = high if (wanted.level == "high") != inverted else low
    assert wanted.period is not None
    error = max(period.worst_error(wanted.period_seconds), pulse.worst_error(wanted.pulse_seconds))
    fits = [band.within(limits) for band, limits in ((period, wanted.period), (pulse, wanted.pulse))]
    known = [each for each in fits if each is not None]
    return Choice(kind, inverted, ra, rb, c, period, pulse, error, all(known) if known else None)


# -- trimming ----------------------------------------------------------------------------------------------

TRIMMER_TOLERANCE = 0.20
"""Of a trimmer's whole track; common practice, no source."""


def trims(choice: Choice, wanted: Wanted, tolerances: Tolerances) -> tuple[Trim, ...]:
    """Trimmers that reach the wanted times exactly, whatever the other parts do within their tolerances.

    They are set on the bench: the lower one (R2) first, then the upper one. A resistor that is too small to
    be trimmed stays fixed.
    """
    pulse, rest = wanted.pulse_seconds, wanted.period_seconds - wanted.pulse_seconds
    if choice.kind == "monostable":
        needs = [("R1", pulse / LN3, pulse / LN3)]
    else:
        pulse_is_high = (wanted.level == "high") != choice.inverted
        high, low = (pulse, rest) if pulse_is_high else (rest, pulse)
        least, _, most = _charging_range(choice.kind, tolerances)
        upper = high - low if choice.kind == "astable" else high
        needs = [("R2", low / LN2, low / LN2), ("R1", upper / most, upper / least)]
    found = [_trim(name, least / choice.c, most / choice.c, tolerances) for name, least, most in needs]
    return tuple(trim for trim in found if trim is not None)


def _trim(name: str, least: float, most: float, tolerances: Tolerances) -> Trim | None:
    """Least and most are the resistances needed with all else at its nominal value."""
    if least < SMALLEST_RESISTOR / 2:
        return None
    least /= (1 + tolerances.capacitor) * (1 + tolerances.timer)
    most /= (1 - tolerances.capacitor) * (1 - tolerances.timer)
    fixed = values_between(10.0, least / (1 + tolerances.resistor), "E12")[-1]
    span = (most - fixed * (1 - tolerances.resistor)) / (1 - TRIMMER_TOLERANCE)
    return Trim(name, fixed, values_between(span, 1e8, "E3")[0])
