"""``wrongbit suspects`` and ``wrongbit next`` on a case folder, and the search that the demo shows."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from wrongbit.cli.demo_parts import run_walk, walk
from wrongbit.cli.main import main
from wrongbit.demo.case import write_case


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The whole search: its last state is the folder."""
    folder = tmp_path_factory.mktemp("hollowmere")
    assert [step.number for step in walk(folder)][-1] <= 6
    return folder


def test_the_search_goes_from_many_suspects_to_the_true_part(tmp_path: Path) -> None:
    steps = list(walk(tmp_path))
    first = [each for each in steps[0].weighing.suspects() if each.share >= 0.002]
    assert len(first) == 12  # the worked case of docs/diagnosis.md
    assert len(steps) == 5 and steps[-1].weighing.top() == ("J0",)
    assert all(step.proposal is not None and step.proposal.gain > 0 for step in steps[1:])


def test_the_search_is_told_step_by_step(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run_walk(tmp_path) == 0
    page = capsys.readouterr().out
    assert page.count("why: ") == 5 and page.count("found: ") == 5
    assert page.index("caution:") < page.index("Capture at u1-cycles")
    assert "→ It is J0: D5 is open." in page
    assert "D5 is open in J0 (data)." in page
    assert (tmp_path / "board.svg").read_text().startswith("<svg")


def test_suspects(case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["suspects", str(case), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["top"] == ["J0"] and told["suspects"][0]["part"] == "J0"
    assert sum(each["share"] for each in told["suspects"]) == pytest.approx(1)
    assert len(told["observations"]) == len(told["suspects"][0]["witnesses"])
    picture = tmp_path / "board.svg"
    assert main(["suspects", str(case), "--picture", str(picture)]) == 1
    page = capsys.readouterr().out
    assert "What speaks for and against" in page and "→ It is J0" in page
    assert not re.search(r"[0-9]e\+|neither|nats", page) and re.search(r"for, \d+ to 1", page)
    spaced = tmp_path / "lift in the hall"
    shutil.copytree(case, spaced)
    assert main(["suspects", str(spaced)]) == 1
    page = capsys.readouterr().out
    # Nothing is left to measure: what remains is to write it down.
    assert f"  wrongbit report '{spaced}'\n" in page
    assert "doubt: hardly any, the first part is as good as certain" in page and " bits" not in page
    assert main(["report", str(spaced)]) in (0, 1)
    assert "J0" in picture.read_text()


def copy(case: Path, folder: Path) -> None:
    """What a person has written, without the journal that was begun beside it."""
    for file in case.iterdir():
        if file.is_file() and file.name not in ("journal.sqlite", "case-id.txt"):
            (folder / file.name).write_bytes(file.read_bytes())


def test_next(case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first = tmp_path / "first"
    first.mkdir()
    copy(case, first)
    (first / "case.toml").write_text('[[capture]]\npoint = "u1-cycles"\nfile = "u1-cycles.csv"\n')
    assert main(["next", str(first), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    best = told["next"][0]
    assert best["place"] == "u2-cycles" and "Trigger: address 0041" in best["setting"]
    assert best["trigger"]["expected"] == 0x5AA5 and best["trigger"]["seen"] == 0x5A85
    worth = [each["bits_per_minute"] for each in told["next"]]
    assert worth == sorted(worth, reverse=True)
    assert main(["next", str(first)]) == 1
    page = capsys.readouterr().out
    assert "if you see" in page and "Also possible" in page


def test_a_case_without_any_measurement_is_exit_code_0(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy(case, tmp_path)
    (tmp_path / "case.toml").write_text("")
    assert main(["next", str(tmp_path)]) == 0
    assert "Nothing was measured yet" in capsys.readouterr().out


def test_mistakes(case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["next", str(tmp_path / "nowhere")]) == 2
    assert "There is no such folder" in capsys.readouterr().err
    assert main(["suspects", str(case), "--noise", "0.7"]) == 2
    assert "noise rate" in capsys.readouterr().err
    assert main(["suspects", str(case), "--picture", str(tmp_path / "no" / "x.svg")]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_the_decided_part_is_made_sure_of(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The last state but the ohmmeter's: what is left is to measure, and what was done is told."""
    assert main(["next", str(case), "--json"]) == 1
    confirm = json.loads(capsys.readouterr().out)["confirm"]
    assert confirm["part"] == "J0" and len(confirm["confirmed_by"]) == 2 and confirm["ways"] == []
    assert main(["next", str(case)]) == 1
    page = capsys.readouterr().out
    assert "Before J0 is unsoldered or replaced, make sure of it" in page
    assert "already speaks for it: pull J0 and put it back: cured" in page
    kiln = write_case(tmp_path / "kiln", "quarrybank", cycles=2000, points=["u1-timing"], whole=True)
    assert main(["next", str(kiln.folder), "--json"]) == 1
    confirm = json.loads(capsys.readouterr().out)["confirm"]
    assert confirm["part"] == "U3" and confirm["ways"]
    assert all(each["says"] and each["confirms"] and each["clears"] for each in confirm["ways"])
    assert main(["next", str(kiln.folder)]) == 1
    page = capsys.readouterr().out
    assert "it is U3 if:" in page and "it is not if:" in page
    assert "discharge and measure the supply's capacitors" in page
