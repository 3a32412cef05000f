"""The data files against published pin tables, and against the KiCad symbol library that Debian carries."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from replace.builders import CATALOGUE
from wrongbit.errors import InputError, UsageError
from wrongbit.replace.catalogue import build_catalogue

# TI TMS2732A data sheet, August 1983 (pin 18 E/, 19 A10, 20 G/ and VPP, 21 A11, 22 A9, 23 A8).
TI_2732A = {18: "/CE", 19: "A10", 20: "/OE", 21: "A11", 22: "A9", 23: "A8"}
# TI SMLS256H, Fairchild DS010833; TI SMLS512G; Atmel 0006H-12/99; Atmel 0001H-12/99.
SHEETS_28_PIN = {
    "27C256": {1: "VPP", 26: "A13", 27: "A14", 20: "/CE", 22: "/OE"},
    "27C512": {1: "A15", 26: "A13", 27: "A14", 20: "/CE", 22: "/OE"},
    "28C256": {1: "A14", 26: "A13", 27: "/WE", 20: "/CE", 22: "/OE"},
    "28C64": {1: "RDY", 26: "NC", 27: "/WE", 20: "/CE", 22: "/OE"},
}
# JEDEC Standard 21-C, byte-wide family (from memory, not checked for the 24-pin shapes but the 2732).
COMMON_24 = {
    **{pin: f"A{8 - pin}" for pin in range(1, 9)},
    **{9 + bit: f"D{bit}" for bit in range(3)},
    **{10 + bit: f"D{bit}" for bit in range(3, 8)},
    12: "GND", 19: "A10", 22: "A9", 23: "A8", 24: "VCC",
}  # fmt: skip
COLUMNS_24 = {
    "2716": {18: "/CE", 20: "/OE", 21: "VPP"},
    "2732A": {18: "/CE", 20: "/OE", 21: "A11"},
    "28C16": {18: "/CE", 20: "/OE", 21: "/WE"},
    "2316": {18: "CS2", 20: "CS1", 21: "CS3"},
    "2332": {18: "A11", 20: "CS1", 21: "CS2"},
}
COMMON_28 = {
    2: "A12",
    **{pin: f"A{10 - pin}" for pin in range(3, 11)},
    **{11 + bit: f"D{bit}" for bit in range(3)},
    14: "GND",
    **{12 + bit: f"D{bit}" for bit in range(3, 8)},
    20: "/CE", 21: "A10", 22: "/OE", 23: "A11", 24: "A9", 25: "A8", 28: "VCC",
}  # fmt: skip
COLUMNS_28 = {
    "2764": {1: "VPP", 26: "NC", 27: "/PGM"},
    "27128": {1: "VPP", 26: "A13", 27: "/PGM"},
    "27256": {1: "VPP", 26: "A13", 27: "A14"},
    "27512": {1: "A15", 26: "A13", 27: "A14"},
    "28C64": {1: "RDY", 26: "NC", 27: "/WE"},
    "28C256": {1: "A14", 26: "A13", 27: "/WE"},
}
# Motorola LS373 data p. 5-521; ST M74HCT373, October 1993.
ST_HCT373 = {
    1: "/OE", 11: "LE", 10: "GND", 20: "VCC",
    **{pin: f"Q{bit}" for bit, pin in enumerate((2, 5, 6, 9, 12, 15, 16, 19))},
    **{pin: f"D{bit}" for bit, pin in enumerate((3, 4, 7, 8, 13, 14, 17, 18))},
}  # fmt: skip


def pins_of(name: str) -> dict[int, str]:
    return dict(enumerate(CATALOGUE.socket_named(name).pins, 1))


@pytest.mark.parametrize("name", COLUMNS_24)
def test_the_24_pin_columns_of_jedec(name: str) -> None:
    assert pins_of(name) == COMMON_24 | COLUMNS_24[name]


@pytest.mark.parametrize("name", COLUMNS_28)
def test_the_28_pin_columns_of_jedec(name: str) -> None:
    assert pins_of(name) == COMMON_28 | COLUMNS_28[name]


@pytest.mark.parametrize("name", ["2732A", *SHEETS_28_PIN])
def test_pins_that_data_sheets_print(name: str) -> None:
    sheet = {"2732A": TI_2732A, **SHEETS_28_PIN}[name]
    assert {pin: pins_of(name)[pin] for pin in sheet} == sheet


def test_the_latch_of_st_and_motorola() -> None:
    assert dict(enumerate(CATALOGUE.pins_of("373"), 1)) == ST_HCT373


# -- KiCad symbol library 6.0.10, Debian's kicad-symbols ---------------------------------------------------

SYMBOLS = Path("/usr/share/kicad/symbols")
MEMORY_SYMBOLS = {
    "2764": ("Memory_EPROM", "27C64"),
    "27C64": ("Memory_EPROM", "27C64"),
    "27128": ("Memory_EPROM", "27C128"),
    "27C256": ("Memory_EPROM", "27C256"),
    "27C512": ("Memory_EPROM", "27C512"),
    "27C010": ("Memory_EPROM", "27C010"),
    "28C256": ("Memory_EEPROM", "28C256"),
    "39SF010": ("Memory_Flash", "SST39SF010"),
    "39SF040": ("Memory_Flash", "SST39SF040"),
}
# Their names for the same pins; the flash symbols call the write enable PGM.
SPELLINGS = {"~{CE}": "/CE", "~{CS}": "/CE", "CE": "/CE", "~{OE}": "/OE", "OE": "/OE", "~{PGM}": "/PGM"}
LOGIC_SPELLINGS = {
    "373": {"OE": "/OE", **{f"O{n}": f"Q{n}" for n in range(8)}},
    "573": {"OE": "/OE", "Load": "LE"},
    "245": {"A->B": "DIR", "CE": "/OE"},
    "244": {
        "OEa": "/1OE", "OEb": "/2OE",
        **{f"I{n}{half}": f"{side}A{n}" for n in range(4) for half, side in (("a", 1), ("b", 2))},
        **{f"O{n}{half}": f"{side}Y{n}" for n in range(4) for half, side in (("a", 1), ("b", 2))},
    },
    "138": {
        "A0": "A", "A1": "B", "A2": "C", "E1": "/G2A", "E2": "/G2B", "E3": "G1",
        **{f"O{n}": f"/Y{n}" for n in range(8)},
    },
}  # fmt: skip
LOGIC_SPELLINGS["240"] = LOGIC_SPELLINGS["244"]

needs_symbols = [
    pytest.mark.debian,
    pytest.mark.skipif(not SYMBOLS.exists(), reason=f"{SYMBOLS} is missing: apt-get install kicad-symbols"),
]


def symbol_pins(library: str, name: str) -> dict[int, str]:
    text = (SYMBOLS / f"{library}.kicad_sym").read_text("utf-8")
    match = re.search(rf'^  \(symbol "{name}"(.*?)(?=^  \(symbol |\Z)', text, re.DOTALL | re.MULTILINE)
    assert match is not None
    pins = re.findall(r'\(pin .*?\(name "([^"]*)".*?\(number "(\d+)"', match[1], re.DOTALL)
    return {int(number): pin for pin, number in pins}


@pytest.mark.parametrize(
    ("name", "library", "symbol"),
    [pytest.param(name, *place, marks=needs_symbols) for name, place in MEMORY_SYMBOLS.items()],
)
def test_memory_pins_agree_with_the_symbol_library(name: str, library: str, symbol: str) -> None:
    theirs = {pin: SPELLINGS.get(text, text) for pin, text in symbol_pins(library, symbol).items()}
    ours = pins_of(name)
    if library != "Memory_EPROM":
        theirs = {pin: "/WE" if text in ("PGM", "~{WE}") else text for pin, text in theirs.items()}
    assert {pin: ours[pin] for pin in theirs} == theirs
    assert all(ours[pin] == "NC" for pin in ours.keys() - theirs.keys())


@pytest.mark.parametrize("number", [pytest.param(number, marks=needs_symbols) for number in LOGIC_SPELLINGS])
def test_logic_pins_agree_with_the_symbol_library(number: str) -> None:
    spelt = LOGIC_SPELLINGS[number]
    theirs = {pin: spelt.get(text, text) for pin, text in symbol_pins("74xx", f"74LS{number}").items()}
    assert dict(enumerate(CATALOGUE.pins_of(number), 1)) == theirs


# -- the files themselves ----------------------------------------------------------------------------------


def test_access_grades_that_data_sheets_print() -> None:
    """TI 1983/1988; SMLS256H; the 27C512 family table (tACC, tOE and output float)."""
    grades = {row.name: [grade.access.ns for grade in row.grade] for row in CATALOGUE.memory}
    assert grades["2732A"] == [170, 200, 250, 450]
    assert grades["27C256"] == [100, 120, 150, 170, 200, 250]
    table = [(g.access.ns, g.output_enable.ns, g.float_.ns) for g in CATALOGUE.memory_named("27C512").grade]
    assert table[:4] == [(90, 40, 35), (100, 40, 35), (120, 50, 40), (150, 60, 45)]


def test_no_latch_delay_poses_as_checked() -> None:
    times = [time for latch in CATALOGUE.latch for time in latch.figures.values()]
    assert len(times) == 70
    assert {time.status for time in times} == {"from memory"}


def test_every_figure_has_a_source() -> None:
    for memory in CATALOGUE.memory:
        for grade in memory.grade:
            for time in (grade.access, grade.enable, grade.output_enable, grade.float_):
                assert time.source and time.status in ("checked", "from memory")


def test_an_unknown_part_is_met_with_the_nearest() -> None:
    with pytest.raises(UsageError, match=r"27C215.*Did you mean '27C256'\? Known: 2716"):
        CATALOGUE.memory_named("27C215")
    with pytest.raises(UsageError, match=r"no grade '-35'.*-10, -12"):
        CATALOGUE.memory_named("27C256").grade_named("-35")


def row(**changes: object) -> dict[str, object]:
    """A small memory as the data file would have it."""
    return {
        "name": "X", "kind": "EPROM", "words": 4, "bits": 1, "supply": "current", "family": "TTL",
        "tolerance_percent": 5, "pins": "A0 A1 GND D0 /CE VCC", "pins_status": "checked", "pins_source": "x",
        "figures": {"access": "checked: x", "output_enable": "checked: x", "float": "from memory: y"},
        "grade": [{"suffix": "-1", "access": 1, "output_enable": 1, "float": 1}],
    } | changes  # fmt: skip


def tables(**changes: object) -> dict[str, object]:
    family = next(each for each in CATALOGUE.family if each.name == "TTL").model_dump(exclude_none=True)
    family |= {"status": "checked", "source": "x"}
    empty: dict[str, object] = {name: [] for name in ("socket", "pinout", "latch", "buffer", "gate", "bus")}
    return {**empty, "family": [family], "memory": [row(**changes)]}


def test_a_row_becomes_a_memory_with_statuses() -> None:
    memory = build_catalogue(tables()).memory[0]
    assert memory.grade[0].float_.status == "from memory"
    assert memory.grade[0].float_.source == "y"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"pins": "A0 GND D0 D1 /CE VCC"}, "lacks the pins A1"),
        ({"pins": "A0 A1 GND D0 VPP VCC"}, "nothing says what to do with VPP"),
        ({"pins": "A0 A1 GND D0 VCC"}, "an odd pin"),
        ({"family": "HCTX"}, "the family 'HCTX' has no row"),
        ({"grade": []}, "at least 1"),
        ({"supply": "rare"}, "'current' or 'old stock'"),
    ],
)
def test_an_impossible_row_is_refused(changes: dict[str, object], said: str) -> None:
    with pytest.raises(InputError, match=said):
        build_catalogue(tables(**changes))
