"""Programmer files: read by other people's readers, and read through the adapter's own wiring."""

from __future__ import annotations

import io
from dataclasses import replace as changed
from datetime import date
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import bincopy
import numpy as np
import pytest
from intelhex import IntelHex

from replace.builders import latched, random_contents, requirement
from replace.electrical import Adapter, pin_named, socket_levels
from wrongbit.errors import ImageError, UsageError
from wrongbit.image.contents import Contents
from wrongbit.image.formats import read_image
from wrongbit.replace import programmer
from wrongbit.replace.fit import Choice, Plan, fit
from wrongbit.replace.programmer import device_contents, write_programmer_files
from wrongbit.replace.requirement import Requirement
from wrongbit.replace.wiring import jumper_table

MASK_ROM = requirement("2332", {"CS1": "low", "CS2": "high"})
DAY = date(2026, 3, 1)


def plan(need: Requirement, memory: str, **choice: Any) -> Plan:
    return fit(need, Choice(memory=memory, **choice)).best


def read_by_others(folder: Path, stem: str) -> list[bytes]:
    """The device's bytes by intelhex, by bincopy from both texts, and from the binary."""
    by_intelhex = IntelHex(str(folder / f"{stem}.hex")).tobinstr()
    from_hex, from_srec = bincopy.BinFile(), bincopy.BinFile()
    from_hex.add_ihex((folder / f"{stem}.hex").read_text())
    from_srec.add_srec((folder / f"{stem}.srec").read_text())
    return [
        by_intelhex,
        bytes(from_hex.as_binary()),
        bytes(from_srec.as_binary()),
        (folder / f"{stem}.bin").read_bytes(),
    ]


def test_all_formats_hold_the_same_padded_bytes(tmp_path: Path) -> None:
    image = random_contents(4096)
    files = write_programmer_files(image, plan(MASK_ROM, "27C512"), tmp_path, day=DAY)
    expected = image.words.astype(np.uint8).tobytes() + b"\xff" * (65536 - 4096)
    assert all(found == expected for found in read_by_others(tmp_path, "U7"))
    assert [file.path.name for file in files] == [
        "U7.bin", "U7.hex", "U7.srec", "U7.label.txt", "U7.label.svg",
    ]  # fmt: skip
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(file.path.name for file in files)


def test_above_64_kib_the_addresses_go_on(tmp_path: Path) -> None:
    image = random_contents(4096)
    write_programmer_files(image, plan(MASK_ROM, "39SF010"), tmp_path)
    expected = image.words.astype(np.uint8).tobytes() + b"\xff" * (131072 - 4096)
    assert all(found == expected for found in read_by_others(tmp_path, "U7"))


def see(made: Plan, devices: list[Contents], address: int, **settings: Any) -> int:
    """What the processor sees at the old socket, by levels that go through the adapter."""
    adapter = Adapter(made.circuit, [device.words.tolist() for device in devices], **settings)
    levels = {pin_named(made.circuit, s.pin): int(s.active == "high") for s in made.need.selects}
    if made.need.latch is not None:
        adapter.drive(socket_levels(made.circuit, address) | {"ALE": 1})
        adapter.drive({"ALE": 0})
    else:
        adapter.drive(socket_levels(made.circuit, address))
    adapter.drive(levels)
    return adapter.data()


SCRAMBLED = {"address_wires": (3, 1, 2, 0, *range(4, 11), 11), "data_wires": (7, 6, 5, 4, 3, 2, 1, 0)}


@pytest.mark.parametrize(
    ("need", "memory", "choice"),
    [
        (MASK_ROM, "2732A", {}),
        (MASK_ROM, "28C256", {}),
        (MASK_ROM, "27C64", SCRAMBLED),
        (MASK_ROM, "27C64", SCRAMBLED | {"buffer": "240"}),
        (latched(), "27C512", {}),
        (latched(), "27C512", {"latch": "373", "address_wires": tuple(range(15, -1, -1))}),
        (requirement("27C1024"), "27C512", {}),
        (requirement("27C1024"), "27C1024", {"data_wires": (*range(8, 16), *range(8))}),
    ],
)
def test_the_processor_sees_the_image_through_the_adapter(
    need: Requirement, memory: str, choice: dict[str, Any]
) -> None:
    made = plan(need, memory, **choice)
    image = random_contents(need.words, need.bits, seed=3)
    devices = [device_contents([image], made, number) for number in range(len(made.circuit.lanes))]
    for address in (0, 1, 2, 4, 0x55, need.words // 2, need.words - 1):
        assert see(made, devices, address) == int(image.words[address])


def test_each_jumper_setting_shows_its_contents() -> None:
    need = requirement("2316", {"CS1": "low", "CS2": "low", "CS3": "high"}, images=4)
    made = plan(need, "27C64")
    images = [random_contents(2048, seed=number) for number in range(4)]
    devices = [device_contents(images, made)]
    for setting, image in zip(jumper_table(made), images, strict=True):
        for address in (0, 1, 0x3FF, 0x7FF):
            assert see(made, devices, address, closed=setting.closed) == int(image.words[address])


ROM = Path("/usr/share/cbios/cbios_main_msx1.rom")


@pytest.mark.debian
@pytest.mark.skipif(not ROM.exists(), reason=f"{ROM} is missing: apt-get install cbios")
def test_a_real_rom_keeps_its_published_crc(tmp_path: Path) -> None:
    """Debian cbios 0.28-1.1: CRC-32 ED9B4932 by zlib."""
    image = read_image(ROM, "binary")
    files = write_programmer_files(image, plan(requirement("27256"), "28C256"), tmp_path, day=DAY)
    assert {file.crc32 for file in files} == {0xED9B4932}
    assert (tmp_path / "U7.bin").read_bytes() == ROM.read_bytes()
    assert "CRC32 ED9B4932" in (tmp_path / "U7.label.txt").read_text()


def test_a_wide_memory_takes_the_byte_order(tmp_path: Path) -> None:
    made = plan(requirement("27C1024"), "27C1024")
    image = random_contents(65536, 16)
    for order in ("little", "big"):
        write_programmer_files(image, made, tmp_path / order, ["binary"], byte_order=order)  # type: ignore[arg-type]
        written = np.frombuffer(
            (tmp_path / order / "U7.bin").read_bytes(), "<u2" if order == "little" else ">u2"
        )
        assert (written == image.words).all()


def test_two_chips_get_two_files(tmp_path: Path) -> None:
    image = random_contents(65536, 16)
    write_programmer_files(image, plan(requirement("27C1024"), "27C512"), tmp_path, ["binary"])
    low = np.frombuffer((tmp_path / "U7-1.bin").read_bytes(), np.uint8)
    high = np.frombuffer((tmp_path / "U7-2.bin").read_bytes(), np.uint8)
    assert (low + high.astype(np.uint64) * 256 == image.words).all()


def test_the_label_says_what_the_file_holds(tmp_path: Path) -> None:
    image = random_contents(4096)
    write_programmer_files(image, plan(MASK_ROM, "2732A"), tmp_path, day=DAY)
    import zlib

    data = (tmp_path / "U7.bin").read_bytes()
    text = (tmp_path / "U7.label.txt").read_text()
    assert text.splitlines()[0].startswith("U7  2732A-45")
    assert f"SUM16 {sum(data) & 0xFFFF:04X}  CRC32 {zlib.crc32(data):08X}" in text
    assert "4096 × 8  2026-03-01" in text
    drawn = ElementTree.parse(io.StringIO((tmp_path / "U7.label.svg").read_text())).getroot()
    assert [each.text for each in drawn if each.tag.endswith("text")] == text.splitlines()


# -- refusals ----------------------------------------------------------------------------------------------


def test_unknown_bits_are_not_written_unless_allowed(tmp_path: Path) -> None:
    whole = random_contents(4096)
    known = whole.known.copy()
    known[0x123] = 0x0F
    torn = Contents(whole.words & known, known, 8, source="torn.bin")
    made = plan(MASK_ROM, "2732A")
    with pytest.raises(ImageError, match=r"torn.bin: 1 of 4096 words.*0x123.*allow unknown"):
        write_programmer_files(torn, made, tmp_path / "a")
    assert not (tmp_path / "a").exists()
    write_programmer_files(torn, made, tmp_path / "a", ["binary"], allow_unknown=True)
    assert (tmp_path / "a" / "U7.bin").read_bytes()[0x123] == int(whole.words[0x123]) | 0xF0


@pytest.mark.parametrize(
    ("image", "said"),
    [
        (random_contents(4000), "96 of 4096 words are not wholly known, the first at 0xFA0"),
        (changed(random_contents(4096), base=0xF000), "0xF000 to 0xFFFF; U7 has addresses 0x0 to 0xFFF"),
        (random_contents(8192), "0x0 to 0x1FFF"),
        (random_contents(4096, 16), "words of 16 bits; U7 has 8 outputs"),
    ],
)
def test_contents_that_do_not_fit_are_refused(image: Contents, said: str, tmp_path: Path) -> None:
    with pytest.raises(ImageError, match=said):
        write_programmer_files(image, plan(MASK_ROM, "2732A"), tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_one_image_for_each_setting(tmp_path: Path) -> None:
    need = requirement("2316", {"CS1": "low", "CS2": "low", "CS3": "low"}, images=2)
    with pytest.raises(ImageError, match="1 contents are given; the plan is for 2"):
        write_programmer_files(random_contents(2048), plan(need, "27C64"), tmp_path)


def test_a_file_that_exists_stays(tmp_path: Path) -> None:
    made = plan(MASK_ROM, "2732A")
    (tmp_path / "U7.hex").write_text("mine")
    with pytest.raises(UsageError, match=r"U7.hex exists already"):
        write_programmer_files(random_contents(4096), made, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["U7.hex"]
    write_programmer_files(random_contents(4096), made, tmp_path, replace=True)
    assert (tmp_path / "U7.hex").read_text() != "mine"


def test_a_file_that_reads_back_differently_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def faulty(path: Path, kind: str) -> Contents:
        contents = read_image(path, kind)  # type: ignore[arg-type]
        words = contents.words.copy()
        if kind == "s-record":
            words[7] ^= np.uint64(1)
        return changed(contents, words=words)

    monkeypatch.setattr(programmer, "read_image", faulty)
    with pytest.raises(ImageError, match=r"U7.srec was written and reads back differently"):
        write_programmer_files(random_contents(4096), plan(MASK_ROM, "2732A"), tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(UsageError, match=r"cannot be written"):
        write_programmer_files(random_contents(4096), plan(MASK_ROM, "2732A"), tmp_path / "file" / "folder")


def test_an_unknown_format_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"'listing' cannot be written.*binary"):
        write_programmer_files(random_contents(4096), plan(MASK_ROM, "2732A"), tmp_path, ["listing"])
