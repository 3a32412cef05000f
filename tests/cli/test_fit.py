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


def test_an_image_that_is_not_what_the_chip_should_hold_is_refused(
    capsys: pytest.CaptureFixture[str], quarrybank: DemoCase, tmp_path: Path
) -> None:
    """A reading with a dead output would be programmed into the new chip, fault and all."""
    good = (quarrybank.machine_file.parent / "u3.bin").read_bytes()
    bad = bytearray(good)
    for place in range(0x0123, len(bad)):
        bad[place] &= 0xDF  # D5 reads 0 from here on
    differ = [n for n, (one, two) in enumerate(zip(good, bad, strict=True)) if one != two]
    (tmp_path / "pass-1.bin").write_bytes(bad)
    (tmp_path / "good.bin").write_bytes(good)
    machine, rest = str(quarrybank.machine_file), ("--shape", "2764", "--memory", "27C64")
    out = tmp_path / "out"
    words = ("files", machine, "U3", str(tmp_path / "pass-1.bin"), *rest, "--folder", str(out))
    code, _, told = run(capsys, *words)
    told = " ".join(told.split())
    assert code == 2 and not out.exists()
    assert f"{len(differ)} of {len(good)} words differ, first at 0x{differ[0]:04X} of the chip" in told
    first = differ[0]
    assert f"{good[first]:02X} by the reference, {bad[first]:02X} in the file" in told and "--anyway" in told
    code, said, _ = run(capsys, *words, "--anyway", "--json")
    assert code == 0 and (out / "U3.bin").read_bytes() == bytes(bad)
    (compared,) = json.loads(said)["compared"]
    assert (compared["differ"], compared["first"]) == (len(differ), first)
    words = ("files", machine, "U3", str(tmp_path / "good.bin"), *rest, "--folder", str(tmp_path / "fine"))
    code, said, told = run(capsys, *words)
    assert code == 0 and "is what U3 should hold" in " ".join((said + told).split())


def test_of_a_case_the_image_is_held_against_the_references_that_were_added(
    capsys: pytest.CaptureFixture[str], quarrybank: DemoCase, tmp_path: Path
) -> None:
    """The machine file's own image is not there; the one that was added says what U3 should hold."""
    folder = tmp_path / "kiln"
    folder.mkdir()
    for path in quarrybank.images:
        if path.name != "u3.bin":
            (folder / path.name).write_bytes(path.read_bytes())
    (folder / "machine.toml").write_bytes(quarrybank.machine_file.read_bytes())
    good = (quarrybank.machine_file.parent / "u3.bin").read_bytes()
    (tmp_path / "kept.bin").write_bytes(good)
    (tmp_path / "pass.bin").write_bytes(bytes([good[0] ^ 0x20]) + good[1:])
    assert run(capsys, "add", str(folder), "reference", str(tmp_path / "kept.bin"), "--kind", "image",
               "--chip", "U3")[0] == 0  # fmt: skip
    words = ("--shape", "2764", "--memory", "27C64", "--folder", str(tmp_path / "out"))
    code, _, told = run(capsys, "files", str(folder), "U3", str(tmp_path / "pass.bin"), *words)
    assert code == 2 and "1 of 8192 words differ, first at 0x0000" in " ".join(told.split())


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
