"""Rebuilding bus cycles of a packed timing-mode capture, against a plain numpy copy of the same samples.

The samples lie in memory, far more than the processor's caches hold; both sides go through all of them,
taking turns, and the best of several turns counts. A copy is the physical limit: every sample is read and
written once. It is shown twice: as ``numpy.copy``, which also has to get its memory, and into memory that is
in use already.
"""

from __future__ import annotations

from collections.abc import Iterator
from time import perf_counter

import numpy as np

from wrongbit.bus.rebuild import rebuild
from wrongbit.capture.capture import Capture, Layout, Times
from wrongbit.machine.model import Point, Processor

CHUNK = 1 << 20
PER_CYCLE = 100
"""Samples a bus cycle: a 1 MHz bus seen at 100 MHz."""
SAMPLES = 8 * 10**6
TURNS = 80
PERIOD_PS = 10_000

PROCESSOR = Processor(name="U1", word_bits=8, address_bits=16, recipe="6502")
POINT = Point(name="bus", mode="timing")


def capture_chunk(seed: int = 1) -> Capture:
    """About 2**20 samples of a 6502 bus with random addresses and words."""
    signals = {f"A{i}": i for i in range(16)} | {f"D{i}": 16 + i for i in range(8)}
    signals |= {"PHI2": 24, "RW": 25, "SYNC": 26, "RDY": 27}
    layout = Layout(signals, {"A": tuple(range(16)), "D": tuple(range(16, 24))})
    random = np.random.default_rng(seed)
    count = CHUNK // PER_CYCLE
    cycle = random.integers(0, 1 << 24, count, dtype=np.uint64)
    cycle |= random.integers(1, 4, count, dtype=np.uint64) << np.uint64(25)
    cycle |= np.uint64(1 << 27)
    samples = np.repeat(cycle, PER_CYCLE).reshape(-1, PER_CYCLE)
    samples[:, PER_CYCLE // 2 :] |= np.uint64(1 << 24)
    return Capture(layout, (samples.reshape(-1),), (None,), Times(0, PERIOD_PS))


def at(chunk: Capture, number: int) -> Capture:
    """The chunk as the ``number``-th of a long capture."""
    first = number * len(chunk)
    times = Times(first * PERIOD_PS, PERIOD_PS)
    return Capture(chunk.layout, chunk.planes, chunk.unknown, times, first_sample=first)


def generated(sample_count: int) -> Iterator[Capture]:
    """A capture of any length in the memory of one chunk: the same samples over and over."""
    chunk = capture_chunk()
    if sample_count < len(chunk):
        return iter([next(chunk.chunks(sample_count))])
    return (at(chunk, number) for number in range(sample_count // len(chunk)))


def count_cycles(chunks: Iterator[Capture]) -> int:
    return sum(len(part) for part in rebuild(chunks, PROCESSOR, POINT))


def rows(sample_count: int = SAMPLES) -> list[tuple[str, float, float, float]]:
    chunk = capture_chunk()
    plane = np.tile(chunk.planes[0], sample_count // len(chunk))
    whole = Capture(chunk.layout, (plane,), (None,), chunk.times)
    target = np.full_like(plane, 2)  # its pages are there before the clock runs
    found = 0
    ours = copy = fresh = float("inf")
    for _ in range(TURNS):
        begun = perf_counter()
        found = count_cycles(whole.chunks(CHUNK))
        ours = min(ours, perf_counter() - begun)
        begun = perf_counter()
        np.copyto(target, plane)
        copy = min(copy, perf_counter() - begun)
        begun = perf_counter()
        plane.copy()
        fresh = min(fresh, perf_counter() - begun)
    size = f"{len(plane) / 1e6:.0f} M samples ({found} cycles)"
    return [
        (f"rebuild {size} / numpy copy", ours, fresh, ours / fresh),
        (f"rebuild {size} / numpy copyto, memory in use already", ours, copy, ours / copy),
    ]


if __name__ == "__main__":
    for row in rows():
        print(row)
