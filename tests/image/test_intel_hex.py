"""Intel HEX against worked records, two other people's readers and writers, and damage of every sort.

Worked records: Microchip's online page "Intel HEX"; C Users Journal 7.04; Keil's OH51 manual, "Data Record".
The wrap inside a segment is from memory of Intel's specification (1988), not checked.
"""

from __future__ import annotations

import io
import tracemalloc

import bincopy
import intelhex
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from image.byte_contents import bytes_of, contents_of, segments
from wrongbit.errors import ImageError
from wrongbit.image.formats.intel_hex import read, recognise, write

END = ":00000001FF\n"


def record(kind: int, offset: int, payload: bytes) -> str:
    """A record by the published rule, written apart from the module under test."""
    body = [len(payload), offset // 256, offset % 256, kind, *payload]
    return ":" + "".join(f"{byte:02X}" for byte in [*body, (256 - sum(body) % 256) % 256]) + "\n"


def refusal(text: str) -> ImageError:
    with pytest.raises(ImageError) as caught:
        read(text.encode("latin-1"), "bad.hex")
    assert caught.value.file == "bad.hex"
    assert caught.value.remedy
    return caught.value


@pytest.mark.parametrize(
    ("line", "address", "data"),
    [
        (":0300300002337A1E", 0x30, "02337A"),
        (":04FEDC00210080CFB2", 0xFEDC, "210080CF"),
        (":10246200464C5549442050524F46494C4500464C33", 0x2462, "464C5549442050524F46494C4500464C"),
    ],
)
def test_worked_records(line: str, address: int, data: str) -> None:
    contents = read(f"{line}\n{END}".encode(), "worked.hex")
    assert (contents.base, bytes_of(contents).hex().upper(), contents.word_bits) == (address, data, 8)
    assert (contents.known == 0xFF).all()
    assert contents.notes == ()
    assert write(contents).decode().splitlines() == [line, END.strip()]


def test_worked_control_records() -> None:
    """Example records that sum to zero, for each of the types 02 to 05 (types from memory, not checked)."""
    text = ":020000021200EA\n:0400000300003800C1\n" + record(0, 0x10, b"\x99") + END
    contents = read(text.encode(), "a.hex")
    assert contents.base == 0x12010
    assert contents.notes == ("Start address 0000:3800 (line 2).",)
    text = ":02000004FFFFFC\n:04000005000000CD2A\n" + record(0, 0x10, b"\x99") + END
    contents = read(text.encode(), "a.hex")
    assert contents.base == 0xFFFF0010
    assert contents.notes == ("Start address 0xCD (line 2).",)


@given(segments(), st.integers(1, 255))
def test_others_read_what_is_written(parts: list[tuple[int, bytes]], record_size: int) -> None:
    contents = contents_of(parts)
    text = write(contents, record_size=record_size).decode()
    theirs = intelhex.IntelHex()
    theirs.loadhex(io.StringIO(text))
    expected = {address + index: byte for address, data in parts for index, byte in enumerate(data)}
    assert theirs.todict() == expected
    other = bincopy.BinFile()
    other.add_ihex(text)
    assert {a + i: b for a, data in other.segments for i, b in enumerate(data)} == expected


@given(segments(), st.integers(1, 64), st.sampled_from(["intelhex", "bincopy", "bincopy segments"]))
def test_what_others_write_is_read(parts: list[tuple[int, bytes]], record_size: int, writer: str) -> None:
    if writer == "bincopy segments":  # type 02 reaches 1 Mi only
        parts = [(address % 0x40000, data) for address, data in parts[:1]]
    if writer == "intelhex":
        theirs = intelhex.IntelHex()
        for address, data in parts:
            theirs.puts(address, data)
        stream = io.StringIO()
        theirs.write_hex_file(stream, byte_count=record_size)
        text = stream.getvalue()
    else:
        other = bincopy.BinFile()
        for address, data in parts:
            other.add_binary(data, address)
        text = other.as_ihex(record_size, 24 if writer == "bincopy segments" else 32)
    contents = read(text.encode(), "theirs.hex")
    expected = contents_of(parts)
    assert contents.base == expected.base
    assert np.array_equal(contents.words, expected.words)
    assert np.array_equal(contents.known, expected.known)


@given(segments(), st.data())
def test_any_wrong_digit_is_found_on_its_line(parts: list[tuple[int, bytes]], data: st.DataObject) -> None:
    """A sum modulo 256 changes with any one digit, so that no such damage may pass."""
    lines = write(contents_of(parts)).decode().splitlines()
    line = data.draw(st.integers(0, len(lines) - 1))
    column = data.draw(st.integers(1, len(lines[line]) - 1))
    old = lines[line][column]
    new = data.draw(st.sampled_from([digit for digit in "0123456789ABCDEF" if digit != old]))
    lines[line] = lines[line][:column] + new + lines[line][column + 1 :]
    assert refusal("\n".join(lines)).line == line + 1


def test_segment_wraps_and_linear_does_not() -> None:
    data = record(0, 0xFFFE, b"\x01\x02\x03\x04")
    wrapped = read((record(2, 0, b"\x10\x00") + data + END).encode(), "w.hex")
    assert wrapped.base == 0x10000
    assert wrapped.words[[0, 1, -2, -1]].tolist() == [3, 4, 1, 2]
    assert wrapped.known[2:-2].sum() == 0
    assert "Line 2 runs past the end of its segment" in wrapped.notes[0]
    linear = read((record(4, 0, b"\x00\x01") + data + END).encode(), "l.hex")
    assert (linear.base, linear.words.tolist()) == (0x1FFFE, [1, 2, 3, 4])


def test_past_ffff_without_mode_is_refused() -> None:
    error = refusal(record(0, 0xFFFE, b"\x01\x02\x03\x04") + END)
    assert error.line == 1
    assert "runs past address 0xFFFF" in error.message


def test_gap_is_not_known() -> None:
    contents = read((record(0, 2, b"\x55") + record(0, 5, b"\xaa") + END).encode(), "gap.hex")
    assert contents.base == 2
    assert contents.words.tolist() == [0x55, 0, 0, 0xAA]
    assert contents.known.tolist() == [0xFF, 0, 0, 0xFF]


def test_huge_gap_is_refused_without_memory() -> None:
    text = record(0, 0, b"\x01") + record(4, 0, b"\xff\xf0") + record(0, 0, b"\x02") + END
    tracemalloc.start()
    error = refusal(text)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 1_000_000
    assert error.line == 3
    assert "line 1 ends at 0x0 and the next record is at 0xFFF00000 (line 3)" in error.message


def test_same_value_twice_is_told() -> None:
    contents = read((record(0, 0, b"\x01\x02") + record(0, 1, b"\x02\x03") + END).encode(), "twice.hex")
    assert contents.words.tolist() == [1, 2, 3]
    assert contents.notes == ("Given twice with the same value: 1 bytes (first: line 2 repeats line 1).",)


def test_different_values_name_both_lines() -> None:
    error = refusal(record(0, 0, b"\x01\x02") + "\n" + record(0, 1, b"\x07\x03") + END)
    assert error.line == 3
    assert error.message == "address 0x1 is given as 07 here and as 02 on line 1."


def test_missing_end_record_is_told() -> None:
    contents = read(record(0, 0, b"\x01").encode(), "cut.hex")
    assert contents.words.tolist() == [1]
    assert "no end record" in contents.notes[0]


def test_what_follows_the_end_record_is_told() -> None:
    contents = read((record(0, 0, b"\x01") + END + record(0, 1, b"\x02") + END).encode(), "two.hex")
    assert contents.words.tolist() == [1]
    assert contents.notes == ("Line 3 and what follows the end record on line 2 were not read.",)


def test_line_ends_case_and_padding_of_old_systems() -> None:
    text = ":0300300002337a1e\r\n\r\n:00000001ff\r\n\x1a\x1a\x00\x00"
    contents = read(text.encode(), "cpm.hex")
    assert (bytes_of(contents), contents.notes) == (b"\x02\x33\x7a", ())
    assert read(b"\xef\xbb\xbf" + text.encode(), "bom.hex").base == 0x30
    assert read(text.rstrip("\x1a\x00").encode("utf-16"), "notepad.hex").base == 0x30


@pytest.mark.parametrize(
    ("text", "line", "message"),
    [
        ("", None, "the file is empty."),
        ("\n\n", None, "the file holds no data record."),
        (END, None, "the file holds no data record."),
        (":0300300002337A1F\n" + END, 1, "the checksum is 1F; the record's bytes make it 1E."),
        (":0400300002337A1D\n" + END, 1, "the record's count says 4 data bytes, the line has 3."),
        (
            "\n:0300300002337A1\n" + END,
            2,
            "the record has 15 hex digits, an odd count; bytes are pairs of digits.",
        ),
        (":03003000023G7A1E\n" + END, 1, "'G' is not a hex digit (character 12 after the record's mark)."),
        (":03003000 2337A1E\n" + END, 1, "' ' is not a hex digit (character 9 after the record's mark)."),
        (record(6, 0, b"\x01") + END, 1, "record type 06 is unknown; Intel HEX has types 00 to 05."),
        (record(4, 0, b"\x01") + END, 1, "a record of type 04 has 1 data bytes, 2 were expected."),
        (":\n", 1, "the record has 0 bytes; count, address, type and checksum alone are 5."),
        ("hello\n" + END, 1, "the line starts with 'hello'; an Intel HEX record starts with ':'."),
        (
            "\x7fELF\x00\x01",
            1,
            "the line starts with '\\x7fELF\\x00\\x01'; an Intel HEX record starts with ':'.",
        ),
    ],
)
def test_bad_input(text: str, line: int | None, message: str) -> None:
    error = refusal(text)
    assert (error.line, error.message) == (line, message)


def test_file_that_ends_inside_a_record() -> None:
    whole = record(0, 0, bytes(16)) + record(0, 16, bytes(16))
    for length in range(len(whole) // 2 + 1, len(whole) - 1):
        error = refusal(whole[:length])
        assert error.line == 2
        assert "cut short" in error.remedy


def test_unknown_bits_are_not_written() -> None:
    contents = read((record(0, 2, b"\x55") + record(0, 5, b"\xaa") + END).encode(), "gap.hex")
    assert write(contents).decode() == record(0, 2, b"\x55") + record(0, 5, b"\xaa") + END
    assert write(contents, fill=0xFF).decode() == record(0, 2, b"\x55\xff\xff\xaa") + END
    partly = contents_of([(0, b"\x40")], known=0xF0)
    with pytest.raises(ImageError, match="bits that are not known, the first at 0x0"):
        write(partly)
    assert write(partly, fill=0x0F).decode() == record(0, 0, b"\x4f") + END


def test_recognise_tells_why() -> None:
    assert recognise((record(0, 0, b"1") + END).encode()) == (
        True,
        "2 of its first 2 lines start with ':' and hex digits",
    )
    assert recognise(b"0000 31\n") == (False, "0 of its first 1 lines start with ':' and hex digits")
    assert recognise(b"\x00\x01") == (False, "byte 00 at offset 0 is not a character")
