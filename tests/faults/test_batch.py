"""Quick bounds never pass the true cost: a fault that is dropped early was rightly dropped."""

from random import Random

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from faults.boards import CASES, Case, narrow, reads, wide
from faults.simulator import evidence_of
from wrongbit.faults.batch import Board, mixture_bound, spread
from wrongbit.faults.likelihood import cost_of
from wrongbit.faults.models import MODELS
from wrongbit.faults.noise import Noise
from wrongbit.faults.rows import Rows

NOISE = Noise(1e-4)


def board_of(case: Case, seed: int = 1, count: int = 200) -> Board:
    """A damaged board whose reads also suffer from noise, and whose reference has holes."""
    board = case.make()
    board.chips[0].known = [0xFF if cell % 5 else 0x3C for cell in range(32)]
    case.damage(board)
    rng = Random(seed)
    whole = board.bus
    board.bus = lambda word, held: whole(word, held) ^ (1 << rng.randrange(8) if rng.random() < 0.02 else 0)
    return Board.of(Rows.of(evidence_of(board, reads(board, seed, count)), board.memory_map()), NOISE, 1)


SAMPLED = [
    case
    for case in CASES
    if case.name
    in (
        "output open",
        "address stuck, so that nobody answers",
        "bank stuck",
        "chip silent",
        "two chips",
        "scattered cells",
        "dead column",
        "crossed chip address",
    )
]


@pytest.mark.parametrize("case", SAMPLED, ids=lambda case: case.name)
@pytest.mark.parametrize("family", MODELS, ids=lambda family: family.name)
def test_bound_on_some_rows_is_at_most_the_cost_on_all(case, family):
    board = board_of(case)
    rng = np.random.default_rng(2)
    some = board.rows.take(np.sort(rng.choice(len(board.rows), len(board.rows) // 3, replace=False)))
    for batch in family.scan(board):
        if batch.hopeless or not len(batch):
            continue
        chosen = np.sort(rng.choice(len(batch), min(len(batch), 6), replace=False))
        on_some, on_all = batch.bound(some, chosen), batch.bound(board.rows, chosen)
        costs = [cost_of([batch.build(number)], board.rows, NOISE).nats for number in chosen.tolist()]
        assert (on_some <= on_all + 1e-6).all()
        assert (on_all <= np.array(costs) + 1e-6).all()


@pytest.mark.parametrize("make", [narrow, wide])
@pytest.mark.parametrize("family", MODELS, ids=lambda family: family.name)
def test_shares_of_a_family_are_at_most_all(make, family):
    case = next(case for case in CASES if case.make is make)
    total = sum(float(batch.share.sum()) for batch in family.scan(board_of(case)))
    assert 0 <= total <= 1 + 1e-9


def test_a_chip_without_wrong_bits_is_only_counted():
    case = next(case for case in CASES if case.name == "dead row")  # chip A
    evidence = case.evidence()[1]
    board = Board.of(Rows.of(evidence, narrow().memory_map()), NOISE, 1)
    assert board.suspects == {"A"}
    for family in MODELS:
        for batch in family.scan(board):
            parts = {batch.build(number).part for number in range(0, len(batch), 7)}
            assert batch.hopeless or parts <= {"A", "bus"} or "B" in parts  # B may answer in the place of A


def test_mixture_bound_is_least_over_all_rates():
    """Source: scipy.optimize on the likelihood of a mixture, for forms that differ by one bit."""
    rng = np.random.default_rng(3)
    one, other = rng.integers(0, 2, (2, 40)).astype(np.uint8)
    weight = rng.integers(1, 9, 40).astype(np.float64)

    def cost(rate):
        likelihood = rate * np.exp(-NOISE.wrong * one) + (1 - rate) * np.exp(-NOISE.wrong * other)
        return -np.log(likelihood) @ weight

    least = minimize_scalar(cost, bounds=(0, 1), method="bounded", options={"xatol": 1e-10}).fun
    found = mixture_bound(one[None, :], other, weight, NOISE)[0]
    both_wrong = NOISE.wrong * weight[(one == 1) & (other == 1)].sum()
    assert found == pytest.approx(least, abs=1e-4)
    assert found > both_wrong


def test_spread_keeps_few_and_thins_many():
    assert spread(np.arange(3), 5).tolist() == [0, 1, 2]
    assert spread(np.arange(101), 3).tolist() == [0, 50, 100]
