"""A batch on two processes against one: 24 demo cases, and the cost of beginning.

Common practice, no source: two processes on two idle cores are worth 1.7 or more.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from time import perf_counter

from wrongbit.batch.items import find_captures
from wrongbit.batch.run import run_batch
from wrongbit.demo.case import write_case

CAPTURES = 24
CYCLES = 60_000


def seconds(folder: Path, machine: Path, processes: int) -> float:
    """Time of a whole batch, without what is kept from before."""
    items = find_captures([str(folder / "*.csv")], str(machine), "u1-timing")
    out = folder / f"out-{processes}"
    shutil.rmtree(out, ignore_errors=True)
    begun = perf_counter()
    done = run_batch(items, str(out), processes=processes)
    assert done.counts["fault"] == CAPTURES
    return perf_counter() - begun


def rows() -> list[tuple[str, float, float, float]]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        case = write_case(folder / "machine", "fellgate", points=("u1-timing",), cycles=CYCLES)
        for number in range(CAPTURES):
            shutil.copy(case.captures[0].path, folder / f"capture-{number:02}.csv")
        one = min(seconds(folder, case.machine_file, 1) for _ in range(2))
        two = min(seconds(folder, case.machine_file, 2) for _ in range(2))
    return [
        (f"batch of {CAPTURES} captures: 1 process / 2 processes (bar: at least 1.7)", one, two, one / two)
    ]


def report() -> str:
    """The table as text."""
    return "\n".join(
        f"{name}: {ours:.2f} s, {other:.2f} s, {ratio:.2f}" for name, ours, other, ratio in rows()
    )


if __name__ == "__main__":
    print(report())
