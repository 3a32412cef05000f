"""Real open-source ROM images from Debian, by their own headers and by facts known of them.

Rules: Plug and Play BIOS Specification 1.0A, appendix A (55 AA, length, sum 0); IEEE Std 1275-1994 (FCode
sum, from memory). CRC-32 of a known package version: computed once with zlib; another version skips.
"""

from __future__ import annotations

import subprocess
import zlib
from pathlib import Path

import numpy as np
import pytest

from wrongbit.image.checksums import check_fcode, check_option_rom, describe
from wrongbit.image.formats import read_image, write_image
from wrongbit.image.lanes import as_bytes, as_words, merge, split, take
from wrongbit.image.load import load_chip_contents
from wrongbit.machine.model import ImageFile

pytestmark = pytest.mark.debian

BIOS = Path("/usr/share/seabios/bios.bin")
OPTION_ROMS = {
    "seabios": ("/usr/share/seabios", "vgabios-*.bin"),
    "vgabios": ("/usr/share/vgabios", "vgabios*.bin"),
    "ipxe-qemu": ("/usr/lib/ipxe/qemu", "*.rom"),
}


def need(path: Path, package: str) -> Path:
    if not path.exists():
        pytest.skip(f"Debian's {package} is not installed: {path} is missing")
    return path


def version(package: str) -> str:
    done = subprocess.run(
        ["dpkg-query", "-W", "-f=${Version}", package], capture_output=True, text=True, check=False
    )
    return done.stdout


@pytest.mark.parametrize("package", OPTION_ROMS)
def test_option_roms_obey_their_rule_and_damage_shows(package: str) -> None:
    folder, pattern = OPTION_ROMS[package]
    need(Path(folder), package)
    files = [path for path in sorted(Path(folder).glob(pattern)) if path.is_file()]
    assert files
    for path in files:
        data = path.read_bytes()
        check = check_option_rom(data)
        assert check is not None, path
        assert check.holds, path
        damaged = bytearray(data)
        damaged[check.size // 2] ^= 0x10
        again = check_option_rom(bytes(damaged))
        assert again is not None
        assert not again.holds


def test_fcode_sums() -> None:
    folder = need(Path("/usr/share/qemu"), "qemu-system-data")
    files = [path for path in sorted(folder.glob("QEMU,*.bin")) if path.read_bytes()[:2] == b"\xf1\x08"]
    if not files:
        pytest.skip("Debian's qemu-system-data is not installed: no FCode image in /usr/share/qemu")
    for path in files:
        check = check_fcode(path.read_bytes())
        assert check is not None
        assert check.holds, path


def test_lanes_of_a_real_bios(tmp_path: Path) -> None:
    """The same pair of chips made three ways: by slices, by words, by the machine file's 'take'."""
    data = need(BIOS, "seabios").read_bytes()
    contents = read_image(BIOS)
    assert contents.notes[0].startswith("Read as raw binary")
    words = as_words(contents, 16, "little")
    even, odd = split(words, range(8)), split(words, range(8, 16))
    for chip, part, expected in ((even, "even", data[0::2]), (odd, "odd", data[1::2])):
        assert zlib.crc32(chip.words.astype(np.uint8).tobytes()) == zlib.crc32(expected)
        assert np.array_equal(take(contents, part).words, chip.words)  # type: ignore[arg-type]
        entry = ImageFile(file=BIOS.name, take=part)  # type: ignore[arg-type]
        loaded = load_chip_contents(entry, len(chip), 8, BIOS.parent)
        assert np.array_equal(loaded.words, chip.words)
    whole = as_bytes(merge([(even, range(8)), (odd, range(8, 16))], 16), "little")
    assert whole.words.astype(np.uint8).tobytes() == data
    rows = {row.name: row.value for row in describe(whole)}
    assert rows["CRC-32"] == zlib.crc32(data)
    for format_name in ("intel-hex", "s-record", "binary"):
        write_image(tmp_path / "out", contents, format_name)  # type: ignore[arg-type]
        again = read_image(tmp_path / "out")
        assert zlib.crc32(again.words.astype(np.uint8).tobytes()) == zlib.crc32(data)


def test_facts_known_of_one_version() -> None:
    """seabios 1.16.2-1: far jump at the reset address, date, model byte; its sums."""
    need(BIOS, "seabios")
    if version("seabios") != "1.16.2-1":
        pytest.skip(f"seabios {version('seabios')} is installed; the facts are of 1.16.2-1")
    contents = read_image(BIOS)
    end = contents.words[-16:].astype(np.uint8).tobytes()
    assert end == b"\xea\x5b\xe0\x00\xf0" + b"06/23/99" + b"\x00\xfc\x00"
    rows = {row.name: row.text for row in describe(contents)}
    assert (len(contents), rows["CRC-32"], rows["sum of bytes, 8 bits"]) == (131072, "44D56F86", "92")
