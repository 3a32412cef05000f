"""What really happened on a simulated bus: the truth that a capture only shows through an instrument."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from wrongbit.machine.recipe import KINDS, Kind

CODE: dict[Kind, int] = {kind: code for code, kind in enumerate(KINDS)}
"""Code of each kind in `BusTrace.kind`: its index in `wrongbit.machine.recipe.KINDS`."""


@dataclass(frozen=True)
class BusTrace:
    """Bus cycles in order, as they were at the processor's own pins.

    Args:
        kind: ``uint8 (n,)`` index into `wrongbit.machine.recipe.KINDS`.
        bank: ``int32 (n,)`` bank as the processor put it out, 0 where the machine has none.
        address: ``uint64 (n,)`` as the processor put it out.
        word: ``uint64 (n,)`` as the processor received it, or wrote it.
        held: ``uint64 (n,)`` what stood on the data lines just before: the last word, or the address on a
            multiplexed bus.
        driven: ``uint64 (n,)`` the bits that some part drove; the others show what was held.
        clock: ``int64 (n,)`` clock period in which the cycle began, counted from the first cycle.
        clock_hz: Frequency of that clock.
        word_bits: Width of a word.
    """

    kind: NDArray[np.uint8]
    bank: NDArray[np.int32]
    address: NDArray[np.uint64]
    word: NDArray[np.uint64]
    held: NDArray[np.uint64]
    driven: NDArray[np.uint64]
    clock: NDArray[np.int64]
    clock_hz: float
    word_bits: int

    def __len__(self) -> int:
        return len(self.kind)

    def part(self, start: int, stop: int | None = None) -> BusTrace:
        """The cycles from ``start`` up to, but without, ``stop``; times stay as they are."""
        columns = {
            column.name: getattr(self, column.name)[start:stop]
            for column in fields(self)
            if column.name not in ("clock_hz", "word_bits")
        }
        return replace(self, **columns)
