"""The diagnosis of a million cycles, against polars grouping the same cycles by address and word."""

from __future__ import annotations

import tempfile
from itertools import pairwise
from pathlib import Path
from time import perf_counter

import numpy as np
import polars

from wrongbit.bus.cycles import NO_TIME, Cycles
from wrongbit.compare.judge import judge
from wrongbit.compare.memory_map import MemoryMap
from wrongbit.compare.summary import summarise
from wrongbit.demo.case import write_case
from wrongbit.demo.trace import BusTrace
from wrongbit.faults.evidence import gather_evidence
from wrongbit.faults.posterior import weigh
from wrongbit.job import open_job

CYCLES = 1_000_000


def as_cycles(trace: BusTrace, word_bits: int, address_bits: int) -> Cycles:
    """A simulated trace as the table that the rebuild would give."""
    count = len(trace)
    return Cycles(
        sample=np.arange(count, dtype=np.int64),
        time_ps=np.full(count, NO_TIME),
        kind=trace.kind.astype(np.uint8),
        bank=trace.bank.astype(np.int32),
        address=trace.address.astype(np.uint64),
        address_known=np.full(count, (1 << address_bits) - 1, np.uint64),
        word=trace.word.astype(np.uint64),
        known=np.full(count, (1 << word_bits) - 1, np.uint64),
        held=np.concatenate([[0], trace.word[:-1]]).astype(np.uint64),
        flags=np.zeros(count, np.uint8),
    )


REPEATS = 7
"""Runs of which the least disturbed counts, ours and the reference's by turns."""


def diagnose(cycles: Cycles, memory_map: MemoryMap) -> dict[str, float]:
    """Seconds of each step, one after the other from the bare cycles: nothing is left from an earlier run.

    The cycles are condensed to unique observations when they are summarised; the evidence takes them over.
    """
    begun = [perf_counter()]
    verdicts = judge(cycles, memory_map)
    begun.append(perf_counter())
    summarise(cycles, verdicts, memory_map)
    begun.append(perf_counter())
    evidence = gather_evidence(cycles, verdicts)
    begun.append(perf_counter())
    weigh(evidence, memory_map)
    begun.append(perf_counter())
    spent = (after - before for before, after in pairwise(begun))
    return dict(zip(("judge", "condense and summarise", "gather", "weigh"), spent, strict=True))


def measure(name: str) -> tuple[dict[str, float], float]:
    """Seconds of each step on one machine, and of polars grouping the same cycles."""
    with tempfile.TemporaryDirectory() as folder:
        case = write_case(Path(folder), name, cycles=1000)
        job = open_job(case.machine_file, point=case.captures[0].point)
    trace = case.machine.simulate(case.fault, CYCLES, 1)
    cycles = as_cycles(trace, job.processor.word_bits, job.processor.address_bits)
    frame = polars.DataFrame({"address": cycles.address, "word": cycles.word})
    ours, reference = [], []
    for _ in range(REPEATS):
        ours.append(diagnose(cycles, job.memory_map))
        begun = perf_counter()
        frame.group_by(["address", "word"]).len()
        reference.append(perf_counter() - begun)
    return min(ours, key=lambda steps: sum(steps.values())), min(reference)


def rows() -> list[tuple[str, float, float, float]]:
    found = []
    for name in ("saltmarsh", "fellgate", "quarrybank"):
        steps, reference = measure(name)
        told = ", ".join(f"{step} {seconds * 1e3:.0f}" for step, seconds in steps.items())
        ours = sum(steps.values())
        found.append(
            (
                f"diagnose 10^6 cycles of {name} ({told} ms) / polars grouping",
                ours,
                reference,
                ours / reference,
            )
        )
    return found


if __name__ == "__main__":
    for row in rows():
        print(row)
