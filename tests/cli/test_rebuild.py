"""The verb ``rebuild`` as a person runs it: a worn, a miswired and a half-dead chip of invented machines."""

from __future__ import annotations

import json
import re
import zlib
from pathlib import Path

import crccheck.crc
import intelhex
import numpy as np
import pytest

from wrongbit.cli.main import main
from wrongbit.demo.case import DemoCase, write_case
from wrongbit.image.formats import read_image

SIZE = 8192


@pytest.fixture(scope="module")
def kiln(tmp_path_factory: pytest.TempPathFactory) -> DemoCase:
    """Quarrybank, sound: U2 is an 8 KiB EPROM at 0, U3 one at 0x2000."""
    return write_case(tmp_path_factory.mktemp("kiln"), "quarrybank", "none", cycles=3000)


@pytest.fixture(scope="module")
def true(kiln: DemoCase) -> np.ndarray:  # type: ignore[type-arg]
    return read_image(kiln.folder / "u2.hex").words.astype(np.uint8)


@pytest.fixture
def worn(true: np.ndarray, tmp_path: Path) -> list[str]:  # type: ignore[type-arg]
    """Three passes of a worn chip: twelve 0s read as 1 in one or two of them."""
    draw = np.random.default_rng(6)
    zeros = np.flatnonzero(np.unpackbits(true[:, None], axis=1, bitorder="little").reshape(-1) == 0)
    passes = [true.copy() for _ in range(3)]
    for number, place in enumerate(draw.choice(zeros, 12, replace=False)):
        for each in draw.permutation(3)[: 1 + number % 2]:
            passes[each][place // 8] |= 1 << place % 8
    arguments = []
    for number, words in enumerate(passes):
        file = tmp_path / f"pass-{number}.bin"
        file.write_bytes(words.tobytes())
        arguments += ["--reading", str(file)]
    return arguments


def write(path: Path, words: np.ndarray) -> str:  # type: ignore[type-arg]
    path.write_bytes(words.astype(np.uint8).tobytes())
    return str(path)


def crc_of(words: np.ndarray) -> str:  # type: ignore[type-arg]
    return f"crc-32 = 0x{zlib.crc32(words.astype(np.uint8).tobytes()):X}"


def run(kiln: DemoCase, *more: str, chip: str = "U2") -> int:
    return main(["rebuild", str(kiln.machine_file), chip, *more])


def test_a_worn_chip_comes_back_by_its_crc(
    kiln: DemoCase,
    true: np.ndarray,
    worn: list[str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],  # type: ignore[type-arg]
) -> None:
    output, table = tmp_path / "u2.hex", tmp_path / "map.csv"
    assert run(kiln, *worn, "-o", str(output)) == 1
    page = capsys.readouterr().out
    assert "was not written" in page
    assert re.search(r"\d+ bits are unknown", page.replace("\n", " "))
    assert "the weak ones" in page
    assert not output.exists()
    assert run(kiln, *worn, "--checksum", crc_of(true), "-o", str(output), "--map", str(table)) == 0
    page = capsys.readouterr().out
    assert "1 solution" in page
    # Of the twelve, those that gave 0 twice of three times are likely without the CRC: charge only leaks.
    assert "6 bits settled" in page
    # Read by somebody else's reader of Intel HEX.
    again = intelhex.IntelHex(str(output))
    assert bytes(again.tobinarray(start=0, size=SIZE)) == true.tobytes()
    rows = table.read_text(encoding="utf-8").splitlines()
    assert len(rows) == SIZE + 1
    assert {row.split(",")[4] for row in rows[1:]} <= {"proven", "likely"}
    assert sorted(path.suffix for path in tmp_path.iterdir()) == [".bin"] * 3 + [".csv", ".hex"]


def test_json_says_the_same(
    kiln: DemoCase,
    true: np.ndarray,
    worn: list[str],
    capsys: pytest.CaptureFixture[str],  # type: ignore[type-arg]
) -> None:
    assert run(kiln, *worn, "--checksum", crc_of(true), "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["complete"]
    assert told["classes"]["unknown"] == 0
    assert told["checksums"]["solutions"] == "1"
    assert told["checksums"]["unknown_bits"] == told["checksums"]["settled_bits"] == 6
    assert told["sources"][0]["unsteady"] == 12
    # A sum of 8 bits has too few check bits to spare to stand for the steady 1s as well.
    total = int(true.sum(dtype=np.int64)) & 0xFF
    assert run(kiln, *worn, "--checksum", f"sum8 = {total}", "--json") == 1
    told = json.loads(capsys.readouterr().out)
    assert told["fading"]["wavering_bits"] == 12
    assert told["fading"]["weak_bits_faded"]["low"] <= 0.0 < told["fading"]["weak_bits_faded"]["high"]
    assert told["classes"]["unknown"] > 0


def test_unknown_bits_are_written_only_when_allowed(
    kiln: DemoCase, worn: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    output = tmp_path / "out.s19"
    assert run(kiln, *worn, "-o", str(output), "--allow-unknown") == 1
    page = capsys.readouterr().out.replace("\n", " ")
    assert "bits are unknown; their likelier level was written" in page
    assert output.read_text(encoding="ascii").startswith("S0")


def test_a_fault_that_shows_beside_a_twin_is_taken_back(
    kiln: DemoCase,
    true: np.ndarray,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],  # type: ignore[type-arg]
) -> None:
    """A3 and A4 swapped in the adapter: found, told, undone; with 'none' it is left and nothing fits."""
    address = np.arange(SIZE)
    swapped = true[(address & ~0x18) | (address & 8) << 1 | (address & 16) >> 1]
    reading, twin = write(tmp_path / "r.bin", swapped), write(tmp_path / "t.bin", true)
    output = tmp_path / "out.bin"
    assert run(kiln, "--reading", reading, "--twin", twin, "-o", str(output)) == 0
    page = capsys.readouterr().out
    assert "Taken back from the readings" in page
    assert "A3 and A4" in page
    assert output.read_bytes() == true.tobytes()
    assert run(kiln, "--reading", reading, "--twin", twin, "--undo", "none", "--json") == 1
    told = json.loads(capsys.readouterr().out)
    assert told["conflicts"]
    assert told["undone"] == []
    # Asked for, it needs nothing to compare with.
    assert run(kiln, "--reading", reading, "--undo", "swap A4 A3", "--checksum", crc_of(true), "--json") == 0
    assert json.loads(capsys.readouterr().out)["classes"]["proven"] == SIZE * 8


def test_a_capture_and_a_listing_prove_what_they_cover(
    kiln: DemoCase,
    true: np.ndarray,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],  # type: ignore[type-arg]
) -> None:
    """The capture names the chip's words by processor addresses; the listing covers a few of them."""
    capture = kiln.captures[0]
    listing = tmp_path / "part.lst"
    listing.write_text("".join(f"{at:04X} {true[at]:02X}\n" for at in range(0x40)), encoding="ascii")
    table = tmp_path / "map.csv"
    reading = write(tmp_path / "r.bin", true)
    more = ["--capture", str(capture.path), "--point", capture.point, "--listing", str(listing)]
    assert run(kiln, "--reading", reading, *more, "--map", str(table), "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert [source["kind"] for source in told["sources"]] == ["reading", "listing", "bus"]
    assert told["sources"][1]["bits"] == 0x40 * 8
    assert told["sources"][2]["bits"] > 800
    assert told["conflicts"] == []
    rows = [row.split(",") for row in table.read_text(encoding="utf-8").splitlines()[1:]]
    assert {row[4] for row in rows[:0x40]} == {"proven"}
    assert {row[4] for row in rows[0x40:]} == {"likely"}  # the same chip twice is one source
    # Without any reading the capture alone gives what was executed, and nothing else.
    assert (
        run(kiln, "--capture", str(capture.path), "--point", capture.point, "--json", "--map", str(table))
        == 1
    )
    told = json.loads(capsys.readouterr().out)
    assert told["classes"]["unknown"] > 0
    for row in table.read_text(encoding="utf-8").splitlines()[1:]:
        address, word, known, *_ = row.split(",")
        assert (int(word, 16) ^ int(true[int(address, 16)])) & int(known, 16) == 0


def test_a_dead_output_is_filled_from_the_twin_and_the_reference(
    kiln: DemoCase,
    true: np.ndarray,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],  # type: ignore[type-arg]
) -> None:
    reading = write(tmp_path / "r.bin", true | 8)
    twin = true.copy()
    twin[100] ^= 8
    more = ["--reading", reading, "--twin", write(tmp_path / "t.bin", twin), "--undo", "stuck D3"]
    assert run(kiln, *more, "--reference", "--json") == 1
    told = json.loads(capsys.readouterr().out)
    assert [entry["address"] for entry in told["unknown"]] == [100]
    assert told["unknown"][0]["known"] == "F7"
    assert [entry["address"] for entry in told["conflicts"]] == [100]


def test_one_steady_wrong_bit_is_named_and_turned_where_the_checksum_is_long_enough(
    kiln: DemoCase,
    true: np.ndarray,  # type: ignore[type-arg]
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    bad = true.copy()
    bad[0x123] ^= 0x40
    output = tmp_path / "o.bin"
    command = ["--reading", write(tmp_path / "r.bin", bad), "-o", str(output)]
    # One of 65536 bits fits a 16-bit CRC by chance: the bit is named among others, and nothing is written.
    crc = crccheck.crc.Crc16Arc.calc(true.tobytes())
    assert run(kiln, *command, "--checksum", f"crc-16/arc = {crc}") == 1
    page = " ".join(capsys.readouterr().out.split())
    assert "bit 6 of 0x0123" in page
    assert "was not written" in page
    assert not output.exists()
    assert run(kiln, *command, "--checksum", crc_of(true)) == 0
    assert "Bit 6 of 0x123 is steadily" in " ".join(capsys.readouterr().out.split())
    assert output.read_bytes() == true.tobytes()


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ([], "nothing to rebuild from"),
        (["--reading", "nowhere.bin"], "nowhere.bin"),
        (["--listing", "nowhere.lst"], "wrongbit: nowhere.lst"),
        (["--undo", "swap A0 A1", "--reference"], "no reading"),
        (["--reference", "--checksum", "crc99 = 0"], "no checksum is called"),
        (["--reference", "--checksum", "option-rom"], "55 AA"),
        (["--reference", "--noise", "0.5"], "noise rate"),
        (["--reference", "--format", "listing"], "is not written"),
        (["--reference", "--map", "nowhere/x/map.csv"], "cannot be written"),
        (["--reference", "-o", "nowhere/x/out.bin"], "cannot be written"),
    ],
)
def test_mistakes_are_told_with_a_remedy(
    kiln: DemoCase, more: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(kiln, *more) == 2
    said = capsys.readouterr().err
    assert told in said
    assert "→" in said
    assert "Traceback" not in said


def test_other_mistakes(
    kiln: DemoCase,
    true: np.ndarray,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],  # type: ignore[type-arg]
) -> None:
    short = write(tmp_path / "half.bin", true[: SIZE // 2])
    assert run(kiln, "--reading", short) == 2
    assert "1/2 of the chip" in capsys.readouterr().err
    assert run(kiln, "--reference", chip="U9") == 2
    assert "Its ROMs are: U2, U3" in capsys.readouterr().err
    listing = tmp_path / "far.lst"
    listing.write_text("9000 12\n9001 34\n", encoding="ascii")
    assert run(kiln, "--listing", str(listing)) == 2
    assert "no word of it lies in U2" in capsys.readouterr().err
    capture = kiln.captures[0]
    assert run(kiln, "--capture", str(capture.path)) == 2
    assert "--point" in capsys.readouterr().err
    reading = write(tmp_path / "r.bin", true)
    assert run(kiln, "--reading", reading, "--undo", "swap A3 A99") == 2
    assert "there is no line A99" in capsys.readouterr().err


WIDE = """\
[machine]
name = "Larkrise seed sorter"
invented = true

[[processor]]
name = "U1"
word_bits = 16
address_bits = 24
address_unit = "byte"
byte_order = "{order}"
recipe = "68000"

[[chip]]
name = "U4"
kind = "rom"
words = 256
bits = {bits}
region = [{{ base = 0x0000, size = 512 }}]
lane = "0..{last}"
"""


@pytest.mark.parametrize(("bits", "order"), [(16, "big"), (16, "little"), (4, "big")])
def test_other_widths_come_back_as_the_bytes_of_their_files(
    bits: int, order: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A 16-bit chip read as bytes, and a 4-bit PROM, one byte a word; two bits waver, a CRC settles them."""
    machine = tmp_path / "larkrise.toml"
    machine.write_text(WIDE.format(bits=bits, order=order, last=bits - 1), encoding="utf-8")
    size = 256 * (2 if bits == 16 else 1)
    true = np.random.default_rng(9).integers(0, 16 if bits == 4 else 256, size, dtype=np.uint8)
    other = true.copy()
    other[[3, 200]] ^= 8
    output = tmp_path / "out.bin"
    command = ["rebuild", str(machine), "U4", "--reading", write(tmp_path / "a.bin", true)]
    command += ["--reading", write(tmp_path / "b.bin", other), "--checksum", crc_of(true)]
    assert main([*command, "-o", str(output), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["checksums"]["unknown_bits"] == 2
    assert output.read_bytes() == true.tobytes()
