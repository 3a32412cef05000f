"""What a wrong word did, in a million cycles: one cycle explained, and all that `wrongbit explain` tells.

The reference is py65 stepping as many instructions as the capture holds, at the addresses at which Fellgate's
processor fetched them: what running them again would cost.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from time import perf_counter

import numpy as np
from job_diagnose import as_cycles
from py65.devices.mpu6502 import MPU

from wrongbit.bus.cycles import KIND_CODE
from wrongbit.compare.verdicts import DIFFERS
from wrongbit.demo.case import write_case
from wrongbit.job import Comparison, Job, compare_cycles, explain, open_execution, open_job
from wrongbit.web.browse import read_mnemonics

CYCLES = 1_000_000
REPEATS = 3
MACHINES = ("fellgate", "saltmarsh", "quarrybank")


def captured(name: str, cycles: int) -> tuple[Job, Comparison, Comparison]:
    """A simulated machine's cycles compared, with marked fetches and without."""
    with tempfile.TemporaryDirectory() as folder:
        case = write_case(Path(folder), name, cycles=1000, points=["u1-cycles"])
        job = open_job(case.machine_file, point="u1-cycles")
    trace = case.machine.simulate(case.fault, cycles, 1)
    found = as_cycles(trace, job.processor.word_bits, job.processor.address_bits)
    plain = np.where(found.kind == KIND_CODE["fetch"], KIND_CODE["read"], found.kind).astype(np.uint8)
    unmarked = replace(found, kind=plain)
    return job, compare_cycles(job, found, ()), compare_cycles(job, unmarked, ())


def least(work: Callable[[], object]) -> float:
    """Seconds of the least disturbed of several runs."""
    spent = []
    for _ in range(REPEATS):
        begun = perf_counter()
        work()
        spent.append(perf_counter() - begun)
    return min(spent)


def stepping(addresses: list[int], words: dict[int, int], count: int) -> Callable[[], None]:
    """py65 steps instructions at these addresses, round and round until there were enough."""
    memory = [words.get(address, 0xEA) for address in range(1 << 16)]

    def step() -> None:
        processor = MPU(memory=list(memory))
        whole, rest = divmod(count, len(addresses))
        for address in addresses * whole + addresses[:rest]:
            processor.pc = address
            processor.step()

    return step


def everything(job: Job, comparison: Comparison) -> None:
    """All that the command tells."""
    found = explain(job, comparison)
    assert found.all_evidence is not None
    assert found.loops is not None


def rows(cycles: int = CYCLES) -> list[tuple[str, float, float, float]]:
    found = []
    addresses: list[int] = []
    words: dict[int, int] = {}
    for name in MACHINES:
        job, marked, unmarked = captured(name, cycles)
        execution = open_execution(job, marked)
        if not addresses:
            seen = marked.cycles
            words = dict(zip(seen.address[::-1].tolist(), seen.word[::-1].tolist(), strict=True))
            addresses = seen.address[execution.starts].tolist()
        count = len(execution.starts)
        reference = least(stepping(addresses, words, count))
        wrong = np.flatnonzero(marked.verdicts.verdict == DIFFERS)
        middle = int(wrong[len(wrong) // 2])
        works: tuple[tuple[str, Callable[[], object]], ...] = (
            ("one cycle explained", lambda: explain(job, marked, middle)),  # noqa: B023
            ("another one of the same", lambda: explain(job, marked, middle, execution)),  # noqa: B023
            ("all that 'explain' tells", lambda: everything(job, marked)),  # noqa: B023
            ("every instruction decoded", lambda: read_mnemonics(execution)),  # noqa: B023
            ("beginnings found without marks", lambda: open_execution(job, unmarked).starts),  # noqa: B023
        )
        for what, work in works:
            ours = least(work)
            told = f"{name}, {cycles:.0e} cycles: {what} / py65 stepping its {count} instructions"
            found.append((told.replace("e+0", "·10^"), ours, reference, ours / reference))
    return found


def quick_rows() -> list[tuple[str, float, float, float]]:
    return rows(100_000)


if __name__ == "__main__":
    for name, ours, reference, ratio in rows():
        print(f"{ours:8.4f} s  {reference:8.4f} s  {ratio:8.4f}  {name}")
