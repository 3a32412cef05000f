"""``wrongbit add``: what fits is kept, what does not is refused before anything is kept."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from wrongbit.case.entries import (
    CaptureAdded,
    MeasurementAdded,
    NoteAdded,
    ObjectDescribed,
    ReadingAdded,
    ReferenceAdded,
    ValueAdded,
    Withdrawn,
    WorkDone,
)
from wrongbit.case.folder import Case
from wrongbit.casework import accept
from wrongbit.cli.main import main
from wrongbit.demo.machines import machine_named

CYCLES = "No;Address;Data;Status\n" + "".join(f"{row};{row:04X};00;R\n" for row in range(20))


@pytest.fixture
def loom(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A case of an invented loom controller, begun and empty; the working folder is beside it."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("WRONGBIT_DATABASE", raising=False)
    folder = tmp_path / "loom"
    folder.mkdir()
    for name, data in machine_named("fellgate").build().files.items():
        (folder / ("machine.toml" if name == "fellgate.toml" else name)).write_bytes(data)
    Case.open(folder).close()
    (tmp_path / "run.csv").write_text(CYCLES)
    (tmp_path / "pass 1.bin").write_bytes((folder / "u5.bin").read_bytes())
    return folder


def details(folder: Path) -> list[Any]:
    with Case.open(folder) as case:
        assert case.verify() == ()
        return [each.detail for each in case.entries()[1:]]


def added(*arguments: str, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert main(["add", "loom", *arguments, "--json"]) == 0
    told: dict[str, Any] = json.loads(capsys.readouterr().out)
    return told


def test_a_capture(loom: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = added("capture", "run.csv", "--point", "u1-cycles", "--note", "cold", capsys=capsys)
    (entry,) = told["entries"]
    assert (entry["number"], entry["kind"], entry["detail"]["point"]) == (2, "capture", "u1-cycles")
    assert any("CSV" in each for each in told["notes"])
    (capture,) = details(loom)
    assert isinstance(capture, CaptureAdded) and capture.note == "cold"
    with Case.open(loom) as case:
        assert case.path_of(capture.file).read_text() == CYCLES
    assert Path("run.csv").read_text() == CYCLES


def test_readings_of_a_chip(loom: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("pass 2.bin").write_bytes(Path("pass 1.bin").read_bytes())
    Path("readings.toml").write_text('[[reading]]\nfile = "pass 2.bin"\nspeed = "450 ns"\nvoltage = "5 V"\n')
    files = ("pass 1.bin", "pass 2.bin")
    told = added("reading", *files, "--chip", "U5", "--condition", "voltage = 4.75 V", capsys=capsys)
    assert [each["number"] for each in told["entries"]] == [2, 3]
    first, second = details(loom)
    assert isinstance(first, ReadingAdded) and isinstance(second, ReadingAdded)
    assert first.conditions == {"voltage": "4.75 V"}
    assert second.conditions == {"voltage": "4.75 V", "speed": "450 ns"}
    assert first.file.sha256 == second.file.sha256 and second.file.name == "pass 2.bin"


def test_references(loom: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("u5.lst").write_text("F800: 4C 00 F8\nF803: EA\n")
    added("reference", "pass 1.bin", "--kind", "image", "--chip", "U5", capsys=capsys)
    added("reference", "pass 1.bin", "--kind", "twin", "--chip", "U5", capsys=capsys)
    added("reference", "u5.lst", "--kind", "listing", capsys=capsys)
    found = [each for each in details(loom) if isinstance(each, ReferenceAdded)]
    assert [(each.kind, each.chip) for each in found] == [("image", "U5"), ("twin", "U5"), ("listing", "")]


def test_what_was_measured_and_words(loom: Path, capsys: pytest.CaptureFixture[str]) -> None:
    added(
        "measurement",
        "--kind",
        "continuity",
        "--part",
        "X4",
        "--line",
        "d5",
        "--outcome",
        "open",
        capsys=capsys,
    )
    added("value", "VCC  =  4.9 V", "--note", "at U1", capsys=capsys)
    added("note", "<b>5 V ± 5 %</b>", capsys=capsys)
    assert details(loom) == [
        MeasurementAdded("continuity", "X4", "D5", "", "open"),
        ValueAdded("VCC = 4.9 V", "at U1"),
        NoteAdded("<b>5 V ± 5 %</b>"),
    ]


def test_the_object_and_what_was_done_to_it(loom: Path, capsys: pytest.CaptureFixture[str]) -> None:
    added("object", "--inventory", "LM  7", "--place", "hall 2", capsys=capsys)
    added("object", "--place", "bench", "--owner", "", "--inventory", "LM 7", capsys=capsys)
    told = added(
        "work", "--kind", "replaced", "--part", "U5", "--date", "2024-05", "--by", "Bram", "--old", "K2716",
        "--new", "27C16", "--reversible", "yes", capsys=capsys,
    )  # fmt: skip
    (entry,) = told["entries"]
    assert entry["kind"] == "work" and entry["detail"]["person"] == "Bram"
    assert any("What became of" in each for each in told["notes"])
    fixed = added("work", "--corrects", str(entry["number"]), "--kept", "bag 4", capsys=capsys)
    assert fixed["notes"] == []
    made = WorkDone("replaced", "U5", "2024-05", "Bram", "K2716", "27C16", "yes", "bag 4")
    assert details(loom) == [
        ObjectDescribed(inventory="LM 7", place="hall 2"),
        ObjectDescribed(place="bench"),
        made,
        Withdrawn(4, "corrected by entry 5"),
    ]
    for again in (
        ("object", "--place", "bench"),
        ("work", "--corrects", "5", "--kept", "bag 4"),
        ("work", "--corrects", "4", "--kept", "bag 4"),
    ):
        assert main(["add", "loom", *again]) == 2
        assert "already" in capsys.readouterr().err
    assert len(details(loom)) == 4


def test_who_did_it_stays_when_another_corrects(
    loom: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("WRONGBIT_PERSON", "Ada")
    added("work", "--kind", "cleaned", "--part", "U5", capsys=capsys)
    monkeypatch.setenv("WRONGBIT_PERSON", "Bram")
    told = added("work", "--corrects", "2", "--note", "swab", capsys=capsys)
    assert told["entries"][0]["by"] == "Bram" and told["entries"][0]["detail"]["person"] == "Ada"


def test_it_is_told_in_words(loom: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["add", "loom", "note", "red \x1b[31m [bold]text"]) == 0
    page = capsys.readouterr().out
    assert page == "Entry 2: red �[31m [bold]text\n"
    assert main(["add", "loom", "capture", "run.csv", "--point", "u1-cycles"]) == 0
    assert capsys.readouterr().out.startswith(f"Entry 3: Capture run.csv ({len(CYCLES)} bytes, SHA-256 ")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("capture", "run.csv"), "several probe points"),
        (("capture", "run.csv", "--point", "u1-cycle"), "no probe point 'u1-cycle'"),
        (("capture", "nowhere.csv", "--point", "u1-cycles"), "nowhere.csv"),
        (("capture", "loom", "--point", "u1-cycles"), "loom"),
        (("capture", "pass 1.bin", "--point", "u1-cycles"), "not text"),
        (("capture", "pass 1.bin", "--point", "u1-timing"), "not text"),
        (("capture", "run.csv", "--point", "u1-timing"), "run.csv"),
        (("reading", "pass 1.bin", "--chip", "U55"), "Did you mean 'U5'"),
        (("reading", "pass 1.bin", "--chip", "U6"), "U6 is"),
        (("reading", "short.bin", "--chip", "U5"), "1/2 of the chip"),
        (("reading", "nowhere.bin", "--chip", "U5"), "nowhere.bin"),
        (("reading", "pass 1.bin", "--chip", "U5", "--format", "hex"), "no format 'hex'"),
        (("reading", "pass 1.bin", "--chip", "U5", "--condition", "voltage"), "'voltage = 4.75 V'"),
        (("reading", "pass 1.bin", "--chip", "U5", "--condition", "volt = 5 V"), "Did you mean 'voltage'"),
        (("reading", "pass 1.bin", "--chip", "U5", "--condition", "voltage = 5"), "with its unit"),
        (("reading", "pass 1.bin", "short.bin", "--chip", "U5"), "1/2 of the chip"),
        (("reference", "pass 1.bin", "--kind", "imge", "--chip", "U5"), "Did you mean 'image'"),
        (("reference", "pass 1.bin", "--kind", "image"), "--chip"),
        (("reference", "short.bin", "--kind", "twin", "--chip", "U5"), "1/2 of the chip"),
        (
            ("measurement", "--kind", "continuty", "--part", "X4", "--outcome", "open"),
            "Did you mean 'continuity'",
        ),
        (("measurement", "--kind", "continuity", "--part", "X9", "--outcome", "open"), "no part 'X9'"),
        (("measurement", "--kind", "continuity", "--part", "X4", "--outcome", "shut"), "no outcome 'shut'"),
        (
            ("measurement", "--kind", "continuity", "--part", "X4", "--outcome", "open", "--line", "five"),
            "D5 or A12",
        ),
        (
            ("measurement", "--kind", "continuity", "--part", "X4", "--outcome", "open", "--line", "D8"),
            "data lines, as the processor counts, are D0 to D7",
        ),
        (
            ("measurement", "--kind", "continuity", "--part", "X4", "--outcome", "open", "--line", "a16"),
            "no address line 'A16'",
        ),
        (("value", "VCD = 4.9 V"), "Did you mean 'VCC'"),
        (("value", "VCC 4.9 V"), "'NAME = VALUE'"),
        (("note", "  "), "empty"),
        (("object",), "Nothing is said of the object"),
        (("work",), "removed, fitted, replaced"),
        (("work", "--kind", "removd", "--part", "U5"), "Did you mean 'removed'"),
        (("work", "--kind", "removed"), "What was it done to"),
        (("work", "--kind", "removed", "--part", "U5", "--date", "2025-02-30"), "no day '2025-02-30'"),
        (("work", "--kind", "removed", "--part", "U5", "--date", "9999"), "not come yet"),
        (("work", "--kind", "fitted", "--part", "U5", "--kept", "bag 4"), "nothing can be kept"),
        (("work", "--corrects", "1", "--kept", "bag 4"), "of the kind 'machine'"),
        (("work", "--corrects", "99", "--kept", "bag 4"), "no entry 99"),
        ((), "capture, reading, reference"),
    ],
)
def test_what_does_not_fit_is_refused(
    arguments: tuple[str, ...], said: str, loom: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("short.bin").write_bytes(Path("pass 1.bin").read_bytes()[:1024])
    assert main(["add", "loom", *arguments]) == 2
    told = capsys.readouterr()
    assert said in told.err.replace("\n", " ") and told.out == ""
    assert "Traceback" not in told.err and str(loom / "case.toml") not in told.err
    assert details(loom) == []
    assert len([each for each in (loom / "store").rglob("*") if each.is_file()]) == 2  # a lock, the machine


def test_mistakes_that_the_options_show(loom: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["add", "loom", "captur", "run.csv"]) == 2
    assert "Did you mean 'capture'" in capsys.readouterr().err
    assert main(["add", "nowhere", "note", "x"]) == 2
    assert "no such folder" in capsys.readouterr().err
    assert not Path("nowhere").exists()


def test_the_same_evidence_counts_once(loom: Path, capsys: pytest.CaptureFixture[str]) -> None:
    commands = [
        ["add", "loom", "capture", "run.csv", "--point", "u1-cycles"],
        ["add", "loom", "reading", "pass 1.bin", "--chip", "U5"],
        ["add", "loom", "reference", "pass 1.bin", "--kind", "twin", "--chip", "U5"],
    ]
    for number, command in enumerate(commands, 2):
        assert main(command) == 0
        assert main(command) == 2
        assert f"already, as entry {number}" in capsys.readouterr().err
    assert main(["history", "loom", "--withdraw", "2", "--why", "wrong point"]) == 0
    assert main(commands[0]) == 0  # once it is withdrawn, it may come again


def test_a_long_table_is_looked_at_in_its_beginning(
    loom: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(accept, "BEGINNING", 100)
    read: list[int] = []
    real = accept.read_cycle_rows

    def looked(path: Path, point: Any, widths: Any) -> Any:
        read.append(path.stat().st_size)
        return real(path, point, widths)

    monkeypatch.setattr(accept, "read_cycle_rows", looked)
    added("capture", "run.csv", "--point", "u1-cycles", capsys=capsys)
    assert read == [len(CYCLES[:100].rpartition("\n")[0]) + 1]
    Path("bad.csv").write_text("No;What\n" + "1;2\n" * 100)
    assert main(["add", "loom", "capture", "bad.csv", "--point", "u1-cycles"]) == 2
    assert "wrongbit: bad.csv" in capsys.readouterr().err  # by its own name
