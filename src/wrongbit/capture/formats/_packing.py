"""What columns of cells are packed into, and how cells that are not ordinary are read.

Ordinary cells are read with a few passes over the block's bytes (`_level_columns`, `_word_columns`,
`_times`); each unusual text (a blank, ``true``, a don't-care digit) is read once by `_cells` for all rows
that hold it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import scatter_bits
from wrongbit.capture.columns import PLANE_BITS
from wrongbit.capture.formats._cells import CellError
from wrongbit.capture.formats._tokens import Cells, Places

Words = NDArray[np.uint64]
Meaning = TypeVar("Meaning")


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


class Planes:
    """The bits of a block's samples, to be filled column by column.

    Args:
        rows: Number of samples.
        count: Number of planes.
    """

    def __init__(self, rows: int, count: int) -> None:
        self.levels: list[Words] = [np.zeros(rows, np.uint64) for _ in range(count)]
        self.unknown: list[Words | None] = [None] * count

    def add(self, words: Words, positions: Sequence[int], unknown: Words | None = None) -> None:
        """Set bits that are still 0.

        Args:
            words: ``uint64 (n,)``.
            positions: Position in a sample of each bit of the words, lowest first.
            unknown: ``uint64 (n,)`` likewise for levels that are not known; None: all are known.
        """
        for number, plane in enumerate(self.levels):
            low = number * PLANE_BITS
            places = [place - low if low <= place < low + PLANE_BITS else -1 for place in positions]
            if max(places) < 0:
                continue
            plane |= scatter_bits(words, places)
            if unknown is not None:
                before = self.unknown[number]
                more = scatter_bits(unknown, places)
                self.unknown[number] = more if before is None else before | more


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
        keys = shortened(cells.numbers(8, end - 8).astype(np.uint64), end - start)
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
