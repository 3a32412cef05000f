"""Two captures of a million cycles lined up, against difflib on as many lines as it can do in time.

difflib's time is taken on 5000 cycles and given for one cycle times a million, which flatters it: it is worse
than linear.
"""

from __future__ import annotations

import sys
from difflib import SequenceMatcher
from pathlib import Path
from time import perf_counter

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from align.test_runs import program, with_interrupts
from wrongbit.align.runs import align_symbols

CYCLES, FEW = 1_000_000, 5000


def rows() -> list[tuple[str, float, float, float]]:
    truth = program(CYCLES, 1)
    other, moved = with_interrupts(truth, 1)
    begun = perf_counter()
    left, right = align_symbols(truth[777:], other)
    ours = perf_counter() - begun
    found = np.full(len(truth), -1)
    found[left + 777] = right
    share = float((found[777:] == moved[777:]).mean())
    begun = perf_counter()
    SequenceMatcher(None, truth[:FEW].tolist(), other[:FEW].tolist(), False).get_matching_blocks()
    reference = (perf_counter() - begun) * CYCLES / FEW
    what = f"10^6 cycles lined up, {share:.2%} as they were made, against difflib's time a cycle"
    return [(what, ours, reference, ours / reference)]


if __name__ == "__main__":
    for row in rows():
        print(row)
