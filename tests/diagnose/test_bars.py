"""The bars of this room on a small sample; benchmarks run the large ones.

Outside reference for the number of measurements: exhaustive search over all strategies.
"""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.boards import Bench, loaded, points_of
from diagnose.session import begin, by_entropy, fewest, go_on, tables
from wrongbit.demo.wiring import draw_part_fault
from wrongbit.diagnose.suspects import weigh_suspects

MACHINES = ("saltmarsh", "fellgate", "quarrybank", "hollowmere")


@pytest.mark.slow
def test_the_true_part_is_in_the_top_tie() -> None:
    """At least 95 % of random single faults that some probe point can see; 300 of them in the benchmark."""
    shown = right = 0
    for seed in range(500, 524):
        on = loaded(MACHINES[seed % 4])
        fault = draw_part_fault(on.structure.machine, on.demo.board, seed)
        bench = Bench(on, fault, seed)
        looks = [bench.look(point) for point in points_of(on)]
        if any(look.wrong for look in looks):
            shown += 1
            right += fault.part in weigh_suspects(on.structure, looks).top()
    assert shown >= 18
    assert right / shown >= 0.9  # of so few, one or two may miss


@pytest.mark.slow
def test_few_more_measurements_than_the_best_strategy_needs() -> None:
    ratios = []
    for seed in range(40):
        on = loaded(MACHINES[seed % 4])
        bench = Bench(on, draw_part_fault(on.structure.machine, on.demo.board, seed), seed)
        session = begin(bench, points_of(on)[0])
        shares, groups, outcomes = tables(session.weighing)
        if session.looks[0].wrong and 2 < len(shares) <= 12:
            ratios.append((by_entropy(shares, groups, outcomes), fewest(shares, groups, outcomes)))
    ours, best = np.array(ratios).T
    assert len(ratios) >= 8
    assert (best <= ours + 1e-9).all()
    assert ours.sum() <= 1.3 * best.sum()


def test_exhaustive_search_on_a_case_known_by_hand() -> None:
    """Four equal suspects: two measurements that halve them need 2, three that single one out need 2.25."""
    shares, groups = np.full(4, 0.25), np.arange(4)
    halving = [np.array([0, 0, 1, 1]), np.array([0, 1, 0, 1])]
    singling = [np.array([1, 0, 0, 0]), np.array([0, 1, 0, 0]), np.array([0, 0, 1, 0])]
    assert fewest(shares, groups, halving) == by_entropy(shares, groups, halving) == 2.0
    assert fewest(shares, groups, singling) == by_entropy(shares, groups, singling) == 2.25
    assert fewest(shares, groups, halving + singling) == 2.0


@pytest.mark.slow
@pytest.mark.parametrize("seed", [2, 4, 7])
def test_a_search_ends_at_the_true_part(seed: int) -> None:
    on = loaded("hollowmere")
    fault = draw_part_fault(on.structure.machine, on.demo.board, seed)
    session = go_on(begin(Bench(on, fault, seed), "u1-cycles"))
    assert fault.part in session.weighing.top()
    assert len(session.weighing.top()) <= 2
