"""Beginning a case: every template, nothing written over, and the case that follows from it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from wrongbit.cli.main import main
from wrongbit.machine.load import load_machine
from wrongbit.machine.templates import template_names


@pytest.mark.parametrize("name", template_names())
def test_every_template_begins_a_case(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "a new case"
    assert main(["new", str(folder), "--template", name]) == 0
    assert "wrongbit check" in capsys.readouterr().out
    assert load_machine(folder / "machine.toml", require_files=False).processor
    before = (folder / "machine.toml").read_bytes()
    assert main(["new", str(folder), "--template", name]) == 2
    assert "is there already" in capsys.readouterr().err
    assert (folder / "machine.toml").read_bytes() == before


def test_the_list_and_mistakes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", "--list", "--json"]) == 0
    assert set(json.loads(capsys.readouterr().out)) == set(template_names())
    assert main(["new", str(tmp_path / "x")]) == 2
    assert "--template" in capsys.readouterr().err
    assert main(["new", str(tmp_path / "x"), "--template", "6052"]) == 2
    assert "6502" in capsys.readouterr().err
    assert not (tmp_path / "x").exists()
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert main(["new", str(tmp_path / "file"), "--template", "z80"]) == 2
