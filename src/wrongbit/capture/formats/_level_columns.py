"""Columns of levels: neighbouring columns at once, where all rows have the same shape."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from wrongbit.capture.columns import PLANE_BITS
from wrongbit.capture.formats._cells import HIGH, LEVELS, UNKNOWN, read_level
from wrongbit.capture.formats._packing import Planes, Words, each_text
from wrongbit.capture.formats._tokens import Cells, Places

_NO_LEVEL = 3
_FEW = 16

# Four levels in eight bytes, a separator after each: their lowest bits, multiplied, come side by side.
_FOUR_LEVELS = np.uint64(0x00FE00FE00FE00FE)
_FOUR_ZEROS = np.uint64(0x0030003000300030)
_FOUR_BITS = np.uint64(0x0001000100010001)
_JOIN_FOUR = np.uint64(1 << 48 | 1 << 33 | 1 << 18 | 1 << 3)
_JOINED, _NIBBLE = np.uint64(48), np.uint64(15)


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

    def pack(self, cells: Cells, planes: Planes) -> None:
        """Add these columns.

        Args:
            cells: The block.
            planes: Where to.

        Raises:
            BadCell: A cell holds no level.
        """
        if not len(cells):
            return
        if len(self.positions) <= _FEW:
            word = self._few(cells)
            if word is not None:
                planes.add(word, self.positions)
                return
        found = self._at_once(cells)
        if found is None:
            columns = range(self.first, self.first + len(self.positions))
            found = np.stack([read_levels(cells, column) for column in columns], axis=1)
        unknown = found == UNKNOWN if found.max() == UNKNOWN else None
        for group in self._groups():
            whole = group == list(range(found.shape[1]))
            words = _packed(found == HIGH if whole else found[:, group] == HIGH)
            doubt = None if unknown is None else _packed(unknown[:, group])
            planes.add(words, [self.positions[index] for index in group], doubt)

    def _groups(self) -> list[list[int]]:
        """Columns in the order of their positions, no more than 64 together."""
        order = sorted(range(len(self.positions)), key=lambda index: self.positions[index])
        return [order[at : at + PLANE_BITS] for at in range(0, len(order), PLANE_BITS)]

    def _few(self, cells: Cells) -> Words | None:
        """A few columns as words, four at a time, where every cell of every row is a plain 0 or 1."""
        count = len(self.positions)
        start, end = cells.plain(self.first)[0], cells.plain(self.first + count - 1)[1]
        if ((end - start) != 2 * count - 1).any():
            return None
        word = np.zeros(len(cells), np.uint64)
        for done in range(0, count, 4):
            inside = np.uint64((1 << 16 * min(4, count - done)) - 1)
            eight = cells.numbers(8, start + 2 * done).astype(np.uint64, copy=False)
            if ((eight & (_FOUR_LEVELS & inside)) != _FOUR_ZEROS & inside).any():
                return None
            word |= ((eight & (_FOUR_BITS & inside)) * _JOIN_FOUR >> _JOINED & _NIBBLE) << np.uint64(done)
        return word

    def _at_once(self, cells: Cells) -> NDArray[np.uint8] | None:
        """``uint8 (n, columns)`` levels where each cell is one character in the same place of every row."""
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


def _packed(bits: NDArray[np.bool_]) -> Words:
    """``bool (n, up to 64)`` as ``uint64 (n,)``, first column lowest."""
    packed = np.zeros((len(bits), 8), np.uint8)
    some = np.packbits(bits, axis=1, bitorder="little")
    packed[:, : some.shape[1]] = some
    return packed.view("<u8").reshape(-1).astype(np.uint64, copy=False)


def _step(places: Sequence[int]) -> int:
    """The step of evenly spaced places, or 0."""
    steps = {b - a for a, b in pairwise(places)} or {1}
    return steps.pop() if len(steps) == 1 else 0
