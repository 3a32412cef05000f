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
from wrongbit.image.contents import Contents
from wrongbit.reading.constraints import Constraint
from wrongbit.reading.readings import Reading
from wrongbit.reading.rebuild import Shape, rebuild
from wrongbit.reading.solve import solve, unknown_places
from wrongbit.reading.sources import from_passes

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
    table.append(_many_passes(data, constraint))
    return table


def _many_passes(data: np.ndarray, constraint: Constraint) -> tuple[str, float, float, float]:
    """Twenty passes of a worn 64 KiB chip and its CRC-32, beside numpy's mere majority of the same bits."""
    draw = np.random.default_rng(2)
    weak = draw.choice(SIZE, 16, replace=False)
    passes = [data.copy() for _ in range(20)]
    for number in range(20):
        passes[number][weak] ^= draw.integers(0, 2, 16, dtype=np.uint8)
    known = np.full(SIZE, 255, np.uint64)
    readings = [Reading(Contents(words.astype(np.uint64), known, 8)) for words in passes]

    def ours() -> np.ndarray:
        source = from_passes(readings, "reading", "readings")
        rebuilt = rebuild(Shape(SIZE, 8), [source], constraints=[constraint])
        if not rebuilt.complete:
            raise AssertionError("the contents did not come back")
        return rebuilt.contents.words

    def reference() -> np.ndarray:
        votes = sum(
            np.unpackbits(words[:, None], axis=1, bitorder="little").astype(np.int64) for words in passes
        )
        return np.packbits(votes > 10, axis=1, bitorder="little")[:, 0]

    if not (ours() == data).all():
        raise AssertionError("the contents are not the true ones")
    took, theirs = _best(ours), _best(reference)
    return (
        "rebuild 64 KiB from 20 passes and a CRC-32 / numpy's majority of the bits",
        took,
        theirs,
        took / theirs,
    )


if __name__ == "__main__":
    for what, ours, reference, ratio in rows():
        print(f"{what:76}  {ours * 1000:8.1f} ms  {reference * 1000:8.1f} ms  {ratio:6.3f}")
