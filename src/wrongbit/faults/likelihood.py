"""How well a fault explains what was seen, as a cost in nats.

Every judged bit of every row is a witness. With ε the probability that a bit is read wrong by noise alone:

- a bit that a fault predicts and that was seen so has probability 1 - ε, one that was seen otherwise ε;
- a bit that the fault leaves open has probability ½;
- a row that was observed n times counts min(n, 8) times (`wrongbit.faults.rows.MOST_WEIGHT`).

The cost of a fault is the fall of the log likelihood below that of a fault which predicts every bit: 0 for
a perfect prediction, log((1-ε)/ε) for each wrong bit. Costs only grow with more rows, so the cost on some of
the rows is a lower bound of the cost on all: that makes it exact to drop hopeless faults early.

Unknowns are summed over, not chosen: the rate of a loose contact and the drift of a floating line over all
values, the contents of a cell that no reference gives over both levels (once a cell, not once a read).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_bits
from wrongbit.faults.cellwise import CellwiseFault
from wrongbit.faults.fault import ALWAYS, DRIFTS, Fault, Point, Rates
from wrongbit.faults.noise import Noise
from wrongbit.faults.predict import Prediction, predict
from wrongbit.faults.rows import Costs, Index, Rows, Words

CUTS, ROUNDS = 7, 4
"""How rates are summed over: pieces of an interval, and how often the best one is cut."""

STRAYS = ((0.0, 0.5), (0.01, 0.1), (0.1, 0.2), (0.5, 0.2))
"""Share of moved RAM reads that find something else than the last write seen, as (share, belief)."""


@dataclass(frozen=True)
class Cost:
    """Outcome of `cost_of`.

    Args:
        nats: The cost, summed over rates and drifts.
        faults: The faults with the rate and drift that explain best.
    """

    nats: float
    faults: tuple[Fault, ...]


def cost_of(faults: Sequence[Fault], rows: Rows, noise: Noise, *, settled: bool = False) -> Cost:
    """Cost of these faults together on these rows.

    Args:
        faults: One fault, or several that act at once; none: everything is as it should be.
        rows: The observations.
        noise: The noise rate.
        settled: Try only the rate and drift that each fault has, and acting in every read, instead of the
            whole grids; for pairs of faults that were costed alone before.
    """
    cellwise = [fault for fault in faults if isinstance(fault, CellwiseFault)]
    if cellwise:
        return _cost_by_cells(
            cellwise[0], [fault for fault in faults if fault is not cellwise[0]], rows, noise
        )
    forms = forms_of(faults)
    terms = [_terms(predict(form, rows), rows, noise) for form in forms]
    table = _condense(terms, rows.weight)
    drifting = any(term.drifting for term in terms)
    shares = [rates for fault in faults for rates in _shares(fault, settled)]
    nats, (drift, *values) = _over_rates((_drifts(faults, drifting, settled), *shares), faults, table, noise)
    extra = _cost_of_strays(terms, rows, noise)
    found = []
    for fault in faults:
        own, values = values[: len(fault.shares)], values[len(fault.shares) :]
        found.append(replace(fault.fitted(*own), drift=drift if drifting else fault.drift))
    return Cost(nats + extra, tuple(found))


@dataclass(frozen=True)
class _Grid:
    """Points of which each has a drift and a value for every share of every fault.

    Args:
        value: ``float64 (g, 1 + shares)`` drift and shares.
        reach: ``float64 (g, 1 + shares)`` half the widths of the intervals that they stand for.
        belief: ``float64 (g,)`` belief in each point.
    """

    value: Costs
    reach: Costs
    belief: Costs

    @staticmethod
    @lru_cache(maxsize=256)
    def of(choices: tuple[Rates, ...]) -> _Grid:
        """Every combination."""
        table = np.array([[tuple(point) for point in points] for points in product(*choices)], np.float64)
        return _Grid(table[:, :, 0], table[:, :, 2], table[:, :, 1].prod(axis=1))

    def cut(self, at: int) -> _Grid:
        """One point in `CUTS` pieces in every direction in which it has a reach."""
        steps = _steps(tuple((self.reach[at] > 0).tolist()))
        reach = np.broadcast_to(self.reach[at] / CUTS, steps.shape)
        belief = np.full(len(steps), self.belief[at] / len(steps))
        return _Grid(self.value[at] + self.reach[at] * steps, reach, belief)

    def joined(self, pieces: _Grid) -> _Grid:
        """The grid with more points, which come last."""
        mine, other = (self.value, self.reach, self.belief), (pieces.value, pieces.reach, pieces.belief)
        return _Grid(*(np.concatenate(both) for both in zip(mine, other, strict=True)))

    def nats(self, faults: Sequence[Fault], table: _Table, noise: Noise) -> Costs:
        """Cost at each point, its belief included: ``float64 (g,)``."""
        weights = _weights(faults, self.value[:, 1:])
        costs = table.nats(weights, self.value[:, 0], noise) - np.log(self.belief)
        # A form that holds in every read meets each unknown cell with the same contents every time.
        return np.asarray(costs + (weights == 1.0) @ table.lasting)

    def best(self, costs: Costs) -> tuple[float, ...]:
        """The likeliest values among single values or among intervals, whichever have more of the belief."""
        kind = (self.reach > 0) @ (1 << np.arange(self.reach.shape[1]))
        kinds = [np.flatnonzero(kind == number) for number in np.unique(kind)]
        chosen = max(kinds, key=lambda index: np.logaddexp.reduce(-costs[index]))
        found = chosen[np.argmin(costs[chosen] + np.log(self.belief[chosen]))]
        return tuple(self.value[found].tolist())


@lru_cache(maxsize=64)
def _steps(directions: tuple[bool, ...]) -> Costs:
    """Middles of the pieces of an interval from -1 to 1 in some directions: ``float64 (g, directions)``."""
    steps = ((2 * np.arange(CUTS) + 1) / CUTS - 1).tolist()
    return np.array(list(product(*(steps if cut else [0.0] for cut in directions))))


def _over_rates(
    choices: tuple[Rates, ...], faults: Sequence[Fault], table: _Table, noise: Noise
) -> tuple[float, tuple[float, ...]]:
    """Cost summed over the drift and over each fault's rate, and the likeliest values.

    The sum stands for an integral: the interval that matters most is cut into `CUTS` pieces, and the best of
    these again, so that the sum stays right however sharply many observations fix a rate.
    """
    grid = _Grid.of(choices)
    costs = grid.nats(faults, table, noise)
    for _ in range(ROUNDS):
        best = int(np.argmin(costs))
        if not grid.reach[best].any():
            break
        pieces = grid.cut(best)
        costs[best] = np.inf  # from now on its pieces stand for it
        costs = np.concatenate([costs, pieces.nats(faults, table, noise)])
        grid = grid.joined(pieces)
    return -float(np.logaddexp.reduce(-costs)), grid.best(costs)


def _weights(faults: Sequence[Fault], values: Costs) -> Costs:
    """Probability of every combination of forms, ``float64 (g, forms)``.

    Args:
        faults: The faults.
        values: ``float64 (g, n)`` values of the shares of all faults, side by side.
    """
    total = np.ones((len(values), 1))
    column = 0
    for fault in faults:
        own = [values[:, column + number] for number in range(len(fault.shares))]
        column += len(own)
        each = np.stack(np.broadcast_arrays(own[0], *fault.weights(*own))[1:], axis=1)
        total = (total[:, :, None] * each[:, None, :]).reshape(len(values), -1)
    return total


def _drifts(faults: Sequence[Fault], drifting: bool, settled: bool) -> Rates:
    if not drifting:
        return ALWAYS
    if not settled:
        return DRIFTS
    return tuple(_nearest(DRIFTS, drift) for drift in {fault.drift for fault in faults})


def _shares(fault: Fault, settled: bool) -> tuple[Rates, ...]:
    if not settled:
        return fault.shares
    chosen = []
    for rates, value in zip(fault.shares, fault.values, strict=True):
        certain = [point for point in rates if point.value == 1.0 != value]
        chosen.append((_nearest(rates, value), *certain))
    return tuple(chosen)


def _nearest(rates: Rates, value: float) -> Point:
    """One of the rates as a single value, with the belief of the interval that it lies in."""
    point = min(rates, key=lambda point: (max(abs(point.value - value) - point.reach, 0.0), point.reach))
    return Point(value, point.belief)


def row_costs(faults: Sequence[Fault], rows: Rows, noise: Noise) -> Costs:
    """Cost of each row, ``float64 (m,)``, at the rate and drift that each fault has.

    Cells that no reference gives and strayed RAM reads count as open bits; weights are left out.
    """
    drift = np.array([max((fault.drift for fault in faults), default=0.0)])
    prices = np.array([noise.wrong, noise.open, *noise.seen(drift), *noise.seen(1 - drift)])
    (weights,) = _weights(
        faults, np.array([[v for fault in faults for v in fault.values]], np.float64)
    ).tolist()
    total = np.full(len(rows), -np.inf)
    for form, weight in zip(forms_of(faults), weights, strict=True):
        if weight > 0:
            counts = _terms(predict(form, rows), rows, noise).counts
            kinds = zip(prices, counts, strict=True)
            cost = sum((price * each for price, each in kinds if each is not None), np.zeros(len(rows)))
            total = np.logaddexp(total, np.log(weight) - cost)
    return -total


def forms_of(faults: Sequence[Fault]) -> list[tuple[Fault, ...]]:
    """Every combination of what may hold in one read."""
    every = product(*(fault.shapes() for fault in faults))
    return [tuple(fault for fault in chosen if fault is not None) for chosen in every]


@dataclass(frozen=True)
class _Terms:
    """Bits of each row that one form of a fault does not predict, by kind.

    Args:
        counts: Four ``uint8 (m,)`` arrays, or None where all are 0: wrong bits, open bits, floating bits that
            held 0 and were seen 1, and such bits that were seen 0.
        lasting: What the cost of open bits changes by, if those of unknown cells are the same in every read.
        strays: Rows that are costed apart.
    """

    counts: tuple[NDArray[np.uint8] | None, ...]
    lasting: float
    strays: Index | None

    @property
    def drifting(self) -> bool:
        """The drift matters."""
        return self.counts[2] is not None


def _terms(prediction: Prediction, rows: Rows, noise: Noise) -> _Terms:
    settled = rows.judged
    rose = stayed = open_bits = strays = None
    lasting = 0.0
    floating = prediction.floating & settled & ~prediction.value
    if floating.any():
        rose, stayed = count_bits(floating & rows.seen), count_bits(floating & ~rows.seen)
        settled = settled & ~floating
    soft = prediction.soft & settled
    if prediction.unknown is not None and prediction.source is not None:
        unknown = prediction.unknown & settled
        soft = soft | unknown
        lasting = _cost_of_unknown_cells(unknown, prediction.source, rows, noise)
        lasting -= noise.open * float(count_bits(unknown) @ rows.weight)
    wrong = count_bits((prediction.value ^ rows.seen) & settled & ~soft)
    if soft.any():
        open_bits = count_bits(soft)
    if prediction.strays is not None:
        strays = np.flatnonzero(prediction.strays)
        for counts in (wrong, open_bits, rose, stayed):
            if counts is not None:
                counts[strays] = 0
    return _Terms((wrong, open_bits, rose, stayed), lasting, strays)


@dataclass(frozen=True)
class _Table:
    """Rows that cost the same in every form, put together.

    Args:
        counts: ``float64 (forms, 4, k)``, as in `_Terms`.
        weight: ``float64 (k,)``.
        lasting: ``float64 (forms,)``, as in `_Terms`.
    """

    counts: Costs
    weight: Costs
    lasting: Costs

    def nats(self, weights: Costs, drift: Costs, noise: Noise) -> Costs:
        """Cost for several rates and drifts at once.

        Args:
            weights: ``float64 (g, forms)`` probability of each form in any one read.
            drift: ``float64 (g,)`` probability that a floating line which held 0 reads 1.
            noise: The noise rate.

        Returns:
            ``float64 (g,)``.
        """
        fixed = np.full(len(drift), noise.wrong), np.full(len(drift), noise.open)
        prices = np.stack([*fixed, noise.seen(drift), noise.seen(1 - drift)], axis=1)
        with np.errstate(divide="ignore"):
            logs = np.log(weights)[:, :, None] - (prices @ self.counts).swapaxes(0, 1)
        # As np.logaddexp.reduce, in a third of the time; some form is always possible.
        most = logs.max(axis=1)
        logs -= most[:, None]
        return np.asarray(-((most + np.log(np.exp(logs, out=logs).sum(axis=1))) @ self.weight))


def _condense(terms: Sequence[_Terms], weight: Costs) -> _Table:
    """Few rows instead of many: the counts of `_Terms` are small whole numbers."""
    columns = [
        (form, kind, counts) for form, term in enumerate(terms) for kind, counts in enumerate(term.counts)
    ]
    used = [
        (form, kind, counts, int(counts.max()) + 1)
        for form, kind, counts in columns
        if counts is not None and len(counts)
    ]
    if math.prod(limit for *_, limit in used) > 1 << 62:
        return _condense_wide(terms, used, weight)
    key = np.zeros(len(weight), np.intp)
    size = 1
    for *_, counts, limit in used:
        if limit > 1:
            key += counts.astype(np.intp) * size
            size *= limit
    if size > 1 << 16:
        present, key = np.unique(key, return_inverse=True)
        total = np.bincount(key, weight, len(present))
    else:
        total = np.bincount(key, weight, size)
        present = np.flatnonzero(total)
        total = total[present]
    table = np.zeros((len(terms), 4, len(present)), np.float64)
    step = 1
    for form, kind, _, limit in used:
        table[form, kind] = present // step % limit
        step *= limit
    return _Table(table, np.asarray(total, np.float64), np.array([term.lasting for term in terms]))


def _condense_wide(
    terms: Sequence[_Terms], used: Sequence[tuple[int, int, NDArray[Any], int]], weight: Costs
) -> _Table:
    """As `_condense`, where the counts of one row together are too many for one whole number."""
    rows, key = np.unique(np.array([counts for *_, counts, _ in used]), axis=1, return_inverse=True)
    table = np.zeros((len(terms), 4, rows.shape[1]), np.float64)
    for (form, kind, *_), row in zip(used, rows, strict=True):
        table[form, kind] = row
    total = np.bincount(key.ravel(), weight, rows.shape[1])
    return _Table(table, np.asarray(total, np.float64), np.array([term.lasting for term in terms]))


def _cost_of_unknown_cells(unknown: Words, source: Words, rows: Rows, noise: Noise) -> float:
    """Each unknown bit of each cell is 0 or 1 with probability ½, and the same in all its reads.

    A read that agrees with the contents has the probability 1-ε and costs nothing, one that does not costs
    log((1-ε)/ε), so N reads of 0 and M of 1 cost log 2 - log(e^-λN + e^-λM).
    """
    index = np.flatnonzero(unknown)
    cells, which = np.unique(source[index], return_inverse=True)
    total = 0.0
    for bit in range(rows.memory_map.word_bits):
        mask = np.uint64(1 << bit)
        concerned = (unknown[index] & mask) != 0
        if not concerned.any():
            continue
        weight = np.where(concerned, rows.weight[index], 0.0)
        high = (rows.seen[index] & mask) != 0
        ones = np.bincount(which, np.where(high, weight, 0.0), len(cells))
        zeros = np.bincount(which, np.where(high, 0.0, weight), len(cells))
        either = np.log(2) - np.logaddexp(-noise.wrong * ones, -noise.wrong * zeros)
        total += float(either[(ones + zeros) > 0].sum())
    return total


def _cost_of_strays(terms: Sequence[_Terms], rows: Rows, noise: Noise) -> float:
    """RAM reads that a fault may have sent to other cells find the last write seen, or anything."""
    found = [term.strays for term in terms if term.strays is not None]
    if not found:
        return 0.0
    index = np.unique(np.concatenate(found))
    judged = rows.judged[index]
    right = noise.wrong * count_bits((rows.expected[index] ^ rows.seen[index]) & judged)
    anything = noise.open * count_bits(judged)
    total = []
    for share, belief in STRAYS:
        with np.errstate(divide="ignore"):
            either = np.logaddexp(np.log1p(-share) - right, np.log(share) - anything)
        total.append(np.log(belief) + float(either @ rows.weight[index]))
    return float(-np.logaddexp.reduce(total))


def _cost_by_cells(fault: CellwiseFault, others: Sequence[Fault], rows: Rows, noise: Noise) -> Cost:
    """Cost of a fault of single cells, on top of other faults in their likeliest form."""
    form = tuple(shape for other in others if (shape := other.shapes()[0]) is not None)
    found, nats = fault.fit(predict(form, rows), rows, noise)
    return Cost(nats, (found, *others))
