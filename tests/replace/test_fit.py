"""Choosing: what fits is found, what does not is refused with a reason and what would."""

from __future__ import annotations

from typing import Any

import pytest

from replace.builders import CATALOGUE, RELAXED, latched, requirement
from wrongbit.errors import UsageError
from wrongbit.replace.buses import given_times, processor_times
from wrongbit.replace.fit import Choice, Fitting, Plan, fit
from wrongbit.replace.requirement import Requirement

NS = 1000


def only(need: Requirement, memory: str, **choice: Any) -> Fitting:
    return fit(need, Choice(memory=memory, **choice))


def plan(need: Requirement, memory: str, **choice: Any) -> Plan:
    return only(need, memory, **choice).best


def test_every_memory_is_either_planned_or_refused() -> None:
    found = fit(requirement("2332", {"CS1": "low", "CS2": "high"}))
    names = [each.memory.name for each in found.plans] + [each.memory for each in found.refused]
    assert sorted(names) == sorted(row.name for row in CATALOGUE.memory)
    assert all(each.verdict == "fits" for each in found.plans)
    assert {each.memory for each in found.refused} == {"2716", "28C16"}


def test_the_same_pins_and_still_made_come_first() -> None:
    found = fit(requirement("27256"))
    assert found.best.memory.name == "27C256"
    assert found.best.drop_in
    assert [each.memory.supply for each in found.plans[:4]] == ["current"] * 4


def test_the_slowest_grade_that_fits_is_taken() -> None:
    """8086 at 5 MHz without latch: 460 ns; a 27C256-25 needs 250, its 100 ns of output enable fit 205."""
    need = requirement("27256", times=processor_times(CATALOGUE, "8086", "5 MHz"))
    chosen = plan(need, "27C256")
    assert chosen.grade.suffix == "-25"
    assert chosen.verdict == "fits as far as known"
    assert chosen.unknown == ("/CE active to data needed, through /CE: enable_to_data is not stated",)
    # At 10 MHz: 300 - 50 - 5 = 245 ns: the 250-ns grade is too slow, 200 ns do.
    fast = plan(requirement("27256", times=processor_times(CATALOGUE, "8086", "10 MHz")), "27C256")
    assert fast.grade.suffix == "-20"


def test_a_margin_that_is_asked_for_is_kept() -> None:
    """450 ns of 1000 leave 55 %; asked for 60 %, 250 ns (75 %) is the slowest that does."""
    need = requirement("2332", {"CS1": "low", "CS2": "low"})
    assert plan(need, "2732A").grade.suffix == "-45"
    assert plan(need, "2732A", margin_percent=60).grade.suffix == "-25"


def test_too_slow_is_said_with_the_access_time_that_would_do() -> None:
    """145 ns at hand, the fastest 2732A has 170."""
    found = only(requirement("2732A", times=given_times({"address_to_data": 145 * NS})), "2732A")
    assert found.plans == ()
    refusal = found.refused[0]
    assert refusal.reasons[0] == "address valid to data needed: 25 ns too slow"
    assert refusal.remedy == "Needed: access from the address of 145 ns or less."
    with pytest.raises(UsageError, match=r"no memory fits.*145 ns") as caught:
        _ = found.best
    assert caught.value.notes == ("2732A: address valid to data needed: 25 ns too slow.",)


def test_when_nothing_can_be_fast_enough_the_clock_is_named() -> None:
    """A 10-ns bus: latch and gate alone take longer."""
    found = fit(latched(given_times({"address_to_data": 5 * NS})))
    assert not found.plans
    assert "a wait state or a slower clock" in found.refused[0].remedy


def test_a_faster_wiring_is_taken_where_the_chip_enable_is_too_slow() -> None:
    """120 ns from the select: no 2732A's chip enable does, its output enable (65 to 100 ns) does."""
    times = given_times({"address_to_data": 400 * NS, "enable_to_data": 120 * NS, "float_time": 200 * NS})
    chosen = plan(requirement("2332", {"CS1": "low", "CS2": "unused"}, times=times), "2732A")
    assert chosen.circuit.scheme == "outputs only"
    assert chosen.verdict == "fits"


def test_a_faster_family_is_taken_where_the_first_is_too_slow() -> None:
    """115 ns less 90 of access leave 25: HCT573 (44 ns hot) and LS573 (27) exceed it, ALS (14) does not."""
    times = given_times({"address_to_data": 115 * NS, "open_to_data": 150 * NS}).over(RELAXED)
    chosen = plan(latched(times), "27C512")
    assert (chosen.family, chosen.grade.suffix) == ("ALS", "-10")  # 115 - 14 - 100 = 1 ns


def test_hc_after_nmos_is_refused_and_the_right_families_named() -> None:
    found = only(latched(driver="NMOS"), "27C512", families=("HC",))
    assert not found.plans
    assert "too low" in found.refused[0].reasons[0]
    assert "HCT" in found.refused[0].remedy
    assert plan(latched(driver="NMOS"), "27C512", families=("HC", "HCT")).family == "HCT"
    inverted = requirement("2332", {"CS1": "high", "CS2": "unused"}, driver="HC")
    assert plan(inverted, "27C64", families=("HC",)).family == "HC"


def test_a_buffer_is_added_for_a_heavy_load() -> None:
    """Two TTL inputs want 3.2 mA; the memory promises 2.1 mA (DS11001L)."""
    need = requirement("27C256", load="TTL", loads=2)
    assert [d.number for d in plan(need, "27C256").circuit.of_part("buffer")] == ["245"]
    refused = only(need, "27C256", buffer="none").refused[0]
    assert "1.5 times what it can" in refused.reasons[0]


def test_a_loose_supply_is_refused() -> None:
    need = requirement("2332", {"CS1": "low", "CS2": "low"}, supply_percent=10)
    assert "allows 5 %" in only(need, "2732A").refused[0].reasons[0]
    assert plan(need, "27C64").verdict == "fits"


def test_figures_from_memory_mark_the_plan() -> None:
    assert plan(requirement("27256"), "27C256").status == "from memory"


def test_old_stock_can_be_left_out() -> None:
    found = fit(requirement("2332", {"CS1": "low", "CS2": "low"}), Choice(old_stock=False))
    assert {each.memory.supply for each in found.plans} == {"current"}


@pytest.mark.parametrize(
    ("choice", "said"),
    [
        (Choice(memory="27C215"), "no memory '27C215'"),
        (Choice(memory="27C256", grade="-7"), "no grade '-7'"),
        (Choice(grade="-15"), "without its memory"),
        (Choice(latch="374"), "'374' is no latch"),
        (Choice(buffer="541"), "'541' is no buffer"),
        (Choice(families=("HCX",)), "no logic family 'HCX'"),
        (Choice(families=()), "no logic family may be used"),
    ],
)
def test_what_does_not_exist_is_refused(choice: Choice, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        fit(requirement("27256"), choice)


def test_nothing_known_about_the_bus_is_refused() -> None:
    with pytest.raises(UsageError, match="nothing is known about how fast"):
        fit(requirement("27256", times=given_times({"float_time": 1})))
