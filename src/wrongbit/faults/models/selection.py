"""Faults in the choice of chips: none answers, another one, or two at once; and data that comes too late."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.faults.batch import Batch, Board, one_by_one
from wrongbit.faults.fault import (
    LOOSE,
    CellStage,
    Fault,
    OutputStage,
    Rates,
    SelectionStage,
    anywhere,
    percent,
)
from wrongbit.faults.rows import Words

Chosen = dict[str, NDArray[np.bool_]]

LATE: Rates = anywhere()
"""Share of reads in which data is late."""


@dataclass(frozen=True)
class ChipSilent(OutputStage):
    """A chip never drives its lane: not enabled, not powered, or its buffer is off."""

    @property
    def model(self) -> str:
        """Name of its family in the table of models."""
        return "chip silent"

    @property
    def rates(self) -> Rates:
        """Rates to try."""
        return LOOSE

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        if self.drift >= 1:
            left = "its data lines read 1"
        else:
            left = "its data lines keep what was on them"
            left += f", or drift to 1 ({percent(self.drift)})" if self.drift else ""
        return f"{self.part} does not answer: {left}{self.often()}."

    def drive(self, value: Words, soft: Words, held: Words) -> tuple[Words, Words, Words]:
        """Outputs behind the fault as (value, soft, floating)."""
        return np.zeros_like(value), np.zeros_like(soft), np.full_like(value, ~np.uint64(0))


@dataclass(frozen=True)
class SelectSilent(SelectionStage):
    """Several chips with a common select never answer.

    Args:
        others: The chips, with ``part`` first.
    """

    others: tuple[str, ...]

    @property
    def model(self) -> str:
        """Name of its family in the table of models."""
        return "select silent"

    @property
    def rates(self) -> Rates:
        """Rates to try."""
        return LOOSE

    @property
    def chips(self) -> tuple[str, ...]:
        """Names of the chips whose choice it changes."""
        return self.others

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        names = " and ".join(self.others)
        return f"The common select of {names} fails: none of them answers{self.often()}."

    def concerns(self, selected: Mapping[str, NDArray[np.bool_]]) -> NDArray[np.bool_]:
        """True in rows whose choice of chips the fault may change."""
        return np.asarray(np.logical_or.reduce([selected[name] for name in self.others]))

    def choose(self, selected: Chosen) -> Chosen:
        """For each chip the rows in which it answers."""
        return selected | {name: np.zeros_like(selected[name]) for name in self.others}


@dataclass(frozen=True)
class _Pair(SelectionStage):
    """Two chips are concerned.

    Args:
        other: The second chip.
    """

    other: str

    @property
    def chips(self) -> tuple[str, ...]:
        """Names of the chips whose choice it changes."""
        return self.part, self.other

    def concerns(self, selected: Mapping[str, NDArray[np.bool_]]) -> NDArray[np.bool_]:
        """True in rows whose choice of chips the fault may change."""
        return selected[self.part] | selected[self.other]


@dataclass(frozen=True)
class WrongChip(_Pair):
    """Another chip answers where this one should."""

    @property
    def model(self) -> str:
        """Name of its family in the table of models."""
        return "wrong chip"

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        return f"{self.other} answers where {self.part} should."

    def concerns(self, selected: Mapping[str, NDArray[np.bool_]]) -> NDArray[np.bool_]:
        """True in rows whose choice of chips the fault may change."""
        return selected[self.part]

    def choose(self, selected: Chosen) -> Chosen:
        """For each chip the rows in which it answers."""
        here = selected[self.part]
        return selected | {self.part: np.zeros_like(here), self.other: selected[self.other] | here}


@dataclass(frozen=True)
class SelectsExchanged(_Pair):
    """Two chips answer for each other."""

    @property
    def model(self) -> str:
        """Name of its family in the table of models."""
        return "selects exchanged"

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        return f"The selects of {self.part} and {self.other} are exchanged: each answers for the other."

    def choose(self, selected: Chosen) -> Chosen:
        """For each chip the rows in which it answers."""
        return selected | {self.part: selected[self.other], self.other: selected[self.part]}


@dataclass(frozen=True)
class TwoChips(_Pair):
    """Two chips answer at once where one should.

    Args:
        high: A high level wins where they drive against each other, else a low one.
        both_ways: They answer together in the place of either, not only in that of ``part``.
    """

    high: bool = False
    both_ways: bool = True

    @property
    def model(self) -> str:
        """Name of its family in the table of models."""
        return "two chips"

    @property
    def high_wins(self) -> bool:
        """Two outputs that drive against each other give a wired OR."""
        return self.high

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        level = "high" if self.high else "low"
        where = "either" if self.both_ways else self.part
        return f"{self.part} and {self.other} answer at once where {where} should; a {level} level wins."

    def concerns(self, selected: Mapping[str, NDArray[np.bool_]]) -> NDArray[np.bool_]:
        """True in rows whose choice of chips the fault may change."""
        return selected[self.part] | selected[self.other] if self.both_ways else selected[self.part]

    def choose(self, selected: Chosen) -> Chosen:
        """For each chip the rows in which it answers."""
        either = selected[self.part] | selected[self.other]
        return selected | {self.other: either} | ({self.part: either} if self.both_ways else {})


@dataclass(frozen=True)
class WrongContents(CellStage):
    """A chip holds what belongs into another one: two chips changed places.

    Args:
        other: The chip whose contents it holds.
    """

    other: str

    @property
    def model(self) -> str:
        """Name of its family in the table of models."""
        return "wrong contents"

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        return f"{self.part} holds what belongs into {self.other}."

    def spoil(
        self, memory_map: MemoryMap, chip: ChipMap, cell: Words, value: Words, soft: Words
    ) -> tuple[Words, Words]:
        """What the cells give."""
        other = next(each for each in memory_map.chips if each.name == self.other)
        cell = cell % np.uint64(len(other.contents))
        every = np.uint64((1 << len(chip.lane)) - 1)
        return other.contents[cell], every & ~other.known[cell]


@dataclass(frozen=True)
class LaneInverted(OutputStage):
    """Every output of a chip has the wrong polarity."""

    width: int

    @property
    def model(self) -> str:
        """Name of its family in the table of models."""
        return "lane inverted"

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        return f"All outputs of {self.part} arrive inverted."

    def drive(self, value: Words, soft: Words, held: Words) -> tuple[Words, Words, Words]:
        """Outputs behind the fault as (value, soft, floating)."""
        every = np.uint64((1 << self.width) - 1)
        return (value ^ every) & ~soft, soft, np.zeros_like(value)


@dataclass(frozen=True)
class SlowData(OutputStage):
    """A chip answers too late in a share of the reads.

    A late read shows what was on the lines before, or a mixture in which each bit is old or right with
    probability ½; how often which is summed over.

    Args:
        mixed: Share of mixtures among the late reads.
    """

    mixed: float = field(default=0.5, kw_only=True)

    @property
    def model(self) -> str:
        """Name of its family in the table of models."""
        return "slow data"

    @property
    def rates(self) -> Rates:
        """Rates to try."""
        return LATE

    @property
    def shares(self) -> tuple[Rates, ...]:
        """Everything about how often that is summed over."""
        return LATE, LATE

    @property
    def values(self) -> tuple[float, ...]:
        """The values of its `shares` that it has."""
        return self.rate, self.mixed

    def fitted(self, *values: float) -> Fault:
        """The fault with these values of its `shares`."""
        return replace(self, rate=values[0], mixed=values[1])

    def bare(self) -> Fault:
        """The fault without anything that was fitted to observations."""
        return SlowData(self.part)

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        return f"{self.part} is too slow: its word is late in {percent(self.rate)} of the reads."

    def shapes(self) -> tuple[Fault | None, ...]:
        """What may hold in any one read."""
        return _Late(self.part, True), _Late(self.part, False), None

    def weights(self, *values: Any) -> tuple[Any, ...]:
        """Probability of each of the `shapes` in any one read, for values (or arrays) of its `shares`."""
        rate, mixed = values
        return rate * (1.0 - mixed), rate * mixed, 1.0 - rate


@dataclass(frozen=True)
class _Late(OutputStage):
    """One late read: the whole word is old, or each bit may be."""

    whole: bool

    def drive(self, value: Words, soft: Words, held: Words) -> tuple[Words, Words, Words]:
        """Outputs behind the fault as (value, soft, floating)."""
        none = np.zeros_like(value)
        if self.whole:
            return held, none, none
        differs = (value ^ held) | soft
        return value & ~differs, differs, none


# The lists of faults -------------------------------------------------------------------------------


def chip_silent(board: Board) -> Iterator[Batch]:
    """Every chip."""
    yield _shared(board, [ChipSilent(chip.name) for chip in board.chips])


def slow_data(board: Board) -> Iterator[Batch]:
    """Every chip."""
    yield _shared(board, [SlowData(chip.name) for chip in board.chips])


def lane_inverted(board: Board) -> Iterator[Batch]:
    """Every chip."""
    yield _shared(board, [LaneInverted(chip.name, len(chip.lane)) for chip in board.chips])


def select_silent(board: Board) -> Iterator[Batch]:
    """Chips that answer at the same addresses, and so share a select."""
    groups: dict[object, list[str]] = {}
    for chip in board.chips:
        groups.setdefault((chip.kind, chip.regions), []).append(chip.name)
    yield _shared(
        board, [SelectSilent(names[0], tuple(names)) for names in groups.values() if len(names) > 1]
    )


def wrong_chip(board: Board) -> Iterator[Batch]:
    """Every ROM, replaced by every other chip on its lane."""
    yield _shared(board, [WrongChip(one.name, two.name) for one, two in _pairs(board)])


def selects_exchanged(board: Board) -> Iterator[Batch]:
    """Every pair of chips on one lane, at least one of them a ROM."""
    yield _shared(
        board, [SelectsExchanged(one.name, two.name) for one, two in _pairs(board) if _once(one, two)]
    )


def two_chips(board: Board) -> Iterator[Batch]:
    """Every pair of chips on one lane, with either level winning, in the place of one or of either."""
    low = [TwoChips(one.name, two.name, both_ways=False) for one, two in _pairs(board)]
    low += [TwoChips(one.name, two.name) for one, two in _pairs(board) if _once(one, two)]
    high = [replace(fault, high=True) for fault in low]
    yield _shared(board, low + high, [3.0] * len(low) + [1.0] * len(high))


def wrong_contents(board: Board) -> Iterator[Batch]:
    """Every ROM with the contents of every other ROM of its width."""
    roms = board.rows.memory_map.roms
    yield _shared(
        board,
        [
            WrongContents(one.name, two.name)
            for one in roms
            for two in roms
            if one is not two and len(one.lane) == len(two.lane)
        ],
    )


def _pairs(board: Board) -> Iterator[tuple[ChipMap, ChipMap]]:
    """A ROM, and another chip that feeds some of the same word bits elsewhere."""
    for one in board.rows.memory_map.roms:
        for two in board.chips:
            if one is not two and one.lane_mask & two.lane_mask:
                yield one, two


def _once(one: ChipMap, two: ChipMap) -> bool:
    """Keep one of the two orders of a pair."""
    return two.kind != "rom" or one.name < two.name


def _shared(board: Board, faults: Sequence[Fault], weights: Sequence[float] | None = None) -> Batch:
    """A batch whose shares sum to 1 before those are left out in which no concerned chip has a wrong bit."""
    share = np.ones(len(faults)) if weights is None else np.array(weights)
    kept = [number for number, fault in enumerate(faults) if board.suspects.intersection(_concerned(fault))]
    return one_by_one([faults[number] for number in kept], share[kept] / share.sum(), board.noise)


def _concerned(fault: Fault) -> tuple[str, ...]:
    return fault.chips if isinstance(fault, SelectionStage) else (fault.part,)
