"""What ``wrongbit check`` shows of a machine file that leaves out what may be left out."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from wrongbit.cli.main import main

BARE = """
[machine]
name = "Bare board"

[[processor]]
name = "U1"
word_bits = 8
address_bits = 16
recipe = "z80"
"""


def test_what_is_left_out_leaves_no_gap_on_the_page(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    machine = tmp_path / "bare.toml"
    machine.write_text(BARE)
    assert main(["check", str(machine)]) == 0
    lines = [line.rstrip("\n") for line in capsys.readouterr().out.splitlines()]
    assert lines[0] == "Bare board"
    assert "U1: 8-bit words, 16-bit addresses of words, bus recipe z80" in lines
    assert not any("probe point  processor" in line for line in lines)
    assert any("There is no probe point yet" in line for line in lines)


def test_family_and_clock_where_they_are_given(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    machine = tmp_path / "machine.toml"
    machine.write_text(BARE + 'family = "Z80"\nclock = "2.5 MHz"\n')
    assert main(["check", str(machine)]) == 0
    page = capsys.readouterr().out
    assert "U1: Z80, 8-bit words, 16-bit addresses of words, bus recipe z80, clock 2.5 MHz" in page


WITH_LISTING = """
[[chip]]
name = "U2"
kind = "rom"
words = 16
bits = 8
lane = "0..7"
region = [{ base = 0, size = 16 }]

[[listing]]
file = "u2.lst"

[[rail]]
name = "VCC"
voltage = "5 V ± 5 %"
test_point = "U1 pin 11"

[[input]]
name = "/RESET"
kind = "reset"
low = "at least 2 us"
test_point = "U1 pin 26"
"""


def test_limits_before_any_bus_and_the_listing_behind_a_rom(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "u2.lst").write_text("0000 3E 01 D3 10\n0004 76\n")
    machine = tmp_path / "machine.toml"
    machine.write_text(BARE + WITH_LISTING)
    assert main(["check", str(machine)]) == 0
    page = capsys.readouterr().out
    assert "listing u2.lst" in page
    # 5 V less and more 5 %, by hand.
    assert any("VCC voltage" in row and "4.75 V to 5.25 V" in row for row in page.splitlines())
    assert main(["check", str(machine), "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert {
        "group": "reset",
        "name": "/RESET low",
        "limits": "at least 2 µs",
        "test_point": "U1 pin 26",
    } in shown["bring_up"]


def test_a_case_folder_stands_for_its_machine_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "machine.toml").write_text(BARE)
    assert main(["check", str(tmp_path)]) == 0
    assert capsys.readouterr().out.startswith("Bare board")
    (tmp_path / "machine.toml").rename(tmp_path / "kiln.toml")
    (tmp_path / "case.toml").write_text('machine = "kiln.toml"\n')
    assert main(["check", str(tmp_path)]) == 0
    assert capsys.readouterr().out.startswith("Bare board")
    (tmp_path / "case.toml").unlink()
    assert main(["check", str(tmp_path)]) == 2
    assert "kiln.toml" in capsys.readouterr().err
