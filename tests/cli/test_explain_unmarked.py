"""``wrongbit explain`` on machines whose processor marks no fetches: 6809 and 6800, on invented boards.

The captures are what an emulator's program did (MC6809 and m68hc11, PyPI), clocked by E or PHI2.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from instructions import emulated_6800, emulated_6809
from wrongbit.cli.main import main

MACHINE = """
[machine]
name = "Oakhanger bottling line"
invented = true
cautions = ["Unplug before touching."]

[[processor]]
name = "U1"
word_bits = 8
address_bits = 16
byte_order = "big"
recipe = "{recipe}"
clock = "1 MHz"
start_address = 0xE000

[[chip]]
name = "U2"
kind = "rom"
words = 8192
bits = 8
lane = "0..7"

[[chip.region]]
base = 0xE000
size = 0x2000

[chip.image]
file = "u2.bin"

[[chip]]
name = "U3"
kind = "ram"
words = 2048
bits = 8
lane = "0..7"

[[chip.region]]
base = 0x0000
size = 0x0800

[[point]]
name = "clocked"
mode = "state"
clock = "{clock} ends"
columns = {{ ADDR = "A", DATA = "D" }}
"""

ADD_AND_SHOW_6809 = bytes.fromhex(
    "10CE07F0"  # E000  LDS  #$07F0
    "8EE030"  # E004  LDX  #$E030
    "4F"  # E007  CLRA
    "C608"  # E008  LDB  #8
    "AB80"  # E00A  ADDA ,X+
    "5A"  # E00C  DECB
    "26FB"  # E00D  BNE  $E00A
    "9710"  # E00F  STA  $10
    "BDE020"  # E011  JSR  $E020
    "3406"  # E014  PSHS A,B
    "3506"  # E016  PULS A,B
    "16FFE9"  # E018  LBRA $E004
    "1212121212"
    "1F89"  # E020  TFR  A,B
    "B7A000"  # E022  STA  $A000
    "39"  # E025  RTS
)
ADD_AND_SHOW_6800 = bytes.fromhex(
    "8E007F"  # E000  LDS  #$007F
    "CEE030"  # E003  LDX  #$E030
    "4F"  # E006  CLRA
    "C608"  # E007  LDAB #8
    "AB00"  # E009  ADDA 0,X
    "08"  # E00B  INX
    "5A"  # E00C  DECB
    "26FA"  # E00D  BNE  $E009
    "9710"  # E00F  STAA $10
    "BDE020"  # E011  JSR  $E020
    "36"  # E014  PSHA
    "32"  # E015  PULA
    "7EE003"  # E016  JMP  $E003
    "01010101010101"
    "16"  # E020  TAB
    "B7A000"  # E021  STAA $A000
    "39"  # E024  RTS
)
FAMILIES: dict[str, tuple[Any, bytes, str, str, str]] = {
    "6809": (emulated_6809, ADD_AND_SHOW_6809, "E", "BS", "jsr $e020"),
    "6800": (emulated_6800, ADD_AND_SHOW_6800, "PHI2", "VMA", "jsr $e020"),
}


def memory_of(program: bytes) -> bytearray:
    memory = bytearray([0x12 if program is ADD_AND_SHOW_6809 else 0x01]) * 0x10000  # NOP
    memory[0xE000 : 0xE000 + len(program)] = program
    memory[0xE030:0xE038] = bytes(range(3, 11))
    for vector in range(0xFFF2, 0x10000, 2):
        memory[vector : vector + 2] = b"\xe0\x00"
    return memory


def write(
    folder: Path,
    family: str,
    status: bool,
    through: Callable[[int, int], int] = lambda address, byte: byte,
    probe: Callable[[int, int, int], int] = lambda row, address, byte: byte,
) -> tuple[str, ...]:
    """A machine file, its reference and a capture; the command that explains it.

    Args:
        folder: Where to.
        family: 6809 or 6800.
        status: BS or VMA is probed.
        through: What the board does to a byte that is read.
        probe: What the probe shows of a byte in a row.
    """
    model, program, clock, lead, _ = FAMILIES[family]
    board = model.Board(memory_of(program), status, through)
    board.reset()
    while len(board.starts) < 400:
        board.legalise()
        board.step()
    (folder / "u2.bin").write_bytes(memory_of(program)[0xE000:])
    (folder / "machine.toml").write_text(MACHINE.format(recipe=family, clock=clock))
    with (folder / "capture.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["ADDR", "DATA", "R/W", *([lead] if status else [])])
        for row, (kind, address, byte) in enumerate(board.rows):
            level = int(kind != "idle") if lead == "VMA" else int(row < 2)
            shown = probe(row, address, byte)
            writer.writerow(
                [f"{address:04X}", f"{shown:02X}", int(kind != "write"), *([level] if status else [])]
            )
    return ("explain", str(folder / "machine.toml"), str(folder / "capture.csv"), "--point", "clocked")


def explained(capsys: pytest.CaptureFixture[str], command: tuple[str, ...]) -> tuple[int, dict[str, Any]]:
    code = main([*command, "--json"])
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return code, found


each_family = pytest.mark.parametrize("family", FAMILIES)
each_status = pytest.mark.parametrize("status", [True, False])


@each_family
@each_status
def test_a_faded_cell(tmp_path: Path, capsys: pytest.CaptureFixture[str], family: str, status: bool) -> None:
    """JSR (BD) is read as a comparison (BC): the subroutine is never called."""
    command = write(tmp_path, family, status, through=lambda at, byte: byte & 0xFE if at == 0xE011 else byte)
    code, found = explained(capsys, command)
    evidence = found["evidence"]
    assert (code, evidence["acted_on"], evidence["chips"]) == (1, "wrong word", ["U2"])
    assert evidence["expected"]["leads_to"] == ["E020"]
    assert evidence["expected"]["text"] == FAMILIES[family][4]
    assert evidence["seen"]["text"].startswith(("cmpx", "cpx"))
    assert found["consequence"][0]["event"] == "entry"
    assert main([*command]) == 1
    assert "It acted on the wrong word" in capsys.readouterr().out


@each_family
@each_status
def test_a_probe_that_lies(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], family: str, status: bool
) -> None:
    command = write(
        tmp_path, family, status, probe=lambda row, at, byte: byte & 0xFE if at == 0xE011 else byte
    )
    code, found = explained(capsys, command)
    evidence = found["evidence"]
    assert (code, evidence["acted_on"], evidence["went_to"]) == (1, "right word", "E020")


@each_family
def test_a_sound_machine_and_its_loop(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], family: str
) -> None:
    command = write(tmp_path, family, True)
    code, found = explained(capsys, command)
    assert (code, found["evidence"]) == (0, None)


@each_family
@each_status
@pytest.mark.parametrize(("lies", "acted"), [(False, "wrong word"), (True, "right word")])
@pytest.mark.parametrize("upper", [True, False])
def test_a_wrong_reset_vector(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    family: str,
    status: bool,
    lies: bool,
    acted: str,
    upper: bool,
) -> None:
    """E000 is read as E007 or E006, where CLRA stands, or as F000 (NOPs): did the program begin there?"""
    wrong = 0xF0 if upper else 7 if family == "6809" else 6
    place = 0xFFFE if upper else 0xFFFF

    def board(at: int, byte: int) -> int:
        return wrong if at == place and not lies else byte

    def probe(row: int, at: int, byte: int) -> int:
        return wrong if row == (not upper) and lies else byte

    _, found = explained(capsys, write(tmp_path, family, status, board, probe))
    assert (found["evidence"]["cycle"], found["evidence"]["acted_on"]) == (int(not upper), acted)
