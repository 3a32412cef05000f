"""The document of the reading room says what the code does."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from wrongbit.cli.main import main
from wrongbit.cli.show import out
from wrongbit.reading.advice import ADVICE
from wrongbit.reading.conditions import KEYS, load_conditions

TEXT = (Path(__file__).parents[2] / "docs" / "readings.md").read_text(encoding="utf-8")

MACHINE = """\
[machine]
name = "Cinderpath signal box"
invented = true

[[processor]]
name = "U1"
word_bits = 8
address_bits = 16
recipe = "6502"

[[chip]]
name = "U4"
kind = "rom"
type = "mask ROM 1024 x 8"
words = 1024
bits = 8
region = [{ base = 0xFC00, size = 1024 }]
lane = "0..7"
rows = "5..9"
columns = "0..4"
image = { file = "u4.bin", format = "binary" }
"""


def test_every_family_has_its_row() -> None:
    for family in ADVICE:
        assert f"`{family}`" in TEXT, family


def test_the_table_of_conditions_can_be_read(tmp_path: Path) -> None:
    block = TEXT.split("      [[reading]]")[1].split("\n\n")[0]
    (tmp_path / "readings.toml").write_text("[[reading]]" + block)
    (found,) = load_conditions(tmp_path / "readings.toml").values()
    assert (found.voltage_mv, found.temperature_c, found.speed_ns) == (4750, 22, 450)
    assert all(f"{key} = " in block for key in KEYS)


def made_up(folder: Path) -> list[str]:
    """The example's files: made-up words, and a column of D3 that reads 0 in two passes of five."""
    draw = np.random.default_rng(1942)
    truth = (draw.exponential(50, 1024).astype(np.int64) & 255).astype(np.uint8)
    (folder / "cinderpath.toml").write_text(MACHINE)
    (folder / "u4.bin").write_bytes(truth.tobytes())
    names = []
    for number in range(1, 6):
        weak = (np.arange(1024) & 31 == 0x13) & (draw.random(1024) < 0.4)
        name = f"pass-{number}.bin"
        (folder / name).write_bytes((truth & ~np.where(weak, np.uint8(8), np.uint8(0))).tobytes())
        names.append(name)
    return names


def test_the_example_is_what_the_command_prints(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    names = made_up(tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(out, "width", 100)
    assert main(["chip", "cinderpath.toml", "U4", *names]) == 1
    page = "\n".join(line.rstrip() for line in capsys.readouterr().out.strip().splitlines())
    example = TEXT.split("```\n$ wrongbit chip")[1].split("\n", 1)[1].split("\n```")[0]
    # How many faults there are to weigh is the faults' own affair.
    count = re.compile(r"[0-9]+ faults and pairs")
    assert count.sub("", page) == count.sub("", example)
