"""Whether what was read is another chip's contents, or a chip's own turned round: before it counts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import mask_of
from wrongbit.compare.memory_map import ChipMap
from wrongbit.image.contents import Contents

Words = NDArray[np.uint64]

ENOUGH = 32
"""Places at which the two contents differ, below which nothing is said. A choice."""

DIFFERENT = 8
"""Different bytes among those that agree, below which nothing is said: filler is like filler. A choice."""

LEAST = 0.4
"""Least share of these places that must hold the other contents: one stuck output leaves half. A choice."""

TIMES = 4
"""How many times as many must hold the other contents as the chip's own. A line that is stuck makes a chip
show one half of its contents for the other, and then as many places are right as are not. A choice."""


@dataclass(frozen=True)
class Likeness:
    """What was read looks like something else than the chip's own contents.

    Args:
        chip: Whose contents they are.
        turned: How they are turned, in words; empty as they are.
        agrees: Places at which what was read is what it looks like.
        own: Places at which it is what the chip should hold.
        places: Places at which the two differ, so that they can be told apart.
    """

    chip: str
    turned: str
    agrees: int
    own: int
    places: int


def looks_like(read: Contents, chip: ChipMap, others: Sequence[ChipMap]) -> Likeness | None:
    """What a pass or an image looks like, if it clearly is not the chip's own.

    Only places count at which the chip's own contents and the other differ and are known in every bit, and
    at which the other is no filler. So chips with the same contents, blank chips and little data accuse
    nobody.

    Args:
        read: What was read, one word for each of the chip's addresses.
        chip: The chip that it is said to be of, with what it should hold.
        others: Other ROMs with what they should hold; those of another width are left out.

    Returns:
        The likeliest; None where its own contents are as good or too little is known.
    """
    found: list[Likeness] = []
    own = Contents(chip.contents, chip.known, read.word_bits)
    for name, turned, contents in _candidates(own, chip, others):
        like = _told_apart(read, own, contents, name, turned)
        if like is not None:
            found.append(like)
    return max(found, key=lambda each: (each.agrees - each.own) / each.places, default=None)


def _candidates(
    own: Contents, chip: ChipMap, others: Sequence[ChipMap]
) -> Iterator[tuple[str, str, Contents]]:
    """What it may be: the chip's own turned round, then each other's as it is and turned round."""
    for turned, contents in _turned(own):
        if turned:
            yield chip.name, turned, contents
    for other in others:
        if other.name == chip.name or len(other.lane) != own.word_bits:
            continue
        theirs = Contents(other.contents, other.known, own.word_bits)
        for part, contents in _parts(theirs, len(own)):
            for turned, again in _turned(contents):
                yield other.name, ", ".join(each for each in (part, turned) if each), again


def _parts(contents: Contents, words: int) -> Iterator[tuple[str, Contents]]:
    """Contents as long as the chip: a larger chip's parts, a smaller chip's over and over."""
    size = len(contents)
    if size <= words:
        yield "", _at(contents, np.arange(words) % size)
        return
    count = size // words
    for number in range(count):
        half = {0: "its lower half", 1: "its upper half"}[number] if count == 2 else ""
        part = half or f"part {number + 1} of {count} of it"
        yield part, _at(contents, np.arange(words) + number * words)


def _turned(contents: Contents) -> Iterator[tuple[str, Contents]]:
    """As it is, and by the slips that a reader or a converter makes with a whole file."""
    yield "", contents
    size, bits = len(contents), contents.word_bits
    inverted = (contents.words ^ np.uint64(mask_of(range(bits)))) & contents.known
    yield "every bit inverted", Contents(inverted, contents.known, bits)
    place = np.arange(size)
    if size % 2 == 0:
        yield "its two halves exchanged", _at(contents, (place + size // 2) % size)
        if bits == 8:
            yield "the bytes of each pair exchanged", _at(contents, place ^ 1)
    if bits == 16:
        yield (
            "the two bytes of each word exchanged",
            Contents(_swapped(contents.words), _swapped(contents.known), bits),
        )


def _swapped(words: Words) -> Words:
    low, eight = np.uint64(0xFF), np.uint64(8)
    return ((words & low) << eight) | (words >> eight)


def _at(contents: Contents, place: NDArray[np.int_]) -> Contents:
    return Contents(contents.words[place], contents.known[place], contents.word_bits)


def _told_apart(read: Contents, own: Contents, other: Contents, name: str, turned: str) -> Likeness | None:
    seen, mine, theirs = (_as_bytes(each) for each in (read, own, other))
    whole = seen[1] & mine[1] & theirs[1]
    whole &= (mine[0] != theirs[0]) & (theirs[0] != 0) & (theirs[0] != theirs[2])
    places = int(whole.sum())
    if places < ENOUGH:
        return None
    agreeing = whole & (seen[0] == theirs[0])
    agrees, right = int(agreeing.sum()), int((whole & (seen[0] == mine[0])).sum())
    varied = len(np.unique(seen[0][agreeing])) >= DIFFERENT
    clear = agrees >= LEAST * places and agrees > TIMES * right
    return Likeness(name, turned, agrees, right, places) if clear and varied else None


def _as_bytes(contents: Contents) -> tuple[Words, NDArray[np.bool_], np.uint64]:
    """Words of at least a byte, so that few agree by chance: which are known whole, and all bits set."""
    bits = contents.word_bits
    group = -(-8 // bits)
    count = len(contents) // group
    words, known = np.zeros(count, np.uint64), np.zeros(count, np.uint64)
    for number in range(group):
        shift = np.uint64(number * bits)
        words |= contents.words[number : count * group : group] << shift
        known |= contents.known[number : count * group : group] << shift
    filled = np.uint64(mask_of(range(group * bits)))
    return words, known == filled, filled
