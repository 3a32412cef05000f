"""The chip stage of the demo: the walk ends at the truth or says that it did not get there.

Outside checks: intelhex and bincopy read the programmer's files; the truth is the assembled program's. The
simulator of readings shares nothing with the examination of readings, so that each names the other's faults.
"""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import bincopy
import numpy as np
import pytest
from intelhex import IntelHex  # type: ignore[import-untyped]

from wrongbit.cli.demo_chip import wrapped
from wrongbit.cli.main import main
from wrongbit.demo.machines import machine_named

TRUTH = machine_named("quarrybank").board.chip("U3").contents.astype(np.uint8).tobytes()


def demo(*arguments: str) -> int:
    return main(["demo", "--stage", "chip", *arguments])


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("walk")
    assert demo("--machine", "quarrybank", "--folder", str(folder)) == 0
    return folder


def test_the_programmers_files_are_the_truth(walked: Path) -> None:
    assert (walked / "u3-rebuilt.bin").read_bytes() == TRUTH
    assert (walked / "programmer" / "U3.bin").read_bytes() == TRUTH
    image = IntelHex(str(walked / "programmer" / "U3.hex"))
    assert bytes(image.tobinarray(start=0, size=8192)) == TRUTH
    records = bincopy.BinFile()
    records.add_srec((walked / "programmer" / "U3.srec").read_text())
    assert bytes(records.as_binary()) == TRUTH
    assert (walked / "replacement" / "drawing.svg").exists()


def test_the_page_tells_the_way_and_checks_its_end(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert demo("--folder", str(tmp_path)) == 0
    page = capsys.readouterr().out
    commands = [shlex.split(line)[1] for line in commands_of(page)]
    assert commands == ["chip", "rebuild", "fit", "files"]
    assert page.count("equal, bit for bit") == 4
    assert "not the truth" not in page
    assert "U3 has lost charge" in page
    assert "1 solution" in page


def commands_of(page: str) -> list[str]:
    return [
        found.replace("\\\n", " ")
        for found in re.findall(r"^\$ (wrongbit (?:[^\n]*\\\n)*[^\n]*)$", page, re.MULTILINE)
    ]


def test_what_is_shown_can_be_typed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    demo("--folder", str(tmp_path))
    page = capsys.readouterr().out
    (tmp_path / "u3-rebuilt.bin").unlink()
    monkeypatch.chdir(tmp_path)
    assert [main(shlex.split(line)[1:]) for line in commands_of(page)] == [1, 0, 0, 0]
    assert (tmp_path / "u3-rebuilt.bin").read_bytes() == TRUTH


@pytest.mark.parametrize("seed", [2, 3, 6, 14])
def test_with_other_chances_it_is_the_truth_or_a_refusal(
    seed: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = demo("--folder", str(tmp_path), "--seed", str(seed))
    page = capsys.readouterr().out
    rebuilt = tmp_path / "u3-rebuilt.bin"
    if code == 0:
        assert rebuilt.read_bytes() == TRUTH
    else:
        assert code == 1
        assert not rebuilt.exists()
        assert not (tmp_path / "programmer").exists()
        assert "cannot be rebuilt as a whole" in page


def test_a_file_of_an_earlier_walk_does_not_count(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "u3-rebuilt.bin").write_bytes(TRUTH)

    def refuse(arguments: list[str]) -> int:
        return 1

    monkeypatch.setattr("wrongbit.cli.demo_chip.main", refuse)
    assert demo("--folder", str(tmp_path)) == 1
    assert "equal" not in capsys.readouterr().out


def test_wrong_contents_would_be_seen(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def spoil(arguments: list[str]) -> int:
        code = main(arguments)
        if arguments[0] == "rebuild":
            data = bytearray(TRUTH)
            data[6400] ^= 1  # where the torn printout says nothing, so that it is not refused
            (tmp_path / "u3-rebuilt.bin").write_bytes(data)
        return code

    monkeypatch.setattr("wrongbit.cli.demo_chip.main", spoil)
    assert demo("--folder", str(tmp_path)) == 1
    assert capsys.readouterr().out.count("not the truth") == 4


def test_contents_that_the_printout_contradicts_are_not_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def spoil(arguments: list[str]) -> int:
        code = main(arguments)
        if arguments[0] == "rebuild":
            data = bytearray(TRUTH)
            data[100] ^= 1
            (tmp_path / "u3-rebuilt.bin").write_bytes(data)
        return code

    monkeypatch.setattr("wrongbit.cli.demo_chip.main", spoil)
    assert demo("--folder", str(tmp_path)) == 2
    assert "is not what U3 should hold: 1 of" in " ".join(capsys.readouterr().err.split())


def test_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert demo("--folder", str(tmp_path), "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["put_in"]["chip"] == "U3"
    assert [step["exit_code"] for step in told["steps"]] == [1, 0, 0, 0]
    assert told["steps"][0]["result"]["reference"]["patterns"][0]["model"] == "lost charge"
    assert told["bits"] == 65536
    assert set(told["wrong_bits"].values()) == {0}
    assert len(told["wrong_bits"]) == 4
    assert min(told["wrong_bits_of_passes"].values()) > 100


@pytest.mark.parametrize("stage", ["board", "chip"])
def test_files_only(stage: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "case"
    assert main(["demo", "--stage", stage, "--folder", str(folder), "--files-only"]) == 0
    page = capsys.readouterr().out
    written = sorted(path.name for path in folder.iterdir())
    assert all(name in page for name in written)
    assert "had been done" not in page
    assert main(["demo", "--stage", stage, "--folder", str(folder), "--files-only", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert sorted(told["files"]) == written
    assert all(command.startswith("wrongbit ") for command in told["commands"])


def test_each_fault_has_a_folder_of_its_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    demo("--files-only")
    demo("--files-only", "--fault", "mirrored")
    assert (tmp_path / "demo" / "quarrybank-chip-mirrored" / "u3.bin").read_bytes() == TRUTH
    assert not (tmp_path / "demo" / "quarrybank-chip" / "u3.bin").exists()


FOUND_AS = {
    "none": set(),
    "blank": {"blank chip", "chip silent"},
    "stuck-output": {"output stuck", "data line stuck"},
    "bent-output": {"output open", "output stuck", "data line open"},
    "bent-address": {"chip address line open"},
    "touching-outputs": {"outputs bridged"},
    "dirty-contact": {"contact comes and goes", "output open", "output stuck"},
    "swapped-lines": {"chip address lines swapped"},
    "mirrored": {"wrong device size"},
    "half-filled": {"part not read"},
    "exchanged-halves": {"parts exchanged"},
    "too-fast": {"read too fast"},
    "other-chip": {"another chip"},
    "dead-row": {"dead row"},
    "weak-column": {"weak column"},
}


@pytest.mark.parametrize("trouble", FOUND_AS)
def test_each_fault_of_a_chip_in_a_reader_is_named(
    trouble: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert demo("--fault", trouble, "--folder", str(tmp_path), "--json") == 0
    (step,) = json.loads(capsys.readouterr().out)["steps"]
    assert step["exit_code"] == int(trouble != "none")
    reference = step["result"]["reference"]
    if trouble != "none":
        assert reference["patterns"][0]["model"] in FOUND_AS[trouble]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--fault", "warn"], "is called 'warn'"),
        (["--machine", "nowhere"], "'nowhere'"),
        (["--machine", "fellgate", "--fault", "worn"], "could prove"),
        (["--point", "u1-state"], "no probe points"),
        (["--seed", "-1"], "--seed"),
    ],
)
def test_a_mistake_is_told(
    arguments: list[str], message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert demo("--folder", str(tmp_path / "x"), *arguments) == 2
    assert message in capsys.readouterr().err
    assert not (tmp_path / "x").exists()


def test_an_unknown_stage(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--stage", "chap", "--folder", str(tmp_path / "x")]) == 2
    assert "Choose board, parts or chip" in capsys.readouterr().err


def test_a_long_command_goes_on_in_the_next_line() -> None:
    arguments = ("rebuild", *(part for n in range(20) for part in ("--reading", f"a file {n}.bin")))
    shown = wrapped(arguments)
    assert max(len(line) for line in shown.splitlines()) <= 78
    assert tuple(shlex.split(shown.replace("\\\n", " "))) == ("wrongbit", *arguments)
