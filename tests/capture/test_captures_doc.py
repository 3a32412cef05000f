"""`docs/captures.md` says what the code does: its tables and examples are checked here."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from wrongbit.capture.columns import target_of
from wrongbit.capture.formats import read_cycle_rows
from wrongbit.capture.formats._cells import KIND_TEXTS, LEVELS, UNKNOWN
from wrongbit.capture.formats.cycle_rows import COLUMN_NAMES
from wrongbit.machine.model import Point

TEXT = (Path(__file__).parents[2] / "docs" / "captures.md").read_text()


@pytest.mark.parametrize("kind", sorted(set(KIND_TEXTS.values())))
def test_every_status_text_is_listed(kind: str) -> None:
    row = re.search(rf"^\| `{kind}` \| (.*) \|$", TEXT, re.MULTILINE)
    assert row is not None
    assert set(row[1].split(", ")) == {text for text, meaning in KIND_TEXTS.items() if meaning == kind}


@pytest.mark.parametrize("role", COLUMN_NAMES)
def test_every_known_heading_is_listed(role: str) -> None:
    row = re.search(rf"^\| `{role}` \| [^|]* \| (.*) \|$", TEXT, re.MULTILINE)
    assert row is not None
    assert tuple(row[1].split(", ")) == COLUMN_NAMES[role]


def test_every_level_is_listed() -> None:
    paragraph = re.search(r"- A \*\*level\*\*.*?not known\.", TEXT, re.DOTALL)
    assert paragraph is not None
    listed = {text.lower() for text in re.findall(r"`([^`]+)`", paragraph[0])}
    assert listed == LEVELS.keys() - {""}
    assert LEVELS[""] == UNKNOWN


def test_the_spellings_of_a_bit_and_of_a_part_mean_what_is_said() -> None:
    rows = {
        row[-1]: re.findall(r"`([^`]+)`", row[0])
        for row in re.findall(r"^\| (`.*) \| (.*) \|$", TEXT, re.MULTILINE)
    }
    widths = {"A": 16, "RD": 1}
    bit = next(names for meaning, names in rows.items() if meaning.startswith("bit 3 of the bus A"))
    part = next(names for meaning, names in rows.items() if meaning.startswith("these bits"))
    wire = next(names for meaning, names in rows.items() if meaning.startswith("the signal RD"))
    assert {target_of(name, widths).name for name in bit} == {"A3"}
    assert {target_of(name, widths).bits for name in part} == {tuple(range(8, 16))}
    assert {target_of(name, widths).name for name in wire} == {"RD"}


def test_the_example_of_a_probe_point_is_one() -> None:
    block = re.search(r"```toml\n(.*?)```", TEXT, re.DOTALL)
    assert block is not None
    (table,) = tomllib.loads(block[1])["point"]
    assert Point.model_validate(table).columns["pod 2"] == "D[7:0]"


def test_the_example_of_typed_text_can_be_read(tmp_path: Path) -> None:
    block = re.search(r"```\n(; first pass.*?)```", TEXT, re.DOTALL)
    assert block is not None
    path = tmp_path / "typed.txt"
    path.write_text(block[1])
    rows = read_cycle_rows(path, Point(name="screen", mode="cycles"), {"address": 16, "word": 8})
    assert rows.word.tolist() == [0x00, 0xC0, 0xA0]
