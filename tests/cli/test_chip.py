"""``wrongbit chip`` as a person runs it: exit codes, the page, JSON, the picture, and what goes wrong."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from reading.damage import Bench, Bytes, system_rom
from wrongbit.cli.main import main
from wrongbit.cli.show import out

pytestmark = pytest.mark.debian

MACHINE = """\
[machine]
name = "Cinderpath signal box"
invented = true

[[processor]]
name = "U1"
word_bits = 8
address_bits = 16
recipe = "z80"

[[chip]]
name = "U2"
kind = "rom"
type = "EPROM 8192 x 8"
words = 8192
bits = 8
region = [{ base = 0x0000, size = 8192 }]
lane = "0..7"
rows = "5..12"
columns = "0..4"
image = { file = "u2.bin", format = "binary" }

[[chip]]
name = "U3"
kind = "rom"
words = 8192
bits = 8
region = [{ base = 0x2000, size = 8192 }]
lane = "0..7"
image = { file = "u3.bin", format = "binary" }

[[chip]]
name = "U5"
kind = "ram"
words = 2048
bits = 8
region = [{ base = 0x8000, size = 2048 }]
lane = "0..7"
"""

ADDRESS = np.arange(8192)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A case's folder, with the machine file and both references in it, as the working folder."""
    (tmp_path / "machine.toml").write_text(MACHINE)
    (tmp_path / "u2.bin").write_bytes(system_rom().tobytes())
    (tmp_path / "u3.bin").write_bytes(system_rom(8192, 0x8000).tobytes())
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(out, "width", 220)
    return tmp_path


def save(folder: Path, name: str, data: Bytes) -> str:
    (folder / name).write_bytes(data.tobytes())
    return name


def run(*arguments: str) -> int:
    return main(["chip", "machine.toml", *arguments])


def test_a_sound_chip_is_fine(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    names = [save(folder, f"{number}.bin", system_rom()) for number in range(3)]
    assert run("U2", *names) == 0
    page = capsys.readouterr().out
    assert "All 3 passes are the same, bit for bit" in page
    assert "No fault seen." in page
    assert "Chip map" not in page


def test_a_dead_row_is_a_row_on_the_map(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    dead = np.where(ADDRESS >> 5 == 43, np.uint8(0), system_rom())
    assert run("U2", save(folder, "1.bin", dead), save(folder, "2.bin", dead), "--picture", "map.svg") == 1
    page = capsys.readouterr().out
    assert "is dead: all its cells read 0" in page
    rows = [line.split() for line in page.splitlines() if line.endswith(("·", "×")) and "good" not in line]
    assert len(rows) == 32
    # Row 43 of 256, eight rows to a line of the map.
    assert [row[0] for row in rows if any("×" in block for block in row)] == ["40"]
    assert "Row 43 (" in page
    root = ElementTree.parse(folder / "map.svg").getroot()
    assert root.tag == "{http://www.w3.org/2000/svg}svg"


def test_a_dead_row_of_lines_in_the_middle_needs_no_declared_rows(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Address lines A4 to A11 choose the row, which the machine file does not say of U3; one cell wavers."""
    sound = system_rom(8192, 0x8000)
    dead = np.where(ADDRESS >> 4 & 0xFF == 0x2B, np.uint8(0xFF), sound)
    weak = dead.copy()
    weak[0x6C3] ^= 0x40
    names = [
        save(folder, f"{number}.bin", data) for number, data in enumerate([dead, weak, dead, dead, weak])
    ]
    assert run("U3", *names, "--json") == 1
    patterns = json.loads(capsys.readouterr().out)["reference"]["patterns"]
    assert patterns[0]["model"].split(" + ")[0] == "dead row"
    assert "Row 43 (A11 A10 A9 A8 A7 A6 A5 A4 = 00101011) of U3 is dead" in patterns[0]["says"]
    assert patterns[0]["probability"] > 0.99


def test_json_says_the_same(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    faded = system_rom() | ((np.random.default_rng(1).random(8192) < 0.01) * np.uint8(0x04))
    (folder / "readings.toml").write_text('[[reading]]\nfile = "1.bin"\nvoltage = "5.25 V"\n')
    names = [save(folder, f"{number}.bin", faded) for number in range(1, 4)]
    assert run("U2", *names, "--json") == 1
    told = json.loads(capsys.readouterr().out)
    assert told["passes"][0]["conditions"]["voltage_mv"] == 5250
    assert told["reference"]["patterns"][0]["model"] == "lost charge"
    assert told["reference"]["read_as_one"] == told["reference"]["wrong_bits"] > 0
    assert told["array"]["rows"] == [5, 6, 7, 8, 9, 10, 11, 12]


def test_without_a_reference_the_contents_speak(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "u2.bin").unlink()
    name = save(folder, "1.bin", system_rom()[ADDRESS & ~0x80])
    assert run("U2", name, "--no-reference") == 1
    page = capsys.readouterr().out
    assert "There is no reference" in page
    assert "Address line A7 changes nothing" in page
    good = save(folder, "2.bin", system_rom())
    assert run("U2", good, good, "--no-reference") == 0
    assert "Nothing suspicious" in capsys.readouterr().out


def test_a_twin_takes_the_references_place(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    twin = save(folder, "twin.bin", system_rom())
    stuck = save(folder, "1.bin", system_rom() & np.uint8(0xEF))
    assert run("U2", stuck, "--no-reference", "--twin", twin) == 1
    page = capsys.readouterr().out
    assert "words differ from twin.bin" in page
    assert "D4" in page.split("What would make one of the other")[1]
    assert run("U2", twin, "--twin", twin) == 0
    assert "The twin itself agrees with the reference" in capsys.readouterr().out


def test_a_chip_in_the_wrong_socket_is_named(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("U2", "u3.bin") == 1
    assert "belongs to U3, not to U2" in capsys.readouterr().out


def test_wavering_cells_show_as_such(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def weak(at: np.ndarray, word: Bytes, draw: np.random.Generator) -> Bytes:
        return word | ((at & 31 == 7) & (draw.random(len(at)) < 0.3)) * np.uint8(0x10)

    bench = Bench(system_rom(), read=weak)
    names = [save(folder, f"{number}.bin", bench.once()) for number in range(6)]
    assert run("U2", *names) == 1
    page = capsys.readouterr().out
    assert "~" in page
    assert "Column" in page
    assert "D4" in page.split("What explains it")[1]


@pytest.mark.parametrize(
    ("arguments", "message", "remedy"),
    [
        (["U9", "1.bin"], "has no chip 'U9'", "Its ROMs are: U2, U3"),
        (["U5", "1.bin"], "U5 is RAM", "U2, U3"),
        (["U2", "absent.bin"], "there is no such file", "Check the name"),
        (["U2", "short.bin"], "8191 words; the chip has 8192", "read it again"),
        (["U2", "double.bin"], "16384 words; the chip has 8192", "Set the reader"),
        (["U2", "empty.bin"], "empty", ""),
        (["U2", "1.bin", "--noise", "0.7"], "noise rate is 0.7", "above 0 and below 0.5"),
        (["U2", "1.bin", "--picture", "map.png"], "does not end in .svg", ""),
        (["U2", "1.bin", "--picture", "no/map.svg"], "cannot be written", ""),
        (["U2", "1.bin", "--twin", "short.bin"], "8191 words", ""),
        (["U2", "1.bin", "--conditions", "no.toml"], "cannot be opened", ""),
    ],
)
def test_a_mistake_is_told_with_its_remedy(
    folder: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], message: str, remedy: str
) -> None:
    save(folder, "1.bin", system_rom())
    save(folder, "short.bin", system_rom()[:-1])
    save(folder, "double.bin", np.tile(system_rom(), 2))
    (folder / "empty.bin").write_bytes(b"")
    before = sorted(folder.iterdir())
    assert run(*arguments) == 2
    said = capsys.readouterr().err
    assert message in said
    assert remedy in said
    assert "Traceback" not in said
    assert sorted(folder.iterdir()) == before
