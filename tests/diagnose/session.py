"""A whole search on a simulated machine: measure what is proposed until one part is left.

What a measurement by hand finds comes from `wrongbit.demo.bench`, which knows the injected fault.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from diagnose.boards import Bench
from wrongbit.diagnose.hand import Measurement
from wrongbit.diagnose.looks import Look
from wrongbit.diagnose.planning import Field, Proposal, proposals
from wrongbit.diagnose.suspects import Weighing, weigh_suspects


@dataclass
class Session:
    """What was done, and what it led to."""

    bench: Bench
    looks: list[Look]
    measurements: list[Measurement]
    steps: list[Proposal]
    weighing: Weighing


def begin(bench: Bench, point: str) -> Session:
    """The first capture."""
    looks = [bench.look(point)]
    return Session(bench, looks, [], [], weigh_suspects(bench.on.structure, looks))


def go_on(session: Session, *, most: int = 12) -> Session:
    """Do what is proposed until one part is left, or nothing is worth doing."""
    while len(session.steps) < most and len(session.weighing.top()) > 1:
        found = proposals(session.weighing, most=1)
        if not found:
            break
        step(session, found[0])
    return session


def step(session: Session, proposal: Proposal) -> None:
    """Make one measurement."""
    if proposal.measurement is None:
        session.looks.append(session.bench.look(proposal.place))
    else:
        asked = proposal.measurement
        outcome = session.bench.on_bench.answer(asked.kind, asked.part, asked.line, asked.carries)
        session.measurements.append(replace(asked, outcome=outcome))
    session.steps.append(proposal)
    session.weighing = weigh_suspects(session.bench.on.structure, session.looks, session.measurements)


# The fewest measurements -------------------------------------------------------------------------


def tables(weighing: Weighing) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    """Shares and parts of the suspects that count, and for each candidate the outcome foretold by each."""
    field = Field(weighing, np.flatnonzero(weighing.shares > 0.005))
    sure = [candidate.outcomes.argmax(axis=1) for candidate in field.candidates()]
    return field.shares, field.groups, list({tuple(each): each for each in sure}.values())


def fewest(shares: np.ndarray, groups: np.ndarray, outcomes: list[np.ndarray]) -> float:
    """Expected number of measurements of the best strategy, by exhaustive search.

    The search ends where one part is left or nothing separates those that are.
    """

    @cache
    def cost(alive: frozenset[int]) -> float:
        if len({int(groups[k]) for k in alive}) == 1:
            return 0.0
        total = sum(shares[k] for k in alive)
        best = np.inf
        for outcome in outcomes:
            parts: dict[int, set[int]] = {}
            for k in alive:
                parts.setdefault(int(outcome[k]), set()).add(k)
            if len(parts) > 1:
                rest = sum(
                    sum(shares[k] for k in part) / total * cost(frozenset(part)) for part in parts.values()
                )
                best = min(best, 1.0 + rest)
        return 0.0 if best == np.inf else best

    return cost(frozenset(range(len(shares))))


def by_entropy(shares: np.ndarray, groups: np.ndarray, outcomes: list[np.ndarray]) -> float:
    """Expected number of measurements when each is the one with the least expected remaining doubt."""
    from wrongbit.diagnose.entropy import expected_entropy

    def cost(alive: list[int]) -> float:
        if len({int(groups[k]) for k in alive}) == 1:
            return 0.0
        own = shares[alive] / shares[alive].sum()
        best: tuple[float, np.ndarray] | None = None
        for outcome in outcomes:
            values = sorted({int(outcome[k]) for k in alive})
            if len(values) < 2:
                continue
            table = np.array([[float(outcome[k] == value) for value in values] for k in alive])
            left = expected_entropy(own, table, np.unique(groups[alive], return_inverse=True)[1])
            if best is None or left < best[0] - 1e-12:
                best = (left, outcome)
        if best is None:
            return 0.0
        total = 1.0
        for value in {int(best[1][k]) for k in alive}:
            part = [k for k in alive if best[1][k] == value]
            total += float(shares[part].sum() / shares[alive].sum()) * cost(part)
        return total

    return cost(list(range(len(shares))))
