"""A batch on two processes against one, each with a core of its own, once they have begun.

One process that may use both cores uses them by itself: within a file, much goes on side by side.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path
from time import perf_counter

from wrongbit.batch.engine import do_all, keep_to
from wrongbit.batch.examine import examine
from wrongbit.batch.items import Item, find_captures
from wrongbit.demo.case import write_case

CAPTURES = 16
CYCLES = 300_000


def seconds(items: tuple[Item, ...], processes: int) -> float:
    """Time of all items on so many processes that are running and have imported everything."""
    from distributed import Client, LocalCluster

    running = LocalCluster(n_workers=processes, threads_per_worker=1, dashboard_address=None, silence_logs=50)
    with running, Client(running) as client:
        cores = sorted(os.sched_getaffinity(0))
        for number, worker in enumerate(sorted(client.scheduler_info()["workers"])):
            client.run(keep_to, [cores[number % len(cores)]], workers=[worker])
        list(do_all(client, examine, items[:processes]))
        begun = perf_counter()
        found = [result for _, result in do_all(client, examine, items)]
        spent = perf_counter() - begun
    assert all(result.status == "fault" for result in found)
    return spent


def rows() -> list[tuple[str, float, float, float]]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        case = write_case(folder / "machine", "fellgate", points=("u1-timing",), cycles=CYCLES)
        for number in range(CAPTURES):
            shutil.copy(case.captures[0].path, folder / f"capture-{number:02}.csv")
        items = find_captures([str(folder / "*.csv")], str(case.machine_file), "u1-timing")
        one, two = (min(seconds(items, count) for _ in range(2)) for count in (1, 2))
    return [
        (f"batch of {CAPTURES} captures: 1 process / 2 processes (bar: at least 1.7)", one, two, one / two)
    ]


if __name__ == "__main__":
    for name, one, two, ratio in rows():
        print(f"{name}: {one:.2f} s, {two:.2f} s, {ratio:.2f}")
