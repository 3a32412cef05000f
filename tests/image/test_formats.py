"""Choosing a format, opening and writing files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from image.byte_contents import bytes_of, contents_of
from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.image.formats import FORMATS, read_image, write_image
from wrongbit.image.formats.binary import read as read_binary
from wrongbit.image.formats.binary import write as write_binary

HEX = b":0300300002337A1E\n:00000001FF\n"
S19 = b"S107FEDC210080CFAE\nS9030000FC\n"


def put(folder: Path, data: bytes, name: str = "image") -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def refusal(path: Path, *args: str) -> ImageError:
    with pytest.raises(ImageError) as caught:
        read_image(path, *args)  # type: ignore[arg-type]
    assert caught.value.file == str(path)
    assert caught.value.remedy
    return caught.value


@pytest.mark.parametrize(
    ("data", "note", "base"),
    [
        (HEX, "Read as Intel HEX: 2 of its first 2 lines start with ':' and hex digits.", 0x30),
        (S19, "Read as S-record: 2 of its first 2 lines start with 'S' and digits.", 0xFEDC),
        (b"0123 31 00 80\n", "Read as a listing: every byte is a printable character.", 0x123),
        (b"\x31\x00\x80", "Read as raw binary: byte 00 at offset 1 is not a character.", 0),
        (b"\xff" * 64, "Read as raw binary: 64 of 64 bytes are above 7E.", 0),
        (b"\x00" * 64, "Read as raw binary: it has no characters.", 0),
        (
            "0123 31 ; Prüfer\r\n".encode("cp1252"),
            "Read as a listing: nearly every byte is printable.",
            0x123,
        ),
        ("0123 31\r\n".encode("utf-16"), "Read as a listing: it starts with the mark of UTF-16 text.", 0x123),
        (b"\xff\xfe\x12\x34\x56\x78", "Read as raw binary: byte 12 at offset 2 is not a character.", 0),
    ],
)
def test_auto_says_what_it_chose_and_why(tmp_path: Path, data: bytes, note: str, base: int) -> None:
    contents = read_image(put(tmp_path, data))
    assert (contents.notes[0], contents.base, contents.source) == (note, base, str(tmp_path / "image"))


def test_auto_does_not_take_a_damaged_hex_file_for_something_else(tmp_path: Path) -> None:
    error = refusal(put(tmp_path, HEX.replace(b"1E", b"1F")))
    assert (error.line, error.message) == (1, "the checksum is 1F; the record's bytes make it 1E.")
    assert error.notes == (
        "Read as Intel HEX: 2 of its first 2 lines start with ':' and hex digits.",
        "s-record: no, 0 of its first 2 lines start with 'S' and digits.",
        "binary: no, every byte is a printable character.",
    )


def test_auto_keeps_every_reason(tmp_path: Path) -> None:
    error = refusal(put(tmp_path, b"Dear repairer,\nhere is the ROM.\n"))
    assert "no line has an address" in error.message
    assert error.notes[-3:] == (
        "intel-hex: no, 0 of its first 2 lines start with ':' and hex digits.",
        "s-record: no, 0 of its first 2 lines start with 'S' and digits.",
        "binary: no, every byte is a printable character.",
    )


@pytest.mark.parametrize(
    ("data", "what"),
    [(b"PK\x03\x04\x00\x00", "a ZIP archive"), (b"\x1f\x8b\x08\x00\xff\xff", "gzip-compressed"),
     (b"\x7fELF\x01\x01", "an ELF object file")],
)  # fmt: skip
def test_auto_refuses_what_only_holds_an_image(tmp_path: Path, data: bytes, what: str) -> None:
    path = put(tmp_path, data)
    error = refusal(path)
    assert error.message == "the file is of no format that is known here."
    assert f"binary: no, the file is {what}, which may hold an image but is none." in error.notes
    assert bytes_of(read_image(path, "binary")) == data


@pytest.mark.parametrize("name", ["auto", *FORMATS])
def test_no_file_no_bytes_and_a_folder(tmp_path: Path, name: str) -> None:
    assert refusal(tmp_path / "none", name).message == "there is no such file."
    assert refusal(put(tmp_path, b""), name).message == "the file is empty."
    assert refusal(tmp_path, name).message == "this is a folder, not a file."


def test_file_that_is_far_too_large(tmp_path: Path) -> None:
    path = tmp_path / "huge"
    with path.open("wb") as file:
        file.truncate((1 << 28) + 1)
    assert "268435456 at most" in refusal(path).message
    with path.open("wb") as file:
        file.truncate((1 << 26) + 1)
    assert "67108864 at most" in refusal(path, "binary").message


@pytest.mark.parametrize("name", ["binary", "intel-hex", "s-record"])
@given(data=st.binary(min_size=1, max_size=200))
def test_write_then_read(tmp_path_factory: pytest.TempPathFactory, name: str, data: bytes) -> None:
    path = tmp_path_factory.mktemp("out") / "image"
    contents = contents_of([(0, data)])
    write_image(path, contents, name)  # type: ignore[arg-type]
    again = read_image(path, name)  # type: ignore[arg-type]
    assert np.array_equal(again.words, contents.words)
    assert np.array_equal(again.known, contents.known)


def test_failed_writing_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    path = put(tmp_path, b"old")
    gap = contents_of([(0, b"a"), (2, b"b")])
    with pytest.raises(ImageError, match="1 words are not known, the first at 0x1; a binary file cannot"):
        write_image(path, gap, "binary")
    with pytest.raises(ImageError, match="a listing cannot be written"):
        write_image(path, gap, "listing")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]
    write_image(path, gap, "binary", fill=0xFF)
    assert path.read_bytes() == b"a\xffb"
    with pytest.raises(ImageError, match="the file cannot be written: No such file or directory"):
        write_image(tmp_path / "no" / "image", gap, "binary", fill=0)
    (tmp_path / "folder").mkdir()
    with pytest.raises(ImageError, match="the file cannot be written: Is a directory"):
        write_image(tmp_path / "folder", gap, "binary", fill=0)
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["folder", "image"]


def test_narrow_words_are_one_byte_each() -> None:
    nibbles = Contents(np.array([5, 0], np.uint64), np.array([15, 0], np.uint64), 4)
    assert write_binary(nibbles, fill=0xFF) == b"\x05\x0f"
    assert read_binary(b"\x05", "n").words.tolist() == [5]
