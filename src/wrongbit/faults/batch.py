"""Many faults of one family at one place, with a quick lower bound of what each costs.

Thousands of faults compete, and all but a few are refuted by a few dozen observations. A `Batch` tells for
all its faults at once what they cost at least on some rows; only those that remain are built one by one and
costed on everything (`wrongbit.faults.posterior`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_bits
from wrongbit.compare.memory_map import ChipMap
from wrongbit.faults.cellwise import CellwiseFault
from wrongbit.faults.fault import Fault, SelectionStage
from wrongbit.faults.likelihood import cost_of
from wrongbit.faults.noise import Noise
from wrongbit.faults.predict import predict
from wrongbit.faults.refute import wrong_behind_selections
from wrongbit.faults.rows import Costs, Index, Rows

Bound = Callable[[Rows, Index], Costs]
Quick = Callable[[Rows, Index], tuple[Costs, NDArray[np.bool_]]]

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
        quick: As ``bound`` in less time, but some are lower: also ``bool (n,)``, True where they are not.
            Left out where ``bound`` itself is quick.
    """

    share: Costs
    bound: Bound
    build: Callable[[int], Fault]
    hopeless: bool = False
    few: bool = False
    quick: Quick | None = None

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

    def quick(rows: Rows, index: Index) -> tuple[Costs, NDArray[np.bool_]]:
        return _quick_bounds([faults[number] for number in index], rows, noise)

    shares = np.asarray(share, np.float64)
    return Batch(shares, bound, lambda number: faults[number], few=True, quick=quick)


def _quick_bounds(faults: Sequence[Fault], rows: Rows, noise: Noise) -> tuple[Costs, NDArray[np.bool_]]:
    """Lower bounds of `_bound`, and which of them are no lower."""
    found, sharp = np.empty(len(faults)), np.zeros(len(faults), np.bool_)
    selections = [number for number, fault in enumerate(faults) if isinstance(fault, SelectionStage)]
    if selections:
        chosen = [cast(SelectionStage, faults[number]) for number in selections]
        found[selections], sharp[selections] = _of_selections(chosen, rows, noise)
    for number in set(range(len(faults))) - set(selections):
        found[number], sharp[number] = _least(faults[number], rows, noise)
    return found, sharp


def _of_selections(
    faults: Sequence[SelectionStage], rows: Rows, noise: Noise
) -> tuple[Costs, NDArray[np.bool_]]:
    """As `_quick_bounds`, of faults in the choice of chips."""
    behind = wrong_behind_selections(rows, faults)
    costs = (noise.wrong * behind.wrong + noise.open * behind.either) @ rows.weight
    sharp = ~behind.free
    loose = [number for number, fault in enumerate(faults) if None in fault.shapes()]
    if loose:
        costs[loose] = mixture_bound(behind.wrong[loose], count_bits(rows.wrong), rows.weight, noise)
        sharp[loose] = ~behind.strays[loose]
    return costs, sharp


def _least(fault: Fault, rows: Rows, noise: Noise) -> tuple[float, bool]:
    """As `_quick_bounds`, of one fault that is not in the choice of chips."""
    if isinstance(fault, CellwiseFault):
        chip = next(chip for chip in rows.memory_map.chips if chip.name == fault.part)
        return wrong_elsewhere(rows, chip, noise), False
    shapes = fault.shapes()
    if len(shapes) == 2:
        return _bound(fault, rows, noise), True
    # Each read costs at least what the form that suits it best settles wrongly.
    forms = [count_bits(rows.wrong) if form is None else _certainly_wrong(form, rows) for form in shapes]
    return float(noise.wrong * (np.minimum.reduce(forms) @ rows.weight)), False


def _bound(fault: Fault, rows: Rows, noise: Noise) -> float:
    """Least cost of one fault, whatever its rate."""
    shapes = fault.shapes()
    if isinstance(fault, CellwiseFault) or len(shapes) != 2:
        return cost_of([fault], rows, noise).nats
    one, other = (
        _certainly_wrong(form, rows) if form is not None else count_bits(rows.wrong) for form in shapes
    )
    return float(mixture_bound(one[None, :], other, rows.weight, noise)[0])


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
