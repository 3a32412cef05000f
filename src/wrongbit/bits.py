"""Moving bits about in arrays of words: the small change of every room."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray


def mask_of(positions: Sequence[int]) -> int:
    """A word with a 1 at each of these positions; negative positions are left out.

    >>> mask_of([0, 3])
    9
    """
    mask = 0
    for position in positions:
        if position >= 0:
            mask |= 1 << position
    return mask


@lru_cache(maxsize=1024)
def _runs(positions: tuple[int, ...]) -> tuple[tuple[np.uint64, np.uint64, np.uint64], ...]:
    """Maximal runs of consecutive positions as (index of first, position of first, mask of so many bits)."""
    if not positions:
        return ()
    starts = [0, *(i + 1 for i, (a, b) in enumerate(pairwise(positions)) if b != a + 1 or a < 0)]
    ends = [*starts[1:], len(positions)]
    return tuple(
        (np.uint64(s), np.uint64(positions[s]), np.uint64((1 << e - s) - 1))
        for s, e in zip(starts, ends, strict=True)
        if positions[s] >= 0
    )


def gather_bits(values: NDArray[np.uint64], positions: Sequence[int]) -> NDArray[np.uint64]:
    """Word whose bit j is bit ``positions[j]`` of each value; position -1 gives 0.

    Args:
        values: ``uint64 (n,)``.
        positions: At most 64 bit numbers from 0 to 63, or -1.

    >>> int(gather_bits(np.array([0b1010], np.uint64), [3, 1])[0])
    3
    """
    result = None
    for index, position, mask in _runs(tuple(positions)):
        result = _joined(result, _shifted(values, position) & mask, index)
    return np.zeros_like(values) if result is None else result


def scatter_bits(values: NDArray[np.uint64], positions: Sequence[int]) -> NDArray[np.uint64]:
    """Word whose bit ``positions[j]`` is bit j of each value: the inverse of `gather_bits`.

    >>> int(scatter_bits(np.array([3], np.uint64), [3, 1])[0])
    10
    """
    result = None
    for index, position, mask in _runs(tuple(positions)):
        result = _joined(result, _shifted(values, index) & mask, position)
    return np.zeros_like(values) if result is None else result


def _shifted(values: NDArray[np.uint64], down: np.uint64) -> NDArray[np.uint64]:
    return values >> down if down else values


def _joined(
    result: NDArray[np.uint64] | None, piece: NDArray[np.uint64], up: np.uint64
) -> NDArray[np.uint64]:
    """The piece put into its place beside those before it."""
    if up:
        piece = piece << up
    return piece if result is None else result | piece


def count_bits(values: NDArray[np.uint64]) -> NDArray[np.uint8]:
    """Number of ones in each value.

    >>> count_bits(np.array([0, 7], np.uint64)).tolist()
    [0, 3]
    """
    return np.bitwise_count(values)


def count_each_bit(
    values: NDArray[np.uint64], width: int, often: NDArray[np.int64] | None = None
) -> NDArray[np.int64]:
    """For each bit, the number of values in which it is 1.

    Counts how often each value of an 8-bit piece occurs, so that bits are looked at in a table of 256 entries
    and not in all the words.

    Args:
        values: ``uint64 (n,)``.
        width: Number of bits to count.
        often: ``int64 (n,)`` how often each value counts, at most 2**53 in all; left out: once.

    Returns:
        ``int64 (width,)``.

    >>> count_each_bit(np.array([1, 3, 2**20], np.uint64), 21).tolist()[:3]
    [2, 1, 0]
    """
    counts = np.zeros(width, np.int64)
    for low in range(0, width, 8):
        bits = min(8, width - low)
        piece = ((values >> np.uint64(low)) & np.uint64((1 << bits) - 1)).astype(np.intp)
        of_value = np.bincount(piece, often, minlength=256).astype(np.int64)
        counts[low : low + bits] = of_value @ _BITS_OF_BYTE[:, :bits]
    return counts


_BITS_OF_BYTE = (np.arange(256)[:, None] >> np.arange(8)) & 1
