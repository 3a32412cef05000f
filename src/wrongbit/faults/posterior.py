"""Weigh all faults against each other.

The posterior is prior times likelihood, over every fault of every family, "no fault seen", and pairs of
the strongest. It is exact for everything within `MARGIN` of the best: a fault is dropped only when a lower
bound of its cost, on some of the rows, already puts it further away. Most are refuted by a few dozen rows, so
the cost of thousands of faults is that of the few that remain.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from wrongbit.bits import count_bits
from wrongbit.compare.memory_map import MemoryMap
from wrongbit.faults.batch import Board
from wrongbit.faults.evidence import Evidence
from wrongbit.faults.fault import Fault
from wrongbit.faults.findings import Finding, Findings
from wrongbit.faults.models import NO_FAULT_PRIOR
from wrongbit.faults.noise import DEFAULT_RATE, Noise
from wrongbit.faults.pairs import strongest_pairs
from wrongbit.faults.rows import Costs, Rows
from wrongbit.faults.search import MARGIN, TIE, Candidate, Field, explained_bits, total_prior
from wrongbit.faults.separate import likeliest_word, separations

PAIR_COST = 12.0
"""Pairs are weighed when the best single fault costs more: the prior of a second one eats up less."""


__all__ = ["MARGIN", "PAIR_COST", "TIE", "allowed_bits", "unexplained_bits", "weigh"]


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
        return _findings(rows, rate, [Candidate((), 0.0, 0.0)], considered=1)
    if bank_bits is None:
        bank_bits = _bank_bits(memory_map)
    board = Board.of(rows, rate, bank_bits)
    field = Field.of(board)
    nothing = Candidate((), float(np.log(NO_FAULT_PRIOR / total_prior())), rate.wrong * rows.wrong_weight())
    found, first_bounds = field.search(board, nothing.score)
    singles = [nothing, *found]
    singles.sort(key=lambda candidate: -candidate.score)
    considered = len(field) + 1
    if pairs and singles[0].cost > PAIR_COST and min(each.cost for each in singles) > PAIR_COST:
        doubles, tried = strongest_pairs(board, field, singles, first_bounds)
        considered += tried
        singles += doubles
    return _findings(rows, rate, singles, considered)


def _bank_bits(memory_map: MemoryMap) -> int:
    """Bits that the highest bank number of any region needs."""
    banks = [region.bank or 0 for chip in memory_map.chips for region in chip.regions]
    return max(banks, default=0).bit_length()


# The result ----------------------------------------------------------------------------------------


def _findings(rows: Rows, noise: Noise, candidates: Sequence[Candidate], considered: int) -> Findings:
    best = max(each.score for each in candidates)
    kept = sorted((each for each in candidates if each.score >= best - MARGIN), key=lambda each: -each.score)
    scores = np.array([each.score for each in kept])
    total = np.logaddexp.reduce([each.score for each in candidates])
    findings = tuple(
        Finding(
            each.faults,
            float(np.exp(each.score - total)),
            each.log_prior,
            each.cost,
            *explained_bits(each.faults, rows),
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
    return explained_bits(faults, rows)[1]


def allowed_bits(bits: int, rate: float) -> int:
    """Wrong bits among so many that a noise rate makes credible."""
    return _allowed(bits, rate)


def _allowed(bits: int, rate: float) -> int:
    """Wrong bits that noise makes credible: the mean, four standard deviations and one."""
    mean = bits * rate
    return int(mean + 4 * np.sqrt(mean * (1 - rate)) + 1)


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
