"""The picture in the document is what the command draws."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from wrongbit.bringup import ladder, pulses, timer555
from wrongbit.cli.main import main
from wrongbit.demo.case import write_case

DOCS = Path(__file__).parents[2] / "docs"


def test_the_picture_is_the_command_s(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_case(tmp_path / "saltmarsh", "saltmarsh", "none", cycles=200)
    machine = str(tmp_path / "saltmarsh" / "saltmarsh.toml")
    assert main(["standin", machine, "--input", "/TICK", "--folder", str(tmp_path / "tick")]) == 0
    drawn = (tmp_path / "tick" / "standin.svg").read_text("utf-8")
    assert drawn == (DOCS / "pictures" / "standin.svg").read_text("utf-8"), "copy tick/standin.svg there"


def test_figures_in_the_text_are_those_of_the_code() -> None:
    text = (DOCS / "bring-up.md").read_text("utf-8")
    assert f"| smallest resistor | {timer555.SMALLEST_RESISTOR / 1e3:g} kΩ |" in text
    assert f"| R1 + R2 | {timer555.LARGEST_RESISTANCE / 1e6:g} MΩ |" in text
    assert f"| shortest interval | {timer555.SHORTEST_INTERVAL * 1e6:g} µs |" in text
    assert f"| highest frequency | {timer555.HIGHEST_FREQUENCY / 1e3:g} kHz |" in text
    parts = timer555.Tolerances()
    assert re.search(rf"thresholds \({100 * parts.timer:g} %\)", text)
    assert (pulses.SHORT, pulses.LONG, pulses.BRIEF) == (0.25, 1.5, 0.5)
    for limit in ladder.FAMILY_LEVELS["ttl"]:
        assert limit in " ".join(text.split())
