"""``standin`` as a person runs it."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from xml.etree import ElementTree

import pytest

from bringup.machines import TEXT
from wrongbit.cli.main import main


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("machine.toml").write_text(TEXT, encoding="utf-8")
    for name, period in (("good", 10_000), ("slow", 11_500)):
        lines = ["Time [us],PULSE,Q"]
        for time in range(0, 300_000, 2):
            lines.append(f"{time},{int(time % period >= 50 or time < 1000)},0")
        Path(f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["standin", *words])
    printed = capsys.readouterr()
    return code, printed.out, printed.err


def test_parts_wiring_and_counts(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, said, _ = run(capsys, "--period", "10 ms", "--low", "50 us", "--folder", "papers")
    assert code == 0
    for part in (
        "caution: Disconnect",
        "U1 pin 6 (THR) – U1 pin 2 (TRG)",
        "bipolar 555",
        "9999",
        "Written to",
    ):
        assert part in said
    assert ElementTree.parse("papers/standin.svg").getroot().tag.endswith("svg")
    rows = list(csv.DictReader(Path("papers/parts.csv").read_text("utf-8").splitlines()))
    assert [row["designator"] for row in rows][:3] == ["U1", "R1", "R2"]
    assert "U1 pin 8 (VCC)" in Path("papers/wiring.txt").read_text("utf-8")


def test_for_programs_and_from_a_machine(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, said, _ = run(capsys, "machine.toml", "--input", "/mark", "--json")
    found = json.loads(said)
    assert code == 0
    assert found["wanted"] == {"level": "low", "pulse_ps": 50e6, "period_ps": 10e9}
    assert found["timer"][0]["period_error"] == "0"
    best = found["choices"][0]
    assert 0.693 * best["rb_ohm"] * best["c_farad"] == pytest.approx(50e-6, rel=0.06)
    assert {part["ref"] for part in found["parts"]} == {"U1", "R1", "R2", "R3", "C1", "C2", "C3"}


def test_a_capture_is_checked(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    train = ("--period", "10 ms", "--low", "50 us", "--signal", "PULSE")
    code, said, _ = run(capsys, *train, "--check", "good.csv")
    assert code == 0 and "holds" in said
    code, said, _ = run(capsys, *train, "--check", "slow.csv", "--json")
    assert code == 1
    assert json.loads(said)["rungs"][0]["outside_by"] == 500 * 10**6
    code, said, _ = run(capsys, "machine.toml", "--input", "/MARK", "--check", "good.csv")
    assert code == 0 and "/MARK holds" in said


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "One width is needed"),
        (("--period", "10 ms", "--low", "1 us", "--high", "1 us"), "One width is needed"),
        (("--period", "10 ms", "--low", "20 ms"), "not shorter than the period"),
        (("--period", "10 ms", "--low", "fast"), "not a time"),
        (("--period", "0 ms", "--low", "0 us"), "not above zero"),
        (("--low", "1 ms", "--timer-clock", "0 Hz"), "not above zero"),
        (("--low", "1 ms", "--prescalers", "1,x"), "no list of prescaler"),
        (("--input", "/MARK"), "no machine file"),
        (("machine.toml",), "several start-up inputs"),
        (("machine.toml", "--input", "/GONE"), "no start-up input"),
        (("machine.toml", "--input", "/MARK", "--low", "1 ms"), "Both"),
        (("--low", "1 ms", "--check", "none.csv"), "There is no such file"),
        (("--low", "1 ms", "--check", "good.csv"), "several signals"),
        (("--low", "1 ms", "--check", "good.csv", "--signal", "X"), "no signal 'X'"),
        (("--period", "10 ms", "--low", "1 us", "--folder", "p"), "no circuit to write"),
        (("--low", "1 ms", "--folder", "good.csv"), "cannot be written"),
    ],
)
def test_mistakes(
    folder: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], says: str
) -> None:
    code, said, complained = run(capsys, *words)
    assert (code, said) == (2, "")
    assert says in " ".join(complained.split())
    assert "→" in complained
