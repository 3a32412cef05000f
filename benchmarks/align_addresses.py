"""Recovery of addresses from words alone, against hmmlearn's Viterbi recursion on a model of the same kind.

hmmlearn works on the whole matrix of transitions, so it gets a memory of 256 words; what is compared is the
time for one sample and one state.
"""

from __future__ import annotations

import sys
from pathlib import Path
from time import perf_counter, process_time

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from align.walks import misread, paired, program, run_of, walk
from wrongbit.align.addresses import Recovered, recover_addresses, recover_on_bus
from wrongbit.align.hidden_flow import Flow, likeliest_path, memory_of

SAMPLES = 100_000


def contents(size: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 256, size).astype(np.uint64)


def hmmlearn_seconds(samples: int, states: int) -> float:
    from hmmlearn import _hmmc

    rng = np.random.default_rng(2)
    step = rng.dirichlet(np.ones(states), states)
    table = rng.normal(size=(samples, states))
    begun = perf_counter()
    _hmmc.viterbi(np.full(states, 1 / states), step, table)
    return perf_counter() - begun


def rows() -> list[tuple[str, float, float, float]]:
    states = 256
    a_state = hmmlearn_seconds(2000, states) / (2000 * states)
    found = []
    for size in (4096, 16384):
        words = contents(size)
        seen = misread(words[walk(words, SAMPLES // 10, 3)], 8, 0.02, 3)
        memory = memory_of(words, np.full(size, 255, np.uint64), 8)
        begun = perf_counter()
        likeliest_path(memory, seen, np.full(len(seen), 255, np.uint64), Flow())
        ours = perf_counter() - begun
        reference = a_state * len(seen) * size
        what = f"likeliest walk, 10^4 words of {size}, against hmmlearn's time a state"
        found.append((what, ours, reference, ours / reference))
    return found


def report() -> None:
    """Share of right addresses at 2 % wrong bits over 10^5 words of 4 KiB, with the time it takes."""
    for name, words in (("random contents", contents(4096)),):
        truth = walk(words, SAMPLES, 5)
        seen = misread(words[truth], 8, 0.02, 5)
        begun, used = perf_counter(), process_time()
        known = np.full(SAMPLES, 255, np.uint64)
        found = recover_addresses(seen, known, words, np.full(4096, 255, np.uint64), 8)
        spent, used = perf_counter() - begun, process_time() - used
        print(f"addresses recovered, {name}: {_honesty(found, found.address == truth)}; ", end="")
        print(f"{spent:.1f} s ({used:.1f} s of processor time)")
    for name, words, step in (
        ("16-bit words, addresses of bytes", program(2048, 7), 2),
        ("8-bit words", program(2048, 7) & np.uint64(0xFF), 1),
    ):
        memory_map = paired(words, step, wide=step == 2)
        cycles = run_of(memory_map, words, SAMPLES // 10, 3)
        found, rows, _, address = recover_on_bus(cycles, memory_map)
        print(f"a whole bus with RAM, {name}: {_honesty(found, address == cycles.address[rows])}")


def _honesty(found: Recovered, right: np.ndarray) -> str:
    """Share of right addresses beside what is said of them."""
    sure = found.confidence > 0.9
    return (
        f"{right.mean():.3%} right, mean confidence {found.confidence.mean():.3%}; "
        f"{sure.mean():.1%} said to be over 90 % sure, of which {right[sure].mean():.3%} are right"
    )


if __name__ == "__main__":
    for row in rows():
        print(row)
    report()
