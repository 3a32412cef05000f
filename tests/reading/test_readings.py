"""Loading readings and their conditions: what a reader saves, and what goes wrong with it."""

from __future__ import annotations

from pathlib import Path

import bincopy
import numpy as np
import pytest

from wrongbit.errors import ImageError, InputError
from wrongbit.reading.conditions import Conditions, load_conditions
from wrongbit.reading.readings import load_reading, load_readings

BYTES = bytes((index * 37 + 11) % 256 for index in range(512))


def test_binary_intel_hex_and_s_record_are_the_same_reading(tmp_path: Path) -> None:
    """The record files are written by bincopy, somebody else's writer of both formats."""
    image = bincopy.BinFile()
    image.add_binary(BYTES)
    (tmp_path / "one.bin").write_bytes(BYTES)
    (tmp_path / "two.hex").write_text(image.as_ihex())
    (tmp_path / "three.s19").write_text(image.as_srec())
    paths = [tmp_path / name for name in ("one.bin", "two.hex", "three.s19")]
    readings = load_readings(paths, 512, 8)
    assert [reading.name for reading in readings] == ["one.bin", "two.hex", "three.s19"]
    for reading in readings:
        assert reading.contents.words.astype(np.uint8).tobytes() == BYTES
        assert (reading.contents.known == 0xFF).all()


def test_wide_chips_take_their_bytes_in_the_stated_order(tmp_path: Path) -> None:
    (tmp_path / "wide.bin").write_bytes(BYTES)
    little = load_reading(tmp_path / "wide.bin", 256, 16)
    big = load_reading(tmp_path / "wide.bin", 256, 16, byte_order="big")
    assert int(little.words[0]) == BYTES[0] | BYTES[1] << 8
    assert int(big.words[0]) == BYTES[0] << 8 | BYTES[1]


def test_words_that_a_hex_file_leaves_out_are_not_known(tmp_path: Path) -> None:
    image = bincopy.BinFile()
    image.add_binary(BYTES[:256])
    (tmp_path / "half.hex").write_text(image.as_ihex())
    contents = load_reading(tmp_path / "half.hex", 512, 8)
    assert (contents.known[:256] == 0xFF).all()
    assert not contents.known[256:].any()
    assert "256 of 512 words are not in the file" in contents.notes[-1]


@pytest.mark.parametrize(
    ("data", "words", "message", "note"),
    [
        (BYTES, 1024, "512 words; the chip has 1024", "1/2 of the chip"),
        (BYTES[:500], 512, "500 words; the chip has 512", "cut short"),
        (BYTES + BYTES, 512, "1024 words; the chip has 512", "repeat it"),
        (
            BYTES + b"\xff" * 512,
            512,
            "1024 words; the chip has 512",
            "is 0xFF: the reader was set to a larger",
        ),
        (BYTES + BYTES[::-1], 512, "1024 words; the chip has 512", "perhaps it is another chip"),
    ],
)
def test_a_length_that_is_not_the_chips_tells_what_it_looks_like(
    tmp_path: Path, data: bytes, words: int, message: str, note: str
) -> None:
    (tmp_path / "chip.bin").write_bytes(data)
    with pytest.raises(ImageError) as caught:
        load_readings([tmp_path / "chip.bin"], words, 8)
    assert message in caught.value.message
    assert note in caught.value.notes[0]
    assert caught.value.remedy
    assert caught.value.file == str(tmp_path / "chip.bin")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (b"", "empty"),
        (b":0300300002337A1F\n:00000001FF\n", "checksum"),
    ],
)
def test_a_file_that_is_no_reading_is_refused(tmp_path: Path, text: bytes, message: str) -> None:
    """The HEX record is Microchip's worked example with its last digit changed."""
    (tmp_path / "bad.hex").write_bytes(text)
    with pytest.raises(ImageError, match=message):
        load_readings([tmp_path / "bad.hex"], 512, 8)


def test_a_file_much_larger_than_any_rom_is_not_even_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "disk.bin"
    with path.open("wb") as file:
        file.truncate(3 << 30)  # a hole: it takes no room

    def refuse(self: Path) -> bytes:
        raise AssertionError("three gigabytes would be in memory")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(ImageError, match="3221225472 bytes"):
        load_reading(path, 4096, 8)


def test_a_reading_at_the_processors_addresses_is_refused(tmp_path: Path) -> None:
    image = bincopy.BinFile()
    image.add_binary(BYTES, address=0x2000)
    (tmp_path / "moved.hex").write_text(image.as_ihex())
    with pytest.raises(ImageError, match="begin at 0x2000"):
        load_reading(tmp_path / "moved.hex", 512, 8)


def test_a_chip_too_narrow_for_the_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "wide.bin").write_bytes(BYTES)
    with pytest.raises(ImageError, match="4 outputs"):
        load_reading(tmp_path / "wide.bin", 512, 4)


TABLE = """\
[[reading]]
file = "a.bin"
voltage = "4.75 V"
temperature = "22 °C"
speed = "0.45 µs"
time = 2026-03-01
reader = "8192 x 8, Vcc check off"

[[reading]]
file = "b.bin"
voltage = "5250 mV"
"""


def test_conditions_stand_in_a_table_beside_the_files(tmp_path: Path) -> None:
    for name in "abc":
        (tmp_path / f"{name}.bin").write_bytes(BYTES)
    (tmp_path / "readings.toml").write_text(TABLE)
    one, two, three = load_readings([tmp_path / f"{name}.bin" for name in "abc"], 512, 8)
    assert one.conditions.voltage_mv == 4750
    assert one.conditions.temperature_c == 22
    assert one.conditions.speed_ns == 450
    assert one.conditions.time == "2026-03-01"
    assert two.conditions == Conditions(voltage_mv=5250)
    assert three.conditions == Conditions()


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_the_table_may_be_csv(tmp_path: Path, mark: str) -> None:
    rows = ["file,voltage,speed,notes", "a.bin,4.75 V,450 ns,", "", "b.bin,,,after cleaning"]
    (tmp_path / "readings.csv").write_text("\n".join(row.replace(",", mark) for row in rows))
    found = load_conditions(tmp_path / "readings.csv")
    assert found["a.bin"] == Conditions(voltage_mv=4750, speed_ns=450.0)
    assert found["b.bin"] == Conditions(notes="after cleaning")


@pytest.mark.parametrize(
    ("name", "text", "message", "place"),
    [
        ("t.toml", '[[reading]]\nfile = "a"\nvolts = "5 V"', "no key 'volts'", "reading[0].volts"),
        ("t.toml", '[[reading]]\nfile = "a"\nvoltage = "5"', "'5' is not a value", "reading[0].voltage"),
        ("t.toml", '[[reading]]\nfile = "a"\nvoltage = 5.0', "5.0 is not a value", "reading[0].voltage"),
        ("t.toml", '[[reading]]\nfile = "a"\nspeed = "fast"', "'fast' is not a time", "reading[0].speed"),
        ("t.toml", '[[reading]]\nvoltage = "5 V"', "names no file", "reading[0].file"),
        ("t.toml", '[[reading]]\nfile = "a"\n[[reading]]\nfile = "a"', "twice", "reading[1].file"),
        ("t.toml", "reading = 3", "no [[reading]] entry", "reading"),
        ("t.toml", "[[reading]", "not valid TOML", ""),
        ("t.csv", "file,voltage\na,5", "'5' is not a value", "t.csv, line 2"),
        ("t.csv", "file,voltage\na,5 V,6", "3 cells under 2 names", "t.csv, line 2"),
        ("t.csv", "", "empty", "line 1"),
        ("t.csv", 'file,notes\na,"' + "x" * 200_000, "this is not CSV", "t.csv, line 2"),
    ],
)
def test_a_table_that_cannot_be_used_says_where(
    tmp_path: Path, name: str, text: str, message: str, place: str
) -> None:
    (tmp_path / name).write_text(text)
    with pytest.raises(InputError) as caught:
        load_conditions(tmp_path / name)
    assert message in caught.value.message
    assert place in caught.value.where()
    assert caught.value.remedy
