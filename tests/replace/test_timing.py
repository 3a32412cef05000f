"""Worst-case sums added up by hand from published figures."""

from __future__ import annotations

from typing import Any

import pytest

from replace.builders import CATALOGUE, latched, requirement
from wrongbit.replace.buses import given_times, processor_times
from wrongbit.replace.catalogue import Grade, Logic, Memory, Socket, Time
from wrongbit.replace.circuit import Scheme, Wishes, build_circuit
from wrongbit.replace.requirement import LatchNeed, Requirement, selects_of
from wrongbit.replace.timing import Budget, Speeds, budgets, logic_term

NS = 1000


def time(ns: float) -> Time:
    return Time(ns=ns, status="given", source="the example")


def grade(access: float, output_enable: float, float_: float) -> Grade:
    return Grade.model_validate(
        {"suffix": "-X", "access": time(access), "output_enable": time(output_enable), "float": time(float_)}
    )


def logic(number: str, **figures: float) -> Logic:
    times = {name: time(ns) for name, ns in figures.items()}
    return Logic.model_validate({"number": number, "family": "LS", "celsius": 70, "figures": times})


def one_select(active: str = "low", **times: int) -> Requirement:
    """A 2332 with one select, on a bus of which only these times are known."""
    return requirement("2332", {"CS1": active, "CS2": "unused"}, times=given_times(times))


def sums(
    need: Requirement, memory: Memory, speeds: Speeds, scheme: Scheme = "straight", **wishes: Any
) -> dict[str, Budget]:
    circuit = build_circuit(need, memory, CATALOGUE, scheme, Wishes(**wishes))
    return {each.edge: each for each in budgets(need, circuit, speeds, CATALOGUE)}


def test_8085_with_a_200_ns_eprom_and_a_30_ns_latch_leaves_120_ns() -> None:
    """The published worked example: 8085AH-2 (tAD 350 ns), 27128-20, 74LS373 with 30 ns."""
    need = latched(processor_times(CATALOGUE, "8085AH", "5 MHz"))
    latch = logic("573", data=30, enable=30, setup=5, hold=10, width=15)
    found = sums(need, CATALOGUE.memory_named("27C512"), Speeds(grade(200, 75, 60), "X", latch, {}, None))
    assert found["address valid to data needed"].margin_ps == (350 - 200 - 30) * NS
    assert found["address valid before the latch closes"].margin_ps == (50 - 5) * NS
    assert found["address stays after the latch closes"].margin_ps == (50 - 10) * NS
    assert found["the latch is open long enough"].margin_ps == (80 - 15) * NS


def test_8086_with_latch_buffer_and_memory() -> None:
    """460 - latch 27 - access 250 - buffer 12 = 171 ns; 205 - output enable 100 - buffer 12 = 93 ns."""
    times = processor_times(CATALOGUE, "8086", "5 MHz")
    latch = logic("573", data=27, enable=36, setup=5, hold=10, width=15)
    buffer = logic("245", data=12, on=40, off=25)
    speeds = Speeds(grade(250, 100, 60), "X", latch, {"138": logic("138", delay=20)}, buffer)
    found = sums(latched(times), CATALOGUE.memory_named("27C512"), speeds, buffer="245")
    assert found["address valid to data needed"].margin_ps == 171 * NS
    assert found["/RD active to data needed, through /OE"].margin_ps == 93 * NS
    # 3 TCLCL - TCLLH 80 - TDVCL 30 = 490, less latch opening 36, access 250, buffer 12.
    assert found["latch opens to data needed"].margin_ps == (490 - 36 - 250 - 12) * NS
    # The buffer is switched by both selects through the decoder: TRHAV 155 - 20 - 25.
    assert found["outputs off before somebody else drives"].margin_ps == (155 - 20 - 25) * NS


def test_percent_is_of_what_is_available() -> None:
    need = requirement(
        "2332", {"CS1": "low", "CS2": "unused"}, times=given_times({"address_to_data": 500_000})
    )
    found = sums(need, CATALOGUE.memory_named("2732A"), Speeds(grade(450, 150, 130), "X", None, {}, None))
    assert found["address valid to data needed"].margin_percent == pytest.approx(10)
    assert found["address valid to data needed"].fits


def test_an_inverter_delays_the_select_and_the_latch() -> None:
    gates = {"04": logic("04", delay=15)}
    need = requirement(
        "2332", {"CS1": "high", "CS2": "unused"}, times=given_times({"enable_to_data": 300_000})
    )
    found = sums(need, CATALOGUE.memory_named("2732A"), Speeds(grade(250, 100, 60), "X", None, gates, None))
    assert found["CS1 active to data needed, through /CE"].margin_ps == (300 - 15 - 250) * NS
    assert found["CS1 active to data needed, through /OE"].margin_ps == (300 - 15 - 100) * NS
    rising = latched(given_times({"address_to_data": 900_000, "hold_after_close": 40_000}), closes="rising")
    latch = logic("573", data=30, enable=30, setup=5, hold=10, width=15)
    found = sums(
        rising, CATALOGUE.memory_named("27C512"), Speeds(grade(250, 100, 60), "X", latch, gates, None)
    )
    assert found["address stays after the latch closes"].margin_ps == (40 - 15 - 10) * NS


def test_outputs_only_uses_the_faster_figure() -> None:
    need = requirement(
        "2332", {"CS1": "low", "CS2": "unused"}, times=given_times({"enable_to_data": 200_000})
    )
    memory, speeds = CATALOGUE.memory_named("2732A"), Speeds(grade(250, 100, 60), "X", None, {}, None)
    slow = sums(need, memory, speeds)
    fast = sums(need, memory, speeds, "outputs only")
    assert slow["/CS1 active to data needed, through /CE"].margin_ps == -50 * NS
    assert list(fast)[1] == "/CS1 active to data needed, through /OE"
    assert fast["/CS1 active to data needed, through /OE"].margin_ps == 100 * NS


def test_a_decoded_select_comes_after_its_decoder() -> None:
    need = one_select(address_to_data=400_000, select_delay=60_000)
    found = sums(need, CATALOGUE.memory_named("2732A"), Speeds(grade(250, 100, 60), "X", None, {}, None))
    assert found["/CS1 active to data needed, through /CE"].margin_ps == (400 - 60 - 250) * NS


def test_no_select_has_more_time_than_the_address() -> None:
    """A select comes no earlier than its address: 250 ns of an old chip cap 460 ns of a processor's sheet."""
    edge = "/CS1 active to data needed, through /CE"
    speeds = Speeds(grade(200, 75, 60), "X", None, {}, None)
    memory = CATALOGUE.memory_named("27C512")
    found = sums(one_select(address_to_data=250 * NS, enable_to_data=460 * NS), memory, speeds)
    assert found["address valid to data needed"].margin_ps == (250 - 200) * NS
    assert found[edge].available_ps == 250 * NS
    found = sums(one_select(address_to_data=460 * NS, enable_to_data=250 * NS), memory, speeds)
    assert found[edge].available_ps == 250 * NS


def test_a_latch_that_the_chip_enable_closes_adds_the_times_around_its_edge() -> None:
    """Address 80 ns before, data 300 ns after the edge: 380 - 30 - 250 = 100 ns."""
    pins = "A0 A1 A2 A3 D0 D1 GND D2 D3 D4 D5 D6 D7 /CE NC NC NC VCC"
    socket = Socket(name="x", words=16, bits=8, pins=tuple(pins.split()), status="given", source="x")
    times = given_times({"address_before_close": 80_000, "enable_to_data": 300_000})
    need = Requirement(
        "U1", 16, 8, socket, selects_of(socket, {}, latch="CE"), LatchNeed("CE", "falling"), times=times
    )
    latch = logic("573", data=30, enable=30, setup=5, hold=10, width=15)
    found = sums(need, CATALOGUE.memory_named("2716"), Speeds(grade(250, 100, 60), "X", latch, {}, None))
    assert found["address valid to data needed"].margin_ps == 100 * NS
    assert "latch opens to data needed" not in found


def test_a_time_that_nobody_states_is_not_judged() -> None:
    need = requirement(
        "2332", {"CS1": "low", "CS2": "unused"}, times=given_times({"address_to_data": 400_000})
    )
    found = sums(need, CATALOGUE.memory_named("2732A"), Speeds(grade(250, 100, 60), "X", None, {}, None))
    release = found["outputs off before somebody else drives"]
    assert (release.fits, release.margin_ps, release.margin_percent, release.missing) == (
        None,
        None,
        None,
        "float_time",
    )


@pytest.mark.parametrize(("family", "at_25", "at_85"), [("HC", 18, 23), ("HCT", 22, 28)])
def test_the_heat_factor_reproduces_the_published_pairs(family: str, at_25: int, at_85: int) -> None:
    """Philips 74HC_HCT245 rev. 03, 31 January 2005, Tables 9 and 10."""
    part = CATALOGUE.logic("buffer", "245", family)
    assert logic_term(part, "data", "buffer", 25, CATALOGUE).ps == at_25 * NS
    assert logic_term(part, "data", "buffer", 70, CATALOGUE).ps == at_85 * NS


def test_a_family_without_figures_over_temperature_says_so() -> None:
    term = logic_term(CATALOGUE.logic("latch", "373", "LS"), "data", "latch", 70, CATALOGUE)
    assert term.ps == 18 * NS
    assert "the sheet gives none above" in term.name
