"""Evidence: judged cycles condensed to unique observations with counts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.cycles import KIND_CODE, READING_KINDS, Cycles
from wrongbit.compare.verdicts import BASIS_ROM, Verdicts


@dataclass(frozen=True)
class Evidence:
    """Unique (bank, address, held value, expected, seen) observations of reading cycles.

    Only bits with a nominal expectation take part (``judged``): ROM bits from the reference, RAM bits from
    the last write seen.

    Args:
        bank: ``int32 (m,)``.
        address: ``uint64 (m,)`` as the processor counts.
        held: ``uint64 (m,)`` what undriven lines would still hold.
        expected: ``uint64 (m,)`` the nominal word.
        judged: ``uint64 (m,)`` bits that have an expectation and were seen.
        seen: ``uint64 (m,)`` the word seen, limited to ``judged``.
        from_rom: ``bool (m,)`` the expectation is a ROM's (True) or a RAM's last write (False).
        count: ``int64 (m,)`` how often this was observed.
        first: ``int64 (m,)`` row of the first such cycle in the table of cycles.
    """

    bank: NDArray[np.int32]
    address: NDArray[np.uint64]
    held: NDArray[np.uint64]
    expected: NDArray[np.uint64]
    judged: NDArray[np.uint64]
    seen: NDArray[np.uint64]
    from_rom: NDArray[np.bool_]
    count: NDArray[np.int64]
    first: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.address)


def gather_evidence(cycles: Cycles, verdicts: Verdicts) -> Evidence:
    """Unique observations with their counts, in the order in which each was first made.

    Only reading cycles (fetch, read) with at least one judged bit take part.

    Args:
        cycles: All cycles of one capture.
        verdicts: The verdict on each of them, row for row.

    Raises:
        ValueError: The two tables differ in length.
    """
    if len(cycles) != len(verdicts):
        raise ValueError(f"{len(cycles)} cycles but {len(verdicts)} verdicts")
    usable = verdicts.judged != 0
    usable &= _is_reading(cycles.kind)
    from_rom = verdicts.basis == BASIS_ROM
    # What was seen is told by the bits in which it differs: they are few, and short keys group fast.
    keys = _pack(
        [
            cycles.address,
            cycles.held,
            verdicts.expected,
            verdicts.judged,
            verdicts.wrong,
            from_rom.view(np.uint8),
            cycles.bank + np.int32(1),
        ]
    )
    rows = None if usable.all() else np.flatnonzero(usable)
    first, count = _group(keys if rows is None else [key[rows] for key in keys])
    if rows is not None:
        first = rows[first]
    judged = verdicts.judged[first]
    return Evidence(
        bank=cycles.bank[first],
        address=cycles.address[first],
        held=cycles.held[first],
        expected=verdicts.expected[first],
        judged=judged,
        seen=(verdicts.expected[first] ^ verdicts.wrong[first]) & judged,
        from_rom=from_rom[first],
        count=count,
        first=first,
    )


def _is_reading(kind: NDArray[np.uint8]) -> NDArray[np.bool_]:
    table = np.zeros(256, np.bool_)
    table[[KIND_CODE[name] for name in READING_KINDS]] = True
    return table[kind]


def _pack(columns: Sequence[NDArray[Any]]) -> list[NDArray[np.uint64]]:
    """Columns side by side in as few 64-bit keys as they fit, by the bits that really vary."""
    keys: list[NDArray[np.uint64]] = []
    used = 64
    for column in columns:
        if not len(column):
            return [np.empty(0, np.uint64)]
        ones, zeros = int(np.bitwise_or.reduce(column)), int(np.bitwise_and.reduce(column))
        varying = ones & ~zeros
        if not varying:
            continue
        low = (varying & -varying).bit_length() - 1
        width = varying.bit_length() - low
        piece = column.astype(np.uint64) >> np.uint64(low) if low else column.astype(np.uint64)
        if ones >> (low + width):  # constant bits above the varying ones
            piece &= np.uint64((1 << width) - 1)
        if used + width > 64:
            keys.append(piece)
            used = width
        else:
            piece <<= np.uint64(used)
            keys[-1] |= piece
            used += width
    return keys or [np.zeros(len(columns[0]), np.uint64)]


def _group(keys: Sequence[NDArray[np.uint64]]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First row and number of rows of each distinct key, in order of first rows."""
    import polars as pl  # here, not above: it is slow to load and only this needs it

    names = [f"key{number}" for number in range(len(keys))]
    table = pl.DataFrame(dict(zip(names, keys, strict=True))).with_row_index("row")
    groups = table.group_by(names).agg(pl.col("row").first(), pl.len().alias("count")).sort("row")
    return groups["row"].to_numpy().astype(np.int64), groups["count"].to_numpy().astype(np.int64)
