"""Invented programs' walks through a memory: straight runs, loops, calls; and words read with errors."""

from __future__ import annotations

from random import Random

import numpy as np
from numpy.typing import NDArray

from wrongbit.demo.machines import machine_named

Words = NDArray[np.uint64]


def program_words(machine: str = "fellgate", chip: str = "U4") -> Words:
    """Contents of an invented machine's ROM."""
    return machine_named(machine).board.chip(chip).contents


def walk(words: Words, count: int, seed: int) -> NDArray[np.int64]:
    """Addresses read by a program of basic blocks: loops run a few dozen times, calls return.

    Routines lie where no other eight words of the memory read alike; nothing could tell where a walk through
    filler is.
    """
    rng = Random(seed)
    found: list[int] = []
    routines: list[tuple[int, int]] = []
    eights = np.lib.stride_tricks.sliding_window_view(words, 8)
    _, which, times = np.unique(eights, axis=0, return_inverse=True, return_counts=True)
    alone = times[which.reshape(-1)] == 1
    while len(routines) < 24:
        at, length = rng.randrange(len(words) - 150), rng.randint(8, 120)
        if alone[at : at + length].all():
            routines.append((at, at + length))

    def run(start: int, end: int, depth: int) -> None:
        here = start
        while here < end and len(found) < count:
            found.append(here)
            roll = rng.random()
            if roll < 0.02 and depth < 4:
                run(*rng.choice(routines), depth + 1)
            elif roll < 0.05 and here > start + 6:
                back = here - rng.randint(3, min(40, here - start))
                for _ in range(rng.randint(2, 30)):
                    found.extend(range(back, here + 1))
            here += 1

    while len(found) < count:
        run(*rng.choice(routines), 0)
    return np.array(found[:count], np.int64)


def misread(words: Words, width: int, rate: float, seed: int) -> Words:
    """Each bit wrong with this probability."""
    rng = np.random.default_rng(seed)
    flips = (rng.random((len(words), width)) < rate).astype(np.uint64) << np.arange(width, dtype=np.uint64)
    return words ^ np.bitwise_or.reduce(flips, axis=1)
