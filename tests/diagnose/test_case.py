"""Case folders: what is read, and every mistake with its remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from wrongbit.compare.build import build_memory_map
from wrongbit.demo.machines import machine_named
from wrongbit.diagnose.case import machine_file_of, read_case
from wrongbit.diagnose.hand import Measurement
from wrongbit.diagnose.structure import Structure
from wrongbit.errors import InputError
from wrongbit.machine.load import load_machine

GOOD = """
[[capture]]
point = "u1-cycles"
file = "u1.csv"

[[measurement]]
kind = "continuity"
part = "X4"
line = "D5"
outcome = "open"
note = "all others 0.2 ohm"

[[reading]]
chip = "U5"
file = "u5.bin"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, data in machine_named("fellgate").build().files.items():
        (tmp_path / ("machine.toml" if name == "fellgate.toml" else name)).write_bytes(data)
    (tmp_path / "u1.csv").write_text("No;Address;Data;Status\n")
    (tmp_path / "case.toml").write_text(GOOD)
    return tmp_path


def read(folder: Path) -> tuple[Measurement, ...]:
    machine = load_machine(machine_file_of(folder))
    maps = [build_memory_map(machine, each, folder) for each in machine.processor]
    return read_case(folder, Structure(machine), lambda: maps).measurements


def test_a_good_case(folder: Path) -> None:
    found, reading = read(folder)
    assert (found.kind, found.part, found.carries, found.line, found.outcome) == (
        "continuity",
        "X4",
        "data",
        5,
        "open",
    )
    assert (reading.kind, reading.part, reading.outcome) == ("reading", "U5", "good")


def test_a_reading_with_one_wrong_bit_is_bad(folder: Path) -> None:
    data = bytearray((folder / "u5.bin").read_bytes())
    data[100] ^= 4
    (folder / "read.bin").write_bytes(data)
    (folder / "case.toml").write_text(GOOD.replace("u5.bin", "read.bin"))
    (*_, reading) = read(folder)
    assert reading.outcome == "bad" and reading.note.startswith("1 of 16384 bits")


@pytest.mark.parametrize(
    ("good", "bad", "key", "said"),
    [
        ("u1-cycles", "u1-cycle", "capture[0].point", "Did you mean 'u1-cycles'?"),
        ("u1.csv", "u2.csv", "capture[0].file", "no file 'u2.csv'"),
        ('point = "u1-cycles"\n', "", "capture[0].point", "is missing"),
        ("continuity", "continuty", "measurement[0].kind", "Did you mean 'continuity'?"),
        ('part = "X4"', 'part = "X9"', "measurement[0].part", "no part 'X9'"),
        ('outcome = "open"', 'outcome = "opened"', "measurement[0].outcome", "Did you mean 'open'?"),
        ('line = "D5"', 'line = "five"', "measurement[0].line", "Write it as D5"),
        ('line = "D5"', "line = 5", "measurement[0].line", "text is expected"),
        ("note =", "remark =", "measurement[0].remark", "no key 'remark'"),
        ('chip = "U5"', 'chip = "U6"', "reading[0].chip", "no ROM 'U6'"),
        ("[[capture]]", "[capture]", "capture", "Write the header as [[capture]]"),
        ("[[reading]]", "[[readings]]", "readings", "Did you mean 'reading'?"),
    ],
)
def test_mistakes(folder: Path, good: str, bad: str, key: str, said: str) -> None:
    assert good in GOOD
    (folder / "case.toml").write_text(GOOD.replace(good, bad, 1))
    with pytest.raises(InputError) as caught:
        read(folder)
    assert caught.value.key == key
    assert said in f"{caught.value.message} {caught.value.remedy}"
    assert caught.value.file == str(folder / "case.toml")


def test_missing_folder_files_and_bad_toml(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        read(tmp_path / "nowhere")
    (folder / "case.toml").write_text("[[capture]\n")
    with pytest.raises(InputError, match="not valid TOML") as caught:
        read(folder)
    assert caught.value.line == 1
    (folder / "case.toml").unlink()
    with pytest.raises(InputError, match=r"no case\.toml"):
        read(folder)
    (folder / "case.toml").write_text("")
    (folder / "machine.toml").unlink()
    with pytest.raises(InputError, match="no machine file"):
        read(folder)
