"""Observations made ready for predictions: weights, and for each chip the rows in which it answered."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_bits, gather_bits
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.faults.evidence import Evidence

Words = NDArray[np.uint64]
Index = NDArray[np.intp]
Costs = NDArray[np.float64]

MOST_WEIGHT = 8
"""An observation that was made n times counts as min(n, this many) independent ones: a loop that reads the
same word a million times tells hardly more than one that reads it eight times."""


@dataclass(frozen=True)
class AtChip:
    """The rows in which one chip should have answered, in the chip's own order of outputs and lines.

    Args:
        index: ``intp (k,)`` rows.
        lines: ``uint64 (k,)`` levels on its address lines.
        expected: ``uint64 (k,)`` outputs that it should have given.
        judged: ``uint64 (k,)`` outputs that have an expectation and were seen.
        seen: ``uint64 (k,)`` outputs as they were seen.
        held: ``uint64 (k,)`` what its data lines would hold undriven, as outputs.
        weight: ``float64 (k,)``.
    """

    index: Index
    lines: Words
    expected: Words
    judged: Words
    seen: Words
    held: Words
    weight: Costs

    @cached_property
    def wrong(self) -> Words:
        """``uint64 (k,)`` judged outputs in which seen and expected differ."""
        return (self.expected ^ self.seen) & self.judged

    def wrong_weight(self) -> float:
        """Weighted number of wrong outputs."""
        return self._wrong_weight

    @cached_property
    def _wrong_weight(self) -> float:
        return float(count_bits(self.wrong) @ self.weight)


@dataclass(frozen=True)
class Rows:
    """Evidence with weights, and what depends on the memory map, worked out once.

    Args:
        memory_map: The chips on the bus.
        bank: As in `Evidence`; so are the following.
        address: As in `Evidence`.
        held: As in `Evidence`.
        expected: As in `Evidence`.
        judged: As in `Evidence`.
        seen: As in `Evidence`.
        from_rom: As in `Evidence`.
        weight: ``float64 (m,)`` independent observations that a row counts for.
    """

    memory_map: MemoryMap
    bank: NDArray[np.int32]
    address: Words
    held: Words
    expected: Words
    judged: Words
    seen: Words
    from_rom: NDArray[np.bool_]
    weight: Costs
    _cache: dict[str, AtChip] = field(default_factory=dict, compare=False, repr=False)

    @staticmethod
    def of(evidence: Evidence, memory_map: MemoryMap) -> Rows:
        """All rows of the evidence."""
        return Rows(
            memory_map,
            evidence.bank,
            evidence.address,
            evidence.held,
            evidence.expected,
            evidence.judged,
            evidence.seen,
            evidence.from_rom,
            np.minimum(evidence.count, MOST_WEIGHT).astype(np.float64),
        )

    def __len__(self) -> int:
        return len(self.address)

    @cached_property
    def wrong(self) -> Words:
        """``uint64 (m,)`` judged bits in which seen and expected differ."""
        return (self.seen ^ self.expected) & self.judged

    def take(self, index: Index) -> Rows:
        """Some of the rows."""
        return self._each(lambda column: column[index])

    def repeat(self, times: int) -> Rows:
        """All rows, ``times`` times one after another, for trying many faults at once."""
        return self._each(lambda column: np.tile(column, times))

    def _each(self, change: Callable[[NDArray[Any]], NDArray[Any]]) -> Rows:
        columns: dict[str, Any] = {name: change(getattr(self, name)) for name in _COLUMNS}
        return Rows(self.memory_map, **columns)

    def at(self, chip: ChipMap) -> AtChip:
        """The rows in which this chip should have answered.

        A ROM has those that were judged by ROM contents, any other chip has the rest.
        """
        known = self._cache.get(chip.name)
        if known is None:
            chosen = chip.selected(self.bank, self.address)
            chosen &= self.from_rom if chip.kind == "rom" else ~self.from_rom
            index = np.flatnonzero(chosen)
            whole = len(index) == len(self)
            pick = slice(None) if whole else index
            known = AtChip(
                index=index,
                lines=gather_bits(self.address[pick], chip.address_lines),
                expected=chip.from_bus(self.expected[pick]),
                judged=gather_bits(self.judged[pick], chip.lane),
                seen=chip.from_bus(self.seen[pick]),
                held=chip.from_bus(self.held[pick]),
                weight=self.weight[pick],
            )
            self._cache[chip.name] = known
        return known

    def wrong_weight(self) -> float:
        """Weighted number of wrong bits."""
        return self._wrong_weight

    @cached_property
    def _wrong_weight(self) -> float:
        return float(count_bits(self.wrong) @ self.weight)


_COLUMNS = tuple(item.name for item in fields(Rows) if item.name not in ("memory_map", "_cache"))
