"""Two faults at once.

The best single fault, and everything that cannot be told from it, is joined with the faults that best explain
what it leaves. If no such pair explains everything, the field is wider: the strongest single faults with each
other, and the second and third of them with what they leave.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations, product

import numpy as np

from wrongbit.faults.batch import Board, spread
from wrongbit.faults.cellwise import CellwiseFault
from wrongbit.faults.fault import Fault
from wrongbit.faults.likelihood import cost_of, forms_of, row_costs
from wrongbit.faults.models import PAIR_PRIOR
from wrongbit.faults.predict import predict
from wrongbit.faults.rows import Costs
from wrongbit.faults.search import MARGIN, TIE, Candidate, Field, explained_bits

POOL = 24
"""Number of single faults of which pairs are made."""

MOST_TIED, MOST_SECONDS = 6, 8
"""Best faults that are joined with what the very best leaves, and faults that are tried on that."""

MOST_PAIRS = 24
"""Number of pairs that are costed on all rows, chosen on a sample."""

SAMPLE = 160
"""Wrong rows, and as many right ones, on which they are chosen."""

HOPELESS = 60.0
"""A pair is not costed on all rows when it seems so much worse than the best, in nats."""

Pair = tuple[Candidate, Candidate]


def strongest_pairs(
    board: Board, everything: Field, singles: Sequence[Candidate], bounds: Callable[[], Costs]
) -> tuple[list[Candidate], int]:
    """Pairs that come within `MARGIN` of the best, and how many were tried.

    Args:
        board: What was seen.
        everything: All single faults.
        singles: Those that were costed, the best first; "no fault seen" is one of them.
        bounds: Gives lower bounds of the costs of all, on a sample.
    """
    hunt = _Hunt(board, list(singles))
    tied = [each for each in singles if each.faults and singles[0].score - each.score < TIE][:MOST_TIED]
    leaves_some = explained_bits(singles[0].faults, board.rows)[1] > 0
    if tied and leaves_some:
        hunt.weigh(product(tied, _seconds(board, tied[0])))
        if any(not explained_bits(each.faults, board.rows)[1] for each in hunt.found.values()):
            return list(hunt.found.values()), hunt.tried
    pool = {each.faults: each for each in singles[:POOL] if each.faults}
    for each in everything.strongest(board, bounds(), POOL if leaves_some else POOL // 2, 2):
        pool.setdefault(each.faults, each)
    strongest = sorted(pool.values(), key=lambda each: -each.score)[:POOL]
    hunt.singles += strongest
    chosen = list(combinations(strongest, 2))
    if leaves_some:
        chosen += [(first, second) for first in strongest[1:3] for second in _seconds(board, first)]
    hunt.weigh(chosen)
    return list(hunt.found.values()), hunt.tried


@dataclass
class _Hunt:
    """The pairs found so far.

    Args:
        board: What was seen.
        singles: Single faults with their costs on all rows.
        found: Pairs that compete, by their faults without what was fitted.
        tried: Number of pairs looked at.
    """

    board: Board
    singles: list[Candidate]
    found: dict[frozenset[Fault], Candidate] = field(default_factory=dict)
    tried: int = 0

    def weigh(self, pairs: Iterable[Pair]) -> None:
        """Cost the most promising of these pairs."""
        fitting = [pair for pair in pairs if _composable(pair)]
        self.tried += len(fitting)
        alone = {each.faults[0].bare(): each.score for each in self.singles if each.faults}
        best = max(each.score for each in (*self.singles, *self.found.values()))
        for pair in _promising(fitting, self.board, best - HOPELESS):
            cost = cost_of(
                [*pair[0].faults, *pair[1].faults], self.board.rows, self.board.noise, settled=True
            )
            candidate = Candidate(cost.faults, _prior(pair), cost.nats)
            bare = [fault.bare() for fault in candidate.faults]
            # A second fault that does not pay for its prior is none.
            if candidate.score > max(best - MARGIN, *(alone.get(fault, -np.inf) for fault in bare)):
                self.found.setdefault(frozenset(bare), candidate)
                best = max(best, candidate.score)


def _composable(pair: Pair) -> bool:
    """Two different faults, and not the cells of one chip twice."""
    (one,), (two,) = pair[0].faults, pair[1].faults
    both_cells = isinstance(one, CellwiseFault) and isinstance(two, CellwiseFault)
    return one != two and not (both_cells and one.part == two.part)


def _prior(pair: Pair) -> float:
    return float(np.log(2 * PAIR_PRIOR)) + pair[0].log_prior + pair[1].log_prior


def _promising(pairs: Sequence[Pair], board: Board, least: float) -> list[Pair]:
    """The pairs that should cost least, by what each fault costs in a sample of the rows.

    A wrong read needs one fault that explains it, a right one two that let it pass.
    """
    wrong = board.rows.wrong != 0
    parts = [
        (board.rows.take(spread(index, SAMPLE)), len(index)) for index in map(np.flatnonzero, (wrong, ~wrong))
    ]
    members = {each.faults: each for pair in pairs for each in pair}
    costs = {faults: [row_costs(faults, rows, board.noise) for rows, _ in parts] for faults in members}
    cells = {faults: _cells(each) for faults, each in members.items()}
    weights = [rows.weight * count / max(len(rows), 1) for rows, count in parts]
    scores = []
    for one, two in pairs:
        (bad, good), (also_bad, also_good) = costs[one.faults], costs[two.faults]
        cost = np.minimum(bad, also_bad) @ weights[0] + (good + also_good) @ weights[1]
        scores.append(_prior((one, two)) - cost - cells[one.faults] - cells[two.faults])
    order = sorted(range(len(pairs)), key=lambda number: -scores[number])
    return [pairs[number] for number in order[:MOST_PAIRS] if scores[number] >= least]


def _cells(candidate: Candidate) -> float:
    """What single bad cells cost, which no row shows."""
    (fault,) = candidate.faults
    return 10.0 * fault.bad_bits if isinstance(fault, CellwiseFault) else 0.0


def _seconds(board: Board, first: Candidate) -> list[Candidate]:
    """The best faults for what the first one leaves: the bits that it changes are no longer looked at."""
    judged = board.rows.judged.copy()
    for form in forms_of(first.faults):
        prediction = predict(form, board.rows)
        judged &= ~(prediction.value ^ board.rows.expected) & ~prediction.soft & ~prediction.floating
    rows = replace(board.rows, judged=judged, seen=board.rows.seen & judged, _cache={})
    if not rows.wrong.any():
        return []
    rest = Board.of(rows, board.noise, board.bank_bits)
    found, _ = Field.of(rest).search(rest, -np.inf)
    return sorted(found, key=lambda each: -each.score)[:MOST_SECONDS]
