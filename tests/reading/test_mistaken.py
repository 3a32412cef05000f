"""Another chip's contents in place of a chip's own: told where it is clear, and nothing said where it is not.

The contents are drawn at random here; what must come out follows from how each file was made.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from wrongbit.compare.memory_map import ChipMap
from wrongbit.image.contents import Contents
from wrongbit.reading.mistaken import looks_like

SIZE = 2048
DRAWN = np.random.default_rng(20)
OWN, OTHER = (DRAWN.integers(0, 256, SIZE, dtype=np.uint64) for _ in range(2))
ALL = np.full(SIZE, 0xFF, np.uint64)
Words = NDArray[np.uint64]


def rom(name: str, words: Words, known: Words | None = None, bits: int = 8) -> ChipMap:
    lines = tuple(range(16))
    mask = np.full(len(words), (1 << bits) - 1, np.uint64)
    return ChipMap(name, "rom", tuple(range(bits)), lines, (), words, mask if known is None else known)


def passed(words: Words, bits: int = 8) -> Contents:
    return Contents(words, np.full(len(words), (1 << bits) - 1, np.uint64), bits)


CHIPS = rom("U5", OWN), rom("U6", OTHER)


@pytest.mark.parametrize(
    ("words", "chip", "turned"),
    [
        (OTHER, "U6", ""),
        (OTHER & np.uint64(0xDF), "U6", ""),  # and with D5 stuck at 0 besides
        (OTHER ^ np.uint64(0xFF), "U6", "inverted"),
        (OWN ^ np.uint64(0xFF), "U5", "inverted"),
        (np.roll(OWN, SIZE // 2), "U5", "halves"),
        (OWN[np.arange(SIZE) ^ 1], "U5", "bytes of each pair"),
    ],
)
def test_what_is_not_its_own_is_told(words: Words, chip: str, turned: str) -> None:
    found = looks_like(passed(words), CHIPS[0], CHIPS)
    assert found is not None and found.chip == chip and turned in found.turned
    assert bool(found.turned) == bool(turned)


@pytest.mark.parametrize(
    "words",
    [
        OWN,
        OWN & np.uint64(0xDF),  # an output stuck
        OWN[np.arange(SIZE) & ~1],  # the lowest address line stuck
        OWN[np.arange(SIZE) % (SIZE // 2)],  # the highest one
        OWN[np.arange(SIZE) & ~0x155],  # five of them
        np.zeros(SIZE, np.uint64),
        ALL,
        DRAWN.integers(0, 256, SIZE, dtype=np.uint64),  # nothing that anybody knows
        OWN & OTHER,  # both chips answer
    ],
)
def test_a_faulty_chip_is_no_other_chip(words: Words) -> None:
    assert looks_like(passed(words), CHIPS[0], CHIPS) is None


def test_a_larger_chips_half_and_a_smaller_one_over_and_over() -> None:
    large = rom("U7", np.concatenate([DRAWN.integers(0, 256, SIZE, dtype=np.uint64), OTHER]))
    found = looks_like(passed(OTHER), CHIPS[0], [large])
    assert found is not None and (found.chip, found.turned) == ("U7", "its upper half")
    small = rom("U8", OTHER[:512])
    found = looks_like(passed(np.tile(OTHER[:512], 4)), CHIPS[0], [small])
    assert found is not None and (found.chip, found.turned) == ("U8", "")


def test_twins_blank_chips_and_little_data_accuse_nobody() -> None:
    twin = OWN.copy()
    twin[:20] ^= np.uint64(0x5A)
    assert looks_like(passed(twin), CHIPS[0], [rom("U6", twin)]) is None
    assert looks_like(passed(ALL), CHIPS[0], [rom("U6", ALL)]) is None
    few = np.where(np.arange(SIZE) < 30, ALL, np.uint64(0))
    assert looks_like(passed(OTHER), rom("U5", OWN & few, few), CHIPS[1:]) is None
    nothing = np.zeros(SIZE, np.uint64)
    assert looks_like(passed(OTHER), rom("U5", nothing, nothing), CHIPS[1:]) is None


def test_a_narrow_chip_agrees_by_chance_in_many_words() -> None:
    """Of words of one bit half agree with anything."""
    own, other, third = (DRAWN.integers(0, 2, SIZE, dtype=np.uint64) for _ in range(3))
    chips = rom("U5", own, bits=1), rom("U6", other, bits=1)
    assert looks_like(passed(third, 1), chips[0], chips) is None
    found = looks_like(passed(other, 1), chips[0], chips)
    assert found is not None and found.chip == "U6"


def test_the_bytes_of_a_word_exchanged() -> None:
    own = DRAWN.integers(0, 1 << 16, SIZE, dtype=np.uint64)
    turned = own.astype(np.uint16).byteswap().astype(np.uint64)
    found = looks_like(passed(turned, 16), rom("U5", own, bits=16), [])
    assert found is not None and found.turned == "the two bytes of each word exchanged"
