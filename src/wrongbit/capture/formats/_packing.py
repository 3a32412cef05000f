"""Whole columns of cells as numbers: words and levels, a block of rows at a time.

Ordinary cells are read with a few passes over the block's bytes; each unusual text (a blank, ``true``, a
don't-care digit) is read once by `_cells` for all rows that hold it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, partial
from itertools import pairwise
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import scatter_bits
from wrongbit.capture.columns import PLANE_BITS
from wrongbit.capture.formats._cells import (
    HIGH,
    LEVELS,
    UNKNOWN,
    CellError,
    Word,
    hexadecimal_digits,
    read_level,
    read_word,
)
from wrongbit.capture.formats._tokens import Cells, Places

Words = NDArray[np.uint64]
Meaning = TypeVar("Meaning")

_NO_DIGIT = 0xFFFF
_LAST, _ZERO, _ZEROS = np.uint16(0xFF00), np.uint16(0x0030), np.uint16(0x3030)
_LONGEST = {2: 64, 8: 20, 10: 18, 16: 16}
_PAIR_BITS = {2: 2, 8: 6, 16: 8}
_NO_LEVEL = 3
_FEW = 16

# Four levels in eight bytes, a separator after each: their lowest bits, multiplied, come side by side.
_FOUR_LEVELS = np.uint64(0x00FE00FE00FE00FE)
_FOUR_ZEROS = np.uint64(0x0030003000300030)
_FOUR_BITS = np.uint64(0x0001000100010001)
_JOIN_FOUR = np.uint64(1 << 48 | 1 << 33 | 1 << 18 | 1 << 3)
_JOINED, _NIBBLE = np.uint64(48), np.uint64(15)


@dataclass(frozen=True)
class BadCell(Exception):  # noqa: N818 - it carries a place; the error with its words is made by the caller
    """A cell does not hold what its column should.

    Args:
        row: Its row in the block.
        column: Its column in the file.
        expected: What the column should hold.
    """

    row: int
    column: int
    expected: str


# -- unusual texts -----------------------------------------------------------------------------------------


def each_text(
    cells: Cells,
    column: int,
    rows: Places,
    read: Callable[[str], Meaning],
    use: Callable[[Places, Meaning], None],
) -> None:
    """Read some cells of a column, each different text once.

    Args:
        cells: The block.
        column: Number of the column.
        rows: ``int64 (m,)`` rows to read, ascending.
        read: Gives the meaning of a text, or raises `CellError`.
        use: Gets the rows that have one text, and its meaning.

    Raises:
        BadCell: At the first row whose text has no meaning.
    """
    for group in _groups(cells, column, rows):
        row = int(group[0])
        try:
            meaning = read(cells.text(row, column))
        except CellError as error:
            raise BadCell(row, column, str(error)) from None
        use(group, meaning)


def _groups(cells: Cells, column: int, rows: Places) -> list[Places]:
    """Rows with the same text together, in the order of the first row of each."""
    start, end = cells.bounds(column)
    start, end = start[rows], end[rows]
    keys: NDArray[np.uint64] | list[bytes]
    if len(rows) and (end - start).max() <= 8:
        keys = shortened(cells.numbers(8)[end - 8].astype(np.uint64), end - start)
    else:
        keys = [cells.bytes[a:b].tobytes() for a, b in zip(start.tolist(), end.tolist(), strict=True)]
    _, first, group = np.unique(keys, return_index=True, return_inverse=True)
    order = np.argsort(group, kind="stable")
    parts = np.split(rows[order], np.flatnonzero(np.diff(group[order])) + 1) if len(rows) else []
    return [parts[index] for index in np.argsort(first)]


def shortened(windows: Words, length: Places) -> Words:
    """Eight bytes as a little-endian number with all but the last ``length`` of them zero."""
    unused = (np.clip(8 - length, 0, 8) * 8).astype(np.uint64)
    return windows >> unused << unused


# -- words -------------------------------------------------------------------------------------------------


@cache
def _pair_table(radix: int) -> NDArray[np.uint16]:
    """Value of every two digits, by their two bytes as a little-endian number."""
    digit = np.full(256, -1, np.int64)
    for character in "0123456789abcdefABCDEF":
        if int(character, 16) < radix:
            digit[ord(character)] = int(character, 16)
    high, low = digit[np.newaxis, :], digit[:, np.newaxis]  # the first digit is the low byte
    table = np.where((high < 0) | (low < 0), _NO_DIGIT, high * radix + low).astype(np.uint16)
    return table.reshape(-1)


def read_words(cells: Cells, column: int, radix: int, width: int) -> tuple[Words, Words | None]:
    """A column of words.

    Args:
        cells: The block.
        column: Number of the column.
        radix: 2, 8, 10 or 16, for cells without a mark.
        width: Wires of the bus.

    Returns:
        ``uint64 (n,)`` values, and ``uint64 (n,)`` their unknown bits or None where all are known.

    Raises:
        BadCell: The first row that holds no such word.
    """
    start, end = cells.bounds(column)
    start, end, marked = _without_mark(cells, start, end, 0 if radix != 16 else hexadecimal_digits(width))
    other_radix = np.zeros(len(start), np.bool_)
    if marked is not None and radix != 16:
        other_radix = ~marked
    value, odd = _digits(cells, start, end, 16 if marked is not None else radix)
    odd |= other_radix
    if width < 64:
        odd |= value >> np.uint64(width) != 0
    rows = np.flatnonzero(odd)
    if not len(rows):
        return value, None
    unknown = np.zeros(len(value), np.uint64)

    def use(group: Places, word: Word) -> None:
        value[group] = word.value
        unknown[group] = word.unknown

    each_text(cells, column, rows, partial(read_word, radix=radix, width=width), use)
    return value, unknown if unknown.any() else None


def _without_mark(
    cells: Cells, start: Places, end: Places, digits: int
) -> tuple[Places, Places, NDArray[np.bool_] | None]:
    """Places of the digits without the hexadecimal mark that the first cell has, and which rows have it.

    A cell of just so many ``digits`` has no capital mark, but an unknown digit.
    """
    if not len(start):
        return start, end, None
    text = cells.bytes
    first = text[start[0] : end[0]].tobytes().lower()
    if first.startswith(b"0x") and len(first) > 2:
        marked = (text[start] == ord("0")) & (end - start > 2)
        marked &= (text[start + 1] == ord("x")) | ((text[start + 1] == ord("X")) & (end - start != digits))
        return start + 2 * marked, end, marked
    if first.startswith(b"$"):
        marked = text[start] == ord("$")
        return start + marked, end, marked
    if first.endswith(b"h") and len(first) > 1:
        marked = ((text[end - 1] | 0x20) == ord("h")) & (end > start)
        return start, end - marked, marked
    return start, end, None


def _digits(cells: Cells, start: Places, end: Places, radix: int) -> tuple[Words, NDArray[np.bool_]]:
    """Values of plain digits, and which cells are not plain digits."""
    length = end - start
    if not len(start):
        return np.zeros(0, np.uint64), np.zeros(0, np.bool_)
    most = min(int(length.max()), _LONGEST[radix])
    even = int(length.min()) == int(length.max())
    value, odd = read_pairs(cells, end, most if even else length, most, radix)
    odd |= (length == 0) | (length > most)
    return value, odd


def read_pairs(
    cells: Cells, end: Places, length: Places | int, most: int, radix: int
) -> tuple[Words, NDArray[np.bool_]]:
    """Values of digits, two at a time from the right, and where there are other characters.

    Args:
        cells: The block.
        end: ``int64 (n,)`` where the digits end.
        length: How many there are, in each row or in all rows.
        most: How many to read at most.
        radix: 2, 8, 10 or 16.
    """
    value = np.zeros(len(end), np.uint64)
    odd = np.zeros(len(end), np.bool_)
    pairs, table = cells.numbers(2), _pair_table(radix)
    for done in range(0, most, 2):
        pair = pairs[end - (2 + done)].astype(np.uint16, copy=False)
        if not isinstance(length, int):
            left = length - done
            pair = np.where(left > 1, pair, np.where(left == 1, pair & _LAST | _ZERO, _ZEROS))
        elif most - done == 1:
            pair = pair & _LAST | _ZERO
        digits = table[pair]
        odd |= digits == _NO_DIGIT
        if radix == 10:
            value += digits.astype(np.uint64) * np.uint64(10**done)
        else:
            value |= digits.astype(np.uint64) << np.uint64(done // 2 * _PAIR_BITS[radix])
    return value, odd


# -- levels ------------------------------------------------------------------------------------------------


@cache
def _level_table() -> NDArray[np.uint8]:
    table = np.full(256, _NO_LEVEL, np.uint8)
    for text, level in LEVELS.items():
        if len(text) == 1:
            table[ord(text)] = table[ord(text.upper())] = level
    return table


def read_levels(cells: Cells, column: int) -> NDArray[np.uint8]:
    """A column of levels: ``uint8 (n,)`` of 0, 1 and 2 for not known.

    Raises:
        BadCell: The first row that holds no level.
    """
    start, end = cells.bounds(column)
    levels = np.where(end - start == 1, _level_table()[cells.bytes[start]], _NO_LEVEL)
    rows = np.flatnonzero(levels == _NO_LEVEL)

    def use(group: Places, level: int) -> None:
        levels[group] = level

    each_text(cells, column, rows, read_level, use)
    return levels


@dataclass(frozen=True)
class LevelRun:
    """Neighbouring columns of levels, read at once where all rows have the shape of the first.

    Args:
        first: Number of the first column.
        positions: Position of each column's signal in a sample.
    """

    first: int
    positions: tuple[int, ...]

    def pack(self, cells: Cells, planes: Sequence[Words], unknown: Sequence[Words]) -> None:
        """Set the bits of these columns in planes of zeros.

        Args:
            cells: The block.
            planes: ``uint64 (n,)`` each.
            unknown: ``uint64 (n,)`` each, for levels that are not known.

        Raises:
            BadCell: A cell holds no level.
        """
        if len(self.positions) <= _FEW and self._pack_few(cells, planes):
            return
        found = self._at_once(cells)
        if found is None:
            found = np.stack(
                [read_levels(cells, self.first + number) for number in range(len(self.positions))], axis=1
            )
        self._set(found == HIGH, planes)
        if found.max(initial=0) == UNKNOWN:
            self._set(found == UNKNOWN, unknown)

    def _pack_few(self, cells: Cells, planes: Sequence[Words]) -> bool:
        """Pack a few columns four at a time, where every cell of every row is a plain 0 or 1."""
        if not len(cells):
            return True
        count = len(self.positions)
        start, end = cells.plain(self.first)[0], cells.plain(self.first + count - 1)[1]
        if ((end - start) != 2 * count - 1).any():
            return False
        numbers = cells.numbers(8)
        word = np.zeros(len(cells), np.uint64)
        for done in range(0, count, 4):
            columns = min(4, count - done)
            inside = np.uint64((1 << 16 * columns) - 1)
            eight = numbers[start + 2 * done].astype(np.uint64, copy=False)
            if ((eight & (_FOUR_LEVELS & inside)) != _FOUR_ZEROS & inside).any():
                return False
            word |= ((eight & (_FOUR_BITS & inside)) * _JOIN_FOUR >> _JOINED & _NIBBLE) << np.uint64(done)
        for number, plane in enumerate(planes):
            low = number * PLANE_BITS
            plane |= scatter_bits(
                word, [p - low if low <= p < low + PLANE_BITS else -1 for p in self.positions]
            )
        return True

    def _at_once(self, cells: Cells) -> NDArray[np.uint8] | None:
        """``uint8 (n, columns)`` levels where each cell is one character in the same place of every row."""
        if not len(cells):
            return None
        last = self.first + len(self.positions) - 1
        start, end = cells.plain(self.first)[0], cells.plain(last)[1]
        length = int(end[0] - start[0])
        if ((end - start) != length).any():
            return None
        places = []
        for column in range(self.first, last + 1):
            begin, stop = cells.bounds_of(0, column)
            if stop - begin != 1:
                return None
            places.append(begin - int(start[0]))
        text = cells.windows(length)[start].view(np.uint8).reshape(len(cells), length)
        if length >= 2 * len(places):  # more between the levels than separators, whose number is known
            others = np.setdiff1d(np.arange(length), places)
            if (text[:, others] != text[0, others]).any():
                return None
        step = _step(places)
        found = text[:, places[0] :: step][:, : len(places)] if step else text[:, places]
        levels: NDArray[np.uint8] = found & np.uint8(1)
        if ((found & np.uint8(0xFE)) != ord("0")).any():
            levels = _level_table()[found]
        return None if levels.max() == _NO_LEVEL else levels

    def _set(self, bits: NDArray[np.bool_], planes: Sequence[Words]) -> None:
        for number, plane in enumerate(planes):
            low = number * PLANE_BITS
            inside = [index for index, p in enumerate(self.positions) if low <= p < low + PLANE_BITS]
            inside.sort(key=lambda index: self.positions[index])
            for group in (inside[at : at + PLANE_BITS] for at in range(0, len(inside), PLANE_BITS)):
                chosen = bits if group == list(range(bits.shape[1])) else bits[:, group]
                packed = np.zeros((len(bits), 8), np.uint8)
                some = np.packbits(chosen, axis=1, bitorder="little")
                packed[:, : some.shape[1]] = some
                word = packed.view("<u8").reshape(-1).astype(np.uint64, copy=False)
                plane |= scatter_bits(word, [self.positions[index] - low for index in group])


def _step(places: Sequence[int]) -> int:
    """The step of evenly spaced places, or 0."""
    steps = {b - a for a, b in pairwise(places)} or {1}
    return steps.pop() if len(steps) == 1 else 0
