"""Lanes: split and merge are inverse, and agree with slices of bytes that anybody can check."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.image.lanes import as_bytes, as_words, invert, merge, split, spread, take, window


@st.composite
def contents(draw: st.DrawFn, word_bits: int | None = None, base: int | None = None) -> Contents:
    bits = draw(st.integers(1, 64)) if word_bits is None else word_bits
    mask = (1 << bits) - 1
    pairs = draw(st.lists(st.tuples(st.integers(0, mask), st.integers(0, mask)), min_size=1, max_size=20))
    known = np.array([known for _, known in pairs], np.uint64)
    words = np.array([word for word, _ in pairs], np.uint64) & known
    return Contents(words, known, bits, draw(st.integers(0, 1000)) if base is None else base)


def same(left: Contents, right: Contents) -> bool:
    return (
        (left.word_bits, left.base) == (right.word_bits, right.base)
        and np.array_equal(left.words, right.words)
        and np.array_equal(left.known, right.known)
    )


@given(contents(), st.data())
def test_merge_undoes_split_for_any_lanes(whole: Contents, data: st.DataObject) -> None:
    """Any order of bits, any number of chips, any of them behind an inverting buffer."""
    order = data.draw(st.permutations(range(whole.word_bits)))
    cuts = sorted(
        data.draw(st.sets(st.integers(1, whole.word_bits - 1)) if whole.word_bits > 1 else st.just(()))
    )
    edges = [0, *cuts, whole.word_bits]
    lanes = [order[start:end] for start, end in pairwise(edges)]
    inverted = [data.draw(st.booleans()) for _ in lanes]
    chips = [split(whole, lane, inverted=flip) for lane, flip in zip(lanes, inverted, strict=True)]
    back = [invert(chip) if flip else chip for chip, flip in zip(chips, inverted, strict=True)]
    assert same(merge(list(zip(back, lanes, strict=True)), whole.word_bits), whole)


@given(contents())
def test_split_agrees_bit_for_bit(whole: Contents) -> None:
    """By Python's own integers, in reverse bit order."""
    lane = range(whole.word_bits - 1, -1, -1)
    chip = split(whole, lane)
    for word, out in zip(whole.words.tolist(), chip.words.tolist(), strict=True):
        assert f"{out:0{whole.word_bits}b}" == f"{word:0{whole.word_bits}b}"[::-1]


def test_usual_lanes_of_a_word() -> None:
    """2 × 8, 4 × 4 and, in a double word, 4 × 8. Common practice, no source: upper chip, upper bits."""
    full = np.array([0xFFFF], np.uint64)
    word = Contents(np.array([0xBEEF], np.uint64), full, 16)
    assert [int(split(word, range(at, at + 8)).words[0]) for at in (0, 8)] == [0xEF, 0xBE]
    assert [int(split(word, range(at, at + 4)).words[0]) for at in (0, 4, 8, 12)] == [0xF, 0xE, 0xE, 0xB]
    assert int(split(word, range(8), inverted=True).words[0]) == 0x10
    double = Contents(np.array([0xDEADBEEF], np.uint64), np.array([0xFFFFFFFF], np.uint64), 32)
    assert [int(split(double, range(at, at + 8)).words[0]) for at in (0, 8, 16, 24)] == [
        0xEF,
        0xBE,
        0xAD,
        0xDE,
    ]


def test_inverting_leaves_unknown_bits_unknown() -> None:
    part = Contents(np.array([0x40], np.uint64), np.array([0xF0], np.uint64), 8)
    assert same(invert(part), Contents(np.array([0xB0], np.uint64), np.array([0xF0], np.uint64), 8))


def test_merge_of_chips_of_different_length() -> None:
    ones = np.full(2, 0xFF, np.uint64)
    long, short = Contents(ones, ones, 8), Contents(ones[:1], ones[:1], 8)
    whole = merge([(long, range(8)), (short, range(8, 16))], 16)
    assert whole.known.tolist() == [0xFFFF, 0x00FF]


@given(contents(word_bits=8))
def test_take_every_other_byte(file: Contents) -> None:
    """Against a dictionary by address."""
    at = {file.base + index: pair for index, pair in enumerate(zip(file.words, file.known, strict=True))}
    for part, parity in (("even", 0), ("odd", 1)):
        chip = take(file, part)  # type: ignore[arg-type]
        found = {
            2 * (chip.base + index) + parity: pair
            for index, pair in enumerate(zip(chip.words, chip.known, strict=True))
        }
        assert found == {address: pair for address, pair in at.items() if address % 2 == parity}


def test_take_halves() -> None:
    file = Contents(np.array([0x12, 0x34], np.uint64), np.array([0xFF, 0xF0], np.uint64), 8, 5)
    low, high = take(file, "low"), take(file, "high")
    assert (low.words.tolist(), low.known.tolist(), low.word_bits, low.base) == ([2, 4], [15, 0], 4, 5)
    assert (high.words.tolist(), high.known.tolist()) == ([1, 3], [15, 15])
    assert take(file, "all") is file
    with pytest.raises(ImageError, match="words of 5 bits have no 'low' half"):
        take(Contents(file.words, file.known, 5), "low")


@given(contents(word_bits=8), st.sampled_from([16, 24, 32, 64]), st.sampled_from(["little", "big"]))
def test_bytes_to_words_and_back(file: Contents, word_bits: int, order: str) -> None:
    """Against `int.from_bytes`; at the ends, bytes that the file lacks are not known."""
    size = word_bits // 8
    wide = as_words(file, word_bits, order)  # type: ignore[arg-type]
    padded = bytes(file.base % size) + bytes(file.words.astype(np.uint8)) + bytes(size)
    for index, word in enumerate(wide.words.tolist()):
        assert word == int.from_bytes(padded[index * size : (index + 1) * size], order)  # type: ignore[arg-type]
    back = as_bytes(wide, order)  # type: ignore[arg-type]
    assert np.count_nonzero(back.known) == np.count_nonzero(file.known)
    assert same(window(back, file.base, len(file)), window(file, file.base, len(file)))


def test_spread_and_window() -> None:
    words = np.array([7, 8], np.uint64)
    full = np.full(2, 0xFFFF, np.uint64)
    wide = spread(Contents(words, full, 16, 0x100), 2)
    assert (wide.base, wide.words.tolist(), wide.known.tolist()) == (0x200, [7, 0, 8], [0xFFFF, 0, 0xFFFF])
    seen = window(wide, 0x1FF, 6)
    assert (seen.base, seen.words.tolist()) == (0, [0, 7, 0, 8, 0, 0])
    assert window(wide, 0, 3).known.tolist() == [0, 0, 0]


@pytest.mark.parametrize(
    ("lane", "message"),
    [
        ((0, 8), "a lane names bit 8; the word has bits 0 to 7."),
        ((-1,), "a lane names bit -1; the word has bits 0 to 7."),
        ((), "a lane is empty; the word has bits 0 to 7."),
        ((1, 2, 1), "word bit 1 is fed twice."),
    ],
)
def test_bad_lanes(lane: tuple[int, ...], message: str) -> None:
    file = Contents(np.zeros(1, np.uint64), np.zeros(1, np.uint64), 8)
    with pytest.raises(ImageError) as caught:
        split(file, lane)
    assert caught.value.message == message


def test_bad_merges() -> None:
    one = np.zeros(1, np.uint64)
    low, high = Contents(one, one, 8), Contents(one, one, 8, base=4)
    with pytest.raises(ImageError, match="start at different addresses: 0x0, 0x4"):
        merge([(low, range(8)), (high, range(8, 16))], 16)
    with pytest.raises(ImageError, match="a lane of 4 bits was given for contents of 8 bits"):
        merge([(low, range(4))], 16)
    with pytest.raises(ImageError, match="word bit 7 is fed twice"):
        merge([(low, range(8)), (low, range(7, 15))], 16)
    with pytest.raises(ImageError, match="no lanes"):
        merge([], 16)
    with pytest.raises(ImageError, match="words of 12 bits cannot be made of words of 8 bits"):
        as_words(low, 12, "little")
    with pytest.raises(ImageError, match="words of 12 bits are not made of bytes"):
        as_bytes(Contents(one, one, 12), "little")
