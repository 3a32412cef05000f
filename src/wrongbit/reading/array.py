"""The chip's own array: rows and columns, where bad cells gather in it, and a map of it.

Common practice, no source: a row crosses the blocks of all outputs, a column belongs to one output. Which
address lines choose which is taken from the machine file; where that is silent, every split in two is tried,
and every row chosen by lines that follow each other in the middle.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import lgamma
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import gather_bits
from wrongbit.compare.memory_map import ChipMap
from wrongbit.faults.models.arrays import Split, gathering, geometries
from wrongbit.reading.intervals import Rate
from wrongbit.reading.stack import Narrow

Lines = tuple[int, ...]

MOST_CELLS = 200_000
"""Bad cells that are looked at, drawn at random where there are more."""

MOST_PLACES = 64
"""Rows (or columns) of one split that are weighed: those with the most bad cells."""

MOST_DRAWN = 256
"""Bad cells in which rows and columns with lines in the middle are sought."""

GOOD, NOT_JUDGED, UNSTABLE, WRONG = 0, 1, 2, 3
"""States of a place in a chip map; of several cells at one place the highest counts."""


@dataclass(frozen=True)
class Cells:
    """Single bits of words.

    Args:
        address: ``intp (k,)``.
        bit: ``intp (k,)`` output.
    """

    address: NDArray[np.intp]
    bit: NDArray[np.intp]

    def __len__(self) -> int:
        return len(self.address)


def cells_of(mask: Narrow, width: int) -> Cells:
    """Every 1 of masks as a cell, by address and then by output.

    Args:
        mask: ``(n,)``, one mask an address.
        width: Number of outputs.
    """
    address = np.flatnonzero(mask)
    bits = (mask[address].astype(np.uint64)[:, None] >> np.arange(width, dtype=np.uint64)) & np.uint64(1)
    row, bit = np.nonzero(bits)
    return Cells(address[row], bit)


@dataclass(frozen=True)
class Geometry:
    """Which address lines choose the row and which the column.

    Args:
        rows: Lowest first.
        columns: Lowest first.
        declared: It stands in the machine file; else it is a split that was tried.
    """

    rows: Lines
    columns: Lines
    declared: bool


@dataclass(frozen=True)
class Place:
    """A row or column in which bad cells are more frequent than elsewhere.

    Args:
        kind: Row, or column of one output.
        lines: The address lines that choose it.
        number: The levels on these lines.
        output: The output whose column it is.
        inside: Bad cells in it.
        elsewhere: Bad cells in the rest of the chip.
        probability: Posterior share among all rows and columns of all splits, and "evenly spread".
    """

    kind: Literal["row", "column"]
    lines: Lines
    number: int
    output: int | None
    inside: Rate
    elsewhere: Rate
    probability: float

    def say(self) -> str:
        """The place in words."""
        names = " ".join(f"A{line}" for line in reversed(self.lines))
        levels = f"{names} = {self.number:0{len(self.lines)}b}"
        of = "" if self.output is None else f" of output D{self.output}"
        return (
            f"{self.kind} {self.number}{of} ({levels}): {self.inside.count} of {self.inside.total} "
            f"cells, elsewhere {self.elsewhere.count} of {self.elsewhere.total}"
        )


@dataclass(frozen=True)
class Gathering:
    """Where bad cells gather.

    Args:
        geometry: The declared split, or the one that gathers them most.
        sure: Posterior probability of that split, among all splits and "evenly spread"; for a declared one,
            that they gather at all.
        even: Posterior probability that they are spread evenly.
        places: Rows and columns, the likeliest first.
    """

    geometry: Geometry
    sure: float
    even: float
    places: tuple[Place, ...]


def find_gathering(cells: Cells, chip: ChipMap, *, seed: int = 0) -> Gathering:
    """Rows and columns in which bad cells gather, and the split of address lines that shows it best.

    Evenly spread bad cells (one rate for all) compete with one row or column that has a rate of its own;
    both rates are unknown, all values alike. Half of the belief is "evenly spread" to begin with, the rest is
    shared by the splits as `wrongbit.faults.models.arrays.Split` tells, then by rows and columns, then by
    their numbers.

    Args:
        cells: The bad cells.
        chip: Gives the number of words and outputs and the declared lines.
        seed: Of the draw where there are very many.
    """
    words, width = len(chip.contents), len(chip.lane)
    total = words * width
    if len(cells) > MOST_CELLS:
        chosen = np.random.default_rng(seed).choice(len(cells), MOST_CELLS, replace=False)
        total = int(total * MOST_CELLS / len(cells))
        cells = Cells(cells.address[chosen], cells.bit[chosen])
    splits = geometries(chip) or [Split(*_square(chip), 1.0)]
    declared = bool(chip.rows or chip.columns)
    found: list[tuple[float, Geometry, Place]] = []
    for split, kinds in _weighed(splits, cells, width, seed):
        geometry = Geometry(split.rows, split.columns, declared)
        prior = np.log(0.5 * split.share / 2)
        for kind in kinds:
            lines = split.rows if kind == "row" else split.columns
            found += [
                (score + prior, geometry, place) for score, place in _places(kind, lines, cells, total, width)
            ]
    even = float(np.log(0.5))
    everything = float(np.logaddexp.reduce([even, *(score for score, _, _ in found)]))
    found.sort(key=lambda item: -item[0])
    by_split: dict[Geometry, list[float]] = {}
    for score, geometry, _ in found:
        by_split.setdefault(geometry, []).append(score)
    shares = {geometry: float(np.logaddexp.reduce(scores)) for geometry, scores in by_split.items()}
    best = max(shares, key=lambda each: shares[each], default=Geometry(*_map_split(chip), declared))
    places: list[Place] = []
    for score, _, place in found[:8]:
        probability = float(np.exp(score - everything))
        clear = place.inside.value >= 2 * place.elsewhere.value
        if clear and probability > 0.01 and not any(_within(place, other) for other in places):
            places.append(_with(place, probability))
    return Gathering(
        best,
        float(np.exp(shares.get(best, -np.inf) - everything)),
        float(np.exp(even - everything)),
        tuple(places),
    )


def _weighed(
    splits: Sequence[Split], cells: Cells, width: int, seed: int
) -> Iterator[tuple[Split, tuple[Literal["row", "column"], ...]]]:
    """Splits with what is weighed of each: of those in the middle only what gathers cells of a small draw."""
    drawn = np.arange(len(cells))
    if len(cells) > MOST_DRAWN:
        drawn = np.random.default_rng(seed).choice(len(cells), MOST_DRAWN, replace=False)
    address = cells.address[drawn].astype(np.uint64)
    for split in splits:
        if not split.middle:
            yield split, ("row", "column")
    for split, _ in gathering(splits, address):
        yield split, ("row",)
    for split, _ in gathering(splits, address, cells.bit[drawn], width):
        yield split, ("column",)


def _square(chip: ChipMap) -> tuple[Lines, Lines]:
    """A split that makes the array about square, its outputs side by side."""
    lines = len(chip.address_lines)
    across = len(chip.lane).bit_length() - 1
    low = max(0, min(lines, (lines - across + 1) // 2))
    return tuple(range(low, lines)), tuple(range(low))


def _map_split(chip: ChipMap) -> tuple[Lines, Lines]:
    declared = geometries(chip)
    return declared[0][:2] if (chip.rows or chip.columns) and declared else _square(chip)


def _places(kind: str, lines: Lines, cells: Cells, total: int, width: int) -> list[tuple[float, Place]]:
    """Log evidence, over that of an even spread, of each row or column that has bad cells."""
    if not len(cells) or not lines:
        return []
    number = gather_bits(cells.address.astype(np.uint64), lines).astype(np.intp)
    outputs = width if kind == "column" else 1
    code = number * outputs + (cells.bit if kind == "column" else 0)
    choices = outputs << len(lines)
    counts = np.bincount(code, minlength=choices)
    most = np.arange(choices)
    if choices > MOST_PLACES:
        most = np.argpartition(counts, -MOST_PLACES)[-MOST_PLACES:]
    codes = np.sort(most[counts[most] > 0])
    counts = counts[codes]
    size = max(total // choices, 1)
    evidence = {
        count: _evidence(count, size, len(cells), total) - np.log(choices) for count in set(counts.tolist())
    }
    return [
        (
            evidence[count],
            Place(
                "column" if kind == "column" else "row",
                lines,
                code // outputs,
                code % outputs if kind == "column" else None,
                Rate(min(count, size), size),
                Rate(len(cells) - count, max(total - size, len(cells) - count)),
                0.0,
            ),
        )
        for count, code in zip(counts.tolist(), codes.tolist(), strict=True)
        if count * (total - size) > (len(cells) - count) * size
    ]


def _evidence(count: int, size: int, bad: int, total: int) -> float:
    """Log of how much likelier the counts are with two rates, inside and outside, than with one for all."""
    count = min(count, size)
    inside = _log_beta(count, size) + _log_beta(bad - count, max(total - size, bad - count))
    return inside - _log_beta(bad, total)


def _log_beta(count: int, total: int) -> float:
    return lgamma(count + 1) + lgamma(total - count + 1) - lgamma(total + 2)


def _within(place: Place, other: Place) -> bool:
    """The same bad cells under the name of another split."""
    return (
        place.kind == other.kind
        and place.output == other.output
        and (set(place.lines) <= set(other.lines) or set(other.lines) <= set(place.lines))
        and place.lines != other.lines
    )


def _with(place: Place, probability: float) -> Place:
    return Place(
        place.kind, place.lines, place.number, place.output, place.inside, place.elsewhere, probability
    )


# The map -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ChipPicture:
    """A chip's array as a picture: rows down, the outputs' blocks of columns side by side.

    Args:
        states: ``uint8 (height, outputs, across)`` `GOOD`, `NOT_JUDGED`, `UNSTABLE` or `WRONG`; of several
            cells at one place the worst.
        geometry: How the address lines were split.
        rows_each: Rows of the array in one place.
        columns_each: Columns of the array in one place.
    """

    states: NDArray[np.uint8]
    geometry: Geometry
    rows_each: int
    columns_each: int


def picture(
    chip: ChipMap,
    geometry: Geometry,
    wrong: Narrow | None,
    unstable: Narrow,
    judged: Narrow | None,
    *,
    height: int,
    across: int,
) -> ChipPicture:
    """Lay a chip's cells out by row and column.

    Args:
        chip: Gives the number of words and outputs.
        geometry: Which lines choose row and column; lines in neither share a place.
        wrong: ``(n,)`` masks of bits that were wrong in every pass; None: nothing to compare with.
        unstable: ``(n,)`` masks of bits that differ between passes.
        judged: ``(n,)`` masks of bits that could be judged; None: all.
        height: Places down at most.
        across: Places across for each output at most.
    """
    width = len(chip.lane)
    row_bits, column_bits = len(geometry.rows), len(geometry.columns)
    rows_each = max(0, row_bits - (max(height, 1).bit_length() - 1))
    columns_each = max(0, column_bits - (max(across, 1).bit_length() - 1))
    shape = (1 << (row_bits - rows_each), width, 1 << (column_bits - columns_each))
    states = np.zeros(shape, np.uint8)
    layers: Sequence[tuple[int, Narrow | None]] = (
        (NOT_JUDGED, None if judged is None else judged ^ judged.dtype.type((1 << width) - 1)),
        (UNSTABLE, unstable),
        (WRONG, wrong),
    )
    for state, mask in layers:
        if mask is None or not mask.any():
            continue
        cells = cells_of(mask, width)
        address = cells.address.astype(np.uint64)
        row = gather_bits(address, geometry.rows).astype(np.intp) >> rows_each
        column = gather_bits(address, geometry.columns).astype(np.intp) >> columns_each
        states[row, cells.bit, column] = np.maximum(states[row, cells.bit, column], state)
    return ChipPicture(states, geometry, 1 << rows_each, 1 << columns_each)


def map_geometry(chip: ChipMap, gathering: Gathering) -> Geometry:
    """The split for a map: declared, or the one that gathers the bad cells if that is sure, or a square."""
    if gathering.geometry.declared or gathering.sure > 0.9:
        return gathering.geometry
    return Geometry(*_square(chip), False)
