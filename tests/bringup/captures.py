"""Captures of one signal, made from its edges or from its samples."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from wrongbit.capture.capture import Capture, Layout, Times

LAYOUT = Layout({"OTHER": 0, "PULSE": 70}, {})
"""The signal lies in the second plane, beside others that move as well."""

POSITION = 70


def sampled(levels: NDArray[np.bool_], period_ps: int, unknown: NDArray[np.bool_] | None = None) -> Capture:
    """One sample a tick; ``levels`` is ``bool (n,)``."""
    noise = np.random.default_rng(1).integers(0, 2**63, len(levels), dtype=np.uint64)
    bit = np.uint64(1 << (POSITION - 64))
    plane = np.where(levels, noise | bit, noise & ~bit)
    doubt = None if unknown is None else np.where(unknown, bit, np.uint64(0))
    if unknown is not None:
        plane = np.where(unknown, plane & ~bit, plane)
    return Capture(LAYOUT, (noise, plane), (None, doubt), Times(0, period_ps))


def changes_at(edges: NDArray[np.int64], *, first_level: int = 0, end: int | None = None) -> Capture:
    """A list of changes: the level turns at each edge (picoseconds, ascending)."""
    last = [] if end is None else [end]
    stamps = np.concatenate([[0], edges, last]).astype(np.int64)
    levels = (np.arange(len(edges) + 1) + first_level) % 2
    levels = np.concatenate([levels, levels[-1:]] if last else [levels])
    plane = levels.astype(np.uint64) << np.uint64(POSITION - 64)
    return Capture(LAYOUT, (plane * 0, plane), (None, None), Times(stamps_ps=stamps), change_list=True)


def pieces(capture: Capture, size: int) -> Callable[[], Iterator[Capture]]:
    return lambda: capture.chunks(size)


def train(count: int, period: float, low: float, *, jitter: float = 0.0, seed: int = 0) -> NDArray[np.int64]:
    """Edges of low pulses at every ``period``, each leading edge off by a normal deviation, from 0 high."""
    rng = np.random.default_rng(seed)
    falls = (np.arange(count) + 1) * period + jitter * rng.standard_normal(count)
    edges = np.stack([falls, falls + low], axis=1).ravel()
    return np.rint(edges).astype(np.int64)
