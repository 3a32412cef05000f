"""Columns of words: digits of a bus, two at a time through a table."""

from __future__ import annotations

from functools import cache, partial

import numpy as np
from numpy.typing import NDArray

from wrongbit.capture.formats._cells import Word, hexadecimal_digits, read_word
from wrongbit.capture.formats._packing import Words, each_text
from wrongbit.capture.formats._tokens import Cells, Places

_NO_DIGIT = 0xFFFF
_LONGEST = {2: 64, 8: 20, 10: 18, 16: 16}
_PAIR_BITS = {2: 2, 8: 6, 16: 8}
_KEEP = np.array([(1 << 64) - (1 << 8 * (8 - length)) for length in range(9)], np.uint64)
"""By the number of digits at the end of eight bytes: the bytes that are digits."""
_FILL = ~_KEEP & np.uint64(0x3030303030303030)
"""Likewise: ``0`` in the place of the others."""
_BEFORE = np.array([8 * (8 - length) for length in range(9)], np.uint64)
"""Likewise: the bits of the bytes before them."""
_MARK, _CAPITAL_MARK = (int.from_bytes(mark, "little") for mark in (b"0x", b"0X"))


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
    whole = _short_cells(cells, start, end)
    begins = start
    start, end, marked = _without_mark(
        cells, start, end, 0 if radix != 16 else hexadecimal_digits(width), whole
    )
    # A mark before the digits leaves their end where it was.
    eight = whole if marked is None or start is not begins else None
    value, odd = _digits(cells, start, end, 16 if marked is not None else radix, eight)
    if marked is not None and radix != 16:
        odd |= ~marked
    if width < 64 and len(value) and int(value.max()) >> width:
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


def _short_cells(cells: Cells, start: Places, end: Places) -> Words | None:
    """The eight bytes before each end, where no cell is longer: all that there is to read."""
    if not len(start) or int((end - start).max()) > 8:
        return None
    return cells.numbers(8, end - 8).astype(np.uint64, copy=False)


def _first_two(cells: Cells, start: Places, end: Places, whole: Words | None) -> NDArray[np.unsignedinteger]:
    """The first two bytes of each cell as a little-endian number."""
    if whole is None:
        return cells.numbers(2, start)
    return (whole >> _BEFORE.take(end - start)).astype(np.uint16)


def _without_mark(
    cells: Cells, start: Places, end: Places, digits: int, whole: Words | None
) -> tuple[Places, Places, NDArray[np.bool_] | None]:
    """Places of the digits without the hexadecimal mark that the first cell has, and which rows have it.

    A cell of just so many ``digits`` has no capital mark, but an unknown digit. ``whole`` is what
    `_short_cells` gives.
    """
    if not len(start):
        return start, end, None
    text = cells.bytes
    first = text[start[0] : end[0]].tobytes()
    if first.startswith(b"0x"):
        marked = _first_two(cells, start, end, whole) == _MARK
        return start + 2 * marked, end, marked
    if first.startswith(b"0X"):
        marked = (_first_two(cells, start, end, whole) == _CAPITAL_MARK) & (end - start != digits)
        return start + 2 * marked, end, marked
    if first.startswith(b"$"):
        marked = text[start] == ord("$")
        return start + marked, end, marked
    if first[-1:] in (b"h", b"H"):
        marked = (text[end - 1] | 0x20) == ord("h")
        return start, end - marked, marked
    return start, end, None


def _digits(
    cells: Cells, start: Places, end: Places, radix: int, eight: Words | None
) -> tuple[Words, NDArray[np.bool_]]:
    """Values of plain digits, and which cells are not plain digits."""
    length = end - start
    if not len(start):
        return np.zeros(0, np.uint64), np.zeros(0, np.bool_)
    shortest, longest = int(length.min()), int(length.max())
    most = min(longest, _LONGEST[radix])
    value, odd = read_pairs(cells, end, most if shortest == longest else length, most, radix, eight)
    if shortest <= 0 or longest > most:
        odd |= (length <= 0) | (length > most)
    return value, odd


def read_pairs(
    cells: Cells, end: Places, length: Places | int, most: int, radix: int, last: Words | None = None
) -> tuple[Words, NDArray[np.bool_]]:
    """Values of digits, two at a time from the right, and where there are other characters.

    Args:
        cells: The block.
        end: ``int64 (n,)`` where the digits end.
        length: How many there are, in each row or in all rows.
        most: How many to read at most.
        radix: 2, 8, 10 or 16.
        last: The eight bytes before each end, where they are there already.
    """
    value = np.zeros(len(end), np.uint64)
    odd = np.zeros(len(end), np.bool_)
    table = _pair_table(radix)
    for done in range(0, most, 8):
        if done == 0 and last is not None:
            eight = only_digits(last, length)
        else:
            eight = digits_before(cells, end - done, length - done)
        for more in range(done, min(done + 8, most), 2):
            # The last two digits are the highest bytes; the cut to 16 bits leaves one pair.
            digits = table.take((eight >> np.uint64(48 - 8 * (more - done))).astype(np.uint16))
            if digits.max(initial=0) == _NO_DIGIT:
                odd |= digits == _NO_DIGIT
            pair = digits.astype(np.uint64)
            if radix == 10:
                pair *= np.uint64(10**more)
            else:
                pair <<= np.uint64(more // 2 * _PAIR_BITS[radix])
            value += pair  # no two pairs have a bit in common
    return value, odd


def digits_before(cells: Cells, end: Places, length: Places | int) -> Words:
    """The eight bytes before each place as a little-endian number, with ``0`` for those before the digits."""
    return only_digits(cells.numbers(8, end - 8).astype(np.uint64, copy=False), length)


def only_digits(eight: Words, length: Places | int) -> Words:
    """Eight bytes of which the last ``length`` are digits, with ``0`` for the others."""
    if isinstance(length, int):
        return eight if length >= 8 else eight & _KEEP[max(length, 0)] | _FILL[max(length, 0)]
    kept = _KEEP.take(length, mode="clip")
    kept &= eight
    kept |= _FILL.take(length, mode="clip")
    return kept
