"""The exact test for wrong words on one side, against SciPy's and against counting every choice."""

from __future__ import annotations

from itertools import combinations

import pytest
from scipy.stats import fisher_exact

from wrongbit.compare.chance import all_on_one_side


@pytest.mark.parametrize(
    ("wrong", "here", "elsewhere"), [(1, 8, 8), (3, 20, 5), (5, 16, 300), (12, 12, 12), (40, 900, 700)]
)
def test_against_fisher_exact_of_scipy(wrong: int, here: int, elsewhere: int) -> None:
    table = [[wrong, here - wrong], [0, elsewhere]]
    p = fisher_exact(table, alternative="greater").pvalue
    assert all_on_one_side(wrong, here, elsewhere) == pytest.approx(p, rel=1e-9)


def test_against_counting_every_choice() -> None:
    every = list(combinations(range(10), 3))
    on_one_side = [each for each in every if max(each) < 6]
    assert all_on_one_side(3, 6, 4) == pytest.approx(len(on_one_side) / len(every))


def test_nothing_wrong_or_nothing_elsewhere_says_nothing() -> None:
    assert all_on_one_side(0, 5, 5) == all_on_one_side(5, 5, 0) == 1.0
    with pytest.raises(ValueError, match="wrong words"):
        all_on_one_side(3, 2, 9)
