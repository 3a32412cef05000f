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


def _condense(cycles: Cycles, verdicts: Verdicts) -> Observations:
    usable = verdicts.judged != 0
    rows = None if usable.all() else np.flatnonzero(usable)
    judged = verdicts.judged
    if rows is not None and len(rows):
        # Rows that are left out anyhow must not make the key wider.
        judged = np.where(usable, judged, judged[rows[0]])
    from_rom, reading = verdicts.basis == BASIS_ROM, is_reading(cycles)
    # What was seen is told by the bits in which it differs: they are few, and short keys group fast.
    keys = _pack(
        [
            cycles.address,
            cycles.held,
            verdicts.expected,
            judged,
            verdicts.wrong,
            from_rom.view(np.uint8),
            reading.view(np.uint8),
            cycles.bank,
        ]
    )
    first, count = _group(keys if rows is None else [key[rows] for key in keys])
    if rows is not None:
        first = rows[first]
    return Observations(
        bank=cycles.bank[first],
        address=cycles.address[first],
        held=cycles.held[first],
        expected=verdicts.expected[first],
        judged=verdicts.judged[first],
        wrong=verdicts.wrong[first],
        from_rom=from_rom[first],
        reading=reading[first],
        count=count,
        first=first,
    )


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


def _group(keys: Sequence[Words]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First row and number of rows of each distinct key, in order of first rows."""
    import polars as pl  # here, not above: it is slow to load and only this needs it

    names = [f"key{number}" for number in range(len(keys))]
    table = pl.DataFrame(dict(zip(names, keys, strict=True))).with_row_index("row")
    groups = table.group_by(names).agg(pl.col("row").first(), pl.len().alias("count"))
    first, count = (groups[name].to_numpy().astype(np.int64) for name in ("row", "count"))
    order = np.argsort(first)
    return first[order], count[order]
