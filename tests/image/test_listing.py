"""Listings: what is a word and what is not, against od (POSIX), an assembler, and examples read by hand."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.image.formats import ListingOptions, read_image
from wrongbit.image.formats.listing import read

FILES = Path(__file__).parent / "files"


def listing(text: str, **options: int) -> Contents:
    """A listing of bytes in hex unless the options say otherwise."""
    return read(text.encode(), "typed.lst", ListingOptions(**({"word_bits": 8} | options)))[0]


def refusal(text: str, **options: int) -> ImageError:
    with pytest.raises(ImageError) as caught:
        listing(text, **options)
    assert caught.value.file == "typed.lst"
    assert caught.value.remedy
    return caught.value


def words_of(contents: Contents) -> dict[int, int]:
    """Value by address, of words that are wholly known."""
    index = np.flatnonzero(contents.known == np.uint64(contents.mask))
    return {contents.base + int(i): int(contents.words[i]) for i in index}


def test_octal_listing_with_line_numbers_and_byte_addresses() -> None:
    contents = read_image(FILES / "tide_octal.lst", "listing", address_radix=8, word_radix=8, word_bits=16)
    assert contents.base == 0o1000
    assert contents.words[:-4:2].tolist() == [0o12706, 0o1000, 0o5000, 0o12701, 0o177560, 0o105711, 0o100376]
    assert not contents.known[1::2].any()  # addresses count bytes; a word's second address says nothing
    assert [(oct(w), oct(k)) for w, k in zip(contents.words[-3::2], contents.known[-3::2], strict=True)] == [
        ("0o106203", "0o107777"),  # 1X6203
        ("0o0", "0o107077"),  # 0?0?00: the top digit is one bit
    ]
    assert any("6 of 8 lines used" in note and "line 1 'SALTMARSH" in note for note in contents.notes)
    assert "The addresses count bytes: 2 from word to word." in contents.notes


def test_mnemonics_that_look_like_words() -> None:
    contents = read_image(FILES / "kiln_z80.lst", "listing", word_bits=8)
    expected = bytes.fromhex("F33100403A2000CE053D27C33000")
    assert words_of(contents) == (
        dict(enumerate(expected))
        | {0x20 + index: byte for index, byte in enumerate(bytes.fromhex("DB4142DBFF"))}
        | {0x30: 0x76}
    )
    assert contents.notes == ("11 of 14 lines used; 2 comments; 1 not used (first: line 13 'NEXT:').",)


def test_dump_with_text_at_its_side() -> None:
    contents = read_image(FILES / "loom_dump.lst", "listing", word_bits=8)
    first = bytes.fromhex("A2FF9AD8A9008D00208D0120A97F8D0220FAADDEEFBECAFEBABEFACEADDBEC00")
    last = bytes.fromhex("FFFFFFFFFFFFFFFFFFFF00F800F8")
    assert words_of(contents) == (
        {0xF800 + index: byte for index, byte in enumerate(first)}
        | {0xFFF0 + index: byte for index, byte in enumerate(last)}
        | {0xFFFF: 0xF8}
    )
    assert any("'*' alone" in note for note in contents.notes)


OD = {  # od's own notation of the words: flags, bits, numpy type, radix
    "bytes in hex": (["-t", "x1"], 8, "u1", 16),
    "bytes in octal": (["-t", "o1"], 8, "u1", 8),
    "bytes in decimal": (["-t", "u1"], 8, "u1", 10),
    "words in hex": (["-t", "x2", "--endian=little"], 16, "<u2", 16),
    "words in octal": (["-t", "o2", "--endian=big"], 16, ">u2", 8),
    "long words in hex": (["-t", "x4", "--endian=big"], 32, ">u4", 16),
}
ADDRESSES = {8: "o", 10: "d", 16: "x"}


@pytest.mark.skipif(shutil.which("od") is None, reason="od (POSIX) is missing")
@pytest.mark.parametrize("kind", OD)
@pytest.mark.parametrize("address_radix", [8, 10, 16])
@settings(max_examples=8)
@given(st.binary(min_size=1, max_size=300), st.sampled_from([4, 8, 16, 20]))
def test_od_output_is_read_back(kind: str, address_radix: int, data: bytes, width: int) -> None:
    flags, bits, dtype, radix = OD[kind]
    data += bytes(-len(data) % (bits // 8))
    command = ["od", "-v", "-A", ADDRESSES[address_radix], f"-w{width}", *flags]
    text = subprocess.run(command, input=data, capture_output=True, check=True).stdout
    contents, step = read(text, "od", ListingOptions(address_radix, radix, bits))
    expected = np.frombuffer(data, dtype).astype(np.uint64)
    assert contents.base == 0
    assert (contents.known == np.uint64(contents.mask)).all()
    assert np.array_equal(contents.words, expected)
    # One line alone cannot show what its addresses count.
    assert step == bits // 8 or len(data) <= width


@pytest.mark.debian
def test_assembler_listing_is_what_the_assembler_made(tmp_path: Path) -> None:
    """Debian's cc65: its listing, with a level number and hex-like names, against its binary."""
    if shutil.which("ca65") is None:
        pytest.skip("Debian's cc65 is not installed: no assembler to compare with")
    source, target = FILES / "hex_looking.s", tmp_path / "out"
    subprocess.run(
        ["ca65", "--list-bytes", "0", "-l", f"{target}.lst", "-o", f"{target}.o", str(source)], check=True
    )
    config = tmp_path / "flat.cfg"
    config.write_text(
        "MEMORY { ROM: start = $0200, size = $1000, type = ro; }\nSEGMENTS { CODE: load = ROM, type = ro; }\n"
    )
    subprocess.run(["ld65", "-C", str(config), "-o", f"{target}.bin", f"{target}.o"], check=True)
    contents = read_image(f"{target}.lst", "listing", word_bits=8)
    binary = Path(f"{target}.bin").read_bytes()
    assert words_of(contents) == {0x200 + index: byte for index, byte in enumerate(binary)}
    assert "The number after the address was taken for a level, not for a word." in contents.notes


@pytest.mark.parametrize(
    "line",
    ["0010 41 42", "0010: 41 42", "0010:41 42", "0010 : 41 42", "$0010 41 42", "0x10 41 42", "0010h 41 42",
     "0010/ 41 42", "  0010\t41 42", "0010 41 42 ; 43 44", "0010r 41 42", "10 41 42", "0010 41-42"],
)  # fmt: skip
def test_ways_to_write_an_address(line: str) -> None:
    assert words_of(listing(line)) == {0x10: 0x41, 0x11: 0x42}


def test_word_addresses_and_byte_addresses() -> None:
    words = listing("0000 1234 5678\n0002 9ABC\n", word_bits=16)
    assert words_of(words) == {0: 0x1234, 1: 0x5678, 2: 0x9ABC}
    contents, step = read(b"0000 1234 5678\n0004 9ABC\n", "typed.lst", ListingOptions(word_bits=16))
    assert (words_of(contents), step) == ({0: 0x1234, 1: 0x5678, 2: 0x9ABC}, 2)


def test_width_told_by_digits() -> None:
    for text, bits in (("0 12 34\n2 56\n", 8), ("0 1234\n1 5678\n", 16), ("0 123\n1 456\n", 12)):
        contents, _ = read(text.encode(), "typed.lst", ListingOptions())
        assert contents.word_bits == bits
        assert any(f"Words were taken to have {bits} bits" in note for note in contents.notes)
    error = refusal("0 12\n", word_radix=10, word_bits=None)  # type: ignore[arg-type]
    assert error.message == "decimal words do not show how many bits they have."


def test_dont_care_digits() -> None:
    contents = listing("0000 4X ?F -- XX 12")
    assert contents.words.tolist() == [0x40, 0x0F, 0, 0, 0x12]
    assert contents.known.tolist() == [0xF0, 0x0F, 0, 0, 0xFF]


def test_two_lines_complete_each_other() -> None:
    contents = listing("0000 4X\n0000 X2\n")
    assert (contents.words.tolist(), contents.known.tolist()) == ([0x42], [0xFF])
    assert "Given twice with the same value: 1 words." in contents.notes


def test_different_values_name_both_lines() -> None:
    error = refusal("0000 41 42 43\n\n0002 44\n")
    assert error.line == 3
    assert error.message == "address 0x2 is given as 44 here and as 43 on line 1."


def test_sum_at_the_end_of_lines_is_an_error_with_the_remedy() -> None:
    error = refusal("0000 01 02 03 06\n0003 04 05 06 0F\n")
    assert (error.line, error.message) == (2, "address 0x3 is given as 04 here and as 06 on line 1.")
    assert "behind a ';'" in error.remedy
    assert words_of(listing("0000 01 02 03 ;06\n0003 04 05 06 ;0F\n"))[3] == 4


def test_word_with_too_many_digits() -> None:
    error = refusal("0000 41 42\n0002 A9FF\n0004 45 46\n")
    assert error.line == 2
    assert "'A9FF' stands where a word is expected and has 4 digits" in error.message
    error = refusal("0000 123456 177777 200000\n", address_radix=8, word_radix=8, word_bits=16)
    assert error.message == "'200000' is more than 16 bits can hold (at most 177777)."


def test_word_with_too_few_digits_ends_the_line_and_is_told() -> None:
    contents = listing("0000 41 42 43\n0003 44 5 46\n0006 47 48 49\n")
    assert words_of(contents) == {0: 0x41, 1: 0x42, 2: 0x43, 3: 0x44, 6: 0x47, 7: 0x48, 8: 0x49}
    assert "Not plain: line 2: '5' has fewer digits than a word; the words end before it." in contents.notes


def test_next_address_tells_the_mnemonic_from_the_word() -> None:
    """Typed without columns: only the next address can tell."""
    contents = listing("0000 31 00 80 LD SP,8000\n0003 41 42 DB 41h,42h\n0005 C9 RET\n")
    assert words_of(contents) == dict(enumerate(bytes.fromhex("3100804142C9")))
    contents = listing("0000 31 00 80 LD SP,8000\n0003 41 42 DB\n0006 C9 RET\n")
    assert words_of(contents) == dict(enumerate(bytes.fromhex("3100804142DBC9")))


def test_what_cannot_be_told_is_not_used() -> None:
    contents = listing("0000 31 00 80 LD SP,8000\n0003 41 42 DB 41h,42h\n")
    assert words_of(contents) == dict(enumerate(bytes.fromhex("3100804142")))
    assert "Not plain: line 2: 'DB' may be a word or a mnemonic and was not used." in contents.notes


def test_twelve_bit_words_and_three_letter_mnemonics() -> None:
    text = "000 123  ADD  5\n001 ADD  ADD  7\n002 DEC  DEC\n003 7FF  JMP  0\n"
    assert words_of(listing(text, word_bits=12)) == {0: 0x123, 1: 0xADD, 2: 0xDEC, 3: 0x7FF}


def test_page_header_is_not_read_as_words() -> None:
    text = "0000 31 00 80\n0003 C3 00 01\n12 10 81 PAGE 2\n0006 41 42\n0008 43\n"
    contents = listing(text)
    assert words_of(contents) == dict(enumerate(bytes.fromhex("310080C30001414243")))
    assert "1 not used (first: line 3 '12 10 81 PAGE 2')" in contents.notes[0]


def test_continued_words_without_address_are_not_read_as_address() -> None:
    text = "0200 41 42 43 44  TEXT\n     45 46\n0206 47 48 49 4A  MORE\n020A 4B\n"
    contents = listing(text)
    assert words_of(contents) == {0x200 + i: b for i, b in enumerate(b"ABCD")} | {
        0x206 + i: b for i, b in enumerate(b"GHIJK")
    }
    assert "1 not used (first: line 2 '45 46')" in contents.notes[0]


def test_addresses_without_fixed_columns() -> None:
    assert words_of(listing("8: 41 42\nA: 43\nB: 44 45 46 47 48\n10: 49\n")) == {
        8 + index: byte for index, byte in enumerate(b"ABCDEFGHI")
    }


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "the file is empty."),
        ("; nothing\n\n", "no line has an address in hex digits and then a word of 2 hex digits (8 bits)."),
        ("START: LDA\n", "no line has an address in hex digits and then a word of 2 hex digits (8 bits)."),
        ("0000\x00\x01 41\n", "this is not a text: byte 00 at offset 4 is not a character."),
    ],
)
def test_bad_input(text: str, message: str) -> None:
    assert refusal(text).message == message


def test_unusable_lines_are_shown() -> None:
    error = refusal("Hello there\n; comment\n0000 A9FF LDA\n")
    assert error.notes == ("line 1: 'Hello there'", "line 3: '0000 A9FF LDA'")


def test_address_far_off() -> None:
    error = refusal("00000000 41\n00000001 42\nFFFF0002 43\n")
    assert error.line == 3
    assert "span more than 64 Mi words" in error.message


@given(
    st.binary(min_size=1, max_size=80),
    st.integers(0, 0xF000),
    st.sampled_from([1, 2, 3, 5, 8]),
    st.lists(st.sampled_from(["LD   A,5", "DB   41H", "ADC  A,B", "DEC  HL", "FACE: NOP", "CB", "A1: RET"])),
)
def test_assembler_style_never_gives_a_wrong_word(data: bytes, base: int, most: int, text: list[str]) -> None:
    """Any bytes, any hex-like text in its own column: every word read is the true one, few are lost."""
    lines = []
    for number, start in enumerate(range(0, len(data), most)):
        words = " ".join(f"{byte:02X}" for byte in data[start : start + most])
        tail = text[number % len(text)] if text else ""
        lines.append(f"{base + start:04X}  {words:<24}  {tail}")
    contents = listing("\n".join(lines))
    found = words_of(contents)
    assert all(
        data[address - base] == value for address, value in found.items() if address - base < len(data)
    )
    # All lines but the last are told by the next line's address.
    assert set(range(base, base + len(data) - most)) <= found.keys()


def test_a_listing_read_again_is_what_it_was_whatever_was_done_with_the_first() -> None:
    text = "0100 12\n0101 34\n"
    first = listing(text)
    first.words[:], first.known[:] = 0, 0
    assert words_of(listing(text)) == {0x100: 0x12, 0x101: 0x34}
    assert words_of(listing(text.replace("34", "35"))) == {0x100: 0x12, 0x101: 0x35}
    assert words_of(listing(text, address_radix=8)) == {0o100: 0x12, 0o101: 0x34}
