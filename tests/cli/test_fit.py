"""``fit`` and ``files`` as a person runs them."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from xml.etree import ElementTree

import pytest

from wrongbit.cli.main import main
from wrongbit.demo.case import DemoCase, write_case
from wrongbit.image.formats import read_image

FILES = Path(__file__).parents[1] / "replace" / "files"
MASK_ROM = str(FILES / "mask_rom.toml")


@pytest.fixture(scope="module")
def quarrybank(tmp_path_factory: pytest.TempPathFactory) -> DemoCase:
    return write_case(tmp_path_factory.mktemp("quarrybank"), "quarrybank", "none", cycles=2000)


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(list(words))
    printed = capsys.readouterr()
    return code, printed.out, printed.err


def test_a_plan_says_what_fits_and_how(capsys: pytest.CaptureFixture[str]) -> None:
    code, said, _ = run(capsys, "fit", MASK_ROM, "--memory", "2732A")
    assert code == 0
    for part in (
        "U12: 2732A-25 fits as far as known",
        "425.0",  # 1000 - 225 - 100 - 250
        "output_to_data not",
        "IC1.21 A11",
        "ceramic capacitor 100 nF (E6)",
        "check the data sheet before you rely on it",
        "Switch off, unplug",
    ):
        assert part in said


def test_papers_and_json(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, said, _ = run(capsys, "fit", MASK_ROM, "--memory", "2732A", "--folder", str(tmp_path), "--json")
    assert code == 0
    plan = json.loads(said)["plan"]
    edge = plan["timing"][0]
    assert (edge["available_ps"], edge["needed_ps"], edge["margin_ps"]) == (675_000, 250_000, 425_000)
    assert all(term["source"] and term["status"] for each in plan["timing"] for term in each["needs"])
    assert ElementTree.parse(tmp_path / "drawing.svg").getroot().tag.endswith("svg")
    rows = list(csv.DictReader((tmp_path / "wiring.csv").read_text().splitlines()))
    assert [row["new pin"] for row in rows if row["old pin"] == "P1.18 A11"] == ["IC1.21 A11"]
    assert next(csv.reader((tmp_path / "parts.csv").read_text().splitlines()))[1] == "part"


def test_nothing_fits_is_an_outcome_and_not_a_mistake(capsys: pytest.CaptureFixture[str]) -> None:
    code, said, _ = run(capsys, "fit", MASK_ROM, "--memory", "2716")
    assert code == 1
    assert "No memory fits." in said
    assert "2716 has 2048 words" in said


def test_a_chip_of_a_machine_file_with_times_of_a_capture(
    capsys: pytest.CaptureFixture[str], quarrybank: DemoCase
) -> None:
    words = (
        "fit",
        str(quarrybank.machine_file),
        "--chip",
        "U3",
        "--shape",
        "2764",
        "--memory",
        "28C64",
        "--json",
    )
    _, said, _ = run(capsys, *words)
    assert json.loads(said)["plan"]["timing"][0]["available_ps"] == 250_000  # the old chip's access time
    taken = next(each for each in quarrybank.captures if each.point == "u1-timing")
    code, said, _ = run(capsys, *words, "--capture", str(taken.path), "--point", taken.point)
    assert code == 0
    edge = json.loads(said)["plan"]["timing"][0]
    assert edge["available"][0]["status"] == "measured"
    # UM0080: an opcode is taken two clocks after the address at the soonest, here 2 × 406.9 ns.
    assert 500_000 < edge["available_ps"] < 813_800


def test_a_plan_needs_no_images(
    capsys: pytest.CaptureFixture[str], quarrybank: DemoCase, tmp_path: Path
) -> None:
    """A replacement can be planned before its contents are found, and they may come from elsewhere."""
    machine = tmp_path / "quarrybank.toml"
    machine.write_text(quarrybank.machine_file.read_text(encoding="utf-8"), encoding="utf-8")
    chosen = (str(machine), "--chip", "U3", "--shape", "2764", "--memory", "27C64")
    assert run(capsys, "fit", *chosen)[0] == 0
    image = str(quarrybank.machine_file.parent / "u3.bin")
    code, _, _ = run(capsys, "files", chosen[0], image, *chosen[1:], "--folder", str(tmp_path / "out"))
    assert code == 0
    code, _, told = run(capsys, "files", *chosen, "--folder", str(tmp_path / "out"))
    assert code == 2
    assert "there is no such file" in told


def test_files_are_written_read_back_and_told(
    capsys: pytest.CaptureFixture[str], quarrybank: DemoCase, tmp_path: Path
) -> None:
    words = ("files", str(quarrybank.machine_file), "--chip", "U3", "--shape", "2764", "--memory", "27C64")
    code, said, _ = run(capsys, *words, "--folder", str(tmp_path))
    assert code == 0
    assert "read back and found equal" in said
    image = read_image(quarrybank.machine_file.parent / "u3.bin", "binary")
    assert (read_image(tmp_path / "U3.srec").words == image.words).all()
    code, _, told = run(capsys, *words, "--folder", str(tmp_path))
    assert code == 2
    assert "exists already" in told
    code, said, _ = run(capsys, *words, "--folder", str(tmp_path), "--replace", "--json")
    assert code == 0
    assert len(json.loads(said)["files"]) == 5


def test_several_images_by_jumpers(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    for number in range(2):
        (tmp_path / f"v{number}.bin").write_bytes(bytes([number + 0x80]) * 4096)
    words = ("files", MASK_ROM, str(tmp_path / "v0.bin"), str(tmp_path / "v1.bin"), "--memory", "27C64")
    code, _, _ = run(capsys, *words, "--folder", str(tmp_path / "out"), "--format", "binary")
    assert code == 0
    assert (tmp_path / "out" / "U12.bin").read_bytes() == b"\x80" * 4096 + b"\x81" * 4096
    label = (tmp_path / "out" / "U12.label.txt").read_text()
    assert "1000 v1.bin: JP1 open" in label


WIDE_MACHINE = """
[machine]
name = "Penhallow wool sorter"

[[processor]]
name = "U1"
word_bits = 16
address_bits = 23
byte_order = "big"
recipe = "68000"
clock = "8 MHz"

[[chip]]
name = "U5"
kind = "rom"
words = 65536
bits = 16
lane = "0..15"
access_time = "250 ns"
image = { file = "u5.bin" }
region = [{ base = 0, size = 65536 }]
"""


@pytest.mark.parametrize(("order", "first"), [("little", b"\x34\x12"), ("big", b"\x12\x34")])
def test_a_wide_image_is_read_in_the_processors_order_and_written_in_the_programmers(
    order: str, first: bytes, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The 68000 has the high byte of a word at the lower address (M68000 User's Manual)."""
    (tmp_path / "wool.toml").write_text(WIDE_MACHINE)
    (tmp_path / "u5.bin").write_bytes(b"\x12\x34" + bytes(131070))
    machine = str(tmp_path / "wool.toml")
    for image in ((), (str(tmp_path / "u5.bin"),)):
        code, _, told = run(
            capsys, "files", machine, *image, "--chip", "U5", "--shape", "27C1024", "--memory", "27C1024",
            "--byte-order", order, "--format", "binary", "--folder", str(tmp_path / "out"), "--replace",
        )  # fmt: skip
        assert (code, told) == (0, "")
        assert (tmp_path / "out" / "U5.bin").read_bytes()[:2] == first


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("fit", "nowhere.toml"), "there is no such file"),
        (("fit", MASK_ROM, "--memory", "27C215"), "Did you mean '27C256'"),
        (("fit", MASK_ROM, "--memory", "27C64", "--grade", ""), "has no grade ''"),
        (("fit", MASK_ROM, "--chip", "U3"), "The name of a chip goes with a machine file"),
        (("fit", MASK_ROM, "--latch", "374"), "Choose 373 or 573"),
        (("fit", "STILL"), "no processor runs at 0.2 Hz"),
        (("fit", "MACHINE"), "Which chip of Quarrybank kiln programmer is meant?"),
        (("fit", "PINLESS", "--chip", "U3"), "name the shape that it has"),
        (("fit", "MACHINE", "--chip", "U3", "--shape", "2332", "--select", "CS1"), "not NAME=LEVEL"),
        (("fit", "MACHINE", "--chip", "U3", "--shape", "2332"), "--select CS1=low"),
        (("fit", "MACHINE", "--chip", "U3", "--shape", "2732A"), "no pin for A12"),
        (("fit", "MACHINE", "--chip", "U3", "--shape", "2764", "--latched-by", "CE"), "pin with an edge"),
        (("files", MASK_ROM), "No image is named"),
        (("files", MASK_ROM, "nowhere.bin"), "there is no such file"),
        (("files", MASK_ROM, "."), "this is a folder, not a file"),
        (("files", MASK_ROM, MASK_ROM, "--take", "left"), "--take 'left' is not known"),
        (("files", MASK_ROM, MASK_ROM, "--format", "listing"), "--format 'listing' is not known"),
    ],
)
def test_mistakes_exit_2_with_a_remedy(
    words: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str], quarrybank: DemoCase
) -> None:
    lines = quarrybank.machine_file.read_text(encoding="utf-8").splitlines(keepends=True)
    pinless = quarrybank.machine_file.with_name("pinless.toml")
    pinless.write_text("".join(line for line in lines if not line.startswith("pins = {")), encoding="utf-8")
    still = quarrybank.machine_file.with_name("still.toml")
    still.write_text(
        'chip = { designator = "U7", shape = "2764" }\nbus = { processor = "Z80", clock = "0.2 Hz" }'
    )
    named = {"MACHINE": str(quarrybank.machine_file), "PINLESS": str(pinless), "STILL": str(still)}
    code, _, told = run(capsys, *(named.get(word, word) for word in words))
    assert code == 2
    assert said in " ".join(told.split())
    assert "Traceback" not in told
