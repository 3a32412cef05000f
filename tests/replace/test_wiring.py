"""Wiring table, parts, jumpers and cautions."""

from __future__ import annotations

import pytest

from replace.builders import CATALOGUE, latched, requirement
from wrongbit.replace.fit import Choice, Plan, fit
from wrongbit.replace.requirement import Requirement
from wrongbit.replace.series import is_preferred
from wrongbit.replace.wiring import (
    cautions,
    jumper_table,
    parts_list,
    plan_notes,
    pull_up_ohms,
    wiring_table,
)


def plan(need: Requirement, memory: str, **choice: object) -> Plan:
    return fit(need, Choice(memory=memory, **choice)).best  # type: ignore[arg-type]


MASK_ROM = requirement("2332", {"CS1": "low", "CS2": "high"})


def test_2332_to_2732_moves_three_pins_and_inverts_one() -> None:
    """A11 from 18 to 21 (TI TMS2732A), the select from 20 to 18, the active-high one through an inverter."""
    rows = wiring_table(plan(MASK_ROM, "2732A"))
    assert [(row.old, row.new) for row in rows if row.moved] == [
        ("P1.18 A11", "IC1.21 A11"),
        ("P1.20 CS1", "IC1.18 /CE"),
    ]
    inverted = next(row for row in rows if row.signal == "CS2")
    assert inverted.through == ("IC2.1 1A → IC2.2 1Y",)
    assert inverted.new == "IC1.20 /OE"


def test_27256_to_28c256_tells_both_traps() -> None:
    rows = wiring_table(plan(requirement("27256"), "28C256"))
    assert next(row for row in rows if row.signal == "A14").new == "IC1.1 A14"
    assert next(row for row in rows if row.new == "IC1.27 /WE").note == "tie to VCC"
    assert next(row for row in rows if row.old == "P1.1 VPP").note.startswith("leave open")
    assert any("IC1.27 /WE: tie to VCC." in note for note in plan_notes(plan(requirement("27256"), "28C256")))


def test_every_pin_of_socket_and_memory_is_in_the_table() -> None:
    for need, memory in ((MASK_ROM, "28C256"), (latched(), "27C512"), (requirement("27C1024"), "27C512")):
        made = plan(need, memory)
        rows = wiring_table(made)
        old = {row.old for row in rows} - {""}
        new = {row.new for row in rows} - {""}
        assert {f"P1.{n} {name}" for n, name in enumerate(need.socket.pins, 1)} == old
        assert {
            f"{device.ref}.{n} {name}"
            for device in made.circuit.of_part("memory")
            for n, name in enumerate(device.pins, 1)
        } == new


def test_a_latched_address_goes_through_and_the_data_goes_straight() -> None:
    rows = [row for row in wiring_table(plan(latched(), "27C512")) if row.old == "P1.2 AD0"]
    assert [(row.through, row.new) for row in rows] == [
        (("IC2.2 D0 → IC2.19 Q0",), "IC1.10 A0"),
        ((), "IC1.11 D0"),
    ]


def test_the_parts_are_there_with_preferred_values() -> None:
    need = requirement("2332", {"CS1": "low", "CS2": "high"}, images=2)
    made = plan(need, "27C64")
    lines = {line.what: line for line in parts_list(made)}
    assert lines["27C64-25, UV EPROM or one-time PROM"].refs == ("IC1",)
    assert lines["74HCT04, six inverters"].count == 1
    assert lines["ceramic capacitor 100 nF (E6)"].count == 2
    assert lines["resistor 10 kΩ (E12)"].refs == ("R1",)
    assert lines["IC socket, 28 pins"].refs == ("IC1",)
    assert is_preferred(pull_up_ohms(made, CATALOGUE), "E12")


def test_a_pull_up_holds_the_level_against_the_leakage() -> None:
    need = requirement("2332", {"CS1": "low", "CS2": "high"}, images=2)
    ohms = pull_up_ohms(plan(need, "27C64"), CATALOGUE)
    assert 4.75 - ohms * 10e-6 > 2.0  # 10 µA of leakage, VIH 2.0 V
    assert 5.25 / ohms < 1e-3


def test_a_drop_in_chip_needs_no_adapter() -> None:
    assert [line.refs for line in parts_list(plan(requirement("27256"), "27C256"))] == [("IC1",)]


def test_jumpers_count_in_binary() -> None:
    made = plan(requirement("2316", {"CS1": "low", "CS2": "low", "CS3": "low"}, images=3), "27C64")
    assert [(row.offset, row.closed, row.opened) for row in jumper_table(made)] == [
        (0, ("JP1", "JP2"), ()),
        (2048, ("JP2",), ("JP1",)),
        (4096, ("JP1",), ("JP2",)),
    ]


@pytest.mark.parametrize(
    ("need", "memory", "said"),
    [
        (MASK_ROM, "2732A", "Switch off"),
        (MASK_ROM, "2732A", "254 nm"),
        (MASK_ROM, "28C64", "IEC 61340-5-1"),
        (requirement("2308", {"CS1": "low"}), "28C16", "other supplies than +5 V"),
    ],
)
def test_cautions(need: Requirement, memory: str, said: str) -> None:
    assert any(said in line for line in cautions(plan(need, memory)))


def test_only_pins_of_the_memory_are_told_as_ties() -> None:
    notes = plan_notes(plan(MASK_ROM, "27C64"))
    assert [note for note in notes if "tie to VCC" in note] == [
        "IC1.1 VPP: tie to VCC.",
        "IC1.27 /PGM: tie to VCC.",
    ]


def test_figures_from_memory_are_told() -> None:
    assert any("from memory, check the data sheet" in note for note in plan_notes(plan(MASK_ROM, "2732A")))
