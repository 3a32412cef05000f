"""The worked case of ``docs/diagnosis.md`` is what the search prints; every kind of measurement is told."""

from __future__ import annotations

from pathlib import Path

import pytest
from rich.console import Console

import wrongbit.cli.demo_parts
import wrongbit.cli.suspected
from wrongbit.diagnose.hand import OUTCOMES

TEXT = (Path(__file__).parents[2] / "docs" / "diagnosis.md").read_text("utf-8")


def test_the_worked_case(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    console = Console(highlight=False, width=110, force_terminal=False)
    for module in (wrongbit.cli.demo_parts, wrongbit.cli.suspected):
        monkeypatch.setattr(module, "out", console)
    wrongbit.cli.demo_parts.run_walk(tmp_path)
    page = capsys.readouterr().out
    shown = page[page.index("1  Capture at") : page.index("What had been done")].rstrip()
    assert "\n".join(line.rstrip() for line in shown.splitlines()) in TEXT


def test_every_kind_of_measurement() -> None:
    for kind, outcomes in OUTCOMES.items():
        assert f"| `{kind}` | {', '.join(outcomes)} |" in TEXT
