"""Text files as instruments and spreadsheets write them, in blocks of whole lines.

Byte order marks, UTF-16, line ends of every kind and old end-of-file marks are dealt with here, so that the
readers above see plain bytes with ``\\n`` (or ``\\r\\n``) at the end of each line.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path

import numpy as np

from wrongbit.errors import CaptureError, why_unreadable

BLOCK = 1 << 20
"""Bytes read at a time: with what is made of them they fit the processor's cache."""

_HEAD = 1 << 18
_SMALL = 1 << 18
_LONGEST_LINE = 1 << 24
_GARBAGE = re.compile(rb"[\x00-\x08\x0b\x0e-\x1f\x7f]")
_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_PACKED = {b"\x1f\x8b": "gzip", b"PK\x03\x04": "zip", b"\xfd7zXZ": "xz", b"BZh": "bzip2", b"7z\xbc\xaf": "7z"}
_END_MARK = b"\x1a"  # end of file in older systems


@dataclass(frozen=True)
class TextBlock:
    """Whole lines of a file.

    Args:
        data: Bytes of the lines (UTF-8 or a superset of ASCII), each ended by ``\\n``.
        line: Number of its first line, from 1.
        start: Offset in the file of its first byte.
        end: Offset in the file up to which it was read.
        cut: The file ends without a line end, so that the last line may be cut short.
        last: No block follows.
    """

    data: bytes
    line: int
    start: int
    end: int
    cut: bool
    last: bool


class TextFile:
    """A text file whose encoding and line ends have been recognised.

    Args:
        path: The file.

    Raises:
        CaptureError: The file cannot be read, is empty or is not text.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.name = str(path)
        try:
            self.byte_count = path.stat().st_size
            with path.open("rb") as file:
                head = file.read(_HEAD)
        except OSError as error:
            raise self._unreadable(error) from error
        self._encoding, self._mark = _encoding_of(head)
        self._old_line_ends = b"\r" in head and b"\n" not in head
        whole = len(head) == self.byte_count
        self._refuse_other_than_text(head)
        plain = self._plain(
            codecs.getincrementaldecoder(self._encoding)("replace"), head[self._mark :], whole
        )
        plain = plain.rstrip(_END_MARK) if whole else plain
        if not plain.strip():
            raise CaptureError(
                "The file is empty." if not head else "The file holds nothing but blanks.",
                "Export the capture again.",
                file=self.name,
            )
        self.whole_head = whole
        self.head = self._text(plain if whole else plain[: plain.rfind(b"\n") + 1])

    @property
    def notes(self) -> tuple[str, ...]:
        """What a person should know about the encoding."""
        notes: tuple[str, ...] = ()
        if self._encoding.startswith("utf-16"):
            notes += (f"Text in {self._encoding.upper()}.",)
        if "\ufffd" in self.head:
            notes += ("The file has characters that are not UTF-8; they are shown as '\ufffd'.",)
        return notes

    def blocks(self, first_line: int = 1, size: int = BLOCK) -> Iterator[TextBlock]:
        """The file from one of its lines on, in blocks of whole lines.

        A block never ends inside a quoted cell.

        Args:
            first_line: Number of the first line wanted, from 1.
            size: Bytes to read at a time.

        Raises:
            CaptureError: The file cannot be read, or a line or quoted cell never ends.
        """
        try:
            with self.path.open("rb") as file:
                file.seek(self._mark)
                yield from self._cut(file, first_line, size)
        except OSError as error:
            raise self._unreadable(error) from error

    def _cut(self, file: BufferedReader, first_line: int, size: int) -> Iterator[TextBlock]:
        decoder = codecs.getincrementaldecoder(self._encoding)("replace")
        line, skip = first_line, first_line - 1
        held, start = b"", self._mark
        while True:
            raw = file.read(size)
            text = self._plain(decoder, raw, not raw)
            lines = b""
            if not raw or skip or b'"' in text or b'"' in held:
                held += text
                while skip and (end := held.find(b"\n")) >= 0:
                    held, skip, start = held[end + 1 :], skip - 1, start + self._file_bytes(end + 1)
                end = 0 if skip or not raw else _end_of_whole_lines(held)
                lines, held = held[:end], held[end:]
            elif end := text.rfind(b"\n") + 1:  # nothing but the lines themselves is copied
                lines, held = b"".join((held, memoryview(text)[:end])), text[end:]
            else:
                held += text
            if not raw:
                break
            if lines:
                here = start + self._file_bytes(len(lines))
                yield TextBlock(lines, line, start, here, False, False)
                line += _count_lines(lines, len(lines))
                start = here
            elif len(held) > max(_LONGEST_LINE, 2 * size):
                raise CaptureError(
                    f"A line is longer than {_LONGEST_LINE} bytes, or a quotation mark is never closed.",
                    "Export the capture again as text with one sample a line.",
                    file=self.name,
                    line=line,
                )
        held = held.rstrip(_END_MARK)
        cut = bool(held) and not held.endswith(b"\n")
        yield TextBlock(held + b"\n" if cut else held, line, start, self.byte_count, cut, True)

    def last_lines(self, size: int = BLOCK) -> tuple[int, list[bytes], bool]:
        """Number of the last line that is not blank, the line before it and it, and whether the file ends
        within it.

        Raises:
            CaptureError: The file cannot be read.
        """
        plain = self._encoding == "utf-8" and not self._old_line_ends
        try:
            with self.path.open("rb") as file:
                file.seek(self._mark)
                count, end = _plain_end(file, size) if plain else self._end(file, size)
        except OSError as error:
            raise self._unreadable(error) from error
        end = end.rstrip(_END_MARK)
        lines = end.rstrip()
        number = 1 + count - end.count(b"\n", len(lines))
        return number, lines.rsplit(b"\n", 2)[-2:], not end.endswith(b"\n")

    def _end(self, file: BufferedReader, size: int) -> tuple[int, bytes]:
        """Line ends in the rest of a file, and its last bytes."""
        decoder = codecs.getincrementaldecoder(self._encoding)("replace")
        count, before, latest = 0, b"", b""
        while raw := file.read(size):
            before, latest = latest, self._plain(decoder, raw, False)
            count += _count_lines(latest, len(latest))
        return count, before + latest

    def garbage(self, block: TextBlock) -> CaptureError | None:
        """The error for a byte in a block that no text has, if there is one."""
        found = _GARBAGE.search(block.data)
        if found is None:
            return None
        return self._not_text(found[0][0], block.start + self._file_bytes(found.start()))

    # -- encodings -------------------------------------------------------------------------------------

    def _plain(self, decoder: codecs.IncrementalDecoder, raw: bytes, final: bool) -> bytes:
        if self._encoding.startswith("utf-16"):
            raw = decoder.decode(raw, final).encode()
        return raw.replace(b"\r", b"\n") if self._old_line_ends else raw

    def _file_bytes(self, count: int) -> int:
        """Bytes of the file behind so many bytes of a block (in UTF-16 two for each letter)."""
        return 2 * count if self._encoding.startswith("utf-16") else count

    def _text(self, plain: bytes) -> str:
        try:
            return plain.decode()
        except UnicodeDecodeError:
            # A micro sign of the eight-bit encodings is the only such letter that means something here.
            return plain.replace(b"\xc2\xb5", b"\xb5").replace(b"\xb5", "µ".encode()).decode(errors="replace")

    def _refuse_other_than_text(self, head: bytes) -> None:
        for magic, name in _PACKED.items():
            if head.startswith(magic):
                raise CaptureError(
                    f"The file is packed ({name}), not text.", "Unpack it first.", file=self.name, byte=0
                )
        if not self._encoding.startswith("utf-16"):
            found = _GARBAGE.search(head.rstrip(_END_MARK))
            if found is not None:
                raise self._not_text(found[0][0], found.start())

    def _not_text(self, value: int, offset: int) -> CaptureError:
        return CaptureError(
            f"The file is not text: it holds the byte 0x{value:02X}.",
            "Export the capture as CSV, as VCD or as plain text.",
            file=self.name,
            byte=offset,
        )

    def _unreadable(self, error: OSError) -> CaptureError:
        return CaptureError(*why_unreadable(error), file=self.name)


def _encoding_of(head: bytes) -> tuple[str, int]:
    """Encoding, and length of the byte order mark."""
    for mark, encoding in _BYTE_ORDER_MARKS:
        if head.startswith(mark):
            return encoding, len(mark)
    pairs = len(head) // 2
    if pairs >= 2:  # ASCII letters in UTF-16 have a zero byte each
        for encoding, zeros in (("utf-16-le", head[1::2]), ("utf-16-be", head[0::2])):
            others = head[0::2] if encoding == "utf-16-le" else head[1::2]
            if zeros.count(0) > 0.9 * pairs and others.count(0) < 0.05 * pairs:
                return encoding, 0
    return "utf-8", 0


def _count_lines(held: bytes | bytearray, end: int) -> int:
    return int(np.count_nonzero(np.frombuffer(held, np.uint8, end) == ord("\n")))  # faster than bytes.count


def _plain_end(file: BufferedReader, size: int) -> tuple[int, bytes]:
    """Line ends in the rest of a file that is read as it stands, and its last bytes.

    All of it goes through one small buffer, which stays in the processor's cache.
    """
    buffer = bytearray(_SMALL)
    start, count = file.tell(), 0
    while done := file.readinto(buffer):
        count += _count_lines(buffer, done)
    file.seek(max(start, file.tell() - 2 * size))
    return count, file.read()


def _end_of_whole_lines(held: bytes) -> int:
    """Where the last line ends that does not end inside a quoted cell; 0 where none does."""
    end = held.rfind(b"\n") + 1
    if b'"' not in held:
        return end
    inside = held.count(b'"', 0, end) % 2
    while inside and end:
        before = held.rfind(b"\n", 0, end - 1) + 1
        inside ^= held.count(b'"', before, end) % 2
        end = before
    return end
