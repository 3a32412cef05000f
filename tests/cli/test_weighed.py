"""What stands under a diagnosis."""

from __future__ import annotations

import pytest

from wrongbit.casework.words import lane_text


@pytest.mark.parametrize(
    ("lane", "said"),
    [
        (tuple(range(8, 16)), "bits 8 to 15 of the word"),
        (tuple(range(7, -1, -1)), "bits 0 to 7 of the word"),  # the other way round is the same bits
        ((5,), "bit 5 of the word"),  # a RAM chip of one bit
        ((0, 2, 4, 6), "bits 0, 2, 4, 6 of the word"),  # not bits 0 to 6
        ((0, 1, 2, 8), "bits 0..2, 8 of the word"),
    ],
)
def test_a_lane_in_words(lane: tuple[int, ...], said: str) -> None:
    assert lane_text(lane) == said
