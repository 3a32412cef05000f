"""``wrongbit history`` and ``wrongbit verify`` on a case."""

from __future__ import annotations

import json
import re
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from wrongbit.case.entries import (
    CaptureAdded,
    Entry,
    FindingRecorded,
    MeasurementAdded,
    NoteAdded,
    ObjectDescribed,
    WorkDone,
)
from wrongbit.case.folder import Case
from wrongbit.cli.history import _show
from wrongbit.cli.main import main
from wrongbit.machine.templates import read_template


@pytest.fixture
def kiln(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.delenv("WRONGBIT_DATABASE", raising=False)
    monkeypatch.setenv("WRONGBIT_PERSON", "Ada \x1b[31m")
    (tmp_path / "run.csv").write_text("1;2\n")
    folder = tmp_path / "kiln"
    with Case.create(folder, {"machine.toml": read_template("z80")}) as case:
        case.add_capture(tmp_path / "run.csv", "u1", note="cold")
        case.add(MeasurementAdded("continuity", "X4", "D5", "", "open"))
        case.add(NoteAdded("<script>alert(1)</script>\n[bold]two \x1b]0;title\x07 lines"))
        case.add(FindingRecorded("compare", "key", "8 of 10 agree.", {"share": 0.8}))
    return folder


def test_the_journal_as_a_table(kiln: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["history", str(kiln)]) == 0
    page = capsys.readouterr().out
    assert "Capture run.csv (4 bytes" in page and "compare: 8 of 10 agree." in page
    assert "<script>alert(1)</script>" in page and "[bold]two" in page and "Ada �[31m" not in page
    assert "\x1b" not in page and "\x07" not in page
    assert re.search(r"when \(UTC[+-]\d\d:\d\d\)", page)
    assert len(re.findall(r"^ *\d+ +20\d\d-\d\d-\d\d \d\d:\d\d ", page, re.MULTILINE)) == 5


def test_all_times_are_by_one_clock(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Summer and winter in one table, whose head names one offset from UTC."""
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    try:
        moments = (datetime(2026, 7, 1, 10, tzinfo=UTC), datetime(2026, 12, 1, 10, tzinfo=UTC))
        _show([Entry(n, at, "Ada", "1", NoteAdded("Dust.")) for n, at in enumerate(moments, 1)])
    finally:
        monkeypatch.undo()
        time.tzset()
    told = capsys.readouterr().out
    assert "UTC+01:00" in told and "2026-07-01 11:00" in told and "2026-12-01 11:00" in told


def test_only_one_kind(kiln: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["history", str(kiln), "--kind", "finding", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["case"] == "kiln" and [each["number"] for each in told["entries"]] == [5]
    assert told["entries"][0]["detail"]["result"] == {"share": 0.8}
    assert told["entries"][0]["at"].endswith("+00:00")
    assert main(["history", str(kiln), "--kind", "picture"]) == 2
    assert "'picture'" in capsys.readouterr().err
    assert main(["history", str(kiln), "--kind", "value"]) == 0
    assert "no such entry" in capsys.readouterr().out


def test_the_object_and_what_was_done_to_it(kiln: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Case.open(kiln) as case:
        case.add(ObjectDescribed(inventory="QM 3 \x1b[31m", place=""))
        done = case.add(WorkDone("removed", "U3", "1987", "Bram", old="K2716"))
        case.correct(done.number, WorkDone("removed", "U3", "1987", "Bram", old="K2716", kept="bag 4"))
    assert main(["history", str(kiln), "--kind", "object", "--kind", "work", "--json"]) == 0
    told = [each["says"] for each in json.loads(capsys.readouterr().out)["entries"]]
    assert told == [
        "The object: inventory number QM 3 �[31m; stands at: no longer said.",
        "1987, Bram: U3 removed, out: K2716; the old part is kept: bag 4.",
    ]
    assert main(["history", str(kiln), "--all"]) == 0
    page = " ".join(capsys.readouterr().out.split())
    assert "QM 3 �[31m" in page and "[withdrawn by 9]" in page and "corrected by entry 8" in page


def test_withdrawing(kiln: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["history", str(kiln), "--withdraw", "3", "--why", "wrong side"]) == 0
    assert capsys.readouterr().out == "Entry 6: Entry 3 counts no more: wrong side.\n"
    assert main(["history", str(kiln)]) == 0
    assert "Measure through X4" not in capsys.readouterr().out
    assert main(["history", str(kiln), "--all"]) == 0
    assert re.search(r"Measure through X4.*\[withdrawn by\s+6\]", capsys.readouterr().out, re.DOTALL)
    for arguments, said in (
        (["--withdraw", "3", "--why", "again"], "already"),
        (["--withdraw", "99", "--why", "x"], "no entry 99"),
        (["--withdraw", "1", "--why", "x"], "machine file"),
        (["--withdraw", "2"], "Why is entry 2"),
        (["--why", "x"], "--withdraw"),
        (["--into-folder"], "in the folder already"),
    ):
        assert main(["history", str(kiln), *arguments]) == 2
        assert said in capsys.readouterr().err
    with Case.open(kiln) as case:
        assert len(case.entries(withdrawn=True)) == 6


def test_verify_a_sound_case(kiln: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", str(kiln)]) == 0
    assert capsys.readouterr().out.startswith("All is as it was kept: 5 entries, 2 originals (")
    assert main(["verify", str(kiln), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"sound": True, "troubles": []}


def test_verify_names_troubles_and_restores(kiln: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Case.open(kiln) as case:
        ((_, capture),) = case.of_kind(CaptureAdded)
        case.path_of(capture.file).unlink()
    (kiln / "store" / "ab").mkdir(exist_ok=True)
    (kiln / "store" / "ab" / "stray\x1b[31m.txt").write_text("x")
    assert main(["verify", str(kiln)]) == 1
    page = capsys.readouterr().out
    assert "▲ missing original: The original of 'run.csv' (entry 2) is missing." in page
    assert "▲ stray file" in page and "--restore" in page and "\x1b" not in page
    assert main(["verify", str(kiln), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert {each["kind"] for each in told["troubles"]} == {"missing original", "stray file"}
    (kiln / "store" / "ab" / "stray\x1b[31m.txt").unlink()
    assert main(["verify", str(kiln), "--restore", str(kiln / "machine.toml"), "--restore", "nowhere"]) == 2
    capsys.readouterr()
    assert main(["verify", str(kiln), "--restore", str(kiln.parent / "run.csv")]) == 0
    page = capsys.readouterr().out
    assert "run.csv is back in the store." in page and "All is as it was kept" in page
    (kiln / "other.csv").write_text("3;4\n")
    assert main(["verify", str(kiln), "--restore", str(kiln / "other.csv")]) == 2
    assert "No entry tells" in capsys.readouterr().err


def test_verify_a_damaged_journal(kiln: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (kiln / "journal.sqlite").write_bytes(b"no database at all" * 400)
    assert main(["verify", str(kiln)]) == 1
    assert "▲ damaged journal" in capsys.readouterr().out
    assert main(["history", str(kiln)]) == 2
    told = capsys.readouterr().err
    assert "The journal is damaged." in told and "backup" in told
    assert main(["verify", str(kiln.parent)]) == 2
    assert "it is no case" in capsys.readouterr().err
