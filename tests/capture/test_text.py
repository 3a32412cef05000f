"""Encodings, line ends and blocks of text files."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wrongbit.capture.text import TextFile
from wrongbit.errors import CaptureError


def lines_of(path: Path, size: int, first_line: int = 1) -> list[tuple[int, str]]:
    found = []
    for block in TextFile(path).blocks(first_line, size):
        texts = block.data.decode().split("\n")
        assert not block.data or texts.pop() == ""
        found += list(enumerate(texts if block.data else [], block.line))
    return found


@given(
    st.lists(st.text("ab µ,;", max_size=9), min_size=1, max_size=30),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le"]),
    st.integers(1, 40),
)
def test_lines_are_those_that_were_written(lines: list[str], encoding: str, size: int) -> None:
    lines = ["first line", *lines, "last"]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "text"
        path.write_bytes("\n".join(lines).encode(encoding))
        text = TextFile(path)
        assert text.head == "\n".join(lines)
        assert lines_of(path, size) == list(enumerate(lines, 1))
        assert lines_of(path, size, 3) == list(enumerate(lines, 1))[2:]
        number, tail, cut = text.last_lines(size + 60)
        assert (number, tail[-1].decode(), cut) == (len(lines), "last", True)


def test_blocks_tell_where_they_are(tmp_path: Path) -> None:
    path = tmp_path / "text"
    path.write_bytes("\ufeffone\ntwo\nthree\n".encode("utf-16-le"))
    blocks = list(TextFile(path).blocks(2, 4))
    assert [(block.data, block.line, block.start, block.end) for block in blocks if block.data] == [
        (b"two\n", 2, 10, 18),
        (b"three\n", 3, 18, 30),
    ]
    assert blocks[-1].last
    assert not blocks[-1].cut


def test_a_block_never_ends_inside_a_quoted_cell(tmp_path: Path) -> None:
    path = tmp_path / "text"
    path.write_text('a,"b\nc\nd"\ne,f\n')
    assert [block.data for block in TextFile(path).blocks(1, 3) if block.data] == [b'a,"b\nc\nd"\n', b"e,f\n"]


def test_a_micro_sign_of_an_eight_bit_encoding_is_understood(tmp_path: Path) -> None:
    path = tmp_path / "text"
    path.write_bytes(b"Time [\xb5s],A\n0,1\n")
    assert TextFile(path).head.startswith("Time [µs],A\n")


def test_a_line_that_never_ends_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "text"
    path.write_bytes(b"names\n" + b"0" * (1 << 25))
    with pytest.raises(CaptureError, match="A line is longer than") as caught:
        list(TextFile(path).blocks())
    assert caught.value.line == 2


@pytest.mark.parametrize("value", [0x00, 0x07, 0x0E, 0x1B, 0x7F])
def test_control_characters_are_no_text(tmp_path: Path, value: int) -> None:
    path = tmp_path / "text"
    path.write_bytes(b"ab\n" + bytes([value]) + b"c\n")
    with pytest.raises(CaptureError, match=f"holds the byte 0x{value:02X}") as caught:
        TextFile(path)
    assert caught.value.byte == 3


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="This is a folder"):
        TextFile(tmp_path)
