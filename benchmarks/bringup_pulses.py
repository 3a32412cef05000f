"""Measuring one signal of a capture, against one pass of numpy's that only finds its edges."""

from __future__ import annotations

from time import perf_counter

import numpy as np

from wrongbit.bringup.pulses import measure
from wrongbit.capture.capture import Capture, Layout, Times

SAMPLES = 20_000_000


def capture(samples_a_level: int) -> Capture:
    plane = (np.arange(SAMPLES, dtype=np.uint64) // np.uint64(samples_a_level)) & np.uint64(1)
    return Capture(Layout({"CLK": 0}, {}), (plane,), (None,), Times(0, 10_000))


def rows() -> list[tuple[str, float, float, float]]:
    found = []
    for samples_a_level, what in ((50_000, "start-up pulses"), (50, "1 MHz clock"), (5, "10 MHz clock")):
        whole = capture(samples_a_level)
        begun = perf_counter()
        train = measure(lambda whole=whole: whole.chunks(1 << 17), 0)  # type: ignore[misc]
        ours = perf_counter() - begun
        begun = perf_counter()
        edges = np.flatnonzero(np.diff(whole.planes[0] & np.uint64(1)))
        reference = perf_counter() - begun
        assert train.edges == len(edges)
        label = f"measure {what}, 100 MHz, {SAMPLES // 10**6} M samples, against numpy diff"
        found.append((label, ours, reference, ours / reference))
    return found


if __name__ == "__main__":
    for row in rows():
        print(row)
