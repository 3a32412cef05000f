"""Single bad cells: scattered ones, and those of an EPROM that has lost charge."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from wrongbit.compare.memory_map import ChipMap
from wrongbit.faults.batch import Batch, Board, one_by_one
from wrongbit.faults.cellwise import CellCounts, CellwiseFault, log_bad
from wrongbit.faults.noise import Noise
from wrongbit.faults.rows import Costs, Words


@dataclass(frozen=True)
class ScatteredCells(CellwiseFault):
    """Cells anywhere in a chip that are stuck at a level, or unstable."""

    @property
    def model(self) -> str:
        """Name of its family in the table of models."""
        return "scattered cells"

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        return f"Scattered cells of {self.part} have failed{self._how_many()}."

    def bad(self, counts: CellCounts, noise: Noise) -> Costs:
        """Log probability of the reads of each bit if its cell is bad."""
        # Stuck at 0: whatever was seen as 1 is noise; stuck at 1 likewise.
        stuck = np.maximum(-noise.wrong * counts.seen_one, -noise.wrong * counts.seen_zero)
        return log_bad(stuck, counts)

    def exposed(self, chip: ChipMap, expected: Words, judged: Words) -> Words:
        """Bits of words whose cells could be bad at all."""
        return judged


@dataclass(frozen=True)
class LostCharge(CellwiseFault):
    """Cells that have drifted to the erased level, all in one direction.

    An erased EPROM cell reads 1 and lost charge turns 0 into 1; parts whose outputs are inverted turn 1
    into 0. (Direction: encyclopaedia-style article on EEPROM failure modes; Euzent et al., "Reliability
    Aspects of a Floating Gate E2PROM", IRPS 1981, abstract.)

    Args:
        level: The level that a cell without charge reads.
    """

    level: int

    @property
    def model(self) -> str:
        """Name of its family in the table of models."""
        return "lost charge"

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        how = f"cells that held {1 - self.level} read {self.level}"
        return f"{self.part} has lost charge: {how}{self._how_many()}."

    def bad(self, counts: CellCounts, noise: Noise) -> Costs:
        """Log probability of the reads of each bit if its cell is bad."""
        other_way = counts.one_zero if self.level else counts.zero_one
        stuck = -noise.wrong * (counts.seen_zero if self.level else counts.seen_one)
        return np.where(other_way > 0, -np.inf, log_bad(stuck, counts))

    def exposed(self, chip: ChipMap, expected: Words, judged: Words) -> Words:
        """Bits of words whose cells could be bad at all: those that hold charge."""
        return judged & (~expected if self.level else expected)


def scattered_cells(board: Board) -> Iterator[Batch]:
    """Every chip with wrong bits; ROMs have most of the belief."""
    roms = board.rows.memory_map.roms
    faults, shares = [], []
    for chip in board.chips:
        if board.suspected(chip):
            faults.append(ScatteredCells(chip.name))
            rom = chip.kind == "rom"
            shares.append(0.8 / len(roms) if rom else 0.2 / (len(board.chips) - len(roms)))
    yield one_by_one(faults, shares, board.noise)


def lost_charge(board: Board) -> Iterator[Batch]:
    """Every ROM with wrong bits, in the usual direction and in the other."""
    roms = board.rows.memory_map.roms
    suspects = [chip for chip in roms if board.suspected(chip) and chip.stores_charge]
    faults = [LostCharge(chip.name, level) for chip in suspects for level in (1, 0)]
    shares = [share / len(roms) for _ in suspects for share in (0.8, 0.2)]
    yield one_by_one(faults, shares, board.noise)
