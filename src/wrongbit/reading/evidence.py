"""Readings beside a reference, as evidence for the fault models."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wrongbit.compare.memory_map import ChipMap, ChipRegion, MemoryMap
from wrongbit.faults.evidence import Evidence
from wrongbit.image.contents import Contents
from wrongbit.reading.stack import Narrow, Stack

MOST = 1 << 12
"""Addresses with a wrong read that are weighed, and as many without; drawn at random where there are more."""


def reader_map(chip: ChipMap, reference: Contents | None = None) -> MemoryMap:
    """A chip alone in a reader: its own lines are the bus.

    Args:
        chip: The chip on its board.
        reference: What it should hold, where that is not what the board's machine file says.
    """
    width, words = len(chip.lane), len(chip.contents)
    lines = max((words - 1).bit_length(), 1)
    alone = replace(
        chip,
        lane=tuple(range(width)),
        address_lines=tuple(range(lines)),
        regions=(ChipRegion(None, 0, words),),
        contents=chip.contents if reference is None else reference.words,
        known=chip.known if reference is None else reference.known,
        inverted=False,
    )
    return MemoryMap("reader", width, lines, (alone,))


def wrong_bits(stack: Stack, reference: ChipMap | Contents) -> tuple[Narrow, Narrow]:
    """Bits that were read wrong in some pass, and bits that were in every pass that read them.

    Args:
        stack: The passes.
        reference: What should have been read.

    Returns:
        Two ``(n,)`` arrays of masks.
    """
    kind = stack.words.dtype
    expected = (reference.contents if isinstance(reference, ChipMap) else reference.words).astype(kind)
    judged = reference.known.astype(kind) & stack.ever_known
    ever = (stack.ever_one & ~expected | ~stack.always_one & expected) & judged
    always = (stack.always_one & ~expected | ~stack.ever_one & expected) & judged
    return ever, always


def gather(stack: Stack, memory_map: MemoryMap, *, most: int = MOST, seed: int = 0) -> tuple[Evidence, int]:
    """Unique observations of readings: address, word before it, word expected, word read.

    A reader leaves its data lines as the address before left them, so that is what an undriven line would
    hold; before the first word they are taken as 1. Of very many reads a random part is drawn, the wrong
    and the right ones apart.

    Args:
        stack: The passes.
        memory_map: From `reader_map`.
        most: Addresses with a wrong read, and without one, at most; fewer where passes differ, whose reads
            are weighed one by one.
        seed: Of the draw.

    Returns:
        The evidence, and the number of addresses in it.
    """
    chip = memory_map.chips[0]
    ever, _ = wrong_bits(stack, chip)
    draw = np.random.default_rng(seed)
    judged = (chip.known.astype(stack.words.dtype) & stack.ever_known) != 0
    settled = _settled(stack)
    wrong, right = np.flatnonzero(ever != 0), np.flatnonzero(judged & (ever == 0))
    # Where nearly everything is wrong, as many right ones would tilt the picture: they keep their share.
    share = min(1.0, max(len(right), 1) / max(len(wrong) - most, 1)) if len(wrong) > most else 1.0
    once, each = _draw(draw, settled, wrong, most, stack.passes)
    more_once, more_each = _draw(draw, settled, right, max(int(most * share), 64), stack.passes)
    once, each = np.sort(np.concatenate([once, more_once])), np.sort(np.concatenate([each, more_each]))
    parts = [_rows(stack, chip, once, 0)]
    parts += [_rows(stack, chip, each, number) for number in range(stack.passes)]
    count = np.concatenate([np.full(len(once), stack.passes), np.ones(len(each) * stack.passes)])
    address, held, judged_bits, seen = (np.concatenate(column) for column in zip(*parts, strict=True))
    keep = judged_bits != 0
    return (
        _evidence(
            chip,
            address[keep],
            held[keep],
            judged_bits[keep],
            seen[keep],
            count.astype(np.int64)[keep],
        ),
        len(once) + len(each),
    )


def _draw(
    draw: np.random.Generator, settled: NDArray[np.bool_], index: NDArray[np.intp], most: int, passes: int
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Addresses whose reads are all alike, and others, whose reads are weighed one by one: fewer of these."""
    alike = settled[index]
    return _some(draw, index[alike], most), _some(draw, index[~alike], most // passes + 1)


def _some(draw: np.random.Generator, index: NDArray[np.intp], most: int) -> NDArray[np.intp]:
    """At most so many, at random: an even choice would keep in step with the address lines."""
    return index if len(index) <= most else draw.choice(index, most, replace=False)


def _settled(stack: Stack) -> NDArray[np.bool_]:
    """``bool (n,)`` addresses at which word and word before are the same in every pass."""
    same = stack.unstable == 0
    if stack.known is not None:
        same &= np.bitwise_and.reduce(stack.known, axis=0) == stack.ever_known
    before = np.concatenate([[True], same[:-1]])
    return np.asarray(same & before)


Part = tuple[NDArray[np.uint64], NDArray[np.uint64], NDArray[np.uint64], NDArray[np.uint64]]


def _rows(stack: Stack, chip: ChipMap, address: NDArray[np.intp], number: int) -> Part:
    """Address, held value, judged bits and word seen in one pass."""
    words = stack.words[number]
    seen = words[address].astype(np.uint64)
    held = np.where(address > 0, words[address - 1], words.dtype.type(stack.mask)).astype(np.uint64)
    judged = chip.known[address]
    if stack.known is not None:
        judged = judged & stack.known[number][address]
    return address.astype(np.uint64), held, judged, seen & judged


def _evidence(
    chip: ChipMap,
    address: NDArray[np.uint64],
    held: NDArray[np.uint64],
    judged: NDArray[np.uint64],
    seen: NDArray[np.uint64],
    count: NDArray[np.int64],
) -> Evidence:
    """Equal rows put together."""
    order = np.lexsort((judged, held, seen, address))
    address, held, judged, seen = address[order], held[order], judged[order], seen[order]
    count = count[order]
    fresh = np.ones(len(address), np.bool_)
    fresh[1:] = (
        (address[1:] != address[:-1])
        | (held[1:] != held[:-1])
        | (judged[1:] != judged[:-1])
        | (seen[1:] != seen[:-1])
    )
    first = np.flatnonzero(fresh)
    total = np.add.reduceat(count, first) if len(first) else count
    return Evidence(
        bank=np.zeros(len(first), np.int32),
        address=address[first],
        held=held[first],
        expected=chip.contents[address[first].astype(np.intp)] & judged[first],
        judged=judged[first],
        seen=seen[first],
        from_rom=np.ones(len(first), np.bool_),
        count=total,
        first=address[first].astype(np.int64),
    )
