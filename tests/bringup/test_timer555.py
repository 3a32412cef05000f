"""The 555's formulas against worked values, a simulated circuit and random parts; IEC 60063's tables."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wrongbit.bringup.series import PREFERRED, neighbours, values_between
from wrongbit.bringup.timer555 import (
    HIGHEST_FREQUENCY,
    LARGEST_RESISTANCE,
    SMALLEST_RESISTOR,
    TRIMMER_TOLERANCE,
    Choice,
    Kind,
    Level,
    Tolerances,
    Wanted,
    astable,
    choices,
    diode_astable,
    high_and_low,
    monostable,
    trims,
    why_none,
)
from wrongbit.machine.limits import Limits, parse_limits


def wanted(pulse: str, level: Level, period: str | None = None) -> Wanted:
    train = None if period is None else parse_limits(period, "time", bare=True)
    return Wanted(parse_limits(pulse, "time", bare=True), level, train)


def test_worked_values_of_the_data_sheets() -> None:
    """f = 1.44 / ((RA + 2 RB) C) = 138.5 Hz and duty 54.8 % for 10 kΩ, 47 kΩ, 100 nF; 1.1 R C = 110 ms for
    100 kΩ, 1 µF (555 data sheets, whose constants are rounded: 1.44 for 1.4427, 1.1 for 1.0986)."""
    high, low = astable(10e3, 47e3, 100e-9)
    assert 1 / (high + low) == pytest.approx(138.5, rel=0.003)
    assert 1 / (high + low) * 1.44 * math.log(2) == pytest.approx(1.44 / (104e3 * 100e-9))
    assert 100 * high / (high + low) == pytest.approx(54.8, abs=0.05)
    assert high == pytest.approx(0.693 * 57e3 * 100e-9, rel=0.001)
    assert low == pytest.approx(0.693 * 47e3 * 100e-9, rel=0.001)
    assert monostable(100e3, 1e-6) == pytest.approx(110e-3, rel=0.002)


def simulated(
    ra: float, rb: float, c: float, *, diode: float | None, supply: float = 5.0
) -> tuple[float, float]:
    """The circuit step by step: current into the capacitor, comparators at a third and two thirds."""
    voltage, charging, times, last = supply / 3, True, [], 0.0
    step = min(ra, rb) * c / 4000
    now = 0.0
    while len(times) < 4:
        if charging:
            through = ra if diode is not None else ra + rb
            voltage += (supply - (diode or 0) - voltage) / through / c * step
        else:
            voltage += -voltage / rb / c * step
        now += step
        if (charging and voltage >= supply * 2 / 3) or (not charging and voltage <= supply / 3):
            charging = not charging
            times.append(now - last)
            last = now
    return times[2], times[3]


@pytest.mark.parametrize(("ra", "rb"), [(10e3, 47e3), (47e3, 10e3)])
def test_formulas_are_what_the_circuit_does(ra: float, rb: float) -> None:
    assert simulated(ra, rb, 1e-7, diode=None) == pytest.approx(astable(ra, rb, 1e-7), rel=0.002)
    assert simulated(ra, rb, 1e-7, diode=0.6) == pytest.approx(diode_astable(ra, rb, 1e-7), rel=0.002)


fractions = st.floats(-1, 1)


@given(
    st.sampled_from(["astable", "astable with a diode"]), st.tuples(*[fractions] * 6),
    st.floats(1e3, 1e5), st.floats(1e3, 1e5),
)  # fmt: skip
def test_random_parts_stay_within_the_worst_case(
    kind: Kind, off: tuple[float, ...], ra: float, rb: float
) -> None:
    parts = Tolerances()
    high, low = high_and_low(kind, ra, rb, 1e-7, parts)
    ra, rb = ra * (1 + parts.resistor * off[0]), rb * (1 + parts.resistor * off[1])
    c = 1e-7 * (1 + parts.capacitor * off[2]) * (1 + parts.timer * off[3])
    if kind == "astable":
        seen = astable(ra, rb, c)
    else:
        supply = parts.supply * (1 + parts.supply_spread * off[4])
        seen = diode_astable(ra, rb, c, supply, 0.6 + 0.1 * off[5])
    for band, value in ((high, seen[0]), (low, seen[1])):
        assert band.least * (1 - 1e-9) <= value <= band.most * (1 + 1e-9)


@pytest.mark.parametrize("resistor", [0.01, 0.05])
@pytest.mark.parametrize("capacitor", [0.1, 0.2])
def test_the_worst_case_is_reached(resistor: float, capacitor: float) -> None:
    parts = Tolerances(resistor, capacitor, timer=0)
    high, low = high_and_low("astable", 10e3, 47e3, 1e-7, parts)
    longest = astable(10e3 * (1 + resistor), 47e3 * (1 + resistor), 1e-7 * (1 + capacitor))
    assert (high.most, low.most) == pytest.approx(longest)
    shortest = astable(10e3 * (1 - resistor), 47e3 * (1 - resistor), 1e-7 * (1 - capacitor))
    assert (high.least, low.least) == pytest.approx(shortest)


def seconds(choice: Choice) -> tuple[float, float]:
    """Output high and low of the nominal circuit, behind the gate."""
    compute = astable if choice.kind == "astable" else diode_astable
    high, low = compute(choice.ra, choice.rb, choice.c)
    return (low, high) if choice.inverted else (high, low)


@given(
    period=st.floats(1e-4, 1), share=st.floats(0.001, 0.999), level=st.sampled_from(["low", "high"]),
    series=st.sampled_from(["E12", "E24"]),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_every_choice_gives_what_it_says(period: float, share: float, level: Level, series: str) -> None:
    assert series == "E12" or series == "E24"
    wish = Wanted(Limits("time", nominal=period * share * 1e12), level, Limits("time", nominal=period * 1e12))
    parts = Tolerances()
    found = choices(wish, parts, series)
    assert [each.error for each in found] == sorted((each.error for each in found), key=lambda e: round(e, 6))
    resistors = values_between(SMALLEST_RESISTOR, LARGEST_RESISTANCE, series)
    for each in found:
        assert each.ra in resistors and each.rb in resistors and each.ra + each.rb <= LARGEST_RESISTANCE
        assert each.period is not None
        high, low = seconds(each)
        assert each.period.nominal == pytest.approx(high + low)
        assert each.pulse.nominal == pytest.approx(high if level == "high" else low)
        assert each.error >= abs(each.pulse.nominal / (period * share) - 1)
    if min(share, 1 - share) * period > 1e-4 and min(share, 1 - share) > 0.01:
        # E24 lies at most 5.2 % off in either direction; tolerances make (1.05 x 1.1 x 1.0225) - 1 = 18.1 %.
        assert found and found[0].error < 0.35


@given(st.floats(1e-5, 10), st.sampled_from(["low", "high"]))
@settings(max_examples=40, deadline=None)
def test_single_pulses(width: float, level: Level) -> None:
    wish = Wanted(Limits("time", nominal=width * 1e12), level)
    best = choices(wish, Tolerances())[0]
    assert best.kind == "monostable" and best.inverted == (level == "low")
    assert best.pulse.nominal == pytest.approx(math.log(3) * best.ra * best.c)
    assert best.pulse.nominal == pytest.approx(width, rel=0.055)


@pytest.mark.parametrize(
    ("wish", "kind"),
    [(wanted("50 us", "low", "10 ms"), "astable"), (wanted("9.9 ms", "high", "10 ms"), "astable"),
     (wanted("100 us", "high", "10 ms"), "astable with a diode")],
)  # fmt: skip
def test_the_duty_decides_the_circuit(wish: Wanted, kind: str) -> None:
    """A plain astable is high for longer than it is low; anything else needs a diode or a gate."""
    plain = [each for each in choices(wish, Tolerances()) if not each.inverted]
    assert plain[0].kind == kind


@given(
    st.sampled_from(
        [wanted("50 us", "low", "10 ms"), wanted("3 ms", "high", "10 ms"), wanted("0.1 s", "high")]
    ),
    st.tuples(*[fractions] * 6), st.integers(0, 200),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_trimmers_reach_the_exact_times(wish: Wanted, off: tuple[float, ...], number: int) -> None:
    parts = Tolerances()
    found = choices(wish, parts)
    choice = found[number % len(found)]
    c = choice.c * (1 + parts.capacitor * off[0]) * (1 + parts.timer * off[1])
    drop, supply = 0.6 + 0.1 * off[2], 5 * (1 + 0.05 * off[3])
    rest = wish.period_seconds - wish.pulse_seconds
    high, low = wish.pulse_seconds, rest
    if (wish.level == "high") == choice.inverted:
        high, low = low, high
    if choice.kind == "monostable":
        needed = {"R1": wish.pulse_seconds / math.log(3) / c}
    elif choice.kind == "astable":
        needed = {"R1": (high - low) / math.log(2) / c, "R2": low / math.log(2) / c}
    else:
        charging = math.log((2 * supply / 3 - drop) / (supply / 3 - drop))
        needed = {"R1": high / charging / c, "R2": low / math.log(2) / c}
    for trim in trims(choice, wish, parts):
        fixed = trim.fixed * (1 + parts.resistor * off[4])
        track = trim.trimmer * (1 + TRIMMER_TOLERANCE * off[5])
        assert fixed * (1 - 1e-9) <= needed[trim.replaces] <= (fixed + track) * (1 + 1e-9)


@pytest.mark.parametrize(
    ("wish", "says"),
    [
        (wanted("1 us", "low", "10 ms"), "shorter than 5 µs"),
        (wanted("9.999 ms", "low", "10 ms"), "shorter than 5 µs"),
        (wanted("20 ms", "low", "10 ms"), "not shorter than the period"),
        (wanted("0 s", "low"), "no width"),
    ],
)
def test_what_a_555_cannot_do(wish: Wanted, says: str) -> None:
    assert says in why_none(wish)
    assert choices(wish, Tolerances()) == ()


def test_the_highest_frequency() -> None:
    assert HIGHEST_FREQUENCY == 100e3  # two intervals of 5 µs: both limits say the same
    assert why_none(wanted("5 us", "low", "10 us")) == ""
    assert "shorter" in why_none(wanted("4 us", "low", "9 us"))


def test_tables_of_iec_60063() -> None:
    """E24 as IEC 60063 prints it; E12 and E6 are every second and fourth value of it. E3 from memory."""
    printed = "10 11 12 13 15 16 18 20 22 24 27 30 33 36 39 43 47 51 56 62 68 75 82 91"
    assert " ".join(map(str, PREFERRED["E24"])) == printed
    assert PREFERRED["E12"] == PREFERRED["E24"][::2]
    assert PREFERRED["E6"] == PREFERRED["E24"][::4]
    assert PREFERRED["E3"] == PREFERRED["E6"][::2]


@given(st.floats(2e3, 9e5))
def test_neighbours_enclose(wish: float) -> None:
    values = values_between(1e3, 1e6, "E24")
    found = neighbours(wish, values)
    if len(found) == 2:
        assert found[0] < wish < found[1]
        assert not [value for value in values if found[0] < value < found[1]]
    else:
        assert found[0] == pytest.approx(wish)
