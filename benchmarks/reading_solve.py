"""Unknown bits under a CRC-32, solved by ours and by numpy's own way: a whole CRC a bit, then elimination.

The reference computes each unknown bit's column as the difference of two CRCs of all 64 KiB (fastcrc,
compiled) and reduces a matrix of 0 and 1 with numpy's row operations. Each time is the best of three.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import fastcrc
import numpy as np

from wrongbit.image.checksums import ALGORITHMS
from wrongbit.reading.constraints import Constraint
from wrongbit.reading.solve import solve, unknown_places

SIZE = 1 << 16


def _best(action: Callable[[], object]) -> float:
    times = []
    for _ in range(3):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return min(times)


def _numpy_way(data: np.ndarray, known: np.ndarray, crc: int) -> tuple[int, np.ndarray]:
    """Rank and, where there is one solution, its bits."""
    byte, bit = unknown_places(known)
    zeroed = bytearray((data & known).tobytes())
    start = fastcrc.crc32.iso_hdlc(bytes(zeroed))
    matrix = np.zeros((32, len(byte) + 1), np.uint8)
    for column, (at, place) in enumerate(zip(byte.tolist(), bit.tolist(), strict=True)):
        zeroed[at] ^= 1 << place
        change = fastcrc.crc32.iso_hdlc(bytes(zeroed)) ^ start
        zeroed[at] ^= 1 << place
        matrix[:, column] = change >> np.arange(32) & 1
    matrix[:, -1] = (crc ^ start) >> np.arange(32) & 1
    rank = 0
    for column in range(len(byte)):
        below = np.flatnonzero(matrix[rank:, column])
        if not len(below):
            continue
        matrix[[rank, rank + below[0]]] = matrix[[rank + below[0], rank]]
        others = np.flatnonzero(matrix[:, column])
        matrix[others[others != rank]] ^= matrix[rank]
        rank += 1
    return rank, matrix[:rank, -1]


def rows() -> list[tuple[str, float, float, float]]:
    """What is done, our seconds, the reference's seconds, and our time as a multiple of the reference's."""
    draw = np.random.default_rng(1)
    data = draw.integers(0, 256, SIZE, dtype=np.uint8)
    crc = fastcrc.crc32.iso_hdlc(data.tobytes())
    constraint = Constraint(next(row for row in ALGORITHMS if row.name == "CRC-32"), 0, SIZE, crc)
    table = []
    for unknown in (24, 400, 4000):
        places = draw.choice(SIZE * 8, unknown, replace=False)
        known = np.full(SIZE, 255, np.uint8)
        np.bitwise_and.at(known, places // 8, ~(1 << (places % 8)).astype(np.uint8))
        solved = solve(data, known, [constraint])
        rank, sides = _numpy_way(data, known, crc)
        if solved.count != 1 << (unknown - rank) or (
            unknown == rank and solved.forced.tolist() != sides.tolist()
        ):
            raise AssertionError("the two ways differ")
        ours = _best(lambda known=known: solve(data, known, [constraint]))
        reference = _best(lambda known=known: _numpy_way(data, known, crc))
        name = f"CRC-32 over 64 KiB, {unknown} unknown bits / fastcrc a bit and numpy elimination"
        table.append((name, ours, reference, ours / reference))
    return table


if __name__ == "__main__":
    for what, ours, reference, ratio in rows():
        print(f"{what:76}  {ours * 1000:8.1f} ms  {reference * 1000:8.1f} ms  {ratio:6.3f}")
