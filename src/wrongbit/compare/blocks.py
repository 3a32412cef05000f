"""Work over long columns in blocks that fit the processor's cache, on every core that we may use."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise

from wrongbit.cores import cores

BLOCK = 1 << 15
"""Rows worked on together: their columns and the scratch space stay in the processor's cache."""

MOST_THREADS = 4
"""More would wait for memory, and for Python between two blocks."""


def over_blocks(count: int, work: Callable[[slice], None]) -> None:
    """Call ``work`` for every block of rows, in no particular order, several at the same time.

    It pays because numpy lets other threads run while it works through an array.

    Args:
        count: Number of rows.
        work: Given a slice of rows; must not write anything outside it.
    """
    starts = range(0, count, BLOCK)
    threads = min(cores(), MOST_THREADS, len(starts) // 2)

    def stretch(blocks: range) -> None:
        for start in blocks:
            work(slice(start, start + BLOCK))

    if threads < 2:
        stretch(starts)
        return
    borders = [len(starts) * number // threads for number in range(threads + 1)]
    with ThreadPoolExecutor(threads - 1) as pool:
        first, *others = (starts[begin:end] for begin, end in pairwise(borders))
        waiting = [pool.submit(stretch, blocks) for blocks in others]
        stretch(first)
        for each in waiting:
            each.result()
