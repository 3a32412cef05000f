"""Rows and columns of a chip's cell array.

Which address lines choose the row and which the column is taken from the machine file; where it does not
say, the lines are split into a low and a high part at every place, either part being the columns, and, less
likely, the rows are chosen by lines that follow each other in the middle. Common practice, no source: a row
crosses the blocks of all outputs, a column belongs to one output.

Only rows and columns with one of the sampled wrong reads (`wrongbit.faults.batch.Board.sample`) are listed:
all of them while the sample holds every wrong read, else those that explain a visible share of the wrong. Of
rows and columns with lines in the middle, only those are listed that gather the wrong reads (`GATHERED`): of
few wrong reads the others explain no more than one of a split in two.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_bits, gather_bits
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.faults.batch import Batch, Board, wrong_elsewhere
from wrongbit.faults.fault import CellStage, Fault, Rates, anywhere, percent
from wrongbit.faults.rows import AtChip, Costs, Index, Rows, Words

WEAK: Rates = anywhere()
"""Share of reads in which a weak column gives its level."""

MIDDLE = 0.25
"""Most of the belief that lines in the middle choose the row, where nothing is declared. A choice."""

FEWEST_LINES = 3
"""Fewer lines in the middle choose no row: it would be a large part of the chip. A choice."""

GATHERED, FEWEST_GATHERED = 0.2, 3
"""A row or column with lines in the middle has so large a share of the sampled wrong reads, and so many."""

Lines = tuple[int, ...]


@dataclass(frozen=True)
class ArrayFault(CellStage):
    """Part of the array reads one level.

    Args:
        lines: The chip's address lines that choose the row or column, lowest first.
        number: The row or column: the levels on these lines.
        level: What its cells read.
    """

    lines: Lines
    number: int
    level: int

    def outputs(self, chip: ChipMap) -> int:
        """Mask of the outputs concerned."""
        return (1 << len(chip.lane)) - 1

    def spoil(
        self, memory_map: MemoryMap, chip: ChipMap, cell: Words, value: Words, soft: Words
    ) -> tuple[Words, Words]:
        """What the cells give."""
        mask = np.uint64(self.outputs(chip))
        here = np.where(gather_bits(cell, self.lines) == np.uint64(self.number), mask, np.uint64(0))
        return (value | here if self.level else value & ~here), soft & ~here

    def where(self) -> str:
        """The row or column as people find it: its number, and the levels on its lines, highest first."""
        levels = f"{self.number:0{len(self.lines)}b}"
        return f"{self.number} ({' '.join(f'A{line}' for line in reversed(self.lines))} = {levels})"


@dataclass(frozen=True)
class DeadRow(ArrayFault):
    """A row reads one level at all outputs."""

    @property
    def model(self) -> str:
        """Name of its family in the table of models."""
        return "dead row"

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        return f"Row {self.where()} of {self.part} is dead: all its cells read {self.level}."


@dataclass(frozen=True)
class DeadColumn(ArrayFault):
    """A column of one output reads one level.

    Args:
        output: The output.
    """

    output: int = field(kw_only=True)

    @property
    def model(self) -> str:
        """Name of its family in the table of models."""
        return "dead column"

    def outputs(self, chip: ChipMap) -> int:
        """Mask of the outputs concerned."""
        return 1 << self.output

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        return (
            f"Column {self.where()} of output D{self.output} of {self.part} is dead: it reads {self.level}."
        )


@dataclass(frozen=True)
class WeakColumn(DeadColumn):
    """A column of one output reads one level in a share of the reads."""

    @property
    def model(self) -> str:
        """Name of its family in the table of models."""
        return "weak column"

    @property
    def rates(self) -> Rates:
        """Rates to try."""
        return WEAK

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        return (
            f"Column {self.where()} of output D{self.output} of {self.part} is weak: "
            f"it reads {self.level} in {percent(self.rate)} of the reads."
        )


# The lists of faults -------------------------------------------------------------------------------


class Split(NamedTuple):
    """A way in which a chip's address lines may choose the row and the column of its array.

    Args:
        rows: Lines that choose the row, lowest first.
        columns: Lines that choose the column, lowest first.
        share: How far it is believed before anything is seen; those of one chip sum to 1.
        middle: The row's lines are neither the lowest nor the highest.
    """

    rows: Lines
    columns: Lines
    share: float
    middle: bool = False


def geometries(chip: ChipMap) -> list[Split]:
    """Possible splits of a chip's lines: the declared one, or every one in two, then those in the middle."""
    return list(_splits(len(chip.address_lines), chip.rows, chip.columns))


@lru_cache(maxsize=64)
def _splits(count: int, declared_rows: Lines, declared_columns: Lines) -> tuple[Split, ...]:
    """As `geometries`, for so many lines."""
    every = tuple(range(count))
    if declared_rows or declared_columns:
        rows = declared_rows or _others(every, declared_columns)
        columns = declared_columns or _others(every, declared_rows)
        return (Split(rows, columns, 1.0),)
    in_two = [rows for low in range(2, count - 1) for rows in (every[low:], every[:low])]
    inside = [every[low:high] for low in range(1, count) for high in range(low + FEWEST_LINES, count)]
    if not in_two:
        return ()
    # In a small chip, where few lines lie in the middle, each of these is still less likely than any other.
    belief = min(MIDDLE, 0.5 * len(inside) / (len(in_two) + 0.5 * len(inside)))
    return (
        *(Split(rows, _others(every, rows), (1 - belief) / len(in_two)) for rows in in_two),
        *(Split(rows, _others(every, rows), belief / len(inside), middle=True) for rows in inside),
    )


def _others(every: Lines, lines: Lines) -> Lines:
    return tuple(line for line in every if line not in lines)


@dataclass(frozen=True)
class _List:
    """Rows or columns of one chip in one geometry, that contain at least one wrong read."""

    chip: ChipMap
    lines: Lines
    number: NDArray[np.intp]
    level: NDArray[np.intp]
    output: NDArray[np.intp] | None


def gathering(
    splits: Sequence[Split], address: Words, part: NDArray[np.intp] | None = None, parts: int = 1
) -> list[tuple[Split, NDArray[np.intp]]]:
    """Of the splits in the middle, those with a place that gathers enough of some bits (`GATHERED`).

    Args:
        splits: All splits of a chip.
        address: ``uint64 (n,)`` levels on the chip's lines, at each of the bits.
        part: ``intp (n,)`` for columns: what else tells one from another, such as the output, each below
            ``parts``. Left out: rows.
        parts: See there.

    Returns:
        Splits, each with the places, the lowest first: the number of the row or column, times ``parts``, plus
        the part.
    """
    middle = [split for split in splits if split.middle]
    need = max(FEWEST_GATHERED, int(np.ceil(GATHERED * len(address))))
    if not middle or len(address) < need:
        return []
    # All splits at once: hundreds of calls for a few dozen numbers each would cost more than the weighing.
    low = np.array([[split.rows[0]] for split in middle], np.uint64)
    size = np.array([[len(split.rows)] for split in middle], np.uint64)
    one = np.uint64(1)
    if part is None:
        codes = (address >> low & (one << size) - one).astype(np.intp)
    else:
        outside = (address & (one << low) - one) | (address >> low + size << low)
        codes = outside.astype(np.intp) * parts + part
    codes.sort(axis=1)
    often = codes[:, need - 1 :] == codes[:, : len(address) - need + 1]
    return [
        (middle[row], np.unique(codes[row, : len(address) - need + 1][often[row]]))
        for row in np.flatnonzero(often.any(axis=1))
    ]


def dead_row(board: Board) -> Iterator[Batch]:
    """Rows of the array with a sampled wrong read."""
    for chip in _roms(board):
        at = board.sample.at(chip)
        splits = geometries(chip)
        listed = [(split, np.unique(_places(at, split.rows))) for split in splits if not split.middle]
        for split, number in listed + gathering(splits, at.lines[at.wrong != 0]):
            both = np.repeat(number, 2), np.tile([0, 1], len(number))
            yield _batch(board, _List(chip, split.rows, *both, None), DeadRow, split.share)


def dead_column(board: Board) -> Iterator[Batch]:
    """Columns of the array with a sampled wrong read."""
    yield from _columns(board, DeadColumn)


def weak_column(board: Board) -> Iterator[Batch]:
    """Columns of the array with a sampled wrong read."""
    yield from _columns(board, WeakColumn)


def _columns(board: Board, kind: type[DeadColumn]) -> Iterator[Batch]:
    for chip in _roms(board):
        width = len(chip.lane)
        at = board.sample.at(chip)
        read, output = np.nonzero((at.wrong[:, None] >> np.arange(width, dtype=np.uint64)) & np.uint64(1))
        level = (at.seen[read] >> output.astype(np.uint64) & np.uint64(1)).astype(np.intp)
        part, parts = level * width + output, 2 * width
        splits = geometries(chip)
        listed = [
            (split, np.unique(_places(at, split.columns)[read] * parts + part))
            for split in splits
            if not split.middle
        ]
        for split, code in listed + gathering(splits, at.lines[read], part, parts):
            column = _List(chip, split.columns, code // parts, code // width % 2, code % width)
            yield _batch(board, column, kind, split.share)


def _roms(board: Board) -> Iterator[ChipMap]:
    return (chip for chip in board.rows.memory_map.roms if board.suspected(chip))


def _places(at: AtChip, lines: Lines) -> NDArray[np.intp]:
    """Row or column of the array for each read."""
    return gather_bits(at.lines, lines).astype(np.intp)


def _batch(board: Board, listed: _List, kind: type[DeadRow] | type[DeadColumn], share: float) -> Batch:
    chip, noise = listed.chip, board.noise
    choices = len(board.rows.memory_map.roms) * 2 << len(listed.lines)
    if listed.output is not None:
        choices *= len(chip.lane)

    def bound(rows: Rows, index: Index) -> Costs:
        at = rows.at(chip)
        place = _places(at, listed.lines)
        saved = _saved(listed, index, place, at.wrong, at.judged, at.seen, at.weight, kind is WeakColumn)
        return wrong_elsewhere(rows, chip, noise) + noise.wrong * (at.wrong_weight() - saved)

    def build(number: int) -> Fault:
        place = chip.name, listed.lines, int(listed.number[number]), int(listed.level[number])
        if listed.output is None:
            return DeadRow(*place)
        return kind(*place, output=int(listed.output[number]))  # type: ignore[call-arg]

    return Batch(np.full(len(listed.number), share / choices), bound, build)


def _saved(
    listed: _List,
    index: Index,
    place: NDArray[np.intp],
    wrong: Words,
    judged: Words,
    seen: Words,
    weight: Costs,
    weak: bool,
) -> Costs:
    """Weight of wrong bits that each row or column explains, less what it predicts and was not seen."""
    number, level = listed.number[index], listed.level[index]
    outputs = np.zeros(len(index), np.intp) if listed.output is None else listed.output[index]
    saved = np.zeros(len(index))
    for output in np.unique(outputs):
        mask = ~np.uint64(0) if listed.output is None else np.uint64(1 << int(output))
        for value in (0, 1):
            chosen = np.flatnonzero((outputs == output) & (level == value))
            if not len(chosen):
                continue
            as_level = seen if value else ~seen
            gain = count_bits(wrong & as_level & mask).astype(np.float64)
            if not weak:  # a right bit of the other level was not to be seen
                gain -= count_bits(judged & ~wrong & ~as_level & mask)
            saved[chosen] = np.bincount(place, gain * weight, 1 << len(listed.lines))[number[chosen]]
    return saved
