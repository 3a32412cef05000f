"""The search over single faults: most are refuted by a few dozen rows, the rest are costed on all."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_bits
from wrongbit.faults.batch import Batch, Board, spread
from wrongbit.faults.fault import Fault
from wrongbit.faults.likelihood import cost_of, forms_of
from wrongbit.faults.models import MODELS, NO_FAULT_PRIOR
from wrongbit.faults.predict import predict
from wrongbit.faults.rows import Costs, Index, Rows, Words

MARGIN = float(np.log(1e6))
"""Explanations whose odds against the best are longer than a million to one are left out."""

TIE = float(np.log(20))
"""Explanations whose odds against each other are shorter than 20 to 1 are not told apart. Bench sense, no
source: nobody should unsolder a chip for less."""

SAMPLES = ((48, 32), (512, 512), (4096, 4096))
"""Numbers of wrong and of right rows in the samples that refute hopeless faults, one after another."""


MOST_LEADERS = 4
"""Most faults that are costed on all rows after each sample, to have something to refute the others with."""


@dataclass(frozen=True)
class Candidate:
    """Faults that were costed on all rows; none stands for "no fault seen".

    Args:
        faults: One fault, two, or none.
        log_prior: Logarithm of the prior.
        cost: As `wrongbit.faults.likelihood.cost_of` gives it.
    """

    faults: tuple[Fault, ...]
    log_prior: float
    cost: float

    @property
    def score(self) -> float:
        """Logarithm of prior times likelihood, up to a constant."""
        return self.log_prior - self.cost


def total_prior() -> float:
    """What the priors of all families sum to."""
    return NO_FAULT_PRIOR + sum(family.prior for family in MODELS)


def likeliest_family() -> float:
    """The prior of the likeliest family: no single fault has a higher one."""
    return max(family.prior for family in MODELS) / total_prior()


@dataclass(frozen=True)
class Field:
    """All faults that compete: number ``number[i]`` of batch ``batch[i]``."""

    batches: tuple[Batch, ...]
    batch: Index
    number: Index
    log_prior: Costs
    hopeless: int

    @staticmethod
    def of(board: Board) -> Field:
        """Every family's faults on this board."""
        batches: list[Batch] = []
        priors: list[Costs] = []
        hopeless = 0
        for family in MODELS:
            for batch in family.scan(board):
                if batch.hopeless:
                    hopeless += len(batch)
                elif len(batch):
                    batches.append(batch)
                    priors.append(np.log(batch.share * (family.prior / total_prior())))
        sizes = [len(batch) for batch in batches]
        return Field(
            tuple(batches),
            np.repeat(np.arange(len(batches)), sizes),
            np.concatenate([np.arange(size) for size in sizes]) if sizes else np.empty(0, np.intp),
            np.concatenate(priors) if priors else np.empty(0),
            hopeless,
        )

    def __len__(self) -> int:
        return len(self.batch) + self.hopeless

    def bounds(self, rows: Rows, chosen: Index) -> Costs:
        """Least cost on these rows of the chosen faults (in rising order)."""
        parts = [np.empty(0)]
        parts += [batch.bound(rows, numbers) for batch, numbers in self._by_batch(chosen)]
        return np.concatenate(parts)

    def quick_bounds(self, rows: Rows, chosen: Index) -> tuple[Costs, NDArray[np.bool_]]:
        """As `bounds` in less time, but some are lower; and which of them are."""
        bounds, rough = [np.empty(0)], [np.empty(0, np.bool_)]
        for batch, numbers in self._by_batch(chosen):
            if batch.quick is None:
                bounds.append(batch.bound(rows, numbers))
                rough.append(np.zeros(len(numbers), np.bool_))
            else:
                found, sharp = batch.quick(rows, numbers)
                bounds.append(found)
                rough.append(~sharp)
        return np.concatenate(bounds), np.concatenate(rough)

    def _by_batch(self, chosen: Index) -> Iterator[tuple[Batch, Index]]:
        """Batches with the numbers of those of their faults that are chosen."""
        of_batch = self.batch[chosen]
        borders = np.flatnonzero(np.diff(of_batch, prepend=-1, append=-1))
        for begin, end in pairwise(borders.tolist()):
            yield self.batches[of_batch[begin]], self.number[chosen[begin:end]]

    def build(self, index: int) -> Fault:
        """The fault with this index."""
        batch: Batch = self.batches[self.batch[index]]
        return batch.build(int(self.number[index]))

    def search(self, board: Board, least: float) -> tuple[list[Candidate], Callable[[], Costs]]:
        """Every fault within `MARGIN` of the best that explains more than no fault does.

        Args:
            board: What was seen.
            least: The score of no fault.

        Returns:
            The faults with their costs, and the lower bounds of all on the first sample, worked out when they
            are asked for.
        """
        nothing = board.noise.wrong * board.rows.wrong_weight() - 1e-6
        few = np.array([batch.few for batch in self.batches], np.bool_)
        done: dict[int, Candidate] = {}
        alive = np.arange(len(self.batch))
        bounds = np.zeros(len(alive))
        everyone: _Bounds | None = None
        for sample in samples(board.rows):
            here = _Bounds(self, sample, alive)
            everyone = everyone or here
            for _ in range(min(MOST_LEADERS, len(alive))):
                place, hope = here.next_best()
                if least >= hope - MARGIN / 2:
                    break  # good enough to refute with
                index = int(alive[place])
                if index not in done:
                    done[index] = self.cost(board, index)
                least = max(least, done[index].score)
            kept = here.sharpened(least - MARGIN)
            kept &= (here.bounds < nothing) | few[self.batch[alive]]
            alive, bounds = alive[kept], here.bounds[kept]
            if len(alive) <= 2 * MOST_LEADERS:
                break  # fewer than another sample would be worth
        order = np.argsort(bounds - self.log_prior[alive], kind="stable")
        for index, bound in zip(alive[order].tolist(), bounds[order].tolist(), strict=True):
            if self.log_prior[index] - bound < least - MARGIN:
                break
            if index not in done:
                done[index] = self.cost(board, index)
            least = max(least, done[index].score)
        found = [each for each in done.values() if self._explains(board, each, nothing)]
        return found, everyone.all_sharp if everyone is not None else lambda: bounds

    @staticmethod
    def _explains(board: Board, candidate: Candidate, nothing: float) -> bool:
        """It is better than noise, or hardly worse and predicts a wrong bit."""
        if candidate.cost < nothing:
            return True
        return candidate.cost < nothing + TIE and explained_bits(candidate.faults, board.rows)[0] > 0

    def strongest(self, board: Board, bounds: Costs, most: int, most_alike: int) -> list[Candidate]:
        """The best faults by bounds on a sample, not too many of one batch."""
        taken = np.zeros(len(self.batches), np.intp)
        found = []
        for index in np.argsort(bounds - self.log_prior, kind="stable").tolist():
            batch = self.batch[index]
            if taken[batch] < most_alike:
                taken[batch] += 1
                found.append(self.cost(board, index))
            if len(found) == most:
                break
        return found

    def cost(self, board: Board, index: int) -> Candidate:
        """The fault with this index, costed on all rows."""
        cost = cost_of([self.build(index)], board.rows, board.noise)
        return Candidate(cost.faults, float(self.log_prior[index]), cost.nats)


class _Bounds:
    """Lower bounds of some faults on a sample: quick ones first, sharper ones where they matter."""

    def __init__(self, field: Field, rows: Rows, chosen: Index) -> None:
        self.field, self.rows, self.chosen = field, rows, chosen
        self.bounds, self.rough = field.quick_bounds(rows, chosen)
        self._left = self.hopes()

    def hopes(self) -> Costs:
        """Scores at most."""
        return self.field.log_prior[self.chosen] - self.bounds

    def next_best(self) -> tuple[int, float]:
        """Place and score, by sharp bounds, of the best of those not given before."""
        while True:
            place = int(np.argmax(self._left))
            if not self.rough[place]:
                hope = float(self._left[place])
                self._left[place] = -np.inf
                return place, hope
            self._sharpen(np.array([place]))
            self._left[place] = self.field.log_prior[self.chosen[place]] - self.bounds[place]

    def sharpened(self, least: float) -> NDArray[np.bool_]:
        """Which have a score of at least this, after the rough ones among them were looked at again."""
        self._sharpen(np.flatnonzero(self.rough & (self.hopes() >= least)))
        return np.asarray(self.hopes() >= least)

    def all_sharp(self) -> Costs:
        """The sharp bounds of all."""
        self._sharpen(np.flatnonzero(self.rough))
        return self.bounds

    def _sharpen(self, places: Index) -> None:
        self.bounds[places] = self.field.bounds(self.rows, self.chosen[places])
        self.rough[places] = False


def samples(rows: Rows) -> Iterable[Rows]:
    """Rows that refute most, in growing samples: wrong and right ones, spread over all."""
    wrong = rows.wrong != 0
    bad, good = np.flatnonzero(wrong), np.flatnonzero(~wrong)
    for most_bad, most_good in SAMPLES:
        chosen = np.concatenate([spread(bad, most_bad), spread(good, most_good)])
        yield rows.take(chosen)
        if len(chosen) == len(rows):
            return


def explained_bits(faults: Sequence[Fault], rows: Rows) -> tuple[int, int]:
    """Numbers of wrong bits that the faults predict or leave open, and of judged bits that they refuse."""
    refused = _refused_by_all(faults, rows)
    explained = count_bits(rows.wrong & ~refused).sum()
    return int(explained), int(count_bits(refused).sum())


def _refused_by_all(faults: Sequence[Fault], rows: Rows) -> Words:
    """Judged bits that were seen otherwise than any form of the faults allows."""
    refused = rows.judged.copy()
    for form in forms_of(faults):
        refused &= _refused(form, rows)
    return refused


def _refused(faults: Sequence[Fault], rows: Rows) -> Words:
    """Judged bits that were seen otherwise than these faults allow."""
    prediction = predict(faults, rows)
    drifted = prediction.floating & ~prediction.value
    open_ = prediction.soft | (drifted if any(fault.drift > 0 for fault in faults) else drifted & ~drifted)
    if prediction.unknown is not None:
        open_ = open_ | prediction.unknown
    if prediction.strays is not None:
        open_ = np.where(prediction.strays, ~np.uint64(0), open_)
    value = prediction.value | (drifted if any(fault.drift >= 1 for fault in faults) else np.uint64(0))
    return (value ^ rows.seen) & rows.judged & ~open_
