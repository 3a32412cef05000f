"""Faults of single cells: any cell of a chip may be bad, and each bad one is paid for once.

The other models say which bits must differ. A model in which any cell may be bad could "explain" anything,
so it is marginalised: with π the share of bad cells (summed over `SHARES`), a cell costs

    -log( (1-π) · P(its reads | good)  +  π · P(its reads | bad) )

once, however often it was read. A bad cell either always reads the wrong level or is unstable; for an
unstable one the probability of a wrong read is itself unknown and integrated out (a Beta function). So a
handful of bad cells pays about log(cells/bad ones) for each, more than a structure that predicts them all and
less than noise that strikes the same cell again and again.
"""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_bits, gather_bits
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.faults.fault import CellStage, Fault
from wrongbit.faults.noise import Noise
from wrongbit.faults.rows import Costs, Rows, Words

if TYPE_CHECKING:
    from wrongbit.faults.predict import Prediction

SHARES = tuple((10 ** (-step / 2), 1 / 9) for step in range(1, 10))
"""Share π of bad cells, as (share, belief): all orders of magnitude from 3e-5 to 0.3 count alike. A choice,
no source."""

STUCK = 0.75
"""A bad cell always reads the wrong level with this probability, else it is unstable. A choice, no source."""


@dataclass(frozen=True)
class CellCounts:
    """Reads of the single bits of suspicious cells: weights by (expected, seen), each ``float64 (k,)``."""

    cell: Words
    bit: NDArray[np.intp]
    zero_zero: Costs
    zero_one: Costs
    one_zero: Costs
    one_one: Costs

    @property
    def seen_zero(self) -> Costs:
        """Weight of reads that gave 0."""
        return self.zero_zero + self.one_zero

    @property
    def seen_one(self) -> Costs:
        """Weight of reads that gave 1."""
        return self.zero_one + self.one_one

    @property
    def right(self) -> Costs:
        """Weight of reads as expected."""
        return self.zero_zero + self.one_one

    @property
    def wrong(self) -> Costs:
        """Weight of other reads."""
        return self.zero_one + self.one_zero


@dataclass(frozen=True)
class CellwiseFault(CellStage):
    """Bad cells of one chip, any number of them.

    Args:
        cells: The cells that are more likely bad than good, as (cell, mask of its outputs), once known.
        read: Number of cell bits that were read and could be bad, once known.
    """

    cells: tuple[tuple[int, int], ...] = field(default=(), kw_only=True)
    read: int = field(default=0, kw_only=True, compare=False)

    def bare(self) -> Fault:
        """The fault without anything that was fitted to observations."""
        return replace(self, rate=1.0, drift=0.0, cells=(), read=0)

    @property
    def bad_bits(self) -> int:
        """Number of bad cell bits."""
        return sum(mask.bit_count() for _, mask in self.cells)

    @abstractmethod
    def bad(self, counts: CellCounts, noise: Noise) -> Costs:
        """Log probability of each bit's reads if its cell is bad, -inf if it cannot be: ``float64 (k,)``."""

    @abstractmethod
    def exposed(self, chip: ChipMap, expected: Words, judged: Words) -> Words:
        """Bits of words whose cells could be bad at all."""

    def spoil(
        self, memory_map: MemoryMap, chip: ChipMap, cell: Words, value: Words, soft: Words
    ) -> tuple[Words, Words]:
        """What the cells give: the bad ones their wrong level."""
        if not self.cells:
            return value, soft
        where = np.array([where for where, _ in self.cells], np.uint64)
        order = np.argsort(where)
        masks = np.array([mask for _, mask in self.cells], np.uint64)[order]
        place = np.minimum(np.searchsorted(where[order], cell), len(where) - 1)
        flip = np.where(where[order][place] == cell, masks[place], np.uint64(0))
        return value ^ (flip & ~soft), soft

    def fit(self, base: Prediction, rows: Rows, noise: Noise) -> tuple[CellwiseFault, float]:
        """The bad cells and the cost, on top of what is predicted without them.

        Args:
            base: Prediction without bad cells.
            rows: The observations.
            noise: The noise rate.
        """
        chip = next(chip for chip in rows.memory_map.chips if chip.name == self.part)
        open_ = base.soft | base.floating
        if base.unknown is not None:
            open_ = open_ | base.unknown
        wrong = (base.value ^ rows.seen) & rows.judged & ~open_
        at = rows.at(chip)
        elsewhere = wrong.copy()
        elsewhere[at.index] &= ~np.uint64(chip.lane_mask)
        total = noise.wrong * float(count_bits(elsewhere) @ rows.weight)
        total += noise.open * float(count_bits(open_ & rows.judged) @ rows.weight)
        judged = at.judged & ~gather_bits(open_[at.index], chip.lane)
        cell = at.lines % np.uint64(len(chip.contents)) if chip.kind == "rom" else at.lines
        expected = chip.from_bus(base.value[at.index])
        counts = _count(cell, expected, judged, at.seen, at.weight)
        read = _exposed_bits(cell, self.exposed(chip, expected, judged))
        clean = max(read - len(counts.bit), 0)
        good, bad = -noise.wrong * counts.wrong, self.bad(counts, noise)
        options = [
            -np.log(belief) - clean * np.log1p(-share) - _log_mix(good, bad, share).sum()
            for share, belief in SHARES
        ]
        share = SHARES[int(np.argmin(options))][0]
        found = np.log(share) + bad > np.log1p(-share) + good
        return replace(self._with(counts, found), read=read), total + float(
            -np.logaddexp.reduce([-nats for nats in options])
        )

    def _how_many(self) -> str:
        """The number of bad cells as part of a sentence."""
        count = self.bad_bits
        return f" ({count} {'bit' if count == 1 else 'bits'} seen)" if count else ""

    def _with(self, counts: CellCounts, found: NDArray[np.bool_]) -> CellwiseFault:
        cells, place = np.unique(counts.cell[found], return_inverse=True)
        masks = np.zeros(len(cells), np.uint64)
        np.bitwise_or.at(masks, place, np.uint64(1) << counts.bit[found].astype(np.uint64))
        return replace(self, cells=tuple(zip(cells.tolist(), masks.tolist(), strict=True)))


def _log_mix(good: Costs, bad: Costs, share: float) -> Costs:
    return np.asarray(np.logaddexp(np.log1p(-share) + good, np.log(share) + bad))


def _exposed_bits(cell: Words, exposed: Words) -> int:
    """Number of different cell bits that were read."""
    if not len(cell):
        return 0
    order = np.argsort(cell)
    ordered = cell[order]
    starts = np.flatnonzero(np.concatenate([[True], ordered[1:] != ordered[:-1]]))
    return int(count_bits(np.bitwise_or.reduceat(exposed[order], starts)).sum())


def _count(cell: Words, expected: Words, judged: Words, seen: Words, weight: Costs) -> CellCounts:
    """Weights of reads for every bit of a cell that was ever read wrong."""
    wrong = (expected ^ seen) & judged
    suspects, inverse = np.unique(cell[wrong != 0], return_inverse=True)
    ever = np.zeros(len(suspects), np.uint64)
    np.bitwise_or.at(ever, inverse, wrong[wrong != 0])
    place = np.searchsorted(suspects, cell)
    place = np.minimum(place, max(len(suspects) - 1, 0))
    rows = np.flatnonzero(suspects[place] == cell) if len(suspects) else np.empty(0, np.intp)
    place = place[rows]
    cells, bits, tables = [], [], []
    for bit in range(int(np.bitwise_or.reduce(ever)).bit_length()):
        mask = np.uint64(1) << np.uint64(bit)
        concerned = np.flatnonzero(ever & mask)
        if not len(concerned):
            continue
        one = (expected[rows] & mask) != 0
        high = (seen[rows] & mask) != 0
        given = np.where((judged[rows] & mask) != 0, weight[rows], 0.0)
        code = place * 4 + one * 2 + high
        table = np.bincount(code, given, 4 * len(suspects)).reshape(-1, 4)[concerned]
        cells.append(suspects[concerned])
        bits.append(np.full(len(concerned), bit, np.intp))
        tables.append(table)
    if not tables:
        none = np.empty(0)
        return CellCounts(np.empty(0, np.uint64), np.empty(0, np.intp), none, none, none, none)
    return CellCounts(np.concatenate(cells), np.concatenate(bits), *np.concatenate(tables).T)


def log_bad(stuck: Costs, counts: CellCounts) -> Costs:
    """Log probability of the reads of bad cells, given that of cells that always read the wrong level."""
    return np.asarray(np.logaddexp(np.log(STUCK) + stuck, np.log(1 - STUCK) + log_unstable(counts)))


def log_unstable(counts: CellCounts) -> Costs:
    """Log probability of the reads of unstable cells, ``float64 (k,)``.

    With q, the probability of a wrong read, unknown and any q as likely as any other, w wrong and r right
    reads in a given order have the probability ∫ q^w (1-q)^r dq = B(w+1, r+1) = w! r! / (w+r+1)!. Weights
    are whole numbers, so a table of log factorials is exact.
    """
    right, wrong = counts.right.astype(np.intp), counts.wrong.astype(np.intp)
    most = int((right + wrong).max(initial=0)) + 1
    log_factorial = np.concatenate([[0.0], np.cumsum(np.log(np.arange(1, most + 1)))])
    return np.asarray(log_factorial[wrong] + log_factorial[right] - log_factorial[right + wrong + 1])
