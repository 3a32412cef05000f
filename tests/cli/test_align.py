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
    assert "by more than 1,000,000 to 1" in page and "nats" not in page
    assert main([*call, "--json"]) == 1
    (found,) = json.loads(capsys.readouterr().out)["findings"]
    assert (found["kind"], found["bus"], found["leads"]) == ("swapped", "data", [2, 6])


def test_a_stuck_output_of_one_chip_is_not_told_as_a_clip(
    tmp_path_factory: pytest.TempPathFactory, capsys: Capture
) -> None:
    """Two ROMs feed the same lines, and the other one's words come through."""
    folder = tmp_path_factory.mktemp("stuck")
    stuck = write_case(folder, "quarrybank", "stuck-low:U3.D4", points=["u1-timing"], cycles=6000)
    taken = stuck.captures[0]
    call = ["leads", str(stuck.machine_file), str(taken.path), "--point", taken.point]
    assert main(call) == 0
    page = " ".join(capsys.readouterr().out.split())
    assert "D4 is wrong in" in page and "reads of U3 and right in all" in page and "nats" not in page
    assert main([*call, "--json"]) == 0
    (line,) = json.loads(capsys.readouterr().out)["one_chip_lines"]
    assert (line["bit"], line["chip"], line["others"]) == (4, "U3", ["U2"])


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


def doubted(case: DemoCase, name: str, damage: int) -> list[str]:
    """The capture of whole cycles, its addresses spoilt, a data line of one chip stuck where asked for."""
    lines = case.captures[1].path.read_text("utf-8").splitlines()
    rng = np.random.default_rng(4)
    for number in range(1, len(lines)):
        address, word, *rest = lines[number].split(",")
        word = f"{int(word, 16) & ~damage:02X}" if int(address, 16) < 0x2000 else word
        lines[number] = ",".join([f"{rng.integers(65536):04X}", word, *rest])
    file = case.captures[1].path.with_name(f"{name}.csv")
    file.write_text("\n".join(lines), "utf-8")
    text = case.machine_file.read_text("utf-8")
    own = next(part for part in text.split("[[point]]") if 'name = "u1-cycles"' in part)
    machine = case.machine_file.with_name("doubted.toml")
    own = own.replace("u1-cycles", "doubted").rstrip() + "\naddress_trusted = false\n"
    machine.write_text(f"{text}\n[[point]]{own}", "utf-8")
    return [str(machine), str(file), "--point", "doubted"]


def test_addresses_that_are_not_to_be_relied_on_are_recovered(case: DemoCase, capsys: Capture) -> None:
    call = doubted(case, "sound", 0)
    assert main(["diagnose", *call]) == 0
    page = " ".join(capsys.readouterr().out.split())
    assert "No fault is seen" in page and "The addresses are recovered from the words" in page
    assert main(["diagnose", *doubted(case, "stuck", 0x20), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["findings"][0]["faults"][0]["what"] in ("stuck at 0", "open")
    assert told["findings"][0]["faults"][0]["first"] == 5


def test_without_addresses_a_program_is_not_followed(case: DemoCase, capsys: Capture) -> None:
    assert main(["explain", *doubted(case, "sound", 0)]) == 2
    assert "the program cannot be followed" in " ".join(capsys.readouterr().err.split())


def test_addresses_that_cannot_be_recovered_are_refused(case: DemoCase, capsys: Capture) -> None:
    machine, file, *point = doubted(case, "noise", 0)
    lines = Path(file).read_text("utf-8").splitlines()
    rng = np.random.default_rng(5)
    for number in range(1, len(lines)):
        address, _, *rest = lines[number].split(",")
        lines[number] = ",".join([address, f"{rng.integers(256):02X}", *rest])
    Path(file).write_text("\n".join(lines), "utf-8")
    assert main(["compare", machine, file, *point]) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert "none can be recovered" in told and "address_trusted = false" in told


def test_words_of_a_chip_are_no_bus_cycles(case: DemoCase, tmp_path: Path, capsys: Capture) -> None:
    machine = with_point(case, "clipped", CLIP)
    file = tmp_path / "u2.csv"
    chip_capture(case, file, "U2", 0, 0.0)
    assert main(["diagnose", str(machine), str(file), "--point", "u2-outputs"]) == 2
    assert "wrongbit recover" in capsys.readouterr().err


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
