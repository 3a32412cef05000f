"""Levels and loads against the trade's published rules."""

from __future__ import annotations

from typing import Any

import pytest

from replace.builders import CATALOGUE, latched, requirement
from wrongbit.replace.circuit import build_circuit
from wrongbit.replace.levels import LevelCheck, check_levels


def checks(family: str, memory: str = "27C512", **need: Any) -> tuple[LevelCheck, ...]:
    wanted = latched(**need)
    circuit = build_circuit(wanted, CATALOGUE.memory_named(memory), CATALOGUE)
    families = {
        device.ref: CATALOGUE.memory_named(memory).family if device.part == "memory" else family
        for device in circuit.devices
    }
    return check_levels(wanted, circuit, families, CATALOGUE)


def board_to_latch(found: tuple[LevelCheck, ...], family: str) -> LevelCheck:
    return next(
        each for each in found if "board" in each.driver and any(family in load for load in each.loads)
    )


def test_ttl_after_ttl_has_0_4_v_of_margin() -> None:
    """Published TTL levels: VOH 2.4, VIH 2.0, VIL 0.8, VOL 0.4."""
    check = board_to_latch(checks("TTL", driver="TTL", load="TTL"), "TTL")
    assert (check.margin_high, check.margin_low) == (0.4, 0.4)


@pytest.mark.parametrize("driver", ["TTL", "NMOS", "LS"])
def test_hc_after_ttl_levels_is_refused(driver: str) -> None:
    """Philips 74HC_HCT: HC wants 70 % of the supply, TTL and NMOS promise 2.4 V, LS 2.7 V."""
    check = board_to_latch(checks("HC", driver=driver), "HC")
    assert not check.fits
    assert check.margin_high < -0.9
    assert "HCT" in check.problem


@pytest.mark.parametrize("family", ["HCT", "ACT", "LS", "ALS", "F"])
def test_ttl_level_inputs_are_accepted(family: str) -> None:
    """ST M74HCT373: meant to interface TTL and NMOS."""
    found = checks(family, driver="NMOS")
    assert all(check.fits for check in found), [check.problem for check in found if not check.fits]


def test_hc_after_hc_fits_by_the_worse_end_of_the_supply() -> None:
    """4.75 V: 4.09 - 3.325 = 0.765 V; 5.25 V: 4.59 - 3.675 = 0.915 V."""
    check = board_to_latch(checks("HC", driver="HC", load="HC"), "HC")
    assert check.margin_high == pytest.approx(0.765, abs=1e-3)


def test_ten_ttl_loads_and_no_more() -> None:
    """Published fan-out of standard TTL: 16 mA / 1.6 mA and 0.4 mA / 40 µA."""
    full = checks("TTL", driver="TTL", load="TTL", address_loads=9, loads=0)
    over = checks("TTL", driver="TTL", load="TTL", address_loads=10, loads=0)
    check = next(each for each in full if "A10" in each.nets)
    assert check.share_low == pytest.approx(1.0)
    assert check.share_high == pytest.approx(1.0)
    assert check.fits
    wrong = [each for each in over if "A10" in each.nets and not each.fits]
    assert wrong
    assert "a buffer would fit" in wrong[0].problem


def test_an_nmos_output_drives_one_ttl_load_or_five_ls_loads() -> None:
    """2.1 mA at 0.45 V (Microchip DS11001L p. 2) against 1.6 mA and 0.4 mA of published inputs."""

    def fits(load: str, loads: int) -> bool:
        need = requirement("27C256", load=load, loads=loads)
        circuit = build_circuit(need, CATALOGUE.memory_named("27C256"), CATALOGUE)
        return all(each.fits for each in check_levels(need, circuit, {"IC1": "CMOS EPROM"}, CATALOGUE))

    assert fits("TTL", 1)
    assert not fits("TTL", 2)
    assert fits("LS", 5)
    assert not fits("LS", 6)


def test_a_shared_line_has_the_board_and_the_memory_as_outputs() -> None:
    shared = [each for each in checks("HCT") if "AD0" in each.nets]
    assert {each.driver for each in shared} == {"the board (NMOS)", "the 27C512"}


def test_figures_from_memory_are_carried_through() -> None:
    assert {each.status for each in checks("HCT", driver="NMOS")} == {"from memory"}
