"""The benchmarks in this folder, as one table of ratios measured in one run.

A benchmark is a module with ``rows() -> list[tuple[str, float, float, float]]``: what was measured, our
seconds, the reference's seconds, and their ratio. It names its reference in the first column.
``quick_rows``, where there is one, is the same on less; ``report`` prints what is no ratio (shares found
right), and takes long.

    python benchmarks/run.py [part of a module's name …] [--quick] [--reports] [--write]

``--write`` puts the table and the plots into ``docs/performance.md``. What was measured is kept after every
module, so that a run that is interrupted loses only the module at hand.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from time import perf_counter
from types import ModuleType
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

FOLDER = Path(__file__).parent
ROOT = FOLDER.parent
KEPT = FOLDER / "results.json"
DOCUMENT = ROOT / "docs" / "performance.md"
PICTURES = ROOT / "docs" / "pictures"
LIBRARIES = ("numpy", "polars", "scipy", "pandas", "pywellen", "vcdvcd", "intelhex", "bincopy", "hmmlearn")
LIBRARIES += ("python-sat", "pydantic")
BEGIN, END = "<!-- measured: begin -->", "<!-- measured: end -->"
NO_TABLE = ("run", "growth", "__init__")

Row = tuple[str, float, float, float]


def machine() -> str:
    """The machine in one line."""
    model, memory = platform.processor() or platform.machine(), ""
    for line in _lines("/proc/cpuinfo"):
        if line.startswith("model name"):
            model = line.split(":", 1)[1].strip()
            break
    for line in _lines("/proc/meminfo"):
        if line.startswith("MemTotal"):
            memory = f", {int(line.split()[1]) / 2**20:.0f} GiB"
    return f"{model}, {os.cpu_count()} cores{memory}, {platform.system()} {platform.release()}"


def libraries() -> str:
    """What the figures rest on."""
    return f"Python {platform.python_version()}, " + ", ".join(
        f"{name} {version(name)}" for name in LIBRARIES
    )


def _lines(file: str) -> list[str]:
    path = Path(file)
    return path.read_text().splitlines() if path.exists() else []


def modules(wanted: Sequence[str]) -> list[str]:
    names = sorted(path.stem for path in FOLDER.glob("*.py") if path.stem not in NO_TABLE)
    return [name for name in names if not wanted or any(part in name for part in wanted)]


def measure(module: ModuleType, *, quick: bool) -> list[Row]:
    rows = getattr(module, "rows", None)
    if quick:
        rows = getattr(module, "quick_rows", rows)
    return list(rows()) if rows is not None else []


# -- what was measured -------------------------------------------------------------------------------------


def keep(name: str, rows: list[Row]) -> None:
    """Remember what a module measured."""
    kept = kept_results()
    kept["rows"][name] = {
        "date": datetime.now(UTC).date().isoformat(),
        "machine": machine(),
        "libraries": libraries(),
        "rows": rows,
    }
    KEPT.write_text(json.dumps(kept, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def keep_growth(points: list[Any]) -> None:
    from dataclasses import asdict

    kept = kept_results()
    kept["growth"] = [asdict(point) for point in points]
    KEPT.write_text(json.dumps(kept, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def kept_results() -> dict[str, Any]:
    if not KEPT.exists():
        return {"rows": {}, "growth": []}
    return dict(json.loads(KEPT.read_text(encoding="utf-8")))


# -- the document ------------------------------------------------------------------------------------------


def write_document() -> None:
    """The measured part of the document, and its pictures."""
    from growth import Point, drawn

    kept = kept_results()
    points = [Point(**each) for each in kept["growth"]]
    for what in dict.fromkeys(point.what for point in points):
        (PICTURES / f"growth-{what}.svg").write_text(drawn(points, what), encoding="utf-8")
    DOCUMENT.write_text(rendered(DOCUMENT.read_text(encoding="utf-8"), kept), encoding="utf-8")


def rendered(text: str, kept: dict[str, Any]) -> str:
    """The document with what was measured between its marks."""
    from growth import Point

    points = [Point(**each) for each in kept["growth"]]
    lines = [BEGIN, "", *_about(kept["rows"])]
    lines += ["| what / against what | ours | reference | ratio |", "|---|---:|---:|---:|"]
    for each in kept["rows"].values():
        for what, ours, reference, ratio in each["rows"]:
            lines.append(f"| {what} | {_seconds(ours)} | {_seconds(reference)} | {ratio:.3g} |")
    lines += ["", "## Growth", ""]
    for what, title in (("rebuild", "Cycle rebuild"), ("csv", "CSV import"), ("vcd", "VCD import")):
        here = [point for point in points if point.what == what]
        if not here:
            continue
        lines += [f"![{title}: time and memory against length](pictures/growth-{what}.svg)", ""]
        unit = "samples" if what == "rebuild" else "bytes"
        lines += [f"| {title}, {unit} | seconds | million a second | largest memory of the process |"]
        lines += ["|---:|---:|---:|---:|"]
        for point in here:
            rate = point.size / point.seconds / 1e6
            lines.append(f"| {point.size:,} | {point.seconds:.4f} | {rate:.0f} | {point.peak_mb:.0f} MB |")
        lines.append("")
    lines.append(END)
    before, after = text.split(BEGIN)[0], text.split(END)[1]
    return before + "\n".join(lines) + after


def _about(kept: dict[str, Any]) -> list[str]:
    """Machine, libraries and date; each but once where all rows share them."""
    lines = []
    for key in ("machine", "libraries", "date"):
        lines += [f"- {each}" for each in sorted({each[key] for each in kept.values()})]
    return [*lines, ""]


def _seconds(value: float) -> str:
    return f"{value:.2f} s" if value >= 1 else f"{value * 1e3:.3g} ms"


# -- the run -----------------------------------------------------------------------------------------------


def run(names: Sequence[str], console: Console, *, quick: bool, write: bool, growth: bool) -> None:
    columns = (TextColumn("{task.description:<22}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    table = Table("what / against what", "ours", "reference", "ratio", box=None, pad_edge=False)
    for column in table.columns[1:]:
        column.justify = "right"
    try:
        with Progress(*columns, console=console, transient=True) as progress:
            bar = progress.add_task("", total=len(names) + growth)
            for name in names:
                progress.update(bar, description=name)
                begun = perf_counter()
                rows = measure(import_module(name), quick=quick)
                if rows and write:
                    keep(name, rows)
                for what, ours, reference, ratio in rows:
                    told = (what, _seconds(ours), _seconds(reference), f"{ratio:.3g}")
                    table.add_row(*told)
                    progress.console.print(f"{what}: {told[1]} / {told[2]} = {told[3]}", highlight=False)
                if rows:
                    progress.console.print(f"  ({name}: {perf_counter() - begun:.0f} s)", style="dim")
                progress.advance(bar)
            if growth:
                progress.update(bar, description="growth")
                _grow(progress.console, quick=quick, write=write)
                progress.advance(bar)
    except KeyboardInterrupt:
        console.print("Interrupted; what was measured so far:")
    if table.row_count:
        console.print(table)


def _grow(console: Console, *, quick: bool, write: bool) -> None:
    from growth import measured

    points = []
    for point in measured(quick=quick):
        points.append(point)
        console.print(
            f"{point.what} {point.size:,}: {point.seconds:.4f} s, at most {point.peak_mb:.0f} MB",
            highlight=False,
        )
    if write:
        keep_growth(points)


def main() -> None:
    parser = argparse.ArgumentParser(description="Ratios measured in one run.")
    parser.add_argument("names", nargs="*", help="parts of module names; all if none is given")
    parser.add_argument("--quick", action="store_true", help="less of what takes long")
    parser.add_argument("--reports", action="store_true", help="also what is no ratio: takes half an hour")
    parser.add_argument("--write", action="store_true", help="put the results into docs/performance.md")
    options = parser.parse_args()
    sys.path.insert(0, str(FOLDER))
    console = Console()
    console.print(machine(), libraries(), sep="\n", highlight=False)
    names = modules(options.names)
    growth = not options.names or any(part in "growth" for part in options.names)
    run(names, console, quick=options.quick, write=options.write, growth=growth)
    if options.write:
        write_document()
        console.print(f"Written: {DOCUMENT.relative_to(ROOT)}")
    if options.reports:
        for name in names:
            report = getattr(import_module(name), "report", None)
            if report is not None:
                report()


if __name__ == "__main__":
    main()
