"""How soon the command answers, against Python doing nothing."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from time import perf_counter


def best(command: list[str], repeats: int = 15) -> float:
    times = []
    for _ in range(repeats):
        begun = perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        times.append(perf_counter() - begun)
    return min(times)


def rows() -> list[tuple[str, float, float, float]]:
    command = str(Path(sys.executable).with_name("wrongbit"))
    nothing = best([sys.executable, "-c", "pass"])
    found = []
    for what in (["--help"], ["diagnose", "--help"]):
        ours = best([command, *what])
        found.append((f"wrongbit {' '.join(what)}, against python -c pass", ours, nothing, ours / nothing))
    return found


if __name__ == "__main__":
    for row in rows():
        print(row)
