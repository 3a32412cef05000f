"""Columns of words: digits of a bus, two at a time through a table."""

from __future__ import annotations

import re
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
_PLAIN = re.compile(rb"[0-9A-Fa-f]{1,8}")
_ZEROS = np.uint64(0x3030303030303030)
_ONES = np.uint64(0x0101010101010101)
SIXES = np.uint64(0x0606060606060606)
LOW_HALVES = np.uint64(0x0F0F0F0F0F0F0F0F)
_TWO, _FOUR, _EIGHT, _TWO_BYTES = np.uint64(2), np.uint64(4), np.uint64(8), np.uint64(0xFFFF)
_JOINTS = (
    (4, np.uint64(0x00FF00FF00FF00FF)),
    (8, np.uint64(0x0000FFFF0000FFFF)),
    (16, np.uint64(0x00000000FFFFFFFF)),
)
"""Neighbouring digits are joined to numbers of two, four, eight digits: bits to move, and what is kept."""
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
    short = _short_hexadecimal(cells, start, end, radix)
    if short is not None:
        value, odd = short
    else:
        start, end, marked = _without_mark(cells, start, end, 0 if radix != 16 else hexadecimal_digits(width))
        value, odd = _digits(cells, start, end, 16 if marked is not None else radix)
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


def _short_hexadecimal(
    cells: Cells, start: Places, end: Places, radix: int
) -> tuple[Words, NDArray[np.bool_]] | None:
    """Values of hexadecimal cells with or without ``0x``, and which are no such cells.

    None where a cell is longer than eight characters, or the first one has other digits or another mark.
    """
    if not len(start):
        return None
    first = cells.bytes[start[0] : end[0]].tobytes()
    has_mark = first.startswith(b"0x")
    if not has_mark and (radix != 16 or not _PLAIN.fullmatch(first)):
        return None
    lengths = end - start
    shortest, longest = int(lengths.min()), int(lengths.max())
    if longest > 8 or shortest < 1:
        return None
    eight = cells.numbers(8, end - 8).astype(np.uint64, copy=False)
    length = np.uint64(longest) if shortest == longest else lengths.view(np.uint64)
    if not has_mark:
        return hexadecimal_values(eight, length)
    marked = (eight >> (_EIGHT - length) * _EIGHT & _TWO_BYTES) == _MARK
    if marked.all():
        digits = length - _TWO
        odd = digits == 0
    else:
        digits = length - marked * _TWO
        odd = (digits == 0) | (~marked if radix != 16 else False)
    value, other = hexadecimal_values(eight, digits)
    other |= odd
    return value, other


def hexadecimal_values(eight: Words, length: Words | np.uint64) -> tuple[Words, NDArray[np.bool_]]:
    """Values of up to eight hexadecimal digits, all digits of a row at once, and where there are others.

    Args:
        eight: ``uint64 (n,)`` eight bytes as a little-endian number, of which the last ones are the digits.
        length: How many are digits, in each row or in all rows.
    """
    unused = (_EIGHT - length) * _EIGHT
    upper = eight >> unused
    upper <<= unused
    upper |= _ZEROS >> length * _EIGHT
    letter = upper >> np.uint64(6)
    letter &= _ONES
    upper &= ~(letter << np.uint64(5))  # small letters as capitals
    digit = upper & LOW_HALVES
    digit += letter * np.uint64(9)
    # A digit is one if its value, spelt again, is what was there.
    spelt = digit + SIXES
    spelt >>= _FOUR
    spelt &= _ONES
    spelt *= np.uint64(7)
    spelt += digit
    spelt += _ZEROS
    spelt ^= upper
    spelt |= digit & ~LOW_HALVES
    odd: NDArray[np.bool_] = spelt != 0
    for bits, kept in _JOINTS:
        more = digit >> np.uint64(2 * bits)
        digit <<= np.uint64(bits)
        digit |= more
        digit &= kept
    return digit, odd


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
    shortest, longest = int(length.min()), int(length.max())
    most = min(longest, _LONGEST[radix])
    value, odd = read_pairs(cells, end, most if shortest == longest else length, most, radix)
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
