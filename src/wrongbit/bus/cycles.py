"""A table of bus cycles: one row a cycle, one array a column."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from wrongbit.machine.recipe import KINDS, Kind

KIND_CODE: dict[Kind, int] = {kind: code for code, kind in enumerate(KINDS)}
"""Code of each kind in `Cycles.kind`."""

READING_KINDS: tuple[Kind, ...] = ("fetch", "read")
"""Kinds in which a memory drives the bus and can be compared."""

UNSETTLED = 1
"""Flag: the data changed within the recipe's set-up time before it was taken."""

DOUBTFUL_BYTE = 16
"""Flag, shifted by the number of a byte: its strobe is not in the capture, so it may not have moved."""

UNSTROBED = 2
"""Flag: the capture tells nothing of the byte strobes, so that any one byte of a read may have floated."""

NO_TIME = np.iinfo(np.int64).min
"""In `Cycles.time_ps` where the capture has no time."""


@dataclass(frozen=True)
class Cycles:
    """Bus cycles in the order in which they ended.

    Levels are already logical: an inverted bus has been turned the right way round.

    Args:
        sample: ``int64 (n,)`` number of the sample (or row) from which the data was taken.
        time_ps: ``int64 (n,)`` its time in picoseconds, `NO_TIME` where the capture has none.
        kind: ``uint8 (n,)`` index into `wrongbit.machine.recipe.KINDS`.
        bank: ``int32 (n,)`` bank number, 0 where the machine has no banks, -1 where it is not known.
        address: ``uint64 (n,)`` as the processor counts, unknown bits zero.
        address_known: ``uint64 (n,)`` a 1 for each address bit that was known.
        word: ``uint64 (n,)`` the word on the bus, unknown or disabled bits zero.
        known: ``uint64 (n,)`` a 1 for each bit that was known and enabled.
        held: ``uint64 (n,)`` what undriven data lines would still hold (see the recipe's ``held``).
        flags: ``uint8 (n,)`` `UNSETTLED`, `UNSTROBED`, and `DOUBTFUL_BYTE` of each of the lowest four bytes.
    """

    sample: NDArray[np.int64]
    time_ps: NDArray[np.int64]
    kind: NDArray[np.uint8]
    bank: NDArray[np.int32]
    address: NDArray[np.uint64]
    address_known: NDArray[np.uint64]
    word: NDArray[np.uint64]
    known: NDArray[np.uint64]
    held: NDArray[np.uint64]
    flags: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.sample)

    def take(self, index: NDArray[np.intp] | NDArray[np.bool_] | slice) -> Cycles:
        """The rows chosen by an index array, a mask or a slice."""
        return Cycles(*(getattr(self, column.name)[index] for column in fields(self)))

    @staticmethod
    def join(parts: Sequence[Cycles]) -> Cycles:
        """One table from several, in order. No parts give an empty table."""
        columns: dict[str, Any] = {
            column.name: np.concatenate([getattr(part, column.name) for part in parts])
            for column in fields(Cycles)
        }
        return Cycles(**columns)

    @staticmethod
    def gather(parts: Iterable[Cycles]) -> Cycles:
        """As `join`, of many parts that are not all there at the same time: memory is that of the whole."""
        columns = {column.name: getattr(Cycles.empty(), column.name) for column in fields(Cycles)}
        columns = {name: column.copy() for name, column in columns.items()}
        count = 0
        for part in parts:
            needed = count + len(part)
            for name, column in columns.items():
                if len(column) < needed:  # in place: a large array moves without being copied
                    column.resize(max(needed, len(column) * 5 // 4), refcheck=False)
                column[count:needed] = getattr(part, name)
            count = needed
        for column in columns.values():
            column.resize(count, refcheck=False)
        return Cycles(**columns)

    @staticmethod
    def empty() -> Cycles:
        """A table without rows."""
        word = np.empty(0, np.uint64)
        return Cycles(
            sample=np.empty(0, np.int64),
            time_ps=np.empty(0, np.int64),
            kind=np.empty(0, np.uint8),
            bank=np.empty(0, np.int32),
            address=word,
            address_known=word,
            word=word,
            known=word,
            held=word,
            flags=np.empty(0, np.uint8),
        )


def held_values(
    cycles: Cycles, rests: Literal["word", "address", "nothing"], word_bits: int, earlier: int = 0
) -> NDArray[np.uint64]:
    """What undriven data lines would still hold in each cycle.

    Args:
        cycles: In order.
        rests: The recipe's ``held``.
        word_bits: Width of the word.
        earlier: The last word seen before these cycles.

    Returns:
        ``uint64 (n,)`` for `Cycles.held`: the last word of which any bit was seen in an earlier cycle, the
        cycle's own address, or 0.
    """
    if rests == "address":
        return cycles.address & np.uint64((1 << word_bits) - 1)
    held = np.zeros(len(cycles), np.uint64)
    if rests == "word":
        carries = cycles.known != 0
        words = np.concatenate([[np.uint64(earlier)], cycles.word])
        if carries.all():
            return words[:-1]
        last = np.maximum.accumulate(np.where(carries, np.arange(1, len(cycles) + 1), 0))
        held[:1], held[1:] = words[:1], words[last[:-1]]
    return held


def doubtful_bytes(bits: NDArray[np.uint64]) -> NDArray[np.uint8]:
    """`DOUBTFUL_BYTE` flags, ``uint8 (n,)``, of the bytes with such bits, of the lowest four."""
    flags = np.zeros(len(bits), np.uint8)
    for byte in range(4):
        flags[(bits & np.uint64(0xFF << 8 * byte)) != 0] |= DOUBTFUL_BYTE << byte
    return flags
