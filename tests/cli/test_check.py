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


PAIR = """
[machine]
name = "Ashdown weighbridge"

[[processor]]
name = "U1"
word_bits = 16
address_bits = 16
address_unit = "word"
recipe = "68000"

[[chip]]
name = "U5"
kind = "rom"
words = 16
bits = 8
lane = "0..7"
region = [{ base = 0x100, size = 16 }]

[[chip]]
name = "U6"
kind = "rom"
words = 16
bits = 8
lane = "8..15"
region = [{ base = 0x100, size = 16 }]

[[listing]]
file = "scale.lst"
"""


def test_listings_are_told_with_the_words_of_each_rom(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Five words of 16 bits: four in both ROMs from 0x102 on, one at 0x200, where nothing answers."""
    (tmp_path / "scale.lst").write_text("0102 1234 5678\n0104 9ABC DEF0\n0200 4E71\n")
    (tmp_path / "machine.toml").write_text(PAIR)
    assert main(["check", str(tmp_path / "machine.toml"), "--json"]) == 0
    (listing,) = json.loads(capsys.readouterr().out)["listings"]
    assert (listing["file"], listing["words"], listing["first"], listing["last"]) == (
        "scale.lst",
        5,
        0x102,
        0x200,
    )
    assert listing["nowhere"] == 1
    assert listing["chips"] == [{"chip": name, "words": 4, "of": 16} for name in ("U5", "U6")]
    assert main(["check", str(tmp_path / "machine.toml")]) == 0
    page = " ".join(capsys.readouterr().out.split())
    assert "scale.lst 0102–0200 5 4 of 16 of U5, 4 of 16 of U6, 1 where no ROM answers" in page


def test_of_a_case_the_listings_that_were_added_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "notebook.lst").write_text("0100 1234\n")
    folder = tmp_path / "case"
    folder.mkdir()
    (folder / "machine.toml").write_text(PAIR.partition("[[listing]]")[0])
    assert main(["check", str(folder), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["listings"] == []
    assert main(["add", str(folder), "reference", str(tmp_path / "notebook.lst"), "--kind", "listing"]) == 0
    capsys.readouterr()
    assert main(["check", str(folder), "--json"]) == 0
    (listing,) = json.loads(capsys.readouterr().out)["listings"]
    assert listing["file"] == "notebook.lst (added)" and listing["words"] == 1
