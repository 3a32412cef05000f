"""Weigh all faults against each other.

The posterior is prior times likelihood, over every fault of every family, "no fault seen", and pairs of
the strongest. It is exact for everything within `MARGIN` of the best: a fault is dropped only when a lower
bound of its cost, on some of the rows, already puts it further away. Most are refuted by a few dozen rows, so
the cost of thousands of faults is that of the few that remain.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from wrongbit.bits import count_bits
from wrongbit.compare.memory_map import MemoryMap
from wrongbit.faults.batch import Batch, Board, spread
from wrongbit.faults.cellwise import CellwiseFault
from wrongbit.faults.evidence import Evidence
from wrongbit.faults.fault import Fault
from wrongbit.faults.findings import Finding, Findings
from wrongbit.faults.likelihood import Cost, cost_of, forms_of, row_costs
from wrongbit.faults.models import MODELS, NO_FAULT_PRIOR, PAIR_PRIOR
from wrongbit.faults.noise import DEFAULT_RATE, Noise
from wrongbit.faults.predict import predict
from wrongbit.faults.rows import Costs, Index, Rows, Words
from wrongbit.faults.separate import likeliest_word, separations

MARGIN = float(np.log(1e6))
"""Explanations whose odds against the best are longer than a million to one are left out."""

TIE = float(np.log(20))
"""Explanations whose odds against each other are shorter than 20 to 1 are not told apart. Bench sense, no
source: nobody should unsolder a chip for less."""

SAMPLES = ((48, 32), (512, 512), (4096, 4096))
"""Numbers of wrong and of right rows in the samples that refute hopeless faults, one after another."""

PAIR_POOL = 24
"""Number of single faults of which pairs are made."""

PAIR_COST = 12.0
"""Pairs are weighed when the best single fault costs more: the prior of a second one eats up less."""

PAIR_SAMPLE = 160
"""Wrong rows, and as many right ones, on which the most promising pairs are chosen."""

MOST_PAIRS = 24
"""Number of pairs that are weighed on all rows."""


@dataclass(frozen=True)
class _Candidate:
    """Faults that were costed on all rows."""

    faults: tuple[Fault, ...]
    log_prior: float
    cost: float

    @property
    def score(self) -> float:
        return self.log_prior - self.cost


def weigh(
    evidence: Evidence,
    memory_map: MemoryMap,
    *,
    noise: float = DEFAULT_RATE,
    pairs: bool = True,
    bank_bits: int | None = None,
) -> Findings:
    """Which faults explain the evidence, and how surely.

    Args:
        evidence: Unique observations, as `wrongbit.faults.evidence.gather_evidence` gives them.
        memory_map: The chips on the bus with what they should hold.
        noise: Probability that a bit is read wrong for no other reason.
        pairs: Weigh pairs of faults too, when no single fault explains enough.
        bank_bits: Width of the bank number; left out: as wide as the banks in the memory map need.

    Raises:
        ValueError: The noise rate is not between 0 and ½.
    """
    rows = Rows.of(evidence, memory_map)
    rate = Noise(noise)
    wrong = rows.wrong
    if not wrong.any():
        # Every judged bit is as expected: no fault explains that better than none, and one that predicts the
        # same for all that was seen is no other finding than "no fault seen".
        return _findings(rows, rate, [_Candidate((), 0.0, 0.0)], considered=1)
    if bank_bits is None:
        bank_bits = _bank_bits(memory_map)
    board = Board.of(rows, rate, bank_bits)
    field = _Field.of(board)
    nothing = _Candidate((), float(np.log(NO_FAULT_PRIOR / _total())), rate.wrong * rows.wrong_weight())
    found, first_bounds = field.search(board, nothing.score)
    singles = [nothing, *found]
    singles.sort(key=lambda candidate: -candidate.score)
    considered = len(field) + 1
    if pairs and singles[0].cost > PAIR_COST and min(each.cost for each in singles) > PAIR_COST:
        doubles, tried = _pairs(board, field, singles, first_bounds)
        considered += tried
        singles += doubles
    return _findings(rows, rate, singles, considered)


def _total() -> float:
    return NO_FAULT_PRIOR + sum(family.prior for family in MODELS)


def _bank_bits(memory_map: MemoryMap) -> int:
    """Bits that the highest bank number of any region needs."""
    banks = [region.bank or 0 for chip in memory_map.chips for region in chip.regions]
    return max(banks, default=0).bit_length()


# Single faults -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Field:
    """All faults that compete: number ``number[i]`` of batch ``batch[i]``."""

    batches: tuple[Batch, ...]
    batch: Index
    number: Index
    log_prior: Costs
    hopeless: int

    @staticmethod
    def of(board: Board) -> _Field:
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
                    priors.append(np.log(batch.share * (family.prior / _total())))
        sizes = [len(batch) for batch in batches]
        return _Field(
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
        for number in np.unique(self.batch[chosen]):
            parts.append(self.batches[number].bound(rows, self.number[chosen[self.batch[chosen] == number]]))
        return np.concatenate(parts)

    def build(self, index: int) -> Fault:
        """The fault with this index."""
        batch: Batch = self.batches[self.batch[index]]
        return batch.build(int(self.number[index]))

    def search(self, board: Board, least: float) -> tuple[list[_Candidate], Costs]:
        """Every fault within `MARGIN` of the best that explains more than no fault does.

        Args:
            board: What was seen.
            least: The score of no fault.

        Returns:
            The faults with their costs, and the lower bounds of all on the first sample.
        """
        nothing = board.noise.wrong * board.rows.wrong_weight() - 1e-6
        few = np.array([batch.few for batch in self.batches], np.bool_)
        done: dict[int, _Candidate] = {}
        alive = np.arange(len(self.batch))
        bounds = first = np.zeros(len(alive))
        for number, sample in enumerate(_samples(board.rows)):
            bounds = self.bounds(sample, alive)
            first = bounds if number == 0 else first
            for index in alive[np.argsort(bounds - self.log_prior[alive])[:2]].tolist():
                done.setdefault(index, self.cost(board, index))
                least = max(least, done[index].score)
            kept = self.log_prior[alive] - bounds >= least - MARGIN
            kept &= (bounds < nothing) | few[self.batch[alive]]
            alive, bounds = alive[kept], bounds[kept]
        order = np.argsort(bounds - self.log_prior[alive], kind="stable")
        for index, bound in zip(alive[order].tolist(), bounds[order].tolist(), strict=True):
            if self.log_prior[index] - bound < least - MARGIN:
                break
            done.setdefault(index, self.cost(board, index))
            least = max(least, done[index].score)
        return [each for each in done.values() if self._explains(board, each, nothing)], first

    @staticmethod
    def _explains(board: Board, candidate: _Candidate, nothing: float) -> bool:
        """It is better than noise, or hardly worse and predicts a wrong bit."""
        if candidate.cost < nothing:
            return True
        return candidate.cost < nothing + TIE and _explained(candidate, board.rows)[0] > 0

    def strongest(self, board: Board, bounds: Costs, most: int, most_alike: int) -> list[_Candidate]:
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

    def cost(self, board: Board, index: int) -> _Candidate:
        """The fault with this index, costed on all rows."""
        cost = cost_of([self.build(index)], board.rows, board.noise)
        return _Candidate(cost.faults, float(self.log_prior[index]), cost.nats)


def _samples(rows: Rows) -> Iterable[Rows]:
    """Rows that refute most, in growing samples: wrong and right ones, spread over all."""
    wrong = rows.wrong != 0
    bad, good = np.flatnonzero(wrong), np.flatnonzero(~wrong)
    for most_bad, most_good in SAMPLES:
        chosen = np.concatenate([spread(bad, most_bad), spread(good, most_good)])
        yield rows.take(chosen)
        if len(chosen) == len(rows):
            return


# Pairs ---------------------------------------------------------------------------------------------


def _pairs(
    board: Board, field: _Field, singles: Sequence[_Candidate], bounds: Costs
) -> tuple[list[_Candidate], int]:
    """Pairs that come within `MARGIN` of the best, and how many were tried."""
    pool = {each.faults: each for each in singles[:PAIR_POOL] if each.faults}
    for each in field.strongest(board, bounds, PAIR_POOL, 2):
        pool.setdefault(each.faults, each)
    strongest = sorted(pool.values(), key=lambda each: -each.score)[:PAIR_POOL]
    chosen = list(combinations(strongest, 2))
    if _explained(singles[0], board.rows)[1]:
        for first in strongest[:3]:
            chosen += [(first, second) for second in _seconds(board, first)]
    best = max(each.score for each in singles)
    alone = {_bare(each.faults[0]): each.score for each in (*singles, *strongest) if each.faults}
    found: dict[frozenset[Fault], _Candidate] = {}
    for pair in _promising([pair for pair in chosen if _composable(pair)], board):
        candidate = _pair_cost(pair, board.rows, board.noise)
        # A second fault that does not pay for its prior is none.
        bare = [_bare(fault) for fault in candidate.faults]
        if candidate.score > max(best - MARGIN, *(alone.get(fault, -np.inf) for fault in bare)):
            found.setdefault(frozenset(bare), candidate)
            best = max(best, candidate.score)
    return list(found.values()), len(chosen)


def _bare(fault: Fault) -> Fault:
    """The fault without what was fitted."""
    bare = replace(fault, rate=1.0, drift=0.0)
    return replace(bare, cells=()) if isinstance(bare, CellwiseFault) else bare


def _promising(
    pairs: Sequence[tuple[_Candidate, _Candidate]], board: Board
) -> list[tuple[_Candidate, _Candidate]]:
    """The pairs that should cost least, by what each fault costs in a sample of the rows.

    A wrong read needs one fault that explains it, a right one two that let it pass.
    """
    wrong = board.rows.wrong != 0
    parts = [
        (board.rows.take(spread(index, PAIR_SAMPLE)), len(index))
        for index in map(np.flatnonzero, (wrong, ~wrong))
    ]
    members = {each.faults: each for pair in pairs for each in pair}
    costs = {faults: [row_costs(faults, rows, board.noise) for rows, _ in parts] for faults in members}
    weights = [rows.weight * count / max(len(rows), 1) for rows, count in parts]
    cells = {faults: _cells(each) for faults, each in members.items()}
    scores = []
    for one, two in pairs:
        (bad, good), (also_bad, also_good) = costs[one.faults], costs[two.faults]
        cost = np.minimum(bad, also_bad) @ weights[0] + (good + also_good) @ weights[1]
        scores.append(_pair_prior((one, two)) - cost - cells[one.faults] - cells[two.faults])
    order = sorted(range(len(pairs)), key=lambda number: -scores[number])
    return [pairs[number] for number in order[:MOST_PAIRS]]


def _cells(candidate: _Candidate) -> float:
    """What single bad cells cost, which no row shows."""
    (fault,) = candidate.faults
    return (
        10.0 * sum(mask.bit_count() for _, mask in fault.cells) if isinstance(fault, CellwiseFault) else 0.0
    )


def _seconds(board: Board, first: _Candidate) -> list[_Candidate]:
    """The best faults for what the first one leaves: the bits that it changes are no longer looked at."""
    judged = board.rows.judged.copy()
    for form in forms_of(first.faults):
        prediction = predict(form, board.rows)
        judged &= ~(prediction.value ^ board.rows.expected) & ~prediction.soft & ~prediction.floating
    rows = replace(board.rows, judged=judged, seen=board.rows.seen & judged, _cache={})
    if not rows.wrong.any():
        return []
    rest = Board.of(rows, board.noise, board.bank_bits)
    found, _ = _Field.of(rest).search(rest, -np.inf)
    return sorted(found, key=lambda each: -each.score)[:8]


def _composable(pair: tuple[_Candidate, _Candidate]) -> bool:
    """Two different faults, and not the cells of one chip twice."""
    (one,), (two,) = pair[0].faults, pair[1].faults
    both_cells = isinstance(one, CellwiseFault) and isinstance(two, CellwiseFault)
    return one != two and not (both_cells and one.part == two.part)


def _pair_cost(pair: tuple[_Candidate, _Candidate], rows: Rows, noise: Noise) -> _Candidate:
    cost: Cost = cost_of([*pair[0].faults, *pair[1].faults], rows, noise, settled=True)
    return _Candidate(cost.faults, _pair_prior(pair), cost.nats)


def _pair_prior(pair: tuple[_Candidate, _Candidate]) -> float:
    return float(np.log(2 * PAIR_PRIOR)) + pair[0].log_prior + pair[1].log_prior


# The result ----------------------------------------------------------------------------------------


def _findings(rows: Rows, noise: Noise, candidates: Sequence[_Candidate], considered: int) -> Findings:
    best = max(each.score for each in candidates)
    kept = sorted((each for each in candidates if each.score >= best - MARGIN), key=lambda each: -each.score)
    scores = np.array([each.score for each in kept])
    total = np.logaddexp.reduce([each.score for each in candidates])
    findings = tuple(
        Finding(
            each.faults, float(np.exp(each.score - total)), each.log_prior, each.cost, *_explained(each, rows)
        )
        for each in kept
    )
    groups = _groups(findings, scores, rows)
    judged = int(count_bits(rows.judged).sum())
    wrong = rows.wrong
    return Findings(
        findings=findings,
        groups=groups,
        separations=separations(findings, groups[0], rows.memory_map),
        observations=len(rows),
        wrong_observations=int(np.count_nonzero(wrong)),
        judged_bits=judged,
        wrong_bits=int(count_bits(wrong).sum()),
        considered=considered,
        allowed=_allowed(judged, noise.rate),
        noise=noise.rate,
    )


def unexplained_bits(faults: Sequence[Fault], rows: Rows) -> int:
    """Judged bits that were seen otherwise than these faults allow, with the rates and drifts they have."""
    return int(count_bits(_refused_by_all(faults, rows)).sum())


def allowed_bits(bits: int, rate: float) -> int:
    """Wrong bits among so many that a noise rate makes credible."""
    return _allowed(bits, rate)


def _allowed(bits: int, rate: float) -> int:
    """Wrong bits that noise makes credible: the mean, four standard deviations and one."""
    mean = bits * rate
    return int(mean + 4 * np.sqrt(mean * (1 - rate)) + 1)


def _explained(candidate: _Candidate, rows: Rows) -> tuple[int, int]:
    """Numbers of wrong bits that it predicts or leaves open, and of judged bits that it does not allow."""
    refused = _refused_by_all(candidate.faults, rows)
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


def _groups(findings: Sequence[Finding], scores: Costs, rows: Rows) -> tuple[tuple[int, ...], ...]:
    """Findings that cannot be told apart: close in odds to the first of the group, or predicting the same."""
    left = list(range(len(findings)))
    groups = []
    while left:
        first = left[0]
        group = [
            index
            for index in left
            if scores[first] - scores[index] < TIE or _same(findings[first], findings[index], rows)
        ]
        groups.append(tuple(group))
        left = [index for index in left if index not in group]
    return tuple(groups)


def _same(one: Finding, two: Finding, rows: Rows) -> bool:
    """Both explain equally well and predict the same for everything that was seen."""
    if abs(one.cost - two.cost) > TIE or len(one.faults) != len(two.faults):
        return False
    (value, settled), (other, also) = (likeliest_word(each.faults, rows) for each in (one, two))
    same = np.array_equal(settled & rows.judged, also & rows.judged)
    return same and not ((value ^ other) & settled & rows.judged).any()
