"""Passes laid over each other, with counts and probabilities worked out by hand or by scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.reading.readings import Reading
from wrongbit.reading.stack import posterior_of_one, stack_readings


def reading(words: list[int], name: str = "r", known: list[int] | None = None, bits: int = 8) -> Reading:
    full = [(1 << bits) - 1] * len(words)
    return Reading(Contents(np.array(words, np.uint64), np.array(known or full, np.uint64), bits), name=name)


def test_unstable_bits_are_counted_one_by_one() -> None:
    stack = stack_readings([reading([0x00, 0xF1]), reading([0x00, 0xF0]), reading([0x80, 0xF1])])
    waver = stack.wavering
    assert list(zip(waver.address.tolist(), waver.bit.tolist(), strict=True)) == [(0, 7), (1, 0)]
    assert waver.ones.tolist() == [1, 2]
    assert waver.reads.tolist() == [3, 3]
    assert waver.minority.tolist() == [1, 1]
    assert waver.changes.tolist() == [1, 2]
    assert stack.known_counts().tolist() == [6] * 8


def test_words_that_a_pass_lacks_do_not_count() -> None:
    stack = stack_readings([reading([0xFF, 0x01]), reading([0xFF, 0x00], known=[0xFF, 0xF0])])
    assert len(stack.wavering) == 0
    assert stack.known_counts().tolist() == [3, 3, 3, 3, 4, 4, 4, 4]
    assert stack.majority().contents.words.tolist() == [0xFF, 0x01]


def test_a_tie_stays_unknown() -> None:
    majority = stack_readings([reading([0x01, 7]), reading([0x00, 7])]).majority()
    assert majority.contents.known.tolist() == [0xFE, 0xFF]
    assert majority.contents.words.tolist() == [0x00, 7]
    assert majority.wavering.tolist() == pytest.approx([0.5])


@pytest.mark.parametrize("bits", [1, 8, 12, 16, 32, 64])
def test_every_width_of_word(bits: int) -> None:
    top = 1 << (bits - 1)
    stack = stack_readings([reading([top], bits=bits), reading([0], bits=bits), reading([top], bits=bits)])
    assert stack.wavering.bit.tolist() == [bits - 1]
    assert stack.majority().contents.words.tolist() == [top]


@pytest.mark.parametrize(("ones", "reads"), [(0, 1), (1, 2), (1, 3), (7, 8), (11, 20), (19, 20)])
def test_the_posterior_is_bayes_rule_with_the_wavering_rate_integrated(ones: int, reads: int) -> None:
    """The integral by scipy's quadrature, Bayes' rule written out."""
    noise, share = 1e-3, 1e-2

    def likelihood(wrong: int) -> float:
        wavers = quad(lambda rate: 2 * rate**wrong * (1 - rate) ** (reads - wrong), 0, 0.5)[0]
        return (1 - share) * noise**wrong * (1 - noise) ** (reads - wrong) + share * wavers

    one, zero = likelihood(reads - ones), likelihood(ones)
    found = posterior_of_one(np.array([ones]), np.array([reads]), noise=noise, wavering=share)
    assert found[0] == pytest.approx(one / (one + zero), rel=1e-9)


def test_with_sound_cells_only_it_is_the_plain_ratio_of_noise() -> None:
    """Two ones of three, each read wrong once in ten: 0.9² 0.1 / (0.9² 0.1 + 0.1² 0.9) = 0.9, by hand."""
    assert posterior_of_one(np.array([2]), np.array([3]), noise=0.1, wavering=0.0)[0] == pytest.approx(0.9)


def test_readings_of_different_lengths_are_refused() -> None:
    with pytest.raises(ImageError, match="it has 2 words of 8 bits, but a has 1") as caught:
        stack_readings([reading([1], "a"), reading([1, 2], "b")])
    assert caught.value.file == "b"
    with pytest.raises(ImageError, match="there is no reading"):
        stack_readings([])


@pytest.mark.parametrize("reads", [1_000, 60_000])
def test_a_cell_that_a_loop_read_again_and_again_takes_no_more_than_another(reads: int) -> None:
    """A capture of a waiting loop reads one cell tens of thousands of times."""
    ones = np.array([0, reads // 2, reads * 6 // 10, reads])
    chance = posterior_of_one(ones, np.full(4, reads))
    assert chance.tolist() == pytest.approx([0.0, 0.5, 1.0, 1.0], abs=1e-6)
