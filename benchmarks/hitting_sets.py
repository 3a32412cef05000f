"""All minimal hitting sets of random conflicts: ours against python-sat's enumeration of the same sets.

A board of 40 parts, conflicts of 4 to 8 of them, as probe points on a bus give: few, and of a dozen parts at
most. Both give every minimal hitting set of up to 4 parts, and both must give the same.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from time import perf_counter

from wrongbit.diagnose.conflicts import minimal_hitting_sets

PARTS = [f"X{number}" for number in range(40)]
LARGEST = 4
TURNS = 5


def conflicts(count: int, seed: int) -> list[frozenset[str]]:
    draw = random.Random(seed)
    return [frozenset(draw.sample(PARTS, draw.randrange(4, 9))) for _ in range(count)]


def with_pysat(sets: Sequence[frozenset[str]]) -> set[frozenset[str]]:
    from pysat.examples.hitman import Hitman

    found = set()
    with Hitman(bootstrap_with=sets, htype="sorted") as hitman:
        for hitting in hitman.enumerate():
            if len(hitting) > LARGEST:  # they come by size
                break
            found.add(frozenset(hitting))
    return found


def rows() -> list[tuple[str, float, float, float]]:
    table = []
    for count in (3, 6, 10):
        cases = [conflicts(count, seed) for seed in range(3)]
        best = [float("inf"), float("inf")]
        for turn in range(TURNS):
            begun = perf_counter()
            ours = [minimal_hitting_sets(case, largest=LARGEST) for case in cases]
            best[0] = min(best[0], perf_counter() - begun)
            if turn < 2:  # it needs seconds
                begun = perf_counter()
                theirs = [with_pysat(case) for case in cases]
                best[1] = min(best[1], perf_counter() - begun)
        for mine, other in zip(ours, theirs, strict=True):
            assert set(map(frozenset, mine)) == other
        number = sum(map(len, ours)) // len(cases)
        what = f"minimal hitting sets of {count} conflicts among 40 parts ({number}) / python-sat"
        table.append((what, *best, best[0] / best[1]))
    return table


if __name__ == "__main__":
    for row in rows():
        print(row)
