"""Beginning a case: every template, nothing written over, and the case that follows from it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from wrongbit.case.folder import Case
from wrongbit.cli.main import main
from wrongbit.demo.machines import machine_named
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
    with Case.open(folder) as case:
        assert case.verify() == () and len(case.entries()) == 1


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
    assert main(["new", str(tmp_path / "x"), "--template", "z80", "--machine", "a.toml"]) == 2
    assert not (tmp_path / "x").exists()


def test_things_that_are_there_stay(tmp_path: Path) -> None:
    (tmp_path / "kiln").mkdir()
    (tmp_path / "kiln" / "u4.bin").write_bytes(b"first")
    assert main(["new", str(tmp_path / "kiln"), "--template", "z80"]) == 0
    assert (tmp_path / "kiln" / "u4.bin").read_bytes() == b"first"
    assert [each.name for each in tmp_path.iterdir()] == ["kiln"]


@pytest.fixture
def described(tmp_path: Path) -> Path:
    """A machine file with its images, not in a case."""
    folder = tmp_path / "described"
    folder.mkdir()
    for name, data in machine_named("fellgate").build().files.items():
        (folder / name).write_bytes(data)
    return folder / "fellgate.toml"


def test_a_case_from_a_machine_file(
    described: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", str(tmp_path / "loom"), "--machine", str(described)]) == 0
    assert "Then:" in capsys.readouterr().out
    machine = load_machine(tmp_path / "loom" / "machine.toml")  # with its images
    for chip in machine.chip:
        if chip.image is not None:
            copied = (tmp_path / "loom" / chip.image.file).read_bytes()
            assert copied == (described.parent / chip.image.file).read_bytes()
    assert (tmp_path / "loom" / "machine.toml").read_bytes() == described.read_bytes()


def test_images_in_folders_and_missing_ones(
    described: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (described.parent / "roms").mkdir()
    (described.parent / "u5.bin").rename(described.parent / "roms" / "u5.bin")
    (described.parent / "u4.s19").unlink()
    described.write_text(described.read_text("utf-8").replace('"u5.bin"', '"roms/u5.bin"'), encoding="utf-8")
    assert main(["new", str(tmp_path / "loom"), "--machine", str(described), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert any("u4.s19 is named, but not there" in each for each in told["notes"])
    assert (tmp_path / "loom" / "roms" / "u5.bin").is_file()


@pytest.mark.parametrize("name", ["../u5.bin", "/etc/hostname", "roms/../../u5.bin", "journal.sqlite"])
def test_files_that_cannot_lie_beside(
    name: str, described: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    described.write_text(described.read_text("utf-8").replace('"u5.bin"', f'"{name}"'), encoding="utf-8")
    assert main(["new", str(tmp_path / "loom"), "--machine", str(described)]) == 2
    assert name in capsys.readouterr().err
    assert not (tmp_path / "loom").exists()


def test_a_machine_file_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bad.toml").write_text("[machine", encoding="utf-8")
    for file in ("bad.toml", "nowhere.toml"):
        assert main(["new", str(tmp_path / "loom"), "--machine", str(tmp_path / file)]) == 2
        assert file in capsys.readouterr().err
    assert not (tmp_path / "loom").exists()
