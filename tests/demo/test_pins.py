"""The pins of the invented machines' ROMs, which a replacement is planned from.

Sources: JEDEC's byte-wide pinouts. 2764: the KiCad symbol library 6.0.10 (Debian's kicad-symbols). 2732: TI
TMS2732A data sheet, August 1983, revised February 1988. 2716: from memory. Saltmarsh's ROMs are invented.
"""

import re
import tomllib
from pathlib import Path

import pytest

from wrongbit.demo.machines import machine_named

SYMBOLS = Path("/usr/share/kicad/symbols/Memory_EPROM.kicad_sym")
SPELLINGS = {"~{CE}": "/CE", "~{OE}": "/OE", "~{PGM}": "/PGM"}

TI_2732A_PINS = "A7 A6 A5 A4 A3 A2 A1 A0 D0 D1 D2 GND D3 D4 D5 D6 D7 /CE A10 /OE A11 A9 A8 VCC"
TI_2732A = TI_2732A_PINS.split()  # /OE shares its pin with VPP
FROM_MEMORY_2716 = [{"A11": "VPP"}.get(name, name) for name in TI_2732A]


def pins_of(machine, chip):
    tables = tomllib.loads(machine_named(machine).build().files[f"{machine}.toml"].decode())["chip"]
    pins = next(table["pins"] for table in tables if table["name"] == chip)
    return {number: name for name, number in pins.items()}


@pytest.mark.debian
@pytest.mark.skipif(not SYMBOLS.exists(), reason=f"{SYMBOLS} is missing: apt-get install kicad-symbols")
@pytest.mark.parametrize("chip", ["U2", "U3"])
def test_quarrybanks_2764_as_the_symbol_library_has_it(chip):
    symbol = re.search(r'^  \(symbol "27C64"(.*?)(?=^  \(symbol )', SYMBOLS.read_text("utf-8"), re.S | re.M)
    assert symbol is not None
    found = re.findall(r'\(pin .*?\(name "([^"]*)".*?\(number "(\d+)"', symbol[1], re.S)
    theirs = {int(number): SPELLINGS.get(name, name) for name, number in found}
    ours = pins_of("quarrybank", chip)
    assert len(ours) == 27
    assert 26 not in ours  # not connected
    assert ours == {number: name for number, name in theirs.items() if number in ours}


def test_fellgates_2732_and_2716():
    assert pins_of("fellgate", "U4") == dict(enumerate(TI_2732A, 1))
    assert pins_of("fellgate", "U5") == dict(enumerate(FROM_MEMORY_2716, 1))


@pytest.mark.parametrize("machine", ["saltmarsh", "fellgate", "quarrybank"])
def test_every_line_of_every_rom_has_a_pin(machine):
    for chip in machine_named(machine).board.roms:
        names = {name.replace("AD", "A") for name in pins_of(machine, chip.name).values()}
        shared = {name.replace("AD", "D") for name in pins_of(machine, chip.name).values() if "AD" in name}
        assert {f"A{line}" for line in range(len(chip.lines))} <= names
        assert {f"D{bit}" for bit in range(len(chip.lane))} <= names | shared
        assert {"VCC", "GND"} <= names
