"""The verbs that line things up, as a person runs them."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from wrongbit.cli.main import main
from wrongbit.demo.case import DemoCase, write_case

Capture = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> DemoCase:
    points = ["u1-timing", "u1-cycles"]
    return write_case(tmp_path_factory.mktemp("case"), "quarrybank", "none", points=points, cycles=4000)


def words(case: DemoCase, verb: str, *more: str, capture: int = 0) -> list[str]:
    taken = case.captures[capture]
    return [verb, str(case.machine_file), str(taken.path), "--point", taken.point, *more]


def test_leads_that_are_right(case: DemoCase, capsys: Capture) -> None:
    assert main(words(case, "leads")) == 0
    assert "carry what the machine file says" in capsys.readouterr().out


def with_point(case: DemoCase, name: str, text: str) -> Path:
    """The machine file with one more probe point."""
    file = case.machine_file.with_name(f"{name}.toml")
    file.write_text(case.machine_file.read_text("utf-8") + text, "utf-8")
    return file


def exchanged(case: DemoCase, name: str, first: int, second: int) -> Path:
    """The first capture with two of its data leads exchanged."""
    lines = case.captures[0].path.read_text("utf-8").splitlines()
    head = next(number for number, line in enumerate(lines) if "DATA" in line.split("\t"))
    column = lines[head].split("\t").index("DATA")
    for number in range(head + 1, len(lines)):
        cells = lines[number].split("\t")
        word = int(cells[column], 16)
        if (word >> first ^ word >> second) & 1:
            cells[column] = f"{word ^ (1 << first | 1 << second):02X}"
        lines[number] = "\t".join(cells)
    file = case.captures[0].path.with_name(name)
    file.write_text("\n".join(lines), "utf-8")
    return file


def test_swapped_data_leads_are_told(case: DemoCase, capsys: Capture) -> None:
    taken = exchanged(case, "swapped.csv", 2, 6)
    call = ["leads", str(case.machine_file), str(taken), "--point", "u1-timing"]
    assert main(call) == 1
    page = capsys.readouterr().out
    assert "The leads D2 and D6 are exchanged" in page and "Check your clips" in page
    assert main([*call, "--json"]) == 1
    (found,) = json.loads(capsys.readouterr().out)["findings"]
    assert (found["kind"], found["bus"], found["leads"]) == ("swapped", "data", [2, 6])


def chip_capture(case: DemoCase, file: Path, chip: str, base: int, rate: float) -> np.ndarray:
    """What a clip on a chip of 8 outputs shows, one row each time that it is enabled; returns the truth."""
    trace = case.trace
    rows = np.flatnonzero((trace.kind <= 1) & (trace.address >= base) & (trace.address < base + 8192))
    flips = (np.random.default_rng(1).random((len(rows), 8)) < rate) @ (1 << np.arange(8))
    seen = trace.word[rows].astype(np.int64) ^ flips.astype(np.int64)
    with file.open("w", newline="") as out:
        writer = csv.writer(out)
        writer.writerow([f"D{bit}" for bit in range(8)])
        writer.writerows([[word >> bit & 1 for bit in range(8)] for word in seen.tolist()])
    assert chip
    return np.asarray(trace.address[rows] - np.uint64(base), np.int64)


CLIP = """
[[point]]
name = "u2-outputs"
mode = "state"
clock = "/CE ends"
chip = "U2"
address_trusted = false
"""


def test_recover_on_a_chip(case: DemoCase, tmp_path: Path, capsys: Capture) -> None:
    machine = with_point(case, "clipped", CLIP)
    file = tmp_path / "u2.csv"
    truth = chip_capture(case, file, "U2", 0, 0.02)
    call = ["recover", str(machine), str(file), "--point", "u2-outputs"]
    table = tmp_path / "all.csv"
    assert main([*call, "--table", str(table)]) == 0
    page = capsys.readouterr().out
    assert "lined up with the reference" in page and "on chip U2" in page
    with table.open() as rows:
        found = np.array([int(row["address"]) for row in csv.DictReader(rows)])
    assert len(found) == len(truth) and (found == truth).mean() > 0.9
    assert main([*call, "--json", "--count", "3"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["fits"] and len(told["rows"]) == 3 and told["chip"] == "U2"


def test_recover_on_a_bus_and_bad_options(case: DemoCase, capsys: Capture) -> None:
    assert main(words(case, "recover", capture=1)) == 0
    page = capsys.readouterr().out
    assert "The addresses belong to their own words" in page
    assert main(words(case, "recover", "--noise", "0.7")) == 2
    assert main(words(case, "leads", "--noise", "0")) == 2


def test_recover_of_another_chips_words(case: DemoCase, tmp_path: Path, capsys: Capture) -> None:
    machine = with_point(case, "clipped", CLIP)
    file = tmp_path / "noise.csv"
    rows = np.random.default_rng(2).integers(0, 2, (1500, 8)).tolist()
    file.write_text("\n".join(",".join(map(str, row)) for row in [[f"D{b}" for b in range(8)], *rows]))
    assert main(["recover", str(machine), str(file), "--point", "u2-outputs"]) == 1
    assert "do not fit the reference" in capsys.readouterr().out


def test_a_chip_that_nobody_enables(case: DemoCase, tmp_path: Path, capsys: Capture) -> None:
    machine = with_point(case, "timed", '\n[[point]]\nname = "u2-timed"\nmode = "timing"\nchip = "U2"\n')
    file = tmp_path / "still.csv"
    file.write_text("/CE,D0,D1\n" + "1,0,1\n" * 20)
    assert main(["recover", str(machine), str(file), "--point", "u2-timed"]) == 2
    assert "never enabled" in capsys.readouterr().err
    file.write_text("XX,D0,D1\n" + "1,0,1\n" * 20)
    assert main(["recover", str(machine), str(file), "--point", "u2-timed"]) == 2
    assert "No column carries the enable of U2" in capsys.readouterr().err


def test_pair_of_a_sick_machine_and_its_twin(case: DemoCase, tmp_path: Path, capsys: Capture) -> None:
    sick = write_case(
        tmp_path, "quarrybank", "weak-column:U2.D3.column5.high@0.5", points=["u1-cycles"], cycles=4000
    )
    call = ["pair", str(case.machine_file), str(case.captures[1].path), str(sick.captures[0].path)]
    code = main([*call, "--point", "u1-cycles"])
    page = capsys.readouterr().out
    assert code == 1
    assert "First different word" in page and "D3" in page and "U2" in page
    assert main([*call, "--point", "u1-cycles", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert {place["bits"] for place in told["places"]} == {8}
    assert told["bits"][3] == sum(place["differ"] for place in told["places"])


def test_pair_of_equal_captures(case: DemoCase, capsys: Capture) -> None:
    file = str(case.captures[1].path)
    assert main(["pair", str(case.machine_file), file, file, "--point", "u1-cycles"]) == 0
    assert "They never go different ways." in capsys.readouterr().out
