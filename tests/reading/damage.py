"""Chips damaged at known places and read by a small reader model of the tests' own.

Nothing here is taken from wrongbit's fault models: a reader steps the address, the lines of chip and reader
stand between, the cell array answers, and what nobody drives keeps its level or is pulled up.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wrongbit.compare.memory_map import ChipMap, ChipRegion
from wrongbit.image.contents import Contents
from wrongbit.reading.conditions import NOTHING_KNOWN, Conditions
from wrongbit.reading.readings import Reading

Bytes = NDArray[np.uint8]

VGA_BIOS = Path("/usr/share/seabios/vgabios-stdvga.bin")
"""From Debian's seabios: a real option ROM."""

SYSTEM_BIOS = Path("/usr/share/seabios/bios.bin")
"""From Debian's seabios: 128 KiB, no header."""


def option_rom(size: int = 1 << 15) -> Bytes:
    """A real option ROM, cut or filled with FF to the size of a chip."""
    data = VGA_BIOS.read_bytes()[:size]
    return np.frombuffer(data + b"\xff" * (size - len(data)), np.uint8)


def system_rom(size: int = 1 << 13, start: int = 0xF000) -> Bytes:
    """Part of a real system ROM that is dense with code."""
    return np.frombuffer(SYSTEM_BIOS.read_bytes(), np.uint8)[start : start + size]


def chip_of(data: Bytes, *, name: str = "U2", declared: bool = False) -> ChipMap:
    """A byte-wide ROM that should hold these bytes."""
    lines = (len(data) - 1).bit_length()
    geometry = {"rows": tuple(range(5, lines)), "columns": tuple(range(5))} if declared else {}
    return ChipMap(
        name,
        "rom",
        tuple(range(8)),
        tuple(range(lines)),
        (ChipRegion(None, 0, len(data)),),
        data.astype(np.uint64),
        np.full(len(data), 255, np.uint64),
        **geometry,
    )


@dataclass
class Bench:
    """A chip in a reader; each hook is something physical that may be wrong.

    Args:
        cells: What the array holds.
        address: Levels on the reader's address lines = levels that reach the chip.
        read: What a cell gives, from (address, value, draw).
        drive: Bits that nobody drives, from (address, draw).
        pulled_up: Undriven lines read 1, else they keep their level.
        seed: Of all chance.
    """

    cells: Bytes
    address: Callable[[NDArray[np.int64], np.random.Generator], NDArray[np.int64]] | None = None
    read: Callable[[NDArray[np.int64], Bytes, np.random.Generator], Bytes] | None = None
    drive: Callable[[NDArray[np.int64], np.random.Generator], Bytes] | None = None
    pulled_up: bool = True
    seed: int = 1
    _draw: np.random.Generator = field(init=False)

    def __post_init__(self) -> None:
        self._draw = np.random.default_rng(self.seed)

    def once(self) -> Bytes:
        """One pass through all addresses."""
        address = np.arange(len(self.cells))
        at = address if self.address is None else self.address(address, self._draw)
        word = self.cells[at]
        if self.read is not None:
            word = self.read(at, word, self._draw)
        if self.drive is None:
            return word
        undriven = self.drive(address, self._draw)
        if self.pulled_up:
            return word | undriven
        result = word.copy()
        left = 0xFF
        for place in range(len(word)):
            left = (int(word[place]) & ~int(undriven[place])) | (left & int(undriven[place]))
            result[place] = left
        return result

    def readings(self, passes: int, conditions: tuple[Conditions, ...] = ()) -> tuple[Reading, ...]:
        """Several passes."""
        return tuple(
            as_reading(self.once(), f"pass {number}", conditions[number] if conditions else NOTHING_KNOWN)
            for number in range(passes)
        )


def as_reading(data: Bytes, name: str = "pass", conditions: Conditions = NOTHING_KNOWN) -> Reading:
    """Bytes as a reading."""
    words = data.astype(np.uint64)
    return Reading(Contents(words, np.full(len(words), 255, np.uint64), 8, source=name), conditions, name)
