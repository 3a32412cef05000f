"""Readings of a chip examined from every side, against numpy's own pass over the same bytes.

The reference stacks the passes and counts, for every bit, in how many it was 1: the least that any look at
several readings has to do. A chip of 64 KiB read twenty times should take less than a second, 4 MiB read
three times less than five.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from wrongbit.compare.memory_map import ChipMap, ChipRegion
from wrongbit.image.contents import Contents
from wrongbit.reading.examine import examine
from wrongbit.reading.readings import Reading

Bytes = NDArray[np.uint8]


def _best(action: Callable[[], object], rounds: int) -> float:
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return min(times)


def _truth(size: int) -> Bytes:
    """Something like a program: bytes of very different frequency, and filler at the end."""
    draw = np.random.default_rng(1)
    data = (draw.exponential(40, size).astype(np.int64) & 255).astype(np.uint8)
    data[size * 7 // 8 :] = 0xFF
    return data


def _chip(truth: Bytes) -> ChipMap:
    lines = (len(truth) - 1).bit_length()
    return ChipMap(
        "U2",
        "rom",
        tuple(range(8)),
        tuple(range(lines)),
        (ChipRegion(None, 0, len(truth)),),
        truth.astype(np.uint64),
        np.full(len(truth), 255, np.uint64),
    )


def _faded(truth: Bytes, passes: int) -> list[Bytes]:
    """Cells that have lost charge, most of them wavering."""
    draw = np.random.default_rng(2)
    places = np.flatnonzero(draw.random(len(truth)) < min(2e-3, 400 / len(truth)))
    bits = (1 << draw.integers(0, 8, len(places))).astype(np.uint8)
    rate = draw.random(len(places))
    readings = []
    for _ in range(passes):
        data = truth.copy()
        data[places] |= np.where(draw.random(len(places)) < rate, bits, np.uint8(0))
        readings.append(data)
    return readings


def _dead_line(truth: Bytes, passes: int) -> list[Bytes]:
    return [truth[np.arange(len(truth)) & ~0x80]] * passes


def _sound(truth: Bytes, passes: int) -> list[Bytes]:
    return [truth] * passes


def _readings(data: list[Bytes]) -> list[Reading]:
    known = np.full(len(data[0]), 255, np.uint64)
    return [
        Reading(Contents(each.astype(np.uint64), known, 8), name=f"pass {number}")
        for number, each in enumerate(data)
    ]


def _count_with_numpy(data: list[Bytes]) -> NDArray[np.int64]:
    bits = np.unpackbits(np.stack(data), axis=1)
    return bits.sum(axis=0, dtype=np.int64)


def rows() -> list[tuple[str, float, float, float]]:
    """What is done, our seconds, the reference's seconds, and our time as a multiple of the reference's."""
    table = []
    for size, passes, rounds in ((1 << 16, 20, 3), (1 << 22, 3, 1)):
        truth = _truth(size)
        chip = _chip(truth)
        for name, damage in (("sound", _sound), ("lost charge", _faded), ("dead address line", _dead_line)):
            data = damage(truth, passes)
            readings = _readings(data)
            ours = _best(lambda readings=readings, chip=chip: examine(readings, chip), rounds)  # type: ignore[misc]
            theirs = _best(lambda data=data: _count_with_numpy(data), rounds)  # type: ignore[misc]
            what = f"examine {passes} readings of {size >> 10} KiB, {name} / numpy counting bits"
            table.append((what, ours, theirs, ours / theirs))
    return table


if __name__ == "__main__":
    for what, ours, reference, ratio in rows():
        print(f"{what:70}  {ours * 1000:8.1f} ms  {reference * 1000:8.1f} ms  {ratio:6.3f}")
