"""Every benchmark in this folder, as one table of ratios measured in this run.

A benchmark is a module with ``rows() -> list[tuple[str, float, float, float]]``: what was measured, our
seconds, the reference's seconds, and their ratio. It names its reference in the first column.

    python benchmarks/run.py [part of a module's name …]
"""

from __future__ import annotations

import platform
import sys
from importlib import import_module
from pathlib import Path
from time import perf_counter

FOLDER = Path(__file__).parent


def machine() -> str:
    """The machine in one line."""
    import os

    model = platform.processor() or platform.machine()
    for line in Path("/proc/cpuinfo").read_text().splitlines() if Path("/proc/cpuinfo").exists() else ():
        if line.startswith("model name"):
            model = line.split(":", 1)[1].strip()
            break
    return f"{model}, {os.cpu_count()} cores, Python {platform.python_version()}"


def main(wanted: list[str]) -> None:
    sys.path.insert(0, str(FOLDER))
    names = sorted(path.stem for path in FOLDER.glob("*.py") if path.stem not in ("run", "__init__"))
    names = [name for name in names if not wanted or any(part in name for part in wanted)]
    print(machine())
    print(f"{'what':<76} {'ours':>10} {'reference':>10} {'ratio':>7}")
    for name in names:
        module = import_module(name)
        if not hasattr(module, "rows"):
            continue
        begun = perf_counter()
        for what, ours, reference, ratio in module.rows():
            print(f"{what:<76} {ours:>9.4f}s {reference:>9.4f}s {ratio:>7.2f}", flush=True)
        print(f"  ({name}: {perf_counter() - begun:.0f} s)", flush=True)
    for name in names:
        report = getattr(import_module(name), "report", None)
        if report is not None:
            print()
            report()


if __name__ == "__main__":
    main(sys.argv[1:])
