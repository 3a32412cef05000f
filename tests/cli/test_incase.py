"""The verbs on a case folder say what they say on its files; looking needs no right to write."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from wrongbit.case.entries import ReadingAdded, ValueAdded
from wrongbit.case.folder import Case
from wrongbit.casework import unkept
from wrongbit.cli.main import main
from wrongbit.demo.case import DemoCase, write_case
from wrongbit.demo.readings import ChipCase, write_chip_case


@pytest.fixture(scope="module")
def recorder(tmp_path_factory: pytest.TempPathFactory) -> DemoCase:
    return write_case(
        tmp_path_factory.mktemp("recorder"), "saltmarsh", cycles=1500, points=["u1-timing"], whole=True
    )


@pytest.fixture
def folder(recorder: DemoCase, tmp_path: Path) -> Path:
    return Path(shutil.copytree(recorder.folder, tmp_path / "case"))


def told(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    capsys.readouterr()
    assert main([*words, "--json"]) in (0, 1)
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("verb", ["compare", "diagnose", "explain"])
def test_a_folder_says_what_its_files_say(
    verb: str, folder: Path, recorder: DemoCase, capsys: pytest.CaptureFixture[str]
) -> None:
    capture = recorder.captures[0]
    expected = told(capsys, verb, str(recorder.machine_file), str(capture.path), "--point", capture.point)
    assert told(capsys, verb, str(folder)) == expected
    assert told(capsys, verb, str(folder), "u1-timing.csv") == expected
    assert told(capsys, verb, str(folder), "2") == expected
    assert told(capsys, verb, str(folder), "--point", "u1-timing") == expected
    for wrong in (["9"], ["u1.csv"], ["--point", "u1-state"]):
        assert main([verb, str(folder), *wrong]) == 2
        assert "captures at: u1-timing (2: u1-timing.csv)" in " ".join(capsys.readouterr().err.split())
    assert main([verb, str(recorder.machine_file)]) == 2
    assert "No capture was named" in capsys.readouterr().err


def test_the_ladder_of_a_folder(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Case.open(folder) as case:
        case.add(ValueAdded("VCC = 4.2 V"))
    assert told(capsys, "ladder", str(folder))["first_outside"] == "VCC voltage"
    # A value that is only typed counts before those that are kept, and is not kept itself.
    assert told(capsys, "ladder", str(folder), "--measured", "VCC = 5 V")["first_outside"] is None
    assert told(capsys, "ladder", str(folder))["first_outside"] == "VCC voltage"


@pytest.mark.parametrize("verb", ["cycles", "leads"])
def test_a_capture_of_a_folder_says_what_its_file_says(
    verb: str, recorder: DemoCase, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taken = recorder.captures[0]
    expected = told(capsys, verb, str(recorder.machine_file), str(taken.path), "--point", taken.point)
    assert told(capsys, verb, str(folder)) == expected
    assert told(capsys, verb, str(folder), "u1-timing.csv", "--point", "u1-timing") == expected
    assert main([verb, str(folder), "u9.csv"]) == 2
    assert "no capture 'u9.csv'" in capsys.readouterr().err
    assert main([verb, str(folder / "saltmarsh.toml")]) == 2
    assert "Name one, or a case folder" in " ".join(capsys.readouterr().err.split())


@pytest.fixture(scope="module")
def kiln(tmp_path_factory: pytest.TempPathFactory) -> ChipCase:
    return write_chip_case(tmp_path_factory.mktemp("kiln"))


def test_a_chip_of_a_folder(kiln: ChipCase, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = Path(shutil.copytree(kiln.folder, tmp_path / "kiln"))
    files = [str(path) for path in kiln.readings]
    expected = told(capsys, "chip", str(kiln.machine_file), "U3", *files)
    found = told(capsys, "chip", str(folder), "U3")
    assert found["reference"] == expected["reference"] and found["stability"] == expected["stability"]
    assert main(["chip", str(folder), "U3", files[0]]) == 2
    assert "wrongbit add" in capsys.readouterr().err
    assert main(["chip", str(folder), "U2"]) == 2
    assert "Nothing was read from U2" in capsys.readouterr().err


def test_a_chip_of_a_folder_is_rebuilt(
    kiln: ChipCase, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert kiln.twin is not None and kiln.worn is not None
    folder = Path(shutil.copytree(kiln.folder, tmp_path / "kiln"))
    with Case.open(folder) as case:
        case.add_reference(kiln.twin, "twin", "U3")
    output = tmp_path / "u3.bin"
    words = ["rebuild", str(folder), "U3", "--checksum", kiln.worn.checksum, "--output", str(output)]
    assert main(words) == 0
    assert output.read_bytes() == kiln.truth.astype("u1").tobytes()
    page = " ".join(capsys.readouterr().out.split())
    assert "6 readings" in page and "twin u3-twin.bin" in page and "u3-printout.lst" in page
    assert main(["rebuild", str(folder), "U3", "--reference"]) == 2
    assert "wrongbit add" in capsys.readouterr().err


MORTAR = """\
[machine]
name = "Invented mortar scale"
invented = true

[[processor]]
name = "U1"
family = "68000"
word_bits = 16
address_bits = 24
address_unit = "byte"
byte_order = "big"
recipe = "68000"

[[listing]]
file = "listing.txt"

[[chip]]
name = "U12"
kind = "rom"
type = "2716"
technology = "eprom"
access_time = "450 ns"
words = 2048
bits = 8
lane = "8..15"

[[chip.region]]
base = 0x008000
size = 0x1000
"""


@pytest.fixture
def mortar(tmp_path: Path) -> tuple[Path, bytes]:
    """A machine of which only a listing is left; both passes of its chip show a dead row, all ones."""
    true = np.random.default_rng(8).integers(0, 256, (2048, 2)).astype(np.uint8)
    lines = [f"{0x8000 + 2 * row:06X} {high:02X}{low:02X}" for row, (high, low) in enumerate(true)]
    read = true[:, 0].copy()
    read[0x2B0:0x2C0] = 0xFF
    (tmp_path / "mortar.toml").write_text(MORTAR)
    (tmp_path / "listing.txt").write_text("\n".join(lines) + "\n")
    for name in ("pass-1.bin", "pass-2.bin"):
        (tmp_path / name).write_bytes(read.tobytes())
    return tmp_path, true[:, 0].tobytes()


def test_the_listing_of_the_machine_file_counts_in_a_folder(
    mortar: tuple[Path, bytes], capsys: pytest.CaptureFixture[str]
) -> None:
    """A dead row reads the same in every pass: only the listing tells that its words are wrong."""
    folder, true = mortar
    case, output = folder / "case", folder / "u12.bin"
    assert main(["new", str(case), "--machine", str(folder / "mortar.toml")]) == 0
    files = [str(folder / name) for name in ("pass-1.bin", "pass-2.bin")]
    assert main(["add", str(case), "reading", *files, "--chip", "U12"]) == 0
    found = told(capsys, "rebuild", str(case), "U12", "--output", str(output), "--allow-unknown")
    assert [each["kind"] for each in found["sources"]] == ["reading", "listing"]
    assert output.read_bytes() == true
    # The same listing added as well is still one listing.
    assert main(["add", str(case), "reference", str(folder / "listing.txt"), "--kind", "listing"]) == 0
    again = told(capsys, "rebuild", str(case), "U12")
    assert [each["kind"] for each in again["sources"]] == ["reading", "listing"]


def test_a_reference_of_the_machine_file_that_is_left_out_is_told(
    mortar: tuple[Path, bytes], capsys: pytest.CaptureFixture[str]
) -> None:
    folder, true = mortar
    words = ["rebuild", str(folder / "mortar.toml"), "U12", "--reading", str(folder / "pass-1.bin")]
    wrong = sum(8 - each.bit_count() for each in true[0x2B0:0x2C0])
    assert main(words) == 0
    page = " ".join(capsys.readouterr().out.split())
    assert f"listing listing.txt was left out and says otherwise in {wrong} bits: --reference" in page
    output = folder / "u12.bin"
    assert main([*words, "--reference", "--output", str(output), "--allow-unknown"]) == 1
    assert "left out" not in capsys.readouterr().out
    assert output.read_bytes() == true


@pytest.mark.parametrize("verb", ["suspects", "next"])
def test_a_bad_rom_leads_on_to_its_contents_and_its_successor(
    verb: str, recorder: DemoCase, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The recorder's ROM has a dead row. Once it was read, what it should hold can be rebuilt."""
    part = recorder.suspect
    assert main([verb, str(folder)]) == 1
    page = capsys.readouterr().out
    for words in (f"chip {folder} {part}", f"rebuild {folder} {part} -o", f"fit {folder} {part}"):
        assert f"  wrongbit {words}" in page
    assert "wrongbit add" not in page
    with Case.open(folder) as case:
        for entry, _ in case.of_kind(ReadingAdded):
            case.withdraw(entry.number, "another chip")
    assert main([verb, str(folder)]) == 1
    page = capsys.readouterr().out
    assert f"  wrongbit add {folder} reading {part.lower()}.bin --chip {part}" in page
    assert "wrongbit rebuild" not in page


def test_the_programmers_files_come_from_a_listing_or_from_what_was_rebuilt(
    mortar: tuple[Path, bytes], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A listing has the processor's words: the chip's own are taken by its addresses and its data lines."""
    folder, true = mortar
    machine, listing = str(folder / "mortar.toml"), str(folder / "listing.txt")
    for number, words in enumerate(([listing, "--take", "even"], [listing], [])):
        out = tmp_path / f"out-{number}"
        code = main(["files", machine, "U12", *words, "--memory", "2716", "--folder", str(out)])
        page = " ".join(capsys.readouterr().out.split())
        assert code == 0, words
        assert (out / "U12.bin").read_bytes() == true
        assert ("read as a listing of the words of U1" in page) == bool(words)
    case, out = folder / "case", tmp_path / "out-case"
    assert main(["new", str(case), "--machine", machine]) == 0
    files = [str(folder / name) for name in ("pass-1.bin", "pass-2.bin")]
    assert main(["add", str(case), "reading", *files, "--chip", "U12"]) == 0
    words = ["files", str(case), "U12", "--memory", "2716", "--folder", str(out)]
    assert main([*words, "--rebuilt"]) == 2  # a few bits of it are unknown
    assert "bits are unknown" in " ".join(capsys.readouterr().err.split())
    assert main([*words, "--rebuilt", "--allow-unknown"]) == 0
    assert (out / "U12.bin").read_bytes() == true
    assert main(["files", machine, "U12", "--rebuilt", "--memory", "2716"]) == 2
    assert "Name the case folder" in capsys.readouterr().err


def test_a_file_of_the_same_name_is_not_taken_for_the_capture(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "u1-timing.csv"
    other.write_bytes((folder / "u1-timing.csv").read_bytes() + b"\n")
    assert main(["compare", str(folder), str(other)]) == 2
    assert "no capture" in capsys.readouterr().err
    assert main(["compare", str(folder), str(folder / "u1-timing.csv")]) == 1


def test_a_memory_for_a_chip_of_a_folder(kiln: ChipCase, capsys: pytest.CaptureFixture[str]) -> None:
    expected = told(capsys, "fit", str(kiln.machine_file), "--chip", "U3")
    assert told(capsys, "fit", str(kiln.folder), "--chip", "U3") == expected


# -- looking only ------------------------------------------------------------------------------------------


def listing(folder: Path) -> list[tuple[str, int]]:
    return sorted((str(path.relative_to(folder)), path.stat().st_mtime_ns) for path in folder.rglob("*"))


@pytest.mark.parametrize(
    "verb", ["cycles", "leads", "compare", "diagnose", "explain", "suspects", "next", "prove"]
)
def test_a_folder_that_may_only_be_read_is_looked_at(
    verb: str, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Rights do not bind the superuser, so that what finds out about them is told that it failed."""
    expected = told(capsys, verb, str(shutil.copytree(folder, folder.parent / "kept")))
    monkeypatch.setattr(unkept, "_writable", lambda _: False)
    before = listing(folder)
    found = told(capsys, verb, str(folder))
    assert listing(folder) == before
    if verb != "prove":  # its entries have other numbers
        assert found == expected
    assert main(["ladder", str(folder)]) == 0
    assert listing(folder) == before


def test_a_machine_file_alone_is_a_case_too(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "case.toml").unlink()
    (folder / "saltmarsh.toml").rename(folder / "machine.toml")
    monkeypatch.setattr(unkept, "_writable", lambda _: False)
    assert main(["next", str(folder)]) == 0
    assert "Nothing was measured yet" in capsys.readouterr().out
    assert not (folder / "journal.sqlite").exists()


def test_nothing_can_be_added_to_a_folder_that_may_only_be_read(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(unkept, "_writable", lambda _: False)
    capture = ["--capture", str(folder / "repaired-u1-timing.csv"), "--point", "u1-timing"]
    assert main(["prove", str(folder), *capture]) == 2
    assert "may only be read" in capsys.readouterr().err


def test_a_case_that_may_only_be_read_is_computed_without_being_kept(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A journal is there, but neither it nor the folder can be written."""
    expected = told(capsys, "compare", str(folder))
    with Case.open(folder) as case:
        shutil.rmtree(folder / "derived")
        count = len(case.entries(withdrawn=True))
        database = case._journal.database
        monkeypatch.setattr(type(database), "writing", _refuse)
        monkeypatch.setattr(Case, "derived", _refuse)
        from wrongbit.casework.casework import Casework

        overview = Casework(case).overview()
        assert overview.up_to_date and overview.captures[0].differs == expected["differs"]
        assert len(case.entries(withdrawn=True)) == count
        assert not (folder / "derived").exists()


def _refuse(*_: object, **__: object) -> Any:
    from wrongbit.errors import CaseError

    raise CaseError("This case may only be read.", "Copy it.")
