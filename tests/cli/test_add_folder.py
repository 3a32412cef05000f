"""A folder in a file's place, and a file in a folder's."""

from __future__ import annotations

from pathlib import Path

import pytest

from wrongbit.case.folder import Case
from wrongbit.cli.main import main
from wrongbit.demo.case import write_case


@pytest.fixture
def loom(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty case, and the folder that it lies in as the working folder."""
    demo = write_case(tmp_path / "files", "fellgate", cycles=100)
    files = {path.name: path.read_bytes() for path in demo.images}
    Case.create(tmp_path / "loom", {"machine.toml": demo.machine_file.read_bytes(), **files}).close()
    monkeypatch.chdir(tmp_path)
    return tmp_path / "loom"


@pytest.mark.parametrize(
    "words",
    [
        ("capture", "bench files"),
        ("reading", "bench files", "--chip", "U5"),
        ("reference", "bench files", "--kind", "twin", "--chip", "U5"),
    ],
)
def test_a_folder_in_a_files_place(
    words: tuple[str, ...], loom: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It is told before the probe point is asked for."""
    Path("bench files").mkdir()
    assert main(["add", "loom", *words]) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert told == (
        "wrongbit: bench files: This is a folder, not a file. → Name the file in it that is meant."
    )


def test_a_file_in_a_folders_place(loom: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["add", "loom/machine.toml", "note", "x"]) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert "This is a file, not a case folder. → Name the folder that it lies in: loom." in told
