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
_ZEROS = np.uint64(0x3030303030303030)
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
    first = text[start[0] : end[0]].tobytes()
    if first.startswith(b"0x"):
        marked = cells.numbers(2, start) == _MARK
        return start + 2 * marked, end, marked
    if first.startswith(b"0X"):
        marked = (cells.numbers(2, start) == _CAPITAL_MARK) & (end - start != digits)
        return start + 2 * marked, end, marked
    if first.startswith(b"$"):
        marked = text[start] == ord("$")
        return start + marked, end, marked
    if first[-1:] in (b"h", b"H"):
        marked = (text[end - 1] | 0x20) == ord("h")
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
    odd |= (length <= 0) | (length > most)
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
    table = _pair_table(radix)
    for done in range(0, most, 8):
        eight = digits_before(cells, end - done, length - done)
        for more in range(done, min(done + 8, most), 2):
            # The last two digits are the highest bytes; the cut to 16 bits leaves one pair.
            digits = table.take((eight >> np.uint64(48 - 8 * (more - done))).astype(np.uint16))
            odd |= digits == _NO_DIGIT
            if radix == 10:
                value += digits.astype(np.uint64) * np.uint64(10**more)
            else:
                value |= digits.astype(np.uint64) << np.uint64(more // 2 * _PAIR_BITS[radix])
    return value, odd


def digits_before(cells: Cells, end: Places, length: Places | int) -> Words:
    """The eight bytes before each place as a little-endian number, with ``0`` for those before the digits."""
    eight = cells.numbers(8, end - 8).astype(np.uint64, copy=False)
    if isinstance(length, int):
        if length >= 8:
            return eight
        unused: Words | np.uint64 = np.uint64(8 * (8 - length))
    else:
        unused = (8 * (8 - np.clip(length, 0, 8))).astype(np.uint64)
    # numpy shifts by 64 give 0, so a row without digits here becomes all zeros.
    return eight >> unused << unused | _ZEROS >> (np.uint64(64) - unused)
