"""Quantities with limits: the notation, its errors, and the schema that accepts what the loader accepts."""

from __future__ import annotations

import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wrongbit.errors import InputError, MachineFileError
from wrongbit.machine.limits import Limits, Quantity, format_value, limits_pattern, parse_limits, parse_value
from wrongbit.machine.load import read_machine

MACHINE = """
[machine]
name = "m"
[[processor]]
name = "U1"
word_bits = 8
address_bits = 16
recipe = "6502"
"""


@pytest.mark.parametrize(
    ("text", "quantity", "low", "high"),
    [
        ("5 V ± 5 %", "voltage", 4.75, 5.25),  # 74 and 74LS: 4.75 V to 5.25 V in their data sheets
        ("5 V +/- 10 %", "voltage", 4.5, 5.5),
        ("5 V +- 250 mV", "voltage", 4.75, 5.25),
        ("-12 V ± 5 %", "voltage", -12.6, -11.4),
        ("4.75 .. 5.25 V", "voltage", 4.75, 5.25),
        ("-12.6 V to -11.4 V", "voltage", -12.6, -11.4),
        ("at most 0,8 V", "voltage", None, 0.8),
        ("≥ 2 V", "voltage", 2.0, None),
        ("1 MHz ± 1 %", "frequency", 990_000, 1_010_000),
        ("10 ms ± 10 %", "time", 9e9, 11e9),
        ("at least 100 ms", "time", 1e11, None),
        ("50 % ± 10 %", "share", 40, 60),
    ],
)
def test_notations(text: str, quantity: Quantity, low: float | None, high: float | None) -> None:
    limits = parse_limits(text, quantity)
    assert (limits.low, limits.high) == (low, high)
    assert re.match(limits_pattern(quantity), text)


@given(nominal=st.decimals("0.001", "1000", places=3), percent=st.decimals("0", "50", places=1))
def test_percent_of_any_nominal(nominal: Decimal, percent: Decimal) -> None:
    limits = parse_limits(f"{nominal} V ± {percent} %", "voltage")
    assert limits.low == float(nominal - nominal * percent / 100)
    assert limits.high == float(nominal + nominal * percent / 100)
    assert limits.excess(float(nominal)) == 0


@given(st.floats(-1e6, 1e6), st.floats(0, 1e3), st.floats(-1e7, 1e7))
def test_excess_brings_a_value_back_to_the_nearest_end(low: float, width: float, value: float) -> None:
    limits = Limits("voltage", low, low + width)
    inside = min(max(value, low), low + width)
    assert limits.excess(value) == pytest.approx(value - inside, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "quantity", "says"),
    [
        ("5 V", "voltage", "has no limits"),
        ("5", "voltage", "not a voltage"),
        ("5 MHz ± 1 %", "voltage", "not a voltage"),
        ("5 V ± -1 V", "voltage", "negative"),
        ("5.25 V .. 4.75 V", "voltage", "above the upper"),
        ("± 5 %", "voltage", "not a voltage"),
        ("", "time", "not a time"),
        ("5 V ± 1e999999 V", "voltage", "not a voltage"),
    ],
)
def test_refused(text: str, quantity: Quantity, says: str) -> None:
    with pytest.raises(InputError, match=says):
        parse_limits(text, quantity)


def test_values_of_other_units_are_refused() -> None:
    with pytest.raises(InputError, match="not a share"):
        parse_value("5 V", "share")


@given(st.floats(1e-3, 1e9))
def test_a_shown_frequency_reads_back(value: float) -> None:
    assert parse_value(format_value(value, "frequency"), "frequency") == pytest.approx(value, rel=1e-3)


def test_a_machine_keeps_the_notation() -> None:
    machine = read_machine(
        MACHINE
        + '[[rail]]\nname = "VCC"\nvoltage = "5 V ± 5 %"\n'
        + '[[clock]]\nname = "PHI0"\nfrequency = "1 MHz ± 1 %"\nduty = "40 % .. 60 %"\n'
        + '[[input]]\nname = "/MARK"\nperiod = "10 ms ± 10 %"\nlow = "50 us ± 20 %"\nwaits = "U1"\n'
    )
    assert machine.rail[0].voltage == "5 V ± 5 %"
    assert machine.input[0].waits == ("U1",)


@pytest.mark.parametrize(
    ("entry", "key", "says"),
    [
        ('[[rail]]\nname = "VCC"\nvoltage = "5 V"', "rail[0].voltage", "has no limits"),
        ('[[clock]]\nname = "C"\nfrequency = "-1 MHz .. 1 MHz"', "clock[0].frequency", "negative"),
        ('[[clock]]\nname = "C"\nfrequency = "1 MHz ± 1 %"\nduty = "90 % ± 20 %"', "clock[0].duty", "0 % to"),
        ('[[input]]\nname = "I"\nperiod = "1 ms ± 1 %"\nlow = "at least 2 ms"', "input[0].low", "not hold"),
        (
            '[[rail]]\nname = "A"\nvoltage = "5 V ± 5 %"\n[[input]]\nname = "a"',
            "input[0].name",
            "already taken by rail",
        ),
    ],
)
def test_what_a_machine_cannot_say(entry: str, key: str, says: str) -> None:
    with pytest.raises(MachineFileError, match=says) as caught:
        read_machine(MACHINE + entry)
    assert caught.value.key == key
