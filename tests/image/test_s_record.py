"""S-records against worked records, another reader and writer, and damage of every sort.

Worked records: C Users Journal 7.04; the page "Motorola S records"; the file is an example
widely attributed to the M68000 Family Programmer's Reference Manual, appendix C (attribution from memory).
"""

from __future__ import annotations

import bincopy
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from image.byte_contents import bytes_of, contents_of, segments
from wrongbit.errors import ImageError
from wrongbit.image.formats.s_record import read, recognise, write

WORKED_FILE = """\
S00600004844521B
S1130000285F245F2212226A000424290008237C2A
S11300100002000800082629001853812341001813
S113002041E900084E42234300182342000824A952
S107003000144ED492
S5030004F8
S9030000FC
"""


def record(kind: str, address: str, payload: bytes) -> str:
    """A record by the published rule, written apart from the module under test."""
    body = bytes.fromhex(address) + payload
    body = bytes([len(body) + 1]) + body
    return f"S{kind}{body.hex().upper()}{255 - sum(body) % 256:02X}\n"


def refusal(text: str) -> ImageError:
    with pytest.raises(ImageError) as caught:
        read(text.encode("latin-1"), "bad.s19")
    assert caught.value.file == "bad.s19"
    assert caught.value.remedy
    return caught.value


def test_worked_file() -> None:
    contents = read(WORKED_FILE.encode(), "worked.s19")
    assert (contents.base, len(contents), contents.word_bits) == (0, 0x34, 8)
    assert bytes_of(contents)[:4].hex() == "285f245f"
    assert bytes_of(contents)[-4:].hex() == "00144ed4"
    assert contents.notes == ("Header: 'HDR'.",)
    assert write(contents, header="HDR").decode() == WORKED_FILE


@pytest.mark.parametrize(
    ("line", "address", "data"),
    [
        ("S107FEDC210080CFAE", 0xFEDC, b"\x21\x00\x80\xcf"),
        ("S10D1000736F6D6520646174610074", 0x1000, b"some data\x00"),
        (
            "S21D0100006461746120617420612068696768657220616464726573730034",
            0x10000,
            b"data at a higher address\x00",
        ),
    ],
)
def test_worked_records(line: str, address: int, data: bytes) -> None:
    contents = read(f"{line}\nS9030000FC\n".encode(), "worked.s19")
    assert (contents.base, bytes_of(contents)) == (address, data)
    assert line in write(contents, record_size=32).decode().splitlines()


@given(segments(), st.integers(1, 250))
def test_another_reads_what_is_written(parts: list[tuple[int, bytes]], record_size: int) -> None:
    text = write(contents_of(parts), record_size=record_size).decode()
    other = bincopy.BinFile()
    other.add_srec(text)
    expected = {address + index: byte for address, data in parts for index, byte in enumerate(data)}
    assert {a + i: b for a, data in other.segments for i, b in enumerate(data)} == expected


@given(segments(1 << 24), st.integers(1, 64), st.sampled_from([16, 24, 32]))
def test_what_another_writes_is_read(
    parts: list[tuple[int, bytes]], record_size: int, address_bits: int
) -> None:
    if address_bits == 16:
        parts = [(address % 0x8000, data) for address, data in parts[:1]]
    other = bincopy.BinFile()
    for address, data in parts:
        other.add_binary(data, address)
    contents = read(other.as_srec(record_size, address_bits).encode(), "theirs.s19")
    expected = contents_of(parts)
    assert contents.base == expected.base
    assert np.array_equal(contents.words, expected.words)
    assert np.array_equal(contents.known, expected.known)


@given(segments(), st.data())
def test_any_wrong_digit_is_found_on_its_line(parts: list[tuple[int, bytes]], data: st.DataObject) -> None:
    """A sum modulo 256 changes with any one digit after the type, so that no such damage may pass."""
    lines = write(contents_of(parts)).decode().splitlines()
    line = data.draw(st.integers(0, len(lines) - 1))
    column = data.draw(st.integers(2, len(lines[line]) - 1))
    old = lines[line][column]
    new = data.draw(st.sampled_from([digit for digit in "0123456789ABCDEF" if digit != old]))
    lines[line] = lines[line][:column] + new + lines[line][column + 1 :]
    assert refusal("\n".join(lines)).line == line + 1


@given(segments(), st.data())
def test_any_lost_data_record_is_found_by_the_count(
    parts: list[tuple[int, bytes]], data: st.DataObject
) -> None:
    lines = write(contents_of(parts)).decode().splitlines()
    index = data.draw(st.sampled_from([i for i, line in enumerate(lines) if line[1] in "123"]))
    error = refusal("\n".join(lines[:index] + lines[index + 1 :]))
    assert "data records come before it" in error.message
    assert error.line == len(lines) - 2


def test_count_that_is_wrong() -> None:
    error = refusal(WORKED_FILE.replace("S113002041E900084E42234300182342000824A952\n", ""))
    assert error.line == 5
    assert error.message == "the S5 record says that 4 data records come before it; there are 3."


@pytest.mark.parametrize(("kind", "end"), [("1", "9"), ("2", "8"), ("3", "7")])
def test_start_address_is_told(kind: str, end: str) -> None:
    digits = {"1": "1234", "2": "001234", "3": "00001234"}[kind]
    text = record(kind, digits, b"\x01") + record(end, digits, b"")
    contents = read(text.encode(), "start.s19")
    assert contents.base == 0x1234
    assert contents.notes == ("Start address 0x1234 (line 2).",)


def test_24_bit_count() -> None:
    """S6, common practice: the count of records in 24 bits."""
    text = record("1", "0000", b"\x01") + record("6", "000001", b"") + record("9", "0000", b"")
    assert read(text.encode(), "six.s19").words.tolist() == [1]
    assert "S6" in refusal(text.replace(record("6", "000001", b""), record("6", "010001", b""))).message


@pytest.mark.parametrize(
    ("text", "line", "message"),
    [
        ("", None, "the file is empty."),
        ("S9030000FC\n", None, "the file holds no data record."),
        ("S107FEDC210080CFAF\n", 1, "the checksum is AF; the record's bytes make it AE."),
        ("S108FEDC210080CFAD\n", 1, "the record's count says 8 bytes after it, the line has 7."),
        ("S107FEDC210080CFA\n", 1, "the record has 15 hex digits, an odd count; bytes are pairs of digits."),
        ("S107FEDC210080CFZE\n", 1, "'Z' is not a hex digit (character 15 after the record's mark)."),
        ("S4030000FC\n", 1, "record type S4 is unknown; S0 to S3 and S5 to S9 were expected."),
        ("S10100\n", 1, "an S1 record has 2 bytes; count, address and checksum alone are 4."),
        ("S1\n", 1, "an S1 record has 0 bytes; count, address and checksum alone are 4."),
        ("S\n", 1, "the line starts with 'S'; an S-record starts with 'S' and a digit."),
        (":00000001FF\n", 1, "the line starts with ':0000000'; an S-record starts with 'S' and a digit."),
        (
            record("1", "FFFE", b"\x01\x02\x03"),
            1,
            "the record has 3 bytes from 0xFFFE; the addresses of S1 end 2 bytes later.",
        ),
        (
            record("1", "0000", b"\x01\x02") + record("2", "000001", b"\x03"),
            2,
            "address 0x1 is given as 03 here and as 02 on line 1.",
        ),
    ],
)
def test_bad_input(text: str, line: int | None, message: str) -> None:
    error = refusal(text)
    assert (error.line, error.message) == (line, message)


def test_missing_end_record_is_told() -> None:
    contents = read(record("1", "0000", b"\x01").encode(), "cut.s19")
    assert "no end record" in contents.notes[0]


def test_file_that_ends_inside_a_record() -> None:
    whole = "S107FEDC210080CFAE\n" + "S107FEE0210080CFAA\n"
    for length in range(len(whole) // 2 + 4, len(whole) - 1):
        error = refusal(whole[:length])
        assert error.line == 2
        assert "cut short" in error.remedy


def test_lower_case_and_trailing_text() -> None:
    contents = read(b"s107fedc210080cfae\r\nS9030000FC\r\nnotes\r\n", "low.s19")
    assert bytes_of(contents) == b"\x21\x00\x80\xcf"
    assert contents.notes == ("Line 3 and what follows the end record on line 2 were not read.",)


def test_wide_words_are_not_written() -> None:
    wide = contents_of([(0, b"ab")])
    wide = type(wide)(wide.words, wide.known, 16)
    with pytest.raises(ImageError, match="the words are 16 bits wide; this format holds bytes"):
        write(wide)


def test_recognise_tells_why() -> None:
    assert recognise(WORKED_FILE.encode()) == (True, "7 of its first 7 lines start with 'S' and digits")
    assert recognise(b"START: LDA\n") == (False, "0 of its first 1 lines start with 'S' and digits")
