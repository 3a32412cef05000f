"""Edges of the few signals on which a recipe's events happen, found chunk by chunk.

Finding them is the only work that touches every sample: one exclusive-or, one mask and one look for
non-zero, in blocks that stay in the processor's cache. Everything later touches only the edges.

Instruments sample late on one channel and early on another, and catch glitches while levels settle. Two
rules deal with that: what a row says is taken ``guard`` before the edge, and edges that follow each other
within the guard are one edge (an odd number of them, the first counts) or none (an even number).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import mask_of
from wrongbit.bus.pins import Rows, Words
from wrongbit.capture.capture import Capture

BLOCK = 1 << 17
"""Samples looked at together: what is made of them, a byte for each, stays in a second-level cache, and long
runs let the processor read memory ahead."""

_BUSY = 16
"""Where more than one sample in so many has a change on any wire, unwatched wires are masked out at once, not
only from the samples found; one block in so many is looked at without, to see whether that still pays."""

GLITCH_CLUSTER = 64
"""More edges than this in one cluster are no glitch but a signal too fast for the guard; it is cut here."""

Index = NDArray[np.int64]


@dataclass(frozen=True)
class Strobe:
    """A signal, or several joined, whose becoming active or inactive is an event.

    Args:
        name: As the recipe writes it.
        wires: (position, level that is active) for each joined signal.
    """

    name: str
    wires: tuple[tuple[int, int], ...]

    def active(self, planes: Sequence[Words], unknown: Sequence[Words | None]) -> NDArray[np.bool_]:
        """``bool (n,)`` whether any of its wires is active; a level that is not known is not active."""
        result = np.zeros(len(planes[0]), np.bool_)
        for position, level in self.wires:
            number, bit = divmod(position, 64)
            high = ((planes[number] >> np.uint64(bit)) & np.uint64(1)).astype(np.bool_)
            here = high if level else ~high
            doubt = unknown[number]
            if doubt is not None:
                here &= (doubt >> np.uint64(bit)) & np.uint64(1) == 0
            result |= here
        return result


@dataclass(frozen=True)
class Edges:
    """Edges of one strobe with the rows that hold just before them.

    Args:
        at: ``int64 (n,)`` number of the first sample after the edge.
        moment: ``int64 (n,)`` time of the edge in picoseconds, or its sample number without time.
        begins: ``bool (n,)`` the strobe becomes active.
        sample: ``int64 (n,)`` number of the sample from which the row was taken.
        time: ``int64 (n,)`` time of that sample, meaningless without time.
        row: Levels at that sample.
        early: Levels one set-up time before the edge.
    """

    at: Index
    moment: Index
    begins: NDArray[np.bool_]
    sample: Index
    time: Index
    row: Rows
    early: Rows

    def __len__(self) -> int:
        return len(self.at)

    def take(self, index: NDArray[np.intp] | NDArray[np.bool_] | slice) -> Edges:
        """The edges chosen by an index array, a mask or a slice."""
        row = self.row.take(index)
        return Edges(
            self.at[index],
            self.moment[index],
            self.begins[index],
            self.sample[index],
            self.time[index],
            row,
            row if self.early is self.row else self.early.take(index),
        )

    @staticmethod
    def join(parts: Sequence[Edges]) -> Edges:
        """Edges of several parts, in order; at least one part."""
        if len(parts) == 1:
            return parts[0]
        row = Rows.join([part.row for part in parts])
        return Edges(
            np.concatenate([part.at for part in parts]),
            np.concatenate([part.moment for part in parts]),
            np.concatenate([part.begins for part in parts]),
            np.concatenate([part.sample for part in parts]),
            np.concatenate([part.time for part in parts]),
            row,
            row
            if all(part.early is part.row for part in parts)
            else Rows.join([part.early for part in parts]),
        )


def changes(planes: Sequence[Words], masks: Sequence[int]) -> Index:
    """Indices i at which any masked wire differs between sample i - 1 and sample i.

    Args:
        planes: ``uint64 (n,)`` each.
        masks: For each plane the bits that are watched.

    Returns:
        ``int64 (m,)`` ascending, all in 1 … n - 1.
    """
    count = len(planes[0])
    watched = [(plane, np.uint64(mask)) for plane, mask in zip(planes, masks, strict=True) if mask]
    if not watched:
        return np.empty(0, np.int64)
    found: list[Index] = []
    masked = np.empty(BLOCK + 1, np.uint64)
    differs, more = np.empty(BLOCK, np.bool_), np.empty(BLOCK, np.bool_)
    is_busy = False
    for start in range(1, count, BLOCK):
        stop = min(start + BLOCK, count)
        for number, (plane, mask) in enumerate(watched):
            levels = plane[start - 1 : stop]
            if is_busy:
                levels = np.bitwise_and(levels, mask, out=masked[: stop - start + 1])
            here = (more if number else differs)[: stop - start]
            np.not_equal(levels[1:], levels[:-1], out=here)
            if number:
                differs[: stop - start] |= here
        index = np.flatnonzero(differs[: stop - start])
        is_busy = start // BLOCK % _BUSY != 0 if is_busy else len(index) * _BUSY > stop - start
        index += start
        found.append(index)
    if not found:
        return np.empty(0, np.int64)
    index = np.concatenate(found).astype(np.int64, copy=False)
    real = np.zeros(len(index), np.bool_)
    for plane, mask in watched:
        real |= ((plane[index] ^ plane[index - 1]) & mask) != 0
    return index if real.all() else index[real]


class Window:
    """A chunk with the tail of what came before it, so that a row can be taken from either side.

    Args:
        chunk: The new samples.
        tail: The last samples before them, or None at the start of the capture.
    """

    def __init__(self, chunk: Capture, tail: Capture | None) -> None:
        self.chunk = chunk
        self.tail = tail
        self.before = 0 if tail is None else len(tail)

    def rows(self, index: Index) -> Rows:
        """Rows at these indices relative to the chunk's first sample; negative ones lie in the tail."""
        planes = [
            self._pick(plane, None if self.tail is None else self.tail.planes[k], index)
            for k, plane in enumerate(self.chunk.planes)
        ]
        unknown: list[Words | None] = []
        for k, plane in enumerate(self.chunk.unknown):
            old = None if self.tail is None else self.tail.unknown[k]
            if plane is None and old is None:
                unknown.append(None)
                continue
            now = np.zeros(len(self.chunk), np.uint64) if plane is None else plane
            then = np.zeros(self.before, np.uint64) if old is None else old
            unknown.append(self._pick(now, then, index))
        return Rows(tuple(planes), tuple(unknown))

    def _pick(self, now: Words, then: Words | None, index: Index) -> Words:
        if then is None or not len(index) or index.min() >= 0:
            return now[index]
        picked = now[np.maximum(index, 0)]
        old = index < 0
        picked[old] = then[index[old] + self.before]
        return picked

    def moments(self, index: Index) -> Index:
        """Times at these indices (see `rows`), or sample numbers where there is no time."""
        times = self.chunk.times
        if times.stamps_ps is None:
            regular = times.at(index)
            return index + self.chunk.first_sample if regular is None else regular
        stamps = times.stamps_ps[np.maximum(index, 0)]
        if self.tail is not None and self.tail.times.stamps_ps is not None:
            old = index < 0
            stamps[old] = self.tail.times.stamps_ps[index[old] + self.before]
        return stamps

    def back(self, index: Index, span: int, *, inclusive: bool) -> Index:
        """Index of the last sample before (or at) ``span`` ahead of each edge; never before the window.

        Args:
            index: First sample after each edge.
            span: Picoseconds for stamped samples, else samples.
            inclusive: The sample exactly ``span`` earlier counts.
        """
        stamps = self.chunk.times.stamps_ps
        if stamps is None:
            result = index - span - (0 if inclusive else 1)
        else:
            if self.tail is not None and self.tail.times.stamps_ps is not None:
                stamps = np.concatenate([self.tail.times.stamps_ps, stamps])
            wanted = stamps[index + self.before] - span
            side: str = "right" if inclusive else "left"
            result = np.searchsorted(stamps, wanted, side=side) - 1 - self.before  # type: ignore[call-overload]
        return np.maximum(np.minimum(result, index - 1), -self.before)


def strobe_masks(strobes: Sequence[Strobe], plane_count: int) -> list[int]:
    """For each plane the bits that any strobe watches."""
    masks = [0] * plane_count
    for strobe in strobes:
        for position, _ in strobe.wires:
            masks[position // 64] |= mask_of([position % 64])
    return masks


def find_edges(window: Window, strobe: Strobe, candidates: Index) -> tuple[Index, NDArray[np.bool_]]:
    """Raw edges of one strobe among the samples at which some watched wire changed.

    Args:
        window: The chunk with its tail.
        strobe: The strobe.
        candidates: Indices into the chunk (0 stands for a change across the chunks' border).

    Returns:
        ``int64 (m,)`` indices of the first sample after each edge; ``bool (m,)`` whether it becomes active.
    """
    if not len(candidates):
        return candidates, np.zeros(0, np.bool_)
    # No watched wire changes between one of these samples and the next: the state before the first is enough.
    before = window.rows(candidates[:1] - 1)
    after = window.rows(candidates)
    active = np.empty(len(candidates) + 1, np.bool_)
    active[:1] = strobe.active(before.planes, before.unknown)
    active[1:] = strobe.active(after.planes, after.unknown)
    edge = active[1:] != active[:-1]
    return (candidates, active[1:]) if edge.all() else (candidates[edge], active[1:][edge])


def describe_edges(window: Window, index: Index, begins: NDArray[np.bool_], guard: int, setup: int) -> Edges:
    """Edges with the rows that hold just before them.

    Args:
        window: The chunk with its tail.
        index: ``int64 (n,)`` first sample after each edge, relative to the chunk.
        begins: ``bool (n,)``.
        guard: How long before an edge its row is taken: picoseconds for stamped samples, else samples.
        setup: Data set-up time in the same unit; 0 makes the early row the row itself.
    """
    at = window.back(index, guard, inclusive=False)
    row = window.rows(at)
    return Edges(
        at=index + window.chunk.first_sample,
        moment=window.moments(index),
        begins=begins,
        sample=at + window.chunk.first_sample,
        time=window.moments(at),
        row=row,
        early=window.rows(np.minimum(window.back(index, setup, inclusive=True), at)) if setup else row,
    )


def settle(moment: Index, guard: int) -> tuple[NDArray[np.intp], int]:
    """Which edges of one strobe are real, and where the last cluster begins, which may still grow.

    Args:
        moment: ``int64 (n,)`` moments of all edges that are not final yet, in order.
        guard: Edges closer than this, or as close, belong to one cluster; 0 leaves all edges alone.

    Returns:
        Indices of the edges that are final and stay, and the index of the first edge that is not final.
    """
    count = len(moment)
    if guard == 0 or not count:
        return np.arange(count), count
    first = np.concatenate([[0], np.flatnonzero(np.diff(moment) > guard) + 1])
    length = np.diff(np.concatenate([first, [count]]))
    if length.max() > GLITCH_CLUSTER:
        pieces = [
            np.arange(start, start + size, GLITCH_CLUSTER) for start, size in zip(first, length, strict=True)
        ]
        first = np.concatenate(pieces)
        length = np.diff(np.concatenate([first, [count]]))
    return first[:-1][length[:-1] % 2 == 1], int(first[-1])


def close(edges: Edges) -> Edges:
    """The last open cluster at the end of the capture: its first edge, or none."""
    return edges.take(slice(0, len(edges) % 2))
