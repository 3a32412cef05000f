"""What is soldered to a board: chips, their lanes, regions and address lines."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import mask_of

Words = NDArray[np.uint64]


@dataclass(frozen=True)
class BoardChip:
    """A chip as it is soldered in.

    Args:
        name: Reference designator.
        kind: rom, ram or io.
        words: Number of words.
        lane: Word bit that each output feeds, output 0 first; consecutive and upward for RAM and ports.
        regions: (bank or None for every bank, first address, number of addresses).
        lines: Processor address bit on each of its address lines, line 0 first.
        rows: Its address lines that choose the row of the array.
        columns: Its address lines that choose the column.
        contents: ``uint64 (words,)`` of a ROM, else empty.
    """

    name: str
    kind: Literal["rom", "ram", "io"]
    words: int
    lane: tuple[int, ...]
    regions: tuple[tuple[int | None, int, int], ...]
    lines: tuple[int, ...]
    rows: tuple[int, ...] = ()
    columns: tuple[int, ...] = ()
    contents: Words = field(default_factory=lambda: np.empty(0, np.uint64))

    @property
    def lane_mask(self) -> int:
        """The word bits that it feeds."""
        return mask_of(self.lane)


@dataclass(frozen=True)
class Board:
    """Everything on one processor's bus.

    Args:
        word_bits: Width of the data bus.
        banks: Number of banks, 1 where the machine has none.
        multiplexed: Address and data share the bus, so undriven lines hold the address.
        chips: All chips in memory space.
    """

    word_bits: int
    banks: int
    multiplexed: bool
    chips: tuple[BoardChip, ...]

    @property
    def roms(self) -> tuple[BoardChip, ...]:
        """The chips with fixed contents."""
        return tuple(chip for chip in self.chips if chip.kind == "rom")

    def chip(self, name: str) -> BoardChip:
        """The chip with this designator.

        Raises:
            KeyError: There is none.
        """
        for chip in self.chips:
            if chip.name == name:
                return chip
        raise KeyError(name)
