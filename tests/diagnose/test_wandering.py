"""An open input whose level wanders: the chain against hmmlearn, and against every sequence of levels."""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
import pytest

from diagnose.boards import loaded
from wrongbit.diagnose.effects import VaryingAddress
from wrongbit.diagnose.wandering import RUN, chain_costs, cost_of_wandering
from wrongbit.faults.evidence import Evidence
from wrongbit.faults.fault import BUS
from wrongbit.faults.noise import Noise
from wrongbit.faults.rows import Rows


def chain(share: float) -> tuple[np.ndarray, np.ndarray]:
    start = np.array([share, 1 - share])
    return start, np.eye(2) * (1 - 1 / RUN) + start / RUN


@pytest.mark.parametrize("count", [1, 2, 3, 7, 64, 301])
def test_the_likelihood_is_hmmlearns(count: int) -> None:
    """hmmlearn's own forward recursion (hmmlearn._hmmc, BSD licence)."""
    from hmmlearn import _hmmc

    costs = np.random.default_rng(count).exponential(3, (2, count))
    shares = np.array([0.01, 0.3, 0.5, 0.99])
    for share, found in zip(shares, chain_costs(costs, shares), strict=True):
        total, _ = _hmmc.forward_log(*chain(share), np.ascontiguousarray(-costs.T))
        assert found == pytest.approx(-total)


def test_the_likelihood_is_that_of_all_sequences_of_levels() -> None:
    costs = np.random.default_rng(1).exponential(2, (2, 6))
    start, step = chain(0.3)
    total = 0.0
    for levels in product(range(2), repeat=6):
        each = start[levels[0]] * np.prod([step[a, b] for a, b in pairwise(levels)])
        total += each * np.exp(-sum(costs[level, row] for row, level in enumerate(levels)))
    assert chain_costs(costs, np.array([0.3]))[0] == pytest.approx(-np.log(total))


def looked_up(levels: np.ndarray) -> float:
    """Cost of an open A3 when the first words of a ROM are read and A3 has these levels, not its own."""
    memory_map = loaded("quarrybank").maps["U1"]
    count = len(levels)
    address = np.arange(count, dtype=np.uint64)
    bank = np.zeros(count, np.int32)
    expected, known = memory_map.expected(bank, address)
    moved = (address & ~np.uint64(8)) | (levels.astype(np.uint64) << np.uint64(3))
    seen, _ = memory_map.expected(bank, moved)
    ones = np.ones(count, np.int64)
    evidence = Evidence(
        bank, address, expected, expected, known, seen, np.ones(count, np.bool_), ones, np.arange(count)
    )
    rows = Rows.of(evidence, memory_map)
    return cost_of_wandering(VaryingAddress(BUS, "open", 3), rows, Noise(1e-4))


def test_a_level_that_stays_for_a_while_costs_less_than_one_that_jumps() -> None:
    long_runs, jumps = np.arange(64) // 16 % 2, np.arange(64) % 2
    assert 1 < looked_up(long_runs) < looked_up(jumps) < 64 * np.log(2 * RUN)


def test_no_read_costs_nothing() -> None:
    assert looked_up(np.empty(0, np.int64)) == 0
