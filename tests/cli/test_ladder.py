"""``ladder`` as a person runs it."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest
from vcd import VCDWriter

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
    assert "✓ 0 within limits, ▲ 0 outside, · 14 not measured" in said
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
    assert "First step that fails" in said
    assert "VCC voltage: should be 4.75 V to 5.25 V, measured 4.4 V, 0.35 V too low (by hand)" in said
    assert "→ Switch off." in said


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--measured", "VDD = 5 V"), "no 'VDD'"),
        (("--capture", "none.csv"), "There is no such file"),
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


def test_a_list_of_changes_is_measured_exactly(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A VCD written by pyvcd, an independent writer of IEEE 1364 value change dumps."""
    with (
        Path("start.vcd").open("w", encoding="ascii") as stream,
        VCDWriter(stream, timescale="1 ns") as writer,
    ):
        wire = writer.register_var("board", "PULSE", "wire", size=1, init=1)
        clock = writer.register_var("board", "PHI0", "wire", size=1, init=0)
        changes = [(number * 500, clock, number % 2) for number in range(1, 60_000)]
        changes += [(at, wire, 0) for at in range(10_000_000, 30_000_000, 10_000_000)]
        changes += [(at + 49_000, wire, 1) for at in range(10_000_000, 30_000_000, 10_000_000)]
        for time, variable, value in sorted(changes, key=lambda change: change[0]):
            writer.change(variable, time, value)
    code, said, _ = run(capsys, "--capture", "start.vcd", "--json")
    found = {f"{each['name']} {each['key']}": each for each in json.loads(said)["rungs"]}
    assert code == 0
    assert (found["PHI0 frequency"]["measured"], found["PHI0 duty"]["measured"]) == ("1 MHz", "50 %")
    assert found["PHI0 jitter"]["measured"] == "0 ps peak to peak, 0 ps r.m.s."
    assert (found["/MARK period"]["measured"], found["/MARK low"]["measured"]) == ("10 ms", "49 µs")


def test_names_are_text_and_nothing_else(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = "[red]<b>&[/]"
    text = TEXT.replace('"/MARK"', f'"{name}"').replace('"U1 pin 8"', '"[bold]x[/nothing]"')
    Path("machine.toml").write_text(text, encoding="utf-8")
    code, said, _ = run(capsys, "--measured", "VCC = 4 V")
    assert code == 1
    assert name in said
    assert "[bold]x" in said
    assert main(["standin", "machine.toml", "--input", name, "--folder", "p"]) == 0
    title = ElementTree.parse("p/standin.svg").getroot().find("{http://www.w3.org/2000/svg}title")
    assert title is not None and name in (title.text or "")
