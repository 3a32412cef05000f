"""``wrongbit explain`` as a person runs it, on the files of simulated machines."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from wrongbit.cli.main import main
from wrongbit.demo.case import DemoCase, write_case


def case(folder: Path, machine: str, fault: str, point: str, seed: int = 1, cycles: int = 4000) -> DemoCase:
    return write_case(folder, machine, fault=fault, points=[point], cycles=cycles, seed=seed)


def explained(made: DemoCase, *more: str) -> tuple[str, ...]:
    capture = made.captures[0]
    return ("explain", str(made.machine_file), str(capture.path), "--point", capture.point, *more)


def as_json(capsys: pytest.CaptureFixture[str], made: DemoCase, *more: str) -> tuple[int, dict]:  # type: ignore[type-arg]
    code = main([*explained(made, "--json", *more)])
    return code, json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("point", ["u1-cycles", "u1-timing"])
def test_a_wrong_first_word(tmp_path: Path, capsys: pytest.CaptureFixture[str], point: str) -> None:
    """Saltmarsh begins with JUMP (4000); with bit 9 stuck high that is RET (4200)."""
    made = case(tmp_path, "saltmarsh", "stuck-high:U12.D1", point)
    assert main([*explained(made)]) == 1
    text = " ".join(capsys.readouterr().out.split())
    assert "instruction JUMP 0x0040 RET" in text
    assert "It acted on the wrong word" in text
    assert "0040, which it never reached" in text
    assert "mains" in text  # the machine's cautions come first
    code, found = as_json(capsys, made)
    evidence = found["evidence"]
    assert (code, evidence["cycle"], evidence["acted_on"], evidence["chips"]) == (1, 0, "wrong word", ["U12"])
    assert evidence["expected"]["leads_to"] == ["0040"]
    assert evidence["seen"]["flow"] == "return"
    assert found["consequence"][0]["event"] == "entry"


def test_a_wrong_vector(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = case(tmp_path, "fellgate", "stuck-low:U4.D4", "u1-state", seed=2)
    code, found = as_json(capsys, made)
    assert (code, found["evidence"]["went_to"]) == (1, "E000")
    assert found["evidence"]["expected"]["leads_to"] == ["F000"]


def test_a_chosen_cycle(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = case(tmp_path, "quarrybank", "none", "u1-cycles")
    code, found = as_json(capsys, made, "--cycle", "23")
    assert (code, found["evidence"]["acted_on"], found["evidence"]["cycle"]) == (0, "can't tell", 23)
    assert "mean the same" in found["evidence"]["reasons"][0]
    assert main([*explained(made, "--cycle", "99999")]) == 2
    assert "There is no cycle 99999" in capsys.readouterr().err


@pytest.mark.parametrize("machine", ["saltmarsh", "fellgate", "quarrybank"])
def test_a_sound_machine(tmp_path: Path, capsys: pytest.CaptureFixture[str], machine: str) -> None:
    made = case(tmp_path, machine, "none", "u1-timing")
    assert main([*explained(made)]) == 0
    assert "nothing to explain" in capsys.readouterr().out
    code, found = as_json(capsys, made)
    assert (code, found["evidence"]) == (0, None)


@pytest.mark.parametrize(
    ("machine", "fault", "seed", "a_round", "clock_hz"),
    [
        # Saltmarsh's RAM test; Fellgate's sum, whose indexed reads may cross pages; a loop of two
        # instructions in which Quarrybank is caught. Clock frequencies are those of the machine files.
        ("saltmarsh", "none", 1, [132, 132], 1_843_200),
        ("fellgate", "none", 1, None, 983_000),
        ("quarrybank", "lost-charge:U2.x150", 3, [23, 23], 2_457_600),
    ],
)
def test_loops_take_the_published_time(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    machine: str,
    fault: str,
    seed: int,
    a_round: list[int] | None,
    clock_hz: int,
) -> None:
    """The simulators count their clock by themselves; the instrument samples every 50 or 100 ns."""
    made = case(tmp_path, machine, fault, "u1-timing", seed=seed, cycles=8000)
    assert made.machine.clock_hz == clock_hz
    _, found = as_json(capsys, made)
    assert found["loops"]
    for loop in found["loops"]:
        assert a_round is None or loop["clock_cycles_a_round"] == a_round
        low, high = (loop["rounds"] * count / clock_hz * 1e12 for count in loop["clock_cycles_a_round"])
        slack = 3 * made.machine.period_ps + 2e-4 * high
        assert low - slack <= loop["measured_ps"] <= high + slack, loop


def test_no_instruction_set(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = case(tmp_path, "saltmarsh", "none", "u1-cycles", cycles=200)
    text = made.machine_file.read_text("utf-8")
    made.machine_file.write_text(text.replace('instructions = "s16"\n', ""), "utf-8")
    assert main([*explained(made)]) == 2
    assert "does not say which instructions" in capsys.readouterr().err
    made.machine_file.write_text(text.replace('"s16"', '"s61"'), "utf-8")
    assert main([*explained(made)]) == 2
    assert "Did you mean 's16'" in capsys.readouterr().err


def test_an_own_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A table beside the machine file, and one with a mistake."""
    from wrongbit.instructions.table import PACKAGED

    made = case(tmp_path, "saltmarsh", "stuck-high:U12.D1", "u1-cycles", cycles=400)
    text = made.machine_file.read_text("utf-8")
    made.machine_file.write_text(text.replace('"s16"', '"table:mine.toml"'), "utf-8")
    table = PACKAGED.joinpath("s16.toml").read_text("utf-8")
    (tmp_path / "mine.toml").write_text(table, "utf-8")
    code, found = as_json(capsys, made)
    assert (code, found["evidence"]["expected"]["text"]) == (1, "JUMP 0x0040")
    (tmp_path / "mine.toml").write_text(table.replace("| RET ", "| RET | hop "), "utf-8")
    assert main([*explained(made)]) == 2
    assert "mine.toml, line" in capsys.readouterr().err
