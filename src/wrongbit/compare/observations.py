"""Judged cycles condensed to unique observations: a program's loops read the same words again and again.

Everything that counts or weighs judged words looks at these few thousand rows and not at all the cycles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from weakref import ReferenceType, ref

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.cycles import Cycles
from wrongbit.compare.blocks import over_blocks
from wrongbit.compare.judge import is_reading
from wrongbit.compare.verdicts import BASIS_ROM, Verdicts

Words = NDArray[np.uint64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Observations:
    """Unique rows of judged cycles, in the order in which each was first seen.

    Args:
        bank: ``int32 (m,)``.
        address: ``uint64 (m,)`` as the processor counts.
        held: ``uint64 (m,)`` what undriven lines would still hold.
        expected: ``uint64 (m,)`` the nominal word.
        judged: ``uint64 (m,)`` bits that have an expectation and were seen; never 0.
        wrong: ``uint64 (m,)`` of these, the bits in which seen and expected differ.
        from_rom: ``bool (m,)`` the expectation is a ROM's.
        reading: ``bool (m,)`` a memory drives the bus.
        count: ``int64 (m,)`` number of such cycles.
        first: ``int64 (m,)`` row of the first of them in the table of cycles.
    """

    bank: NDArray[np.int32]
    address: Words
    held: Words
    expected: Words
    judged: Words
    wrong: Words
    from_rom: Bools
    reading: Bools
    count: NDArray[np.int64]
    first: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.address)


_latest: tuple[ReferenceType[Cycles], ReferenceType[Verdicts], Observations] | None = None
"""What was condensed last: counting and weighing follow each other and need the same."""


def observe(cycles: Cycles, verdicts: Verdicts) -> Observations:
    """Unique observations with their counts.

    Args:
        cycles: All cycles of one capture.
        verdicts: The verdict on each of them, row for row.

    Raises:
        ValueError: The two tables differ in length.
    """
    global _latest
    if len(cycles) != len(verdicts):
        raise ValueError(f"{len(cycles)} cycles but {len(verdicts)} verdicts")
    known = _latest
    if known is not None and known[0]() is cycles and known[1]() is verdicts:
        return known[2]
    found = _condense(cycles, verdicts)
    _latest = ref(cycles), ref(verdicts), found
    return found


SLAB = 1 << 21
"""Rows that are grouped at once: what that takes in memory does not grow with the capture."""


def _condense(cycles: Cycles, verdicts: Verdicts) -> Observations:
    first, count = _unique_of_slab(cycles, verdicts, slice(0, SLAB))
    if len(cycles) > SLAB:
        starts = range(SLAB, len(cycles), SLAB)
        others = [_unique_of_slab(cycles, verdicts, slice(start, start + SLAB)) for start in starts]
        rows, often = (np.concatenate(each) for each in zip((first, count), *others, strict=True))
        chosen, count = _unique(cycles.take(rows), verdicts.take(rows), often)
        first = rows[chosen]
    seen, judged = cycles.take(first), verdicts.take(first)
    return Observations(
        bank=seen.bank,
        address=seen.address,
        held=seen.held,
        expected=judged.expected,
        judged=judged.judged,
        wrong=judged.wrong,
        from_rom=judged.basis == BASIS_ROM,
        reading=is_reading(seen),
        count=count,
        first=first,
    )


Rows = NDArray[np.int64]


def _unique_of_slab(cycles: Cycles, verdicts: Verdicts, slab: slice) -> tuple[Rows, Rows]:
    first, count = _unique(cycles.take(slab), verdicts.take(slab))
    return first + slab.start, count


def _unique(cycles: Cycles, verdicts: Verdicts, often: Rows | None = None) -> tuple[Rows, Rows]:
    """First row and number of rows of each distinct judged observation.

    Args:
        cycles: Some cycles.
        verdicts: On them.
        often: How often each row counts; left out: once.
    """
    usable = verdicts.judged != 0
    rows = None if usable.all() else np.flatnonzero(usable)
    judged = verdicts.judged
    if rows is not None and len(rows):
        # Rows that are left out anyhow must not make the key wider.
        judged = np.where(usable, judged, judged[rows[0]])
    # What was seen is told by the bits in which it differs: they are few, and short keys group fast.
    keys = _pack(
        [
            cycles.address,
            cycles.held,
            verdicts.expected,
            judged,
            verdicts.wrong,
            (verdicts.basis == BASIS_ROM).view(np.uint8),
            is_reading(cycles).view(np.uint8),
            cycles.bank,
        ]
    )
    if rows is None:
        return _group(keys, often)
    first, count = _group([key[rows] for key in keys], None if often is None else often[rows])
    return rows[first], count


@dataclass(frozen=True)
class _Piece:
    """Bits of a column that find a place in a key.

    Args:
        column: The column.
        mask: From its lowest to its highest bit that varies, constant ones between them too.
        key: Number of the key.
        shift: By how much they move up, or down where negative.
    """

    column: NDArray[Any]
    mask: np.uint64
    key: int
    shift: int

    def put_into(self, keys: Words, part: slice) -> None:
        """Put the bits of some rows into their place."""
        bits = self.column[part] & self.mask if self.column.dtype == np.uint64 else self._widened(part)
        if self.shift > 0:
            bits <<= np.uint64(self.shift)
        elif self.shift < 0:
            bits >>= np.uint64(-self.shift)
        keys[self.key, part] |= bits

    def _widened(self, part: slice) -> Words:
        return self.column[part].astype(np.uint64) & self.mask


def _pack(columns: Sequence[NDArray[Any]]) -> list[Words]:
    """Columns side by side in as few 64-bit keys as they fit, by the bits that really vary."""
    rows = len(columns[0])
    pieces = _pieces(columns) if rows else []
    keys = np.empty((1 + max((piece.key for piece in pieces), default=0), rows), np.uint64)

    def fill(part: slice) -> None:
        keys[:, part] = 0
        for piece in pieces:
            piece.put_into(keys, part)

    over_blocks(rows, fill)
    return list(keys)


def _pieces(columns: Sequence[NDArray[Any]]) -> list[_Piece]:
    pieces: list[_Piece] = []
    key, used = 0, 0
    for column in columns:
        ones, zeros = int(np.bitwise_or.reduce(column)), int(np.bitwise_and.reduce(column))
        varying = ones & ~zeros & ((1 << 8 * column.itemsize) - 1)
        if not varying:
            continue
        low, high = (varying & -varying).bit_length() - 1, varying.bit_length()
        if used + high - low > 64:
            key, used = key + 1, 0
        pieces.append(_Piece(column, np.uint64((1 << high) - (1 << low)), key, used - low))
        used += high - low
    return pieces


def _group(keys: Sequence[Words], often: Rows | None) -> tuple[Rows, Rows]:
    """First row and number of rows of each distinct key, in order of first rows."""
    import polars as pl  # here, not above: it is slow to load and only this needs it

    names = [f"key{number}" for number in range(len(keys))]
    table = pl.DataFrame(dict(zip(names, keys, strict=True))).with_row_index("row")
    count = pl.len() if often is None else pl.col("often").sum()
    if often is not None:
        table = table.with_columns(pl.Series("often", often))
    groups = table.group_by(names).agg(pl.col("row").first(), count.alias("count"))
    first, counted = (groups[name].to_numpy().astype(np.int64) for name in ("row", "count"))
    order = np.argsort(first)
    return first[order], counted[order]
