"""Rebuilding bus cycles of a packed timing-mode capture, against a plain numpy copy of the same bytes."""

from __future__ import annotations

import resource
from collections.abc import Iterator
from time import perf_counter

import numpy as np

from wrongbit.bus.rebuild import rebuild
from wrongbit.capture.capture import Capture, Layout, Times
from wrongbit.machine.model import Point, Processor

CHUNK = 1 << 20
PER_CYCLE = 100
"""Samples a bus cycle: a 1 MHz bus seen at 100 MHz."""


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
    return Capture(layout, (samples.reshape(-1),), (None,), Times(0, 10_000))


def rows(sample_count: int = 10**8) -> list[tuple[str, float, float, float]]:
    """10^8 samples in constant memory: the same chunk over and over, as if read from a disk's cache."""
    chunk = capture_chunk()
    times = sample_count // len(chunk)

    def stream() -> Iterator[Capture]:
        for number in range(times):
            first = number * len(chunk)
            yield Capture(
                chunk.layout, chunk.planes, chunk.unknown, Times(first * 10_000, 10_000), first_sample=first
            )

    processor = Processor(name="U1", word_bits=8, address_bits=16, recipe="6502")
    point = Point(name="bus", mode="timing")
    begun = perf_counter()
    found = sum(len(part) for part in rebuild(stream(), processor, point))
    ours = perf_counter() - begun
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    whole = np.ones(times * len(chunk), np.uint64)
    target = np.zeros_like(whole)
    target[:] = 2  # its pages are there before the clock runs
    begun = perf_counter()
    np.copyto(target, whole)
    copy = perf_counter() - begun
    del target
    begun = perf_counter()
    whole.copy()
    fresh = perf_counter() - begun
    size = f"{times * len(chunk) / 1e6:.0f} M samples, {found} cycles"
    return [
        (f"rebuild {size}, peak {peak:.0f} MB, against numpy copyto", ours, copy, ours / copy),
        (f"rebuild {size}, against numpy copy with its allocation", ours, fresh, ours / fresh),
    ]


if __name__ == "__main__":
    for row in rows():
        print(row)
