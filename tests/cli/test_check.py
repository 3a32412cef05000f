"""What ``wrongbit check`` shows of a machine file that leaves out what may be left out."""

from __future__ import annotations

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
