"""From an entry of the machine file to the words of a chip or of a processor."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from image.byte_contents import bytes_of
from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.image.load import load_chip_contents, load_listing
from wrongbit.machine.model import ImageFile, Listing

COUNT = bytes(range(16))


def chip(
    folder: Path, data: bytes, words: int, bits: int = 8, order: str = "little", **entry: object
) -> Contents:
    (folder / "rom.bin").write_bytes(data)
    image = ImageFile.model_validate({"file": "rom.bin", "format": "binary"} | entry)
    contents = load_chip_contents(image, words, bits, folder, byte_order=order)  # type: ignore[arg-type]
    assert (len(contents), contents.word_bits, contents.base) == (words, bits, 0)
    assert not (contents.words & ~contents.known).any()
    return contents


def refusal(folder: Path, data: bytes, words: int, bits: int = 8, **entry: object) -> ImageError:
    with pytest.raises(ImageError) as caught:
        chip(folder, data, words, bits, **entry)
    assert caught.value.file == str(folder / "rom.bin")
    assert caught.value.remedy
    return caught.value


def test_whole_file(tmp_path: Path) -> None:
    contents = chip(tmp_path, COUNT, 16)
    assert (bytes_of(contents), contents.notes) == (COUNT, ())
    assert contents.source == str(tmp_path / "rom.bin")


@pytest.mark.parametrize(
    ("take", "words", "bits", "expected"),
    [
        ("even", 8, 8, [0, 2, 4, 6, 8, 10, 12, 14]),
        ("odd", 8, 8, [1, 3, 5, 7, 9, 11, 13, 15]),
        ("low", 16, 4, list(range(16))),
        ("high", 16, 4, [0] * 16),
        ("all", 8, 16, [0x0100, 0x0302, 0x0504, 0x0706, 0x0908, 0x0B0A, 0x0D0C, 0x0F0E]),
    ],
)
def test_parts_of_the_file(tmp_path: Path, take: str, words: int, bits: int, expected: list[int]) -> None:
    assert chip(tmp_path, COUNT, words, bits, take=take).words.tolist() == expected


def test_big_endian_words(tmp_path: Path) -> None:
    contents = chip(tmp_path, COUNT, 8, 16, "big")
    assert contents.words[0] == 0x0001
    assert contents.notes == ("Bytes were joined to words in big-endian order.",)


def test_base_in_the_file(tmp_path: Path) -> None:
    contents = chip(tmp_path, COUNT, 4, base=8)
    assert contents.words.tolist() == [8, 9, 10, 11]
    assert contents.notes == ("4 words beyond the chip's 4 were left out.",)
    assert chip(tmp_path, COUNT, 4, base=0).words.tolist() == [0, 1, 2, 3]
    assert chip(tmp_path, COUNT, 4, base=8, take="odd").words.tolist() == [9, 11, 13, 15]
    assert chip(tmp_path, COUNT, 2, 16, base=8).words.tolist() == [0x0908, 0x0B0A]


def test_base_inside_a_word(tmp_path: Path) -> None:
    for entry in ({"base": 3, "take": "odd"}, {"base": 3}):
        error = refusal(tmp_path, COUNT, 4, 16 if "take" not in entry else 8, **entry)
        assert error.key == "image.base"
        assert "0x3, lies inside a word" in error.message


def test_base_outside_the_file(tmp_path: Path) -> None:
    error = refusal(tmp_path, COUNT, 4, base=16)
    assert error.message == "the file gives words 0x0 to 0xF; the chip's 4 words begin at 0x10."
    assert error.remedy.startswith("Write base = 0x0 in the chip's image table")
    assert refusal(tmp_path, b"a", 4, take="odd").message == (
        "the file gives no word; the chip's 4 words begin at 0x0."
    )


def test_the_base_that_a_remedy_names_is_right(tmp_path: Path) -> None:
    record = b":04E00000DEADBEEFE4\n:00000001FF\n"
    for entry, bits, words in (({}, 8, 4), ({"take": "odd"}, 8, 2), ({}, 16, 2)):
        error = refusal(tmp_path, record, words, bits, format="intel-hex", **entry)
        assert error.remedy.startswith("Write base = 0xE000 in")
        assert chip(tmp_path, record, words, bits, format="intel-hex", base=0xE000, **entry).known.all()


def test_inverted(tmp_path: Path) -> None:
    assert chip(tmp_path, COUNT[:2], 3, inverted=True).words.tolist() == [0xFF, 0xFE, 0]
    assert chip(tmp_path, COUNT[:2], 3, inverted=True).known.tolist() == [0xFF, 0xFF, 0]


def test_short_file_is_not_known_at_its_end(tmp_path: Path) -> None:
    contents = chip(tmp_path, COUNT, 20)
    assert contents.known.tolist() == [0xFF] * 16 + [0] * 4
    assert contents.notes == (
        "4 of 20 words are not in the file, the first at chip address 0x10: not known.",
    )


def test_long_file(tmp_path: Path) -> None:
    error = refusal(tmp_path, COUNT + b"\xff\xff\x12\xff", 16)
    assert error.message == (
        "the file is too long for the chip: 4 words beyond the chip's 16, and not mere filler (0x12 at 0x12)."
    )
    for filler, bit in ((b"\x00", 0), (b"\xff", 1)):
        contents = chip(tmp_path, COUNT + filler * 4, 16)
        assert contents.notes == (f"4 words beyond the chip's 16 hold only filler (all bits {bit}).",)
    assert "not mere filler (0x0 at 0x10)" in refusal(tmp_path, COUNT + b"\x00\xff", 16).message


def test_chip_read_as_a_larger_one(tmp_path: Path) -> None:
    contents = chip(tmp_path, COUNT + COUNT, 16)
    assert contents.notes == (
        "16 words beyond the chip's 16 repeat the chip's own: it was read as a larger one.",
    )


def test_narrow_chip_in_a_file_of_bytes(tmp_path: Path) -> None:
    """Programmers store a 4-bit PROM one word a byte; the upper bits are all zero or all one."""
    for upper in (0x00, 0xF0):
        contents = chip(tmp_path, bytes(byte | upper for byte in COUNT), 16, 4)
        assert contents.words.tolist() == list(COUNT)
        assert contents.notes == ("The file has 8 bits a word; the lower 4 were taken.",)
    assert "the 4 upper bits are not mere filling" in refusal(tmp_path, b"\x05\xf5\x15", 3, 4).message
    assert (
        "gives 4 bits a word, the chip has 8 outputs" in refusal(tmp_path, COUNT, 16, 8, take="low").message
    )


def test_hex_file_with_gap_and_base(tmp_path: Path) -> None:
    (tmp_path / "u7.hex").write_text(":0300300002337A1E\n:00000001FF\n")
    image = ImageFile(file="u7.hex", base=0x2E)
    contents = load_chip_contents(image, 6, 8, tmp_path)
    assert contents.words.tolist() == [0, 0, 2, 0x33, 0x7A, 0]
    assert contents.known.tolist() == [0, 0, 0xFF, 0xFF, 0xFF, 0]
    assert contents.notes[0].startswith("Read as Intel HEX")
    assert contents.notes[-1] == "3 of 6 words are not in the file, the first at chip address 0x0: not known."


def test_listing_of_words_for_a_chip_of_bytes(tmp_path: Path) -> None:
    (tmp_path / "words.lst").write_text("1000 012706 001000\n1004 005000\n")
    image = ImageFile(
        file="words.lst", format="listing", address_radix=8, word_radix=8, base=0o1000, take="high"
    )
    contents = load_chip_contents(image, 3, 8, tmp_path)
    assert contents.words.tolist() == [0o12706 >> 8, 0o1000 >> 8, 0o5000 >> 8]


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(ImageError) as caught:
        load_chip_contents(ImageFile(file="no.bin"), 4, 8, tmp_path)
    assert (caught.value.file, caught.value.message) == (str(tmp_path / "no.bin"), "there is no such file.")


def words_of(contents: Contents) -> dict[int, int]:
    index = np.flatnonzero(contents.known == np.uint64(contents.mask))
    return {contents.base + int(i): int(contents.words[i]) for i in index}


def listed(
    folder: Path, text: str, word_bits: int, unit: str | None = None, order: str = "little", **entry: object
) -> Contents:
    (folder / "rom.lst").write_text(text)
    listing = Listing.model_validate({"file": "rom.lst"} | entry)
    contents = load_listing(listing, word_bits, folder, byte_order=order, address_unit=unit)  # type: ignore[arg-type]
    assert contents.word_bits == word_bits
    return contents


def test_listing_as_the_processor_sees_it(tmp_path: Path) -> None:
    assert words_of(listed(tmp_path, "F000 12 34\n", 8)) == {0xF000: 0x12, 0xF001: 0x34}
    assert words_of(listed(tmp_path, "0 1234 5678\n2 9ABC\n", 16, offset=0x400)) == {
        0x400: 0x1234,
        0x401: 0x5678,
        0x402: 0x9ABC,
    }
    assert words_of(listed(tmp_path, "8000 12\n", 8, offset=-0x8000)) == {0: 0x12}
    with pytest.raises(ImageError) as caught:
        listed(tmp_path, "0 12\n", 8, offset=-1)
    assert (caught.value.key, caught.value.message) == (
        "listing.offset",
        "offset -1 makes address 0x0 negative.",
    )


def test_listing_whose_addresses_count_bytes(tmp_path: Path) -> None:
    assert words_of(listed(tmp_path, "100 1234 5678\n104 9ABC\n", 16)) == {
        0x100: 0x1234,
        0x102: 0x5678,
        0x104: 0x9ABC,
    }


def test_stated_address_unit_is_obeyed(tmp_path: Path) -> None:
    """Nothing in this listing shows what its addresses count."""
    text = "100 1234 5678\n"
    assert words_of(listed(tmp_path, text, 16, "byte")) == {0x100: 0x1234, 0x102: 0x5678}
    assert words_of(listed(tmp_path, text, 16, "word")) == {0x100: 0x1234, 0x101: 0x5678}
    contents = listed(tmp_path, text, 16)
    assert contents.notes[-1].endswith("and that addresses count words, as was taken, not bytes.")
    with pytest.raises(ImageError) as caught:
        listed(tmp_path, "101 1234\n", 16, "byte")
    assert (caught.value.line, caught.value.message) == (
        1,
        "address 0x101 lies inside a word of 16 bits, as addresses count bytes.",
    )


def test_listing_of_bytes_for_a_wider_processor(tmp_path: Path) -> None:
    text = "1000 12 34 56\n1003 78\n"
    assert words_of(listed(tmp_path, text, 16, "byte")) == {0x1000: 0x3412, 0x1002: 0x7856}
    assert words_of(listed(tmp_path, text, 16, "byte", "big")) == {0x1000: 0x1234, 0x1002: 0x5678}
    assert words_of(listed(tmp_path, text, 16, "word")) == {0x800: 0x3412, 0x801: 0x7856}


def test_listing_errors_name_the_width_that_was_wanted(tmp_path: Path) -> None:
    with pytest.raises(ImageError, match=r"a word of 4 hex digits \(16 bits\)"):
        listed(tmp_path, "hello\n", 16)
