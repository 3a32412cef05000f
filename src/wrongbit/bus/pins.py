"""Where a recipe's names sit in a packed sample, and which level means active."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import gather_bits, scatter_bits
from wrongbit.capture.capture import Layout
from wrongbit.capture.columns import bit_name, target_of
from wrongbit.machine.model import Processor
from wrongbit.machine.names import parse_signal, split_bus_bit
from wrongbit.machine.recipe import Recipe

Words = NDArray[np.uint64]


@dataclass(frozen=True)
class Rows:
    """Samples taken out of a capture: the levels at the moments that matter.

    Args:
        planes: One ``uint64 (n,)`` array a plane.
        unknown: Likewise, a 1 where the level was not known; None where all were known.
    """

    planes: tuple[Words, ...]
    unknown: tuple[Words | None, ...]

    def __len__(self) -> int:
        return len(self.planes[0])

    def take(self, index: NDArray[np.intp] | NDArray[np.bool_] | slice) -> Rows:
        """The rows chosen by an index array, a mask or a slice."""
        return Rows(
            tuple(plane[index] for plane in self.planes),
            tuple(None if plane is None else plane[index] for plane in self.unknown),
        )

    @staticmethod
    def join(parts: Sequence[Rows]) -> Rows:
        """Rows of several, in order; at least one."""
        planes = tuple(
            np.concatenate(planes) for planes in zip(*(part.planes for part in parts), strict=True)
        )
        unknown: list[Words | None] = []
        for column in zip(*(part.unknown for part in parts), strict=True):
            if all(piece is None for piece in column):
                unknown.append(None)
            else:
                unknown.append(
                    np.concatenate(
                        [
                            np.zeros(len(part), np.uint64) if piece is None else piece
                            for part, piece in zip(parts, column, strict=True)
                        ]
                    )
                )
        return Rows(planes, tuple(unknown))


@dataclass(frozen=True)
class Field:
    """Some wires in order, read together as a number.

    Args:
        positions: Position of each bit in the packed sample, bit 0 first; -1 where no probe is clipped.
        inverted: The wires carry the complement.
        tied: (bits, levels) of wires without a probe whose level is fixed.
    """

    positions: tuple[int, ...]
    inverted: bool
    tied: tuple[int, int] = (0, 0)

    def read(self, rows: Rows) -> tuple[Words, Words]:
        """Value and known bits in each row, both ``uint64 (n,)``; unknown bits are 0."""
        count = len(rows)
        value: Words | None = None
        known: Words | None = None
        for number, (plane, unknown) in enumerate(zip(rows.planes, rows.unknown, strict=True)):
            here = [p - 64 * number if p // 64 == number and p >= 0 else -1 for p in self.positions]
            if all(p < 0 for p in here):
                continue
            wired = np.uint64(sum(1 << bit for bit, p in enumerate(here) if p >= 0))
            levels = gather_bits(plane, here)
            sure = np.full(count, wired) if unknown is None else wired & ~gather_bits(unknown, here)
            value = levels if value is None else value | levels
            known = sure if known is None else known | sure
        if value is None or known is None:
            value, known = np.zeros(count, np.uint64), np.zeros(count, np.uint64)
        if self.tied[0]:
            value, known = value | np.uint64(self.tied[1]), known | np.uint64(self.tied[0])
        return (~value if self.inverted else value) & known, known


@dataclass(frozen=True)
class Pins:
    """A recipe's names resolved against one capture's layout.

    Args:
        processor: Whose bus it is; its ``signals`` rename and its ``active`` overrides polarity.
        recipe: The recipe in force.
        layout: Positions in the capture.
        tied: Level of lines that no probe is clipped to, by any spelling of their names.
    """

    processor: Processor
    recipe: Recipe
    layout: Layout
    tied: Mapping[str, int] = field(default_factory=dict)
    _fields: dict[tuple[str, tuple[int, ...] | None], Field] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def canonical(self, name: str) -> str:
        """The layout's name of what the recipe calls ``name``."""
        return canonical_name(self.processor, name)

    def has(self, name: str) -> bool:
        """True where the capture carries any wire of this signal or bus."""
        wire = self.canonical(name)
        try:
            return any(p >= 0 for p in self.layout.bits_of(wire)) or wire in self._levels
        except KeyError:
            return wire in self._levels

    def active_low(self, name: str) -> bool:
        """True where the low level means active (or, for a bus, 1).

        The machine file's ``active`` decides first, then the recipe's ``active_low``, then the mark in the
        machine's own spelling or in the recipe's. A bit of a bus follows its bus.
        """
        base = parse_signal(name).base
        names = [base]
        bit = split_bus_bit(base)
        if bit is not None:
            names.append(bit[0])
        overrides = {parse_signal(key).base: level for key, level in self.processor.active.items()}
        for each in names:
            if each in overrides:
                return overrides[each] == "low"
        low = {parse_signal(each).base for each in self.recipe.active_low}
        if any(each in low for each in names):
            return True
        spelt = rename(self.processor, name)
        return parse_signal(spelt).active_low or parse_signal(name).active_low

    def field(self, name: str, bits: tuple[int, ...] | None) -> Field:
        """The wires of a bus or signal, or some of a bus's bits, as a `Field`.

        Raises:
            KeyError: The capture carries none of them.
        """
        found = self._fields.get((name, bits))
        if found is None:
            wire = self.canonical(name)
            try:
                positions = self.layout.bits_of(wire)
            except KeyError:
                if wire not in self._levels:
                    raise
                positions = (-1,)
            names = [wire] if wire in self._levels else [bit_name(wire, n) for n in range(len(positions))]
            if bits is not None:
                positions = tuple(positions[bit] if bit < len(positions) else -1 for bit in bits)
                names = [bit_name(wire, bit) for bit in bits]
            fixed = {
                place: self._levels[each]
                for place, (each, position) in enumerate(zip(names, positions, strict=True))
                if position < 0 and each in self._levels
            }
            tied = sum(1 << place for place in fixed), sum(level << place for place, level in fixed.items())
            found = self._fields[name, bits] = Field(positions, self.active_low(name), tied)
        return found

    @cached_property
    def _levels(self) -> dict[str, int]:
        """Level of each tied line, by its name in a layout."""
        return {target_of(name, {}).name: level for name, level in self.tied.items()}


def rename(processor: Processor, name: str) -> str:
    """The machine's spelling of what the recipe calls ``name``."""
    wanted = parse_signal(name).base
    for role, spelt in processor.signals.items():
        if parse_signal(role).base == wanted:
            return spelt
    return name


def canonical_name(processor: Processor, name: str) -> str:
    """The canonical name, as a capture's layout uses it, of what the recipe calls ``name``."""
    return parse_signal(rename(processor, name)).base


def concatenate(pieces: Sequence[tuple[Words, Words, int]]) -> tuple[Words, Words]:
    """Values side by side, the first lowest, from (value, known, width) pieces."""
    value, known, shift = pieces[0][0].copy(), pieces[0][1].copy(), pieces[0][2]
    for more, more_known, width in pieces[1:]:
        place = range(shift, min(shift + width, 64))
        value |= scatter_bits(more, place)
        known |= scatter_bits(more_known, place)
        shift += width
    return value, known
