"""Every verb as a person runs it: output, exit codes, JSON, and mistakes."""

from __future__ import annotations

import json
import os
import shlex
import subprocess
import sys
from pathlib import Path

import polars
import pytest

from wrongbit.cli.main import VERBS, main
from wrongbit.demo.case import DemoCase, write_case
from wrongbit.demo.machines import machines


@pytest.fixture(scope="module")
def fellgate(tmp_path_factory: pytest.TempPathFactory) -> DemoCase:
    """An open joint at D4, seen by every kind of capture."""
    points = [export.point for export in next(m for m in machines() if m.name == "fellgate").exports]
    return write_case(tmp_path_factory.mktemp("fellgate"), "fellgate", points=points, cycles=4000)


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> DemoCase:
    return write_case(tmp_path_factory.mktemp("sound"), "quarrybank", "none", cycles=3000)


def words(case: DemoCase, verb: str, *more: str, capture: int = 0) -> list[str]:
    taken = case.captures[capture]
    return [verb, str(case.machine_file), str(taken.path), "--point", taken.point, *more]


@pytest.mark.parametrize("verb", VERBS, ids=lambda verb: verb.name)
def test_every_verb_has_help(verb: object, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([verb.name, "--help"]) == 0  # type: ignore[attr-defined]
    assert f"wrongbit {verb.name}" in capsys.readouterr().out  # type: ignore[attr-defined]


def test_help_version_and_an_unknown_verb(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == main(["--help"]) == main(["--version"]) == 0
    capsys.readouterr()
    assert main(["diagnos"]) == 2
    assert "Did you mean 'wrongbit diagnose'?" in capsys.readouterr().err


def test_help_imports_nothing_heavy() -> None:
    code = "import sys; from wrongbit.cli.main import main; main(['--help']); print(sorted(sys.modules))"
    printed = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    for heavy in ("numpy", "polars", "pydantic", "rich", "typer"):
        assert f"'{heavy}'" not in printed


@pytest.mark.parametrize("capture", range(4))
def test_diagnose_names_bit_and_place_from_every_kind_of_capture(
    fellgate: DemoCase, capture: int, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words(fellgate, "diagnose", "--json", capture=capture)) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["first_wrong"]["wrong_bits"] == [4]
    best = told["findings"][0]
    assert (best["model"], best["parts"]) == ("data line open", ["bus"])
    assert best["probability"] > 0.9
    assert main(words(fellgate, "diagnose", capture=capture)) == 1
    page = capsys.readouterr().out
    assert "First wrong word" in page and "▲" in page and "D4" in page
    assert page.index("caution:") < page.index("First wrong word")


def test_a_mistake_at_the_clips_is_told_before_any_fault(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A lead that is off its pin shows the same in writes and in reads, and the program runs on."""
    case = write_case(tmp_path, "quarrybank", "none", points=["u1-cycles"], cycles=6000)
    file = case.captures[0].path
    table = polars.read_csv(file, infer_schema=False)
    low = [f"{int(each, 16) & ~0x20:02X}" for each in table["DAT"]]
    table.with_columns(polars.Series("DAT", low)).write_csv(file)
    assert main(words(case, "diagnose")) == 1
    page = " ".join(capsys.readouterr().out.split())
    assert "A sound machine would show the same words if: The lead D5 shows nothing of its bit" in page
    assert page.index("Check your clips before the machine") < page.index("What explains it")
    assert "Check the clips: that is likelier than any fault of the machine." in page
    assert main(words(case, "diagnose", "--json")) == 1
    told = json.loads(capsys.readouterr().out)
    first = told["mistakes"][0]
    assert first["check_first"] and first["where"] == "clips" and first["probability"] > 0.9
    assert told["clips"][0]["says"] == first["says"]
    every = [*told["mistakes"], *told["findings"]]
    assert sum(each["probability"] for each in every) == pytest.approx(1, abs=1e-3)


@pytest.mark.parametrize("fault", ["stuck-low:bus.D5", "address-swapped:bus.A3-A4", "stuck-low:U3.D5"])
def test_a_fault_is_not_put_down_to_the_clips(
    fault: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    case = write_case(tmp_path, "quarrybank", fault, cycles=6000)
    assert main(words(case, "diagnose")) == 1
    page = " ".join(capsys.readouterr().out.split())
    assert "Check your clips before the machine" not in page and "Look at" in page


def test_a_sound_machine_is_exit_code_0(sound: DemoCase, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words(sound, "diagnose")) == 0
    page = capsys.readouterr().out
    assert "No fault is seen" in page and "% of these" in page
    assert main(words(sound, "compare", "--json")) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["differs"] == 0 and told["first_wrong"] is None and told["judged_share"] > 0.9


def test_cycles_shows_and_writes_all(
    sound: DemoCase, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "all.parquet"
    assert main(words(sound, "cycles", "--json", "--count", "3", "--table", str(table))) == 0
    told = json.loads(capsys.readouterr().out)
    frame = polars.read_parquet(table)
    assert len(frame) == told["cycles"]
    # Quarrybank's processor starts at 0 with a fetch (Zilog UM0080: the program counter is cleared).
    assert (frame["address"][0], frame["kind"][0]) == (0, "fetch")
    assert [row["address"] for row in told["rows"]] == [f"{a:04X}" for a in frame["address"][:3]]
    assert main(words(sound, "cycles", "--table", str(tmp_path / "all.xyz"))) == 2
    assert "neither .csv nor .parquet" in capsys.readouterr().err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["all.parquet"]


def test_check_shows_the_machine_and_prints_the_schema(
    fellgate: DemoCase, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", str(fellgate.machine_file)]) == 0
    page = capsys.readouterr().out
    assert "Fellgate loom controller (invented)" in page and "caution:" in page and "0..7" in page
    assert main(["check", "--schema"]) == 0
    assert json.loads(capsys.readouterr().out)["$schema"].endswith("2020-12/schema")
    assert main(["check"]) == 2


@pytest.mark.parametrize(
    ("damage", "expected"),
    [
        (b"", "empty"),
        (b"\x7fELF\x00\x01\x02\x03" * 40, "byte"),
        (b"time,A0,D0\n0,1,1\n1,1,0\n2,0\n3,1,1\n", "does not have"),
    ],
)
def test_bad_captures_are_told_without_a_traceback(
    sound: DemoCase, tmp_path: Path, damage: bytes, expected: str, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_bytes(damage)
    command = ["diagnose", str(sound.machine_file), str(bad), "--point", sound.captures[0].point]
    assert main(command) == 2
    told = capsys.readouterr().err
    assert "bad.csv" in told and expected in told and "→" in told and "Traceback" not in told
    assert main([*command, "--json"]) == 2
    assert json.loads(capsys.readouterr().err)["error"]["file"].endswith("bad.csv")


def test_a_missing_file_and_a_missing_point(sound: DemoCase, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["diagnose", "nowhere.toml", "x.csv"]) == 2
    assert "nowhere.toml" in capsys.readouterr().err
    assert main(["diagnose", str(sound.machine_file), str(sound.captures[0].path)]) == 2
    assert "--point" in capsys.readouterr().err
    assert main(words(sound, "diagnose", "--noise", "0.7")) == 2


def test_a_capture_with_a_dead_strobe_says_so(
    sound: DemoCase, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """RD and WR held inactive in every sample: no cycle, and the page names the event and the still wires."""
    lines = sound.captures[0].path.read_text(encoding="utf-8").splitlines()
    start = next(i for i, line in enumerate(lines) if "RD" in line)
    names = [cell.strip().strip('"') for cell in lines[start].split("\t")]
    still = [i for i, name in enumerate(names) if any(s in name for s in ("RD", "WR", "RFSH"))]
    for row in range(start + 1, len(lines)):
        cells = lines[row].split("\t")
        for column in still:
            cells[column] = "1"
        lines[row] = "\t".join(cells)
    bad = tmp_path / "dead.csv"
    bad.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert main(["cycles", str(sound.machine_file), str(bad), "--point", sound.captures[0].point]) == 2
    told = capsys.readouterr().err
    assert "the event 'RD ends' never came" in told and "RD (high)" in told


@pytest.mark.parametrize("machine", ["saltmarsh", "fellgate", "quarrybank"])
def test_demo_names_the_part_that_was_damaged(
    machine: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["demo", "--machine", machine, "--folder", str(tmp_path / "d"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["put_in"]["part"] in told["findings"][0]["parts"]
    assert told["findings"][0]["probability"] > 0.9
    # What it wrote can be diagnosed by the command that it prints, with the same answer.
    verb, *rest = told["commands"][0].split()[1:]
    assert main([verb, *rest, "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["findings"] == told["findings"]


def test_demo_searches_until_one_part_is_left(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = ["demo", "--machine", "hollowmere", "--folder", str(tmp_path / "h")]
    assert main([*command, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert len(told["steps"]) > 1
    assert main(command) == 0
    page = capsys.readouterr().out
    assert "What had been done to the machine" in page and "→ It is J0" in page
    # The folder that it leaves is a case that the other verbs can go on with.
    assert main(["next", str(tmp_path / "h")]) in (0, 1)
    capsys.readouterr()
    assert main(["explain", str(tmp_path / "h"), "--point", "u2-cycles"]) == 1
    assert "u2-cycles" in capsys.readouterr().out
    assert main(["explain", str(tmp_path / "h"), "--point", "u9"]) == 2
    assert "no probe point 'u9'" in capsys.readouterr().err
    assert main(["explain", str(tmp_path)]) == 2
    assert main([*command, "--point", "u1-cycles"]) == 2


def test_demo_leaves_the_files_of_a_search_and_shows_nothing_of_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = ["demo", "--machine", "hollowmere", "--files-only", "--folder", str(tmp_path / "lift panel")]
    assert main(command) == 0
    page = capsys.readouterr().out
    assert "J0" not in page and "Suspects" not in page
    shown = [shlex.split(line[2:]) for line in page.splitlines() if line.startswith("$ ")]
    assert [words[1] for words in shown] == ["suspects", "next", "serve", "report", "prove"]
    assert main(shown[0][1:]) == 1
    assert "→ It is J0" in capsys.readouterr().out
    assert main([*command, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [shlex.split(each) for each in told["commands"]] == shown
    assert {"machine.toml", "case.toml", "u1-cycles.csv"} <= set(told["files"])


def test_demo_lists_and_refuses(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--list"]) == 0
    page = capsys.readouterr().out
    assert all(machine.name in page for machine in machines())
    for wrong in (
        ["--machine", "nobody"],
        ["--fault", "stuk-high"],
        ["--cycles", "0"],
        ["--point", "nowhere"],
    ):
        assert main(["demo", "--folder", str(tmp_path / "x"), *wrong]) == 2
    assert not (tmp_path / "x").exists()


def test_help_into_a_closed_pipe_is_silent() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    code = "from wrongbit.cli.main import run; run([])"
    with os.fdopen(writer, "wb") as pipe:
        done = subprocess.run([sys.executable, "-c", code], stdout=pipe, stderr=subprocess.PIPE, check=False)
    assert (done.returncode, done.stderr) == (0, b"")


def test_help_fits_a_narrow_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    assert main([]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 60
    assert lines[0] == "wrongbit finds the wrong word, bit, lane and chip in a" and len(lines) > 20


def test_chips_that_were_not_read_are_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = write_case(tmp_path, "saltmarsh", "wrong-bank:bus.bank0", points=["u1-cycles"], cycles=3000)
    assert main(words(case, "diagnose")) == 0
    assert "No word of U13 or U14 was read" in capsys.readouterr().out
    assert main(words(case, "compare", "--json")) == 0
    assert json.loads(capsys.readouterr().out)["chips_not_judged"] == ["U13", "U14"]


def test_status_texts_without_a_meaning_accuse_nobody(
    sound: DemoCase, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Idle cycles of a sound machine, listed with a text that the machine file does not explain."""
    text = (
        sound.machine_file.read_text()
        + '\n[[point]]\nname = "mine"\nmode = "cycles"\nkinds = { RD = "read" }\n'
    )
    machine = sound.machine_file.with_name("mine.toml")
    machine.write_text(text)
    capture = tmp_path / "rows.csv"
    capture.write_text("Addr,Data,Status\n0000,F3,RD\n0001,31,RD\n0001,00,DEAD\n")
    order = [str(machine), str(capture), "--point", "mine"]
    assert main(["diagnose", *order]) == 0
    page = capsys.readouterr().out
    assert "'DEAD' in 1 row" in page and "1 of 3 rows have such a text; taken as idle" in page
    # The same under a heading that nobody knows is refused, with what to write.
    capture.write_text("Addr,Data,Doing\n0000,F3,RD\n0001,31,RD\n")
    assert main(["diagnose", *order]) == 2
    assert 'columns = { "Doing" = "kind" }' in capsys.readouterr().err


def test_a_mistake_in_the_machine_file_is_thought_of_before_a_chip(
    sound: DemoCase, capsys: pytest.CaptureFixture[str]
) -> None:
    """A sound machine whose file gives one chip's outputs in the wrong order: the advice comes first."""
    text = sound.machine_file.read_text()
    assert 'lane = "0..7"' in text
    machine = sound.machine_file.with_name("reversed.toml")
    machine.write_text(text.replace('lane = "0..7"', 'lane = "7..0"', 1))
    taken = sound.captures[0]
    order = [str(machine), str(taken.path), "--point", taken.point]
    assert main(["diagnose", *order]) == 1
    page = capsys.readouterr().out
    assert page.index("→ Check the machine file before the machine") < page.index("What explains it")
    assert "→ Check the machine file: that is likelier than any fault of the machine." in page
    assert main(["diagnose", *order, "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["set_up_doubtful"] is True


def test_a_fault_that_is_explained_does_not_doubt_the_set_up(
    fellgate: DemoCase, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words(fellgate, "diagnose", "--json")) == 1
    assert json.loads(capsys.readouterr().out)["set_up_doubtful"] is False


def test_cycles_beyond_the_last_are_told(sound: DemoCase, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words(sound, "cycles", "--from", "999999")) == 0
    assert "The capture has no cycle 999999: its last is " in capsys.readouterr().out
