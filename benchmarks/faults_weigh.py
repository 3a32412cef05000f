"""Evidence and weighing of a million cycles, beside polars grouping the same cycles by address and word."""

from __future__ import annotations

from collections.abc import Callable
from time import perf_counter

import numpy as np
import polars as pl

from wrongbit.bus.cycles import Cycles
from wrongbit.compare.judge import judge
from wrongbit.compare.memory_map import ChipMap, ChipRegion, MemoryMap
from wrongbit.faults.evidence import gather_evidence
from wrongbit.faults.posterior import weigh

Row = tuple[str, float, float, float]


def rows() -> list[Row]:
    """One row for each width of word and each kind of fault."""
    return [
        _row(bits, fault) for bits in (8, 16) for fault in ("output stuck", "address stuck", "chip silent")
    ]


def _row(bits: int, fault: str) -> Row:
    memory_map, cycles = _cycles(bits, fault)
    verdicts = judge(cycles, memory_map)
    table = pl.DataFrame({"address": cycles.address, "word": cycles.word})
    evidence = gather_evidence(cycles, verdicts)
    # Verdicts that nobody has seen before: those that were condensed last are remembered.
    ours = _best(lambda: weigh(gather_evidence(cycles, verdicts.take(slice(None))), memory_map))
    reference = _best(lambda: table.group_by(["address", "word"]).len())
    what = f"{fault}, {bits} bits, 10^6 cycles, {len(evidence)} observations / polars group"
    return what, ours, reference, ours / reference


def _best(work: Callable[[], object], times: int = 5) -> float:
    spent = []
    for _ in range(times):
        begun = perf_counter()
        work()
        spent.append(perf_counter() - begun)
    return min(spent)


def _cycles(bits: int, fault: str, count: int = 10**6) -> tuple[MemoryMap, Cycles]:
    """Reads of six thousand words, some far more often than others, as a program's loops make them."""
    rng = np.random.default_rng(1)
    lines = 14
    words = rng.integers(0, 1 << bits, 1 << lines).astype(np.uint64)
    chips = tuple(
        ChipMap(
            f"U{number}",
            "rom",
            tuple(range(8 * number, 8 * number + 8)),
            tuple(range(lines)),
            (ChipRegion(None, 0xC000, 1 << lines),),
            words >> np.uint64(8 * number) & np.uint64(0xFF),
            np.full(1 << lines, 0xFF, np.uint64),
        )
        for number in range(bits // 8)
    )
    pick = rng.zipf(1.3, count) % 6000
    address = rng.integers(0xC000, 1 << 16, 6000).astype(np.uint64)[pick]
    held = ((pick * 7 + rng.integers(0, 6, count)) * 40503 % (1 << bits)).astype(np.uint64)
    cell = address & np.uint64((1 << lines) - 1)
    word, lower = words[cell], np.uint64(0xFF)
    if fault == "output stuck":
        word &= ~np.uint64(8)
    elif fault == "address stuck":
        word = (word & ~lower) | (words[cell & ~np.uint64(16)] & lower)
    else:
        word = (word & ~lower) | (held & lower)
    return MemoryMap("P", bits, 16, chips), Cycles(
        sample=np.arange(count),
        time_ps=np.arange(count),
        kind=np.zeros(count, np.uint8),
        bank=np.zeros(count, np.int32),
        address=address,
        address_known=np.full(count, 0xFFFF, np.uint64),
        word=word,
        known=np.full(count, (1 << bits) - 1, np.uint64),
        held=held,
        flags=np.zeros(count, np.uint8),
    )
