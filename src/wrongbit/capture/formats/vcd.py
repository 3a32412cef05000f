"""VCD, the value change dump of IEEE Std 1364-2005, clause 18: a change list, never resampled.

A header declares variables, each with a short id; then time stamps (``#2211``) alternate with the changes
that happen at them: ``1!`` for one bit, ``b0101 "`` for several. Every moment at which a wanted signal
changes becomes one sample that holds the levels of all signals after all changes of that moment. Levels that
no change has set yet are unknown, as are x and z.

Read in three steps: `_vcd_header` (declarations), `_vcd_signals` (which variables, under which names), and
block by block `_vcd_fast` with `_vcd_plain` to fall back on (changes) and `_vcd_samples` (running state).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wrongbit.capture.capture import Capture, Layout, Times
from wrongbit.capture.formats._vcd_fast import PADDING, FastReader
from wrongbit.capture.formats._vcd_header import Header, read_header
from wrongbit.capture.formats._vcd_plain import PlainReader, shown
from wrongbit.capture.formats._vcd_samples import Rows, Sampler
from wrongbit.capture.formats._vcd_signals import Selection, select_signals
from wrongbit.capture.formats._vcd_words import BodyError, Changes, Slots
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point

BLOCK = 1 << 19
"""Bytes read at a time; fits the processor's second-level cache together with what is made of it."""

_CHUNK_ROWS = 1 << 17
_LONGEST_WORD = 1 << 24
_BLANKS = (b"\n", b" ", b"\r", b"\t", b"\v", b"\f")
_MARGINS = 2 * PADDING + 1  # and a byte for the line end that the last line may lack


def open_vcd(path: Path, point: Point, widths: Mapping[str, int]) -> VcdSource:
    """Open a VCD file: read its header, choose its signals, leave the changes for `VcdSource.chunks`.

    Args:
        path: The file.
        point: Probe point where it was taken. Its ``columns`` rename variables and its ``ignore`` leaves
            variables or whole scopes out; both know a variable by its own name (``A``), by its name with
            range (``A[15:0]``) or by its full path (``top.cpu.A``).
        widths: The signals and buses that the machine needs, by canonical name, with their number of wires.
            Empty: everything is needed.

    Raises:
        CaptureError: The file is empty, cannot be read, is no VCD or has a malformed header; a mapped column
            is not in it; a needed name belongs to different signals of several scopes.
    """
    try:
        size = path.stat().st_size
        header = read_header(path)
    except OSError as error:
        raise _unreadable(path, error) from error
    return VcdSource(path, point, header, select_signals(header, point, widths, str(path)), size)


class VcdSource:
    """An opened VCD file, as `wrongbit.capture.source.SampleSource` describes it.

    Args:
        path: The file.
        point: Its probe point.
        header: Its declarations.
        selection: What is read of it.
        byte_count: Its size.
        block: Bytes read at a time.
    """

    def __init__(
        self,
        path: Path,
        point: Point,
        header: Header,
        selection: Selection,
        byte_count: int,
        block: int = BLOCK,
    ) -> None:
        self._path = path
        self._mode = point.mode
        self._header = header
        self._slots = selection.slots
        self._layout = selection.layout
        self._byte_count = byte_count
        self._notes = (*header.notes, *selection.notes)
        if point.mode == "state":
            self._notes += ("A VCD keeps changes only: clocks at which no signal changed are not in it.",)
        self._end_notes: tuple[str, ...] = ()
        self._done = 0
        # Many planes make long rows: read less at a time, so that memory stays bounded.
        self._block = max(min(block, (block * 8) // self._layout.plane_count), 1 << 12)

    @property
    def layout(self) -> Layout:
        """Positions of the signals; the same in every chunk."""
        return self._layout

    @property
    def notes(self) -> tuple[str, ...]:
        """What the reader wants to tell; what only the end of the file shows is told once that is read."""
        return self._notes + self._end_notes

    @property
    def byte_count(self) -> int:
        """Size of the file."""
        return self._byte_count

    def bytes_done(self) -> int:
        """How far the running `chunks` has read."""
        return self._done

    def chunks(self) -> Iterator[Capture]:
        """The samples in order, a chunk at a time, in bounded memory.

        Raises:
            CaptureError: A change cannot be right (with its line), or the file has none at all.
        """
        number = 0
        rows: list[Rows] = []
        for each in self._rows():
            rows.append(each)
            if sum(len(piece.ticks) for piece in rows) * len(each.planes) >= _CHUNK_ROWS:
                yield (capture := self._capture(rows, number))
                number += len(capture)
                rows = []
        if rows:
            yield self._capture(rows, number)
        elif not number:
            raise CaptureError(
                "The file has a header but no change of any signal that is read.",
                "Check that the capture was triggered, and that the changing signals are not ignored.",
                file=str(self._path),
            )

    def _rows(self) -> Iterator[Rows]:
        """Finished samples of one block after the other."""
        fast, plain, sampler = FastReader(self._slots), PlainReader(self._slots), Sampler(self._slots)
        blocks = _Blocks(self._path, self._header.body, self._block, self._slots)
        for block in blocks:
            self._done = block.end
            changes = fast.read(block.padded, sampler.now) or self._read_plainly(plain, block, sampler.now)
            blocks.unfinished = changes.unfinished
            rows = sampler.add(changes)
            if rows is not None:
                yield rows
        self._end_notes = blocks.notes
        if (rows := sampler.finish()) is not None:
            yield rows

    def _read_plainly(self, reader: PlainReader, block: _Block, now: int) -> Changes:
        try:
            return reader.read(block.text, now)
        except BodyError as error:
            line = _line_at(self._path, block.start + error.offset)
            raise CaptureError(error.message, error.remedy, file=str(self._path), line=line) from None

    def _capture(self, rows: Sequence[Rows], number: int) -> Capture:
        planes = tuple(np.concatenate(planes) for planes in zip(*(each.planes for each in rows), strict=True))
        unknown: list[NDArray[np.uint64] | None] = []
        for pieces in zip(*(each.unknown for each in rows), strict=True):
            if all(piece is None for piece in pieces):
                unknown.append(None)
            else:
                unknown.append(
                    np.concatenate(
                        [
                            np.zeros_like(each.planes[0]) if piece is None else piece
                            for each, piece in zip(rows, pieces, strict=True)
                        ]
                    )
                )
        return Capture(
            self._layout,
            planes,
            tuple(unknown),
            Times(stamps_ps=self._picoseconds(np.concatenate([each.ticks for each in rows]))),
            mode="state" if self._mode == "state" else "timing",
            first_sample=number,
            change_list=True,
            source=str(self._path),
            notes=self.notes,
        )

    def _picoseconds(self, ticks: NDArray[np.int64]) -> NDArray[np.int64]:
        tick = self._header.tick_fs
        exact = tick % 1000 == 0
        step = tick // 1000 if exact else tick
        if int(ticks[-1]) > (2**63 - 1001) // step:
            raise CaptureError(
                f"The time #{int(ticks[-1])} is past 2^63 {'pico' if exact else 'femto'}seconds, "
                "the longest that can be counted.",
                "Check the file's $timescale, or export a shorter stretch.",
                file=str(self._path),
            )
        return ticks * step if exact else (ticks * step + 500) // 1000


# -- blocks of whole words ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Block:
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


class _Blocks:
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

    def __iter__(self) -> Iterator[_Block]:
        try:
            with self._path.open("rb") as file:
                file.seek(self._body)
                yield from self._cut(file)
        except OSError as error:
            raise _unreadable(self._path, error) from error

    def _cut(self, file: BufferedReader) -> Iterator[_Block]:
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
                yield _Block(np.frombuffer(buffer, np.uint8, whole + 2 * PADDING), start)
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
                line=_line_at(self._path, start),
            )
        return buffer + b" " * len(buffer)

    def _close(self, buffer: bytearray, held: int) -> int:
        """Settle the last word of the file; gives the number of bytes that can be read."""
        whole = _whole_words(buffer, held)
        tail = bytes(buffer[PADDING + whole : PADDING + held])
        if not tail:
            return held
        if not self._in_comment and not self._is_complete(tail, buffer, whole):
            self.notes = (f"The file ends in mid-line; its last word {shown(tail)} was not used.",)
            return whole
        buffer[PADDING + held] = ord("\n")
        return held + 1

    def _is_complete(self, word: bytes, buffer: bytearray, whole: int) -> bool:
        """True where the last word cannot be the beginning of a longer one."""
        before = bytes(buffer[PADDING : PADDING + whole]).split()
        if before and self._opens(before):
            code = word
        elif word[:1] in b"01xXzZ":
            code = word[1:]
        else:
            return word == b"$end"
        codes = self._slots.of_code
        return code in codes and not any(each.startswith(code) and each != code for each in codes)

    @staticmethod
    def _opens(words: Sequence[bytes]) -> bool:
        """True where the last of these words is a vector's value."""
        run = 0
        for word in reversed(words):
            if word[:1] not in b"bBrRsS":
                break
            run += 1
        return run % 2 == 1

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


def _line_at(path: Path, offset: int) -> int:
    """Number of the line that holds this byte, counted from 1."""
    line = 1
    with path.open("rb") as file:
        while offset > 0 and (piece := file.read(min(offset, 1 << 20))):
            line += piece.count(b"\n")
            offset -= len(piece)
    return line


def _unreadable(path: Path, error: OSError) -> CaptureError:
    return CaptureError(
        f"The file cannot be read: {error.strerror or error}.", "Check its name and rights.", file=str(path)
    )
