"""Cutting the body of a VCD file into blocks of whole words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wrongbit.capture.formats._vcd_fast import PADDING
from wrongbit.capture.formats._vcd_plain import shown
from wrongbit.capture.formats._vcd_words import Slots
from wrongbit.errors import CaptureError, why_unreadable

_LONGEST_WORD = 1 << 24
_BLANKS = (b"\n", b" ", b"\r", b"\t", b"\v", b"\f")
_MARGINS = 2 * PADDING + 1  # and a byte for the line end that the last line may lack


@dataclass(frozen=True)
class Block:
    """Whole words of the file; valid until the next one is read.

    Args:
        padded: ``uint8 (n,)`` the text between blanks, as `FastReader.read` wants it.
        start: Offset of the text in the file.
    """

    padded: NDArray[np.uint8]
    start: int

    @property
    def text(self) -> bytes:
        """The text alone."""
        return self.padded[PADDING:-PADDING].tobytes()

    @property
    def end(self) -> int:
        """Offset behind the text."""
        return self.start + len(self.padded) - 2 * PADDING


class Blocks:
    """Cuts the body of a file into blocks that end between words, with comments blanked out.

    After each block the reader says in ``unfinished`` where a vector without its id begins; the next block
    begins there. A last word without white space behind it may have lost its end: it is kept only where no
    longer word could have stood there.

    Attributes:
        unfinished: Offset in the block just given, or None.
        notes: What was dropped at the end of the file.
    """

    def __init__(self, path: Path, body: int, size: int, slots: Slots) -> None:
        self._path = path
        self._body = body
        self._size = size
        self._slots = slots
        self._in_comment = False
        self.unfinished: int | None = None
        self.notes: tuple[str, ...] = ()

    def __iter__(self) -> Iterator[Block]:
        try:
            with self._path.open("rb") as file:
                file.seek(self._body)
                yield from self._cut(file)
        except OSError as error:
            raise unreadable(self._path, error) from error

    def _cut(self, file: BufferedReader) -> Iterator[Block]:
        buffer = bytearray(b" " * (self._size + _MARGINS))
        start = self._body  # the buffer holds the file from here on,
        held = 0  # this many bytes, of which
        scanned = 0  # this many have been searched for comments
        while True:
            if 2 * held > len(buffer) - _MARGINS:
                buffer = self._enlarged(buffer, start)
            got = file.readinto(memoryview(buffer)[PADDING + held : PADDING + len(buffer) - _MARGINS])
            held += got
            whole = _whole_words(buffer, held)
            if not got:
                whole = held = self._close(buffer, held)
            if whole:
                self._blank_comments(buffer, PADDING + scanned, PADDING + whole)
                self.unfinished = None
                yield Block(np.frombuffer(buffer, np.uint8, whole + 2 * PADDING), start)
            if not got:
                self._tell_unfinished(buffer)
                return
            used = whole if not whole or self.unfinished is None else self.unfinished
            buffer[PADDING : PADDING + held - used] = buffer[PADDING + used : PADDING + held]
            start, held, scanned = start + used, held - used, whole - used

    def _enlarged(self, buffer: bytearray, start: int) -> bytearray:
        if len(buffer) > _LONGEST_WORD:
            raise CaptureError(
                f"A word of more than {len(buffer) // 2} bytes stands among the changes.",
                "The file may be damaged or of another kind; export it again.",
                file=str(self._path),
                line=line_at(self._path, start),
            )
        return buffer + b" " * len(buffer)

    def _close(self, buffer: bytearray, held: int) -> int:
        """Settle the last word of the file; gives the number of bytes that can be read."""
        whole = _whole_words(buffer, held)
        tail = bytes(buffer[PADDING + whole : PADDING + held])
        if not tail:
            return held
        if not self._in_comment and not self._is_complete(tail):
            self.notes = (f"The file ends in mid-line; its last word {shown(tail)} was not used.",)
            return whole
        buffer[PADDING + held] = ord("\n")
        return held + 1

    def _is_complete(self, word: bytes) -> bool:
        """True where the last word cannot be the beginning of a longer one."""
        if self.unfinished is not None:  # all that is left of the file is a vector's value and this word
            code = word
        elif word[:1] in b"01xXzZ":
            code = word[1:]
        else:
            return word == b"$end"
        codes = self._slots.of_code
        return code in codes and not any(each.startswith(code) and each != code for each in codes)

    def _tell_unfinished(self, buffer: bytearray) -> None:
        if self._in_comment:
            self.notes += ("The file ends inside a $comment.",)
        if self.unfinished is not None:
            word = bytes(buffer[PADDING + self.unfinished :]).split(None, 1)[0]
            self.notes += (f"The file ends after {shown(word)}, whose id is missing; it was not used.",)

    def _blank_comments(self, buffer: bytearray, at: int, end: int) -> None:
        """Overwrite comments by blanks, so that readers need not know of them."""
        if b"$comment" in self._slots.of_code:  # legal as an id, so it cannot be told apart
            return
        while self._in_comment or all(buffer.find(each, at, end) >= 0 for each in (b"$", b"c", b"m")):
            if not self._in_comment:
                at = _find_word(buffer, b"$comment", at, end)
                if at < 0:
                    return
            close = _find_word(buffer, b"$end", at, end)
            stop = end if close < 0 else close + len(b"$end")
            self._in_comment = close < 0
            buffer[at:stop] = bytes(b if b in b"\r\n" else 32 for b in buffer[at:stop])
            if close < 0:
                return
            at = stop


def _whole_words(buffer: bytearray, held: int) -> int:
    """Number of bytes up to and with the last blank."""
    last = max(buffer.rfind(blank, PADDING, PADDING + held) for blank in _BLANKS)
    return max(last + 1 - PADDING, 0)


def _find_word(buffer: bytearray, word: bytes, start: int, end: int) -> int:
    """Offset of a word with blanks around it, or -1."""
    at = buffer.find(word, start, end)
    while at >= 0 and not (buffer[at - 1] <= 32 and buffer[at + len(word)] <= 32):
        at = buffer.find(word, at + 1, end)
    return at


def line_at(path: Path, offset: int) -> int:
    """Number of the line that holds this byte, counted from 1."""
    line = 1
    with path.open("rb") as file:
        while offset > 0 and (piece := file.read(min(offset, 1 << 20))):
            line += piece.count(b"\n")
            offset -= len(piece)
    return line


def unreadable(path: Path, error: OSError) -> CaptureError:
    """An error of the operating system as one for a person."""
    return CaptureError(*why_unreadable(error), file=str(path))
