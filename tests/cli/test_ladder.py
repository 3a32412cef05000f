"""``ladder`` as a person runs it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bringup.machines import TEXT
from wrongbit.cli.main import main

Run = tuple[int, str, str]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("machine.toml").write_text(TEXT, encoding="utf-8")
    lines = ["Time [us],/RESET,MARK OUT"]
    for time in range(0, 300_000, 5):
        lines.append(f"{time},{int(time >= 120_000)},{int(time % 11_500 >= 45 or time < 1000)}")
    Path("start.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], *words: str) -> Run:
    code = main(["ladder", "machine.toml", *words])
    printed = capsys.readouterr()
    return code, printed.out, printed.err


def test_nothing_measured_yet(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, said, _ = run(capsys)
    assert code == 0
    assert "0 within limits, 0 outside, 14 not measured" in said
    assert "Measure VCC voltage at U1 pin 8 next" in said
    assert said.startswith("caution: Mains and capacitors")


def test_values_by_hand_and_from_a_capture(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("machine.toml").write_text(
        TEXT + '[[point]]\nname = "J3"\nmode = "timing"\ncolumns = { "MARK OUT" = "PULSE" }\n',
        encoding="utf-8",
    )
    Path("sheet.csv").write_text("name,value\nVCC,4.9 V\nVCC ripple,30 mV\nVEE,-12 V\n", encoding="utf-8")
    code, said, _ = run(
        capsys, "--sheet", "sheet.csv", "--measured", "PHI0 = 1 MHz", "--capture", "start.csv",
        "--point", "J3", "--json",
    )  # fmt: skip
    found = json.loads(said)
    assert code == 1
    assert found["first_outside"] == "/MARK period"
    verdicts = {f"{each['name']} {each['key']}": each for each in found["rungs"]}
    assert verdicts["/MARK period"]["outside_by"] == 500 * 10**6
    assert verdicts["/RESET low"]["measured"] == "at least 120 ms"
    assert verdicts["/RESET ended"]["verdict"] == "within"
    assert "standin MACHINE --input /MARK" in found["next"]
    assert found["cautions"]


def test_a_low_rail_comes_first(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, said, _ = run(capsys, "--measured", "VCC = 4.4 V", "--capture", "start.csv")
    assert code == 1
    assert "First rung that fails" in said
    assert "VCC voltage: should be 4.75 V to 5.25 V, measured 4.4 V, 0.35 V too low (by hand)" in said
    assert "→ Switch off." in said


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--measured", "VDD = 5 V"), "no 'VDD'"),
        (("--capture", "none.csv"), "cannot be read"),
        (("--capture", "start.csv", "--point", "J9"), "no probe point 'J9'"),
        (("--capture", "start.csv", "--point", "a", "--point", "b"), "2 probe points"),
        (("--capture", "other.csv"), "none of the machine's clocks"),
        (("--capture", "timeless.csv"), "has no time"),
        (("--sheet", "none.toml"), "cannot be read"),
    ],
)
def test_mistakes(
    folder: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], says: str
) -> None:
    Path("other.csv").write_text("Time [us],Q\n0,1\n1,0\n", encoding="utf-8")
    Path("timeless.csv").write_text("/RESET,Q\n0,1\n1,0\n", encoding="utf-8")
    code, said, complained = run(capsys, *words)
    assert (code, said) == (2, "")
    assert says in " ".join(complained.split())
    assert "→" in complained
