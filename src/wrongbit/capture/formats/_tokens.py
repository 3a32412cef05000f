"""Cells of a block of a CSV file, found for all rows at once.

Cells are not cut out: they stay places in the block's bytes, and what reads a column gathers just the bytes
that it needs. Quotation marks are those of RFC 4180.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

PADDING = 64
"""Spare bytes before and after the block, so that windows of fixed size may reach over its ends."""

_PAD = b"\n" * PADDING

_NEWLINE, _RETURN, _QUOTE, _SPACE, _TAB = b'\n\r" \t'

_INNER = re.compile(rb'[ \t]*(?:"[ \t]*(.*?)[ \t]*"|(.*?))[ \t\r]*', re.DOTALL)

Places = NDArray[np.int64]


@dataclass(frozen=True)
class RaggedRow(Exception):  # noqa: N818 - it carries a place; the error with its words is made by the caller
    """A row has another number of cells than it should.

    Args:
        start: Offset of the row in the block.
        cells: How many it has; 0 where a quotation mark is never closed.
    """

    start: int
    cells: int


class Cells:
    """Cells of the rows of a block.

    Args:
        data: Whole lines, each ended by a newline.
        separator: Byte between cells.
        count: Cells in each row.

    Raises:
        RaggedRow: A row has more or fewer.
    """

    def __init__(self, data: bytes, separator: int, count: int) -> None:
        self.bytes = np.frombuffer(b"".join((_PAD, data, _PAD)), np.uint8)
        self._data = data
        self.separator, self.count = separator, count
        self._quoted = b'"' in data
        self._returns = b"\r" in data
        self._blanks = b" " in data or (separator != _TAB and b"\t" in data)
        self._step = 0
        self._even: list[int] = []
        if not self._quoted and b"#" not in data and count > 1:
            self._find_even_rows(data)
        if self._even:
            self._starts = np.arange(PADDING, PADDING + len(data), self._step)
        else:
            stops, rows = self._stops(PADDING + len(data))
            self._starts, self._ends = self._in_rows(stops, rows, b"#" in data)
        self._trimmed: dict[int, tuple[Places, Places]] = {}
        self._pieces: dict[int, Places] = {}

    def __len__(self) -> int:
        return len(self._starts)

    def holds(self, character: bytes) -> bool:
        """Whether this character is anywhere in the block."""
        return character in self._data

    @property
    def even(self) -> bool:
        """All rows are cut alike."""
        return bool(self._even)

    # -- cutting ---------------------------------------------------------------------------------------

    def _find_even_rows(self, data: bytes) -> None:
        """Note the length of the rows and the ends of their cells, if all rows are cut like the first.

        Most exporters write numbers of fixed width; then nothing has to be searched for, only confirmed.
        """
        length = data.find(b"\n") + 1
        if not length or len(data) % length:
            return
        body = self.bytes[PADDING : PADDING + len(data)]
        separates, ends_row = body == self.separator, body == _NEWLINE
        ends = [*np.flatnonzero(separates[:length]).tolist(), length - 1]
        if (
            len(ends) == self.count
            and (separates[length:] == separates[:-length]).all()  # every row like the one above it
            and ends_row[length - 1 :: length].all()
            and np.count_nonzero(ends_row) == len(data) // length
        ):
            self._step, self._even = length, ends

    def _stops(self, end: int) -> tuple[Places, int]:
        """Places of the separators and newlines that are not quoted, and the number of newlines."""
        body = self.bytes[:end]
        is_newline = body == _NEWLINE
        is_newline[:PADDING] = False
        is_stop = body == self.separator
        if self._quoted:
            inside = (np.cumsum(body == _QUOTE, dtype=np.uint8) & 1).astype(np.bool_)
            is_newline &= ~inside
            is_stop &= ~inside
            if inside[-1]:
                newlines = np.flatnonzero(is_newline)
                raise RaggedRow(int(newlines[-1]) + 1 - PADDING if len(newlines) else 0, 0)
        is_stop |= is_newline
        return np.flatnonzero(is_stop), int(np.count_nonzero(is_newline))

    def _in_rows(self, stops: Places, count: int, comments: bool) -> tuple[Places, Places]:
        """Starts of rows, and ``int64 (rows, count)`` ends of cells."""
        even = len(stops) == count * self.count
        if even:
            last = stops[self.count - 1 :: self.count].copy()
            even = bool((self.bytes[last] == _NEWLINE).all())
        look = comments or self.count == 1 or not even
        if look:
            rows = np.flatnonzero(self.bytes[stops] == _NEWLINE)
            last = stops[rows]
        starts = np.full(len(last), PADDING, np.int64)
        starts[1:] = last[:-1] + 1
        if look:
            cells = np.diff(rows, prepend=-1)
            keep = self._rows_with_cells(starts, last, cells)
            starts, stops = starts[keep], stops[np.repeat(keep, cells)]
        return starts, stops.reshape(-1, self.count)

    def _rows_with_cells(self, starts: Places, ends: Places, cells: Places) -> NDArray[np.bool_]:
        """False for blank lines and comments; all other rows must have the right number of cells."""
        keep = np.ones(len(starts), np.bool_)
        doubtful = cells != self.count
        for mark in b"# \t\r\n" if self.count == 1 else b"#":
            doubtful |= self.bytes[starts] == mark
        for row in np.flatnonzero(doubtful):
            line = self.bytes[starts[row] : ends[row]].tobytes().strip()
            if line and not line.startswith(b"#"):
                if cells[row] != self.count:
                    raise RaggedRow(int(starts[row]) - PADDING, int(cells[row]))
                continue
            keep[row] = False
        return keep

    # -- places of cells -------------------------------------------------------------------------------

    def row_start(self, row: int) -> int:
        """Offset of a row in the block's data."""
        return int(self._starts[row]) - PADDING

    def plain(self, column: int) -> tuple[Places, Places]:
        """Start and end of a column's cells as they stand, with blanks and quotation marks."""
        start = self._starts if column == 0 else self._ends_of(column - 1) + 1
        end = self._ends_of(column)
        if self._returns and column == self.count - 1:
            end = end - (self.bytes[end - 1] == _RETURN)
        return start, end

    def _ends_of(self, column: int) -> Places:
        if column not in self._pieces:  # in one piece: a column is gone over many times
            self._pieces[column] = (
                self._starts + self._even[column]
                if self._even
                else np.ascontiguousarray(self._ends[:, column])
            )
        return self._pieces[column]

    def bounds(self, column: int) -> tuple[Places, Places]:
        """Start and end of a column's cells, without blanks and quotation marks around them."""
        if column not in self._trimmed:
            start, end = self.plain(column)
            if self._blanks or self._quoted:
                start, end = self._trim(start, end)
            self._trimmed[column] = start, end
        return self._trimmed[column]

    def bounds_of(self, row: int, column: int) -> tuple[int, int]:
        """Start and end of one cell, without blanks and quotation marks around it."""
        first = int(self._starts[row])
        if self._even:
            start = first + self._even[column - 1] + 1 if column else first
            end = first + self._even[column]
        else:
            start = int(self._ends[row, column - 1]) + 1 if column else first
            end = int(self._ends[row, column])
        match = _INNER.fullmatch(self.bytes[start:end].tobytes())
        if match is None:
            return start, end
        inner = 1 if match[1] is not None else 2
        return start + match.start(inner), start + match.end(inner)

    def _trim(self, start: Places, end: Places) -> tuple[Places, Places]:
        start, end = self._without_blanks(start, end)
        if self._quoted:
            quoted = (self.bytes[start] == _QUOTE) & (self.bytes[end - 1] == _QUOTE) & (end - start >= 2)
            start, end = self._without_blanks(start + quoted, end - quoted)
        return start, end

    def _without_blanks(self, start: Places, end: Places) -> tuple[Places, Places]:
        if not self._blanks:
            return start, end
        while (more := self._is_blank(start) & (start < end)).any():
            start = start + more
        while (more := self._is_blank(end - 1) & (start < end)).any():
            end = end - more
        return start, end

    def _is_blank(self, places: Places) -> NDArray[np.bool_]:
        found = self.bytes[places]
        blank: NDArray[np.bool_] = (found == _SPACE) | (found == _TAB)
        return blank

    def text(self, row: int, column: int) -> str:
        """One cell as text."""
        start, end = self.bounds(column)
        found = self.bytes[start[row] : end[row]].tobytes()
        if self._quoted:
            found = found.replace(b'""', b'"')
        return found.decode(errors="replace")

    # -- windows ---------------------------------------------------------------------------------------

    def windows(self, width: int) -> NDArray[np.void]:
        """Every run of so many bytes in the block, overlapping; item p begins at byte p."""
        return np.ndarray((len(self.bytes) - width + 1,), f"V{width}", self.bytes, 0, (1,))

    def numbers(self, size: int, places: Places) -> NDArray[np.unsignedinteger]:
        """The 2 or 8 bytes at each of these places as a little-endian number."""
        if self._in_steps(places):
            return self._stepped(size, int(places[0]), len(places))
        found: NDArray[np.unsignedinteger] = np.ndarray(
            (len(self.bytes) - size + 1,), f"<u{size}", self.bytes, 0, (1,)
        )[places]
        return found

    def two_numbers(self, places: Places) -> tuple[NDArray[np.uint64], NDArray[np.uint64]]:
        """The 8 bytes at each of these places and the 8 behind them, as little-endian numbers."""
        if self._in_steps(places):
            both = [self._stepped(8, int(places[0]) + more, len(places)) for more in (0, 8)]
        else:  # what costs is going to a place, not how much is fetched there
            pairs = self.windows(16)[places].view("<u8").reshape(-1, 2)
            both = [pairs[:, 0].copy(), pairs[:, 1].copy()]
        return both[0].astype(np.uint64, copy=False), both[1].astype(np.uint64, copy=False)

    def _stepped(self, size: int, first: int, count: int) -> NDArray[np.unsignedinteger]:
        """Numbers in even steps from a place on."""
        return np.ndarray((count,), f"<u{size}", self.bytes, first, (self._step,)).copy()

    def _in_steps(self, places: Places) -> bool:
        """Memory read in even steps needs no list of places, and is far faster."""
        return bool(self._step and len(places) > 1 and (places[1:] - places[:-1] == self._step).all())
