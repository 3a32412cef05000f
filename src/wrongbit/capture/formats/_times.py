"""A column of times as picoseconds.

Plain decimals with the same number of places in every row, which is what most exporters write, are read
exactly with integers. Other numbers (exponents, places that vary) go through polars as double precision,
exact to the picosecond up to half an hour from the trigger. What is left is read one by one.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from wrongbit.capture.formats._cells import read_time, time_resolution, time_suffix
from wrongbit.capture.formats._packing import each_text
from wrongbit.capture.formats._tokens import Cells, Places
from wrongbit.capture.formats._word_columns import LOW_HALVES, SIXES, digits_before, only_digits, read_pairs
from wrongbit.units import PICOSECONDS

Words = NDArray[np.uint64]
Bools = NDArray[np.bool_]
Integers = NDArray[np.int64]

_MOST_DIGITS = 18
_LONGEST_PS = 1 << 62
_EXACT_PS = 1 << 51
_LONGEST_CELL = 40
_LOOK = 32

_HIGH_HALVES = np.uint64(0xF0F0F0F0F0F0F0F0)
_THREES = np.uint64(0x3333333333333333)
_FOUR = np.uint64(4)
_FEW_DIGITS = 4


@dataclass(frozen=True)
class ReadTimes:
    """Times of a block's rows.

    Args:
        time_ps: ``int64 (n,)``.
        resolution_ps: What the last digit stands for.
    """

    time_ps: Integers
    resolution_ps: float


def read_times(cells: Cells, column: int, unit_ps: int | None) -> ReadTimes:
    """A column of times.

    Args:
        cells: The block.
        column: Number of the column.
        unit_ps: Picoseconds in the column's unit; None where every cell carries its own.

    Raises:
        BadCell: The first row that holds no time.
    """
    if not len(cells):
        return ReadTimes(np.zeros(0, np.int64), 1.0)
    start, end = cells.bounds(column)
    first = cells.text(0, column)
    scale: int | Integers | None = unit_ps
    if time_suffix(first):
        end, scale = _without_units(cells, start, end, unit_ps)
    places = _places(first)
    plain = None if scale is None or places is None else _plain_decimals(cells, start, end, places)
    if plain is None or places is None or scale is None:
        return _in_double_precision(cells, column, start, end, unit_ps, scale)
    mantissa, odd = plain
    if 16 * np.count_nonzero(odd) > len(odd):
        return _in_double_precision(cells, column, start, end, unit_ps, scale)
    time, too_far = _scaled(mantissa, scale, places)
    _read_singly(cells, column, np.flatnonzero(odd | too_far), unit_ps, time)
    finest = scale if isinstance(scale, int) else int(scale[scale > 0].min(initial=10**12))
    return ReadTimes(time, finest / 10**places)


def _places(text: str) -> int | None:
    """Decimal places of a number without exponent, else None."""
    match = re.match(r"^[+-]?\d*(?:[.,](\d*))?\s*[A-Za-zµμ]*$", text)
    if match is None or (not time_suffix(text) and text[-1:].isalpha()):
        return None
    return len(match[1] or "")


def _read_singly(cells: Cells, column: int, rows: Places, unit_ps: int | None, time: Integers) -> None:
    def use(group: Places, found: int) -> None:
        time[group] = found

    each_text(cells, column, rows, partial(read_time, unit_ps=unit_ps), use)


def _without_units(
    cells: Cells, start: Places, end: Places, unit_ps: int | None
) -> tuple[Places, int | Integers]:
    """Ends of the numbers before the units, and picoseconds in each row's unit."""
    scale = np.full(len(start), unit_ps or 0, np.int64)
    end = end.copy()
    open_rows = np.ones(len(start), np.bool_)
    for unit in sorted(PICOSECONDS, key=len, reverse=True):
        text = unit.encode()
        here = open_rows & (end - start > len(text))
        for place, byte in enumerate(text):
            here &= cells.bytes[end - len(text) + place] == byte
        scale[here] = PICOSECONDS[unit]
        end[here] -= len(text)
        open_rows &= ~here
    while (blank := (cells.bytes[end - 1] == ord(" ")) & (end > start)).any():
        end -= blank
    return end, scale


# -- plain decimals ----------------------------------------------------------------------------------------


def _plain_decimals(cells: Cells, start: Places, end: Places, places: int) -> tuple[Integers, Bools] | None:
    """Numbers with so many decimal places as integers of their last digit, and the rows that are no such
    numbers; None where they have more digits than 64 bits hold."""
    text = cells.bytes
    minus = None
    if cells.holds(b"-") or cells.holds(b"+"):
        first = text[start]
        minus = first == ord("-")
        start = start + (minus | (first == ord("+")))
    point = end - 1 - places
    windows: list[Words] = []
    if 8 < places < 16:  # two windows hold the fraction, the point and often the rest
        windows = list(reversed(cells.two_numbers(end - 16)))
        mark = (windows[1] >> np.uint64(8 * (15 - places))).astype(np.uint8)
    else:
        mark = text[point]
    odd = (mark != ord(".")) & (mark != ord(","))
    if not places:  # a point may stand at the end, or not at all
        point = point + odd
        odd[:] = False
    length = point - start
    shortest, longest = int(length.min()), int(length.max())
    if longest + places > _MOST_DIGITS:
        return None
    if shortest < (0 if places else 1):
        odd |= length < (0 if places else 1)
        length = np.maximum(length, 0)
    before = []
    if windows and longest + 1 + places <= 16:
        before = [windows[1] << np.uint64(8 * (places - 7))]
    value, other = _decimal_digits(cells, point, longest if shortest == longest else length, longest, before)
    odd |= other
    if places:
        fraction, other = _decimal_digits(cells, end, places, places, windows)
        odd |= other
        value = value * np.uint64(10**places) + fraction
    mantissa = value.astype(np.int64)
    return (np.where(minus, -mantissa, mantissa) if minus is not None and minus.any() else mantissa), odd


def _decimal_digits(
    cells: Cells, end: Places, length: Places | int, longest: int, windows: Sequence[Words]
) -> tuple[Words, Bools]:
    """Values of so many digits before ``end``, eight at a time, and where there are other characters.

    ``windows`` are the eight bytes before ``end``, those before them, as far as they are there already.
    """
    value = np.zeros(len(end), np.uint64)
    odd = np.zeros(len(end), np.bool_)
    for done in range(0, longest, 8):
        window = windows[done // 8] if done // 8 < len(windows) else None
        if longest - done <= _FEW_DIGITS:
            part, other = read_pairs(cells, end - done, length - done, longest - done, 10, window)
        else:
            if window is None:
                eight = digits_before(cells, end - done, length - done)
            else:
                eight = only_digits(window, length - done)
            other = (eight & _HIGH_HALVES | ((eight + SIXES) & _HIGH_HALVES) >> _FOUR) != _THREES
            part = _eight_digits(eight)
        odd |= other
        value += part * np.uint64(10**done) if done else part
    return value, odd


def _eight_digits(eight: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """The value of eight ASCII digits: neighbours are joined to numbers of 2, then 4, then 8 digits."""
    pairs = ((eight & LOW_HALVES) * np.uint64(10 << 8 | 1)) >> np.uint64(8)
    fours = ((pairs & np.uint64(0x00FF00FF00FF00FF)) * np.uint64(100 << 16 | 1)) >> np.uint64(16)
    return ((fours & np.uint64(0x0000FFFF0000FFFF)) * np.uint64(10_000 << 32 | 1)) >> np.uint64(32)


def _scaled(mantissa: Integers, scale: int | Integers, places: int) -> tuple[Integers, Bools]:
    """Picoseconds, halves rounded up, and the rows that are too far away."""
    unit = 10**places
    if not isinstance(scale, int):
        time = np.zeros(len(mantissa), np.int64)
        too_far = scale == 0
        for one in np.unique(scale[~too_far]).tolist():
            rows = scale == one
            time[rows], too_far[rows] = _scaled(mantissa[rows], one, places)
        return time, too_far
    if scale % unit == 0:
        factor = scale // unit
        return mantissa * factor, np.abs(mantissa) >= _LONGEST_PS // factor
    divisor = unit // scale
    return (mantissa + divisor // 2) // divisor, np.zeros(len(mantissa), np.bool_)


# -- other numbers -----------------------------------------------------------------------------------------


def _in_double_precision(
    cells: Cells,
    column: int,
    start: Places,
    end: Places,
    unit_ps: int | None,
    scale: int | Integers | None,
) -> ReadTimes:
    number = _as_floats(cells, start, end)
    time_ps = number * (np.nan if scale is None else scale)
    good = (np.abs(time_ps) < _EXACT_PS) & (number != 0)  # an exponent beyond all bounds gives 0 as well
    if not isinstance(scale, int) and scale is not None:
        good &= scale > 0
    time = np.floor(np.where(good, time_ps, 0) + 0.5).astype(np.int64)
    _read_singly(cells, column, np.flatnonzero(~good), unit_ps, time)
    rows = {*range(min(_LOOK, len(cells))), *range(max(len(cells) - _LOOK, 0), len(cells))}
    finest = min(time_resolution(cells.text(row, column), unit_ps) for row in rows)
    return ReadTimes(time, finest)


_NUMBER_BYTES = np.zeros(256, np.bool_)
_NUMBER_BYTES[list(b"0123456789.,eE+-")] = True
_DIGITS = np.zeros(256, np.bool_)
_DIGITS[list(b"0123456789")] = True


def _as_floats(cells: Cells, start: Places, end: Places) -> NDArray[np.float64]:
    """Numbers in double precision; not a number where a cell is none or very long."""
    import polars as pl

    text = cells.bytes
    minus = text[start] == ord("-")
    start = start + (minus | (text[start] == ord("+")))
    length = end - start
    after_point = start + ((text[start] == ord(".")) | (text[start] == ord(",")))
    fits = (length <= _LONGEST_CELL) & (after_point < end) & _DIGITS[text[after_point]]
    width = int(np.where(fits, length, 1).max())
    table = np.full((len(start), width + 1), ord("\n"), np.uint8)
    digits = table[:, :width]
    digits[:] = cells.windows(width)[end - width].view(np.uint8).reshape(len(start), width)
    digits[np.arange(width) < (width - np.where(fits, length, 0))[:, np.newaxis]] = ord("0")
    fits &= _NUMBER_BYTES[digits].all(axis=1)
    digits[~fits] = ord("0")
    digits[digits == ord(",")] = ord(".")
    numbers = pl.Series([table.tobytes()[:-1].decode()]).str.split("\n")[0]
    column = numbers.cast(pl.Float64, strict=False)
    number = column.fill_null(float("nan")).to_numpy().astype(np.float64)
    number[~fits] = np.nan
    signed: NDArray[np.float64] = np.where(minus, -number, number)
    return signed
