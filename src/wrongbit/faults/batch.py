"""Many faults of one family at one place, with a quick lower bound of what each costs.

Thousands of faults compete, and all but a few are refuted by a few dozen observations. A `Batch` tells for
all its faults at once what they cost at least on some rows; only those that remain are built one by one and
costed on everything (`wrongbit.faults.posterior`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_bits
from wrongbit.compare.memory_map import ChipMap
from wrongbit.faults.cellwise import CellwiseFault
from wrongbit.faults.fault import Fault
from wrongbit.faults.likelihood import cost_of
from wrongbit.faults.noise import Noise
from wrongbit.faults.predict import predict
from wrongbit.faults.rows import Costs, Index, Rows

Bound = Callable[[Rows, Index], Costs]

MOST_SAMPLED = 64
"""Wrong reads from which faults of parts of an array are listed."""


def spread(index: Index, most: int) -> Index:
    """At most so many elements, evenly spread.

    >>> spread(np.arange(10), 3).tolist()
    [0, 4, 9]
    """
    if len(index) <= most:
        return index
    return index[np.linspace(0, len(index) - 1, most).astype(np.intp)]


@dataclass(frozen=True)
class Batch:
    """Faults of one family.

    Args:
        share: ``float64 (k,)`` share of the family's prior that each fault has. Over all faults of a family,
            listed or left out because they explain nothing, the shares sum to 1.
        bound: Cost at least, ``float64 (n,)``, of the faults with these numbers on these rows.
        build: The fault with this number.
        hopeless: None of them can explain a wrong bit; they are only counted.
        few: So few that each may be costed in full even where it seems to explain no more than noise.
    """

    share: Costs
    bound: Bound
    build: Callable[[int], Fault]
    hopeless: bool = False
    few: bool = False

    def __len__(self) -> int:
        return len(self.share)


@dataclass(frozen=True)
class Board:
    """What a family needs in order to list its faults.

    Args:
        rows: All observations.
        noise: The noise rate.
        bank_bits: Width of the bank number.
        suspects: Names of chips with at least one wrong bit in their lane.
        sample: Rows with wrong bits, spread over all of them, at most `MOST_SAMPLED`.
    """

    rows: Rows
    noise: Noise
    bank_bits: int
    suspects: frozenset[str]
    sample: Rows

    @staticmethod
    def of(rows: Rows, noise: Noise, bank_bits: int) -> Board:
        """The board as these observations show it."""
        suspects = []
        for chip in rows.memory_map.chips:
            at = rows.at(chip)
            if at.wrong.any():
                suspects.append(chip.name)
        sample = rows.take(spread(np.flatnonzero(rows.wrong), MOST_SAMPLED))
        return Board(rows, noise, bank_bits, frozenset(suspects), sample)

    @property
    def chips(self) -> tuple[ChipMap, ...]:
        """All chips on the bus."""
        return self.rows.memory_map.chips

    def suspected(self, chip: ChipMap) -> bool:
        """The chip has a wrong bit; a fault of its own explains nothing otherwise."""
        return chip.name in self.suspects


def one_by_one(faults: Sequence[Fault], share: Sequence[float] | Costs, noise: Noise) -> Batch:
    """A batch of few faults, each predicted on its own."""

    def bound(rows: Rows, index: Index) -> Costs:
        return np.array([_bound(faults[number], rows, noise) for number in index], np.float64)

    return Batch(np.asarray(share, np.float64), bound, lambda number: faults[number], few=True)


def _bound(fault: Fault, rows: Rows, noise: Noise) -> float:
    """Least cost of one fault, whatever its rate."""
    shapes = fault.shapes()
    if isinstance(fault, CellwiseFault) or len(shapes) != 2:
        return cost_of([fault], rows, noise).nats
    one, other = (
        _certainly_wrong(form, rows) if form is not None else count_bits(rows.wrong) for form in shapes
    )
    return float(mixture_bound(one[None, :], other, rows.weight, noise)[0])


def all_at_once(
    share: Costs,
    many: Callable[[NDArray[np.int64]], Sequence[Fault]],
    build: Callable[[int], Fault],
    noise: Noise,
) -> Batch:
    """A batch of faults that come and go, and whose parameters may be arrays.

    Args:
        share: As in `Batch`.
        many: Forms of a fault whose parameters are arrays with one element a row, from fault numbers: two
            between which each read may choose, or one, beside which everything may be as it should be.
        build: The fault with this number.
        noise: The noise rate.
    """

    def bound(rows: Rows, index: Index) -> Costs:
        repeated = rows.repeat(len(index))
        forms = many(np.repeat(index, len(rows)))
        wrong = [_certainly_wrong(form, repeated).reshape(len(index), len(rows)) for form in forms]
        return mixture_bound(
            wrong[0], wrong[1] if len(wrong) > 1 else count_bits(rows.wrong), rows.weight, noise
        )

    return Batch(share, bound, build)


def _certainly_wrong(fault: Fault, rows: Rows) -> NDArray[np.uint8]:
    """Number of bits in each row that the fault settles otherwise than seen."""
    prediction = predict([fault], rows)
    settled = rows.judged & ~prediction.soft & ~(prediction.floating & ~prediction.value)
    if prediction.unknown is not None:
        settled = settled & ~prediction.unknown
    if prediction.strays is not None:
        settled[prediction.strays] = 0
    return count_bits((prediction.value ^ rows.seen) & settled)


def wrong_elsewhere(rows: Rows, chip: ChipMap, noise: Noise) -> float:
    """Cost of the wrong bits that are not this chip's."""
    return noise.wrong * (rows.wrong_weight() - rows.at(chip).wrong_weight())


def mixture_bound(one: NDArray[np.uint8], other: NDArray[np.uint8], weight: Costs, noise: Noise) -> Costs:
    """Least cost of faults that choose anew in each read between two forms, whatever the rate.

    Where the forms differ by a wrong bit or more, a read that the first form explains better costs at least
    -log(q + (1-q)e^-λ), with q its rate and λ the cost of a wrong bit; one that the second explains better
    costs -log(1-q + q e^-λ). With N and M the weights of both kinds of reads, the sum is least where the
    first argument is (1+e^-λ) N/(N+M), or at the limit of its range.

    Args:
        one: ``uint8 (k, n)`` wrong bits in the one form.
        other: ``uint8 (k, n)`` or ``(n,)`` wrong bits in the other.
        weight: ``float64 (n,)``.
        noise: The noise rate.

    Returns:
        ``float64 (k,)``.
    """
    least = noise.wrong * (np.minimum(one, other) @ weight)
    first, second = (one < other) @ weight, (other < one) @ weight
    small = np.exp(-noise.wrong)
    share = np.divide(first, first + second, out=np.ones_like(first), where=first + second > 0)
    argument = np.clip((1 + small) * share, small, 1.0)
    return np.asarray(least - first * np.log(argument) - second * np.log(1 + small - argument))
