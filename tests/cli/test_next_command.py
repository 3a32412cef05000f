"""What diagnose and suspects name as the next command works when it is copied as it stands."""

from __future__ import annotations

import shlex
from pathlib import Path

import polars
import pytest

from wrongbit.cli.main import main
from wrongbit.demo.case import DemoCase, write_case


@pytest.fixture(scope="module")
def loom(tmp_path_factory: pytest.TempPathFactory) -> DemoCase:
    """A case whose name has to be quoted in a shell."""
    folder = tmp_path_factory.mktemp("loom") / "the loom's case"
    return write_case(folder, "fellgate", cycles=2000, points=["u1-timing"], whole=True)


def named(capsys: pytest.CaptureFixture[str], *words: str) -> list[str]:
    """The one command that a verb names, as a shell would take it apart."""
    capsys.readouterr()
    assert main(list(words)) in (0, 1)
    lines = [line.strip() for line in capsys.readouterr().out.splitlines()]
    commands = [shlex.split(line) for line in lines if line.startswith("wrongbit ")]
    assert len(commands) == 1
    assert any(line.startswith("Next, ") for line in lines)
    return commands[0][1:]


def works(capsys: pytest.CaptureFixture[str], command: list[str]) -> None:
    capsys.readouterr()
    assert main(command) in (0, 1)
    told = capsys.readouterr()
    assert told.out.strip() and not told.err.startswith("wrongbit:")


def test_of_a_case_the_parts_are_weighed_and_then_measured(
    loom: DemoCase, capsys: pytest.CaptureFixture[str]
) -> None:
    command = named(capsys, "diagnose", str(loom.folder))
    assert command == ["suspects", str(loom.folder)]
    after = named(capsys, *command)
    assert after == ["next", str(loom.folder)]
    works(capsys, after)


def test_of_files_the_wrong_word_is_explained(loom: DemoCase, capsys: pytest.CaptureFixture[str]) -> None:
    capture = loom.captures[0]
    command = named(capsys, "diagnose", str(loom.machine_file), str(capture.path), "--point", capture.point)
    assert command == ["explain", str(loom.machine_file), str(capture.path), "--point", capture.point]
    works(capsys, command)


def test_without_a_fault_the_cycles_are_looked_at(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = write_case(tmp_path, "quarrybank", "none", cycles=2000, points=["u1-cycles"])
    capture = case.captures[0]
    command = named(capsys, "diagnose", str(case.machine_file), str(capture.path), "--point", capture.point)
    assert command == ["cycles", str(case.machine_file), str(capture.path), "--point", capture.point]
    works(capsys, command)


def test_what_may_be_the_clips_is_looked_at_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A lead that is off its pin reads low in every word."""
    case = write_case(tmp_path / "kiln", "quarrybank", "none", cycles=6000, points=["u1-cycles"], whole=True)
    file = case.captures[0].path
    table = polars.read_csv(file, infer_schema=False)
    low = [f"{int(each, 16) & ~0x20:02X}" for each in table["DAT"]]
    table.with_columns(polars.Series("DAT", low)).write_csv(file)
    command = named(capsys, "diagnose", str(case.folder))
    assert command == ["leads", str(case.machine_file), str(file), "--point", "u1-cycles"]
