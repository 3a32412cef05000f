"""What ``wrongbit cycles`` says of levels that nobody saw."""

from __future__ import annotations

import json
from pathlib import Path

import polars
import pytest

from wrongbit.cli.main import main

MACHINE = """
[machine]
name = "Bare board"

[[processor]]
name = "U1"
word_bits = 8
address_bits = 16
recipe = "6502"

[[point]]
name = "screen"
mode = "cycles"
"""


@pytest.fixture
def words(tmp_path: Path) -> list[str]:
    """One cycle typed off a screen, the last digit of its address not legible."""
    machine, capture = tmp_path / "machine.toml", tmp_path / "screen.txt"
    machine.write_text(MACHINE)
    capture.write_text("C00? A9 read\n")
    return ["cycles", str(machine), str(capture)]


def test_an_address_digit_that_was_not_seen_is_no_zero(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "all.parquet"
    assert main([*words, "--json", "--table", str(table)]) == 0
    (row,) = json.loads(capsys.readouterr().out)["rows"]
    assert row["address"] == "C00?"
    (written,) = polars.read_parquet(table).to_dicts()
    assert (written["address"], written["address_known"]) == (0xC000, 0xFFF0)
    assert main(words) == 0
    assert "C00?" in capsys.readouterr().out


def test_a_table_of_another_kind_is_refused_before_the_capture_is_read(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words[-1] = str(tmp_path / "not-there.csv")
    assert main([*words, "--table", str(tmp_path / "all.xyz")]) == 2
    assert "neither .csv nor .parquet" in capsys.readouterr().err
