"""Importing CSV captures (parse and pack) against `polars.read_csv` and `pandas.read_csv` of the same file.

    python benchmarks/capture_csv.py [rows]

All read the file from the disk's cache and give numbers; ours also packs the bits, checks every cell and
keeps memory bounded. Each figure is the best of several runs that take turns.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from time import perf_counter

import numpy as np
import polars as pl

from wrongbit.capture.formats import open_samples
from wrongbit.machine.model import Point

ROWS = 10**6
QUICK_ROWS = 10**5
TURNS = 9
SLOW_TURNS = 2
WIDTHS = {"A": 16, "D": 8}


def level_columns(count: int, times: pl.Series) -> pl.DataFrame:
    """A time and forty columns of 0 and 1."""
    random = np.random.default_rng(1)
    names = (
        [f"A{bit}" for bit in range(16)] + [f"D{bit}" for bit in range(8)] + [f"S{bit}" for bit in range(16)]
    )
    return pl.DataFrame(
        {"Time [s]": times} | {name: random.integers(0, 2, count, np.uint8) for name in names}
    )


def bus_columns(count: int, times: pl.Series, form: str) -> pl.DataFrame:
    """A time, two buses in hexadecimal and four wires."""
    random = np.random.default_rng(2)
    address, word = random.integers(0, 1 << 16, count), random.integers(0, 1 << 8, count)
    return pl.DataFrame(
        {
            "Time [s]": times,
            "A": [form.format(value, 4) for value in address.tolist()],
            "D": [form.format(value, 2) for value in word.tolist()],
        }
        | {name: random.integers(0, 2, count, np.uint8) for name in ("RW", "SYNC", "PHI2", "RES")}
    )


def files(folder: Path, count: int) -> Iterator[tuple[str, Path]]:
    """Captures of the kinds that instruments export, one at a time."""
    ticks = range(count)
    plain = pl.Series([f"{tick * 1e-8:.9f}" for tick in ticks])
    short = pl.Series([f"{tick * 1e-8:g}" for tick in ticks])
    made: tuple[tuple[str, Callable[[], pl.DataFrame]], ...] = (
        ("40 columns of 0 and 1, plain time", lambda: level_columns(count, plain)),
        ("40 columns of 0 and 1, time with exponent", lambda: level_columns(count, short)),
        ("2 hexadecimal buses, 4 wires", lambda: bus_columns(count, plain, "{0:0{1}X}")),
        ("2 buses as 0x…, not padded, 4 wires", lambda: bus_columns(count, plain, "0x{0:X}")),
    )
    for what, table in made:
        path = folder / "capture.csv"
        table().write_csv(path)
        yield what, path


def ours(path: Path) -> int:
    point = Point(name="bus", mode="timing")
    return sum(len(chunk) for chunk in open_samples(path, point, WIDTHS).chunks())


def with_polars(path: Path) -> int:
    return pl.read_csv(path).height


def with_polars_words(path: Path) -> int:
    """polars' own read, and the words in hexadecimal made numbers, as ours are."""
    words = [pl.col(name).str.strip_prefix("0x").str.to_integer(base=16) for name in ("A", "D")]
    return pl.read_csv(path, schema_overrides={"A": pl.String, "D": pl.String}).with_columns(words).height


def with_pandas(path: Path) -> int:
    import pandas

    return len(pandas.read_csv(path))


def rows(count: int = ROWS) -> list[tuple[str, float, float, float]]:
    """What, our seconds, the reference's seconds, and their ratio."""
    table = []
    with tempfile.TemporaryDirectory() as folder:
        for what, path in files(Path(folder), count):
            readers = {"ours": ours, "polars": with_polars, "pandas": with_pandas}
            if "buses" in what:
                readers["polars, words made numbers"] = with_polars_words
            best = dict.fromkeys(readers, float("inf"))
            for turn in range(TURNS):
                for name, read in readers.items():
                    if name == "pandas" and turn >= SLOW_TURNS:
                        continue
                    begun = perf_counter()
                    assert read(path) == count
                    best[name] = min(best[name], perf_counter() - begun)
            for name in list(readers)[1:]:
                label = f"CSV import, {count:,} rows, {what} / {name}"
                table.append((label, best["ours"], best[name], best["ours"] / best[name]))
    return table


def quick_rows() -> list[tuple[str, float, float, float]]:
    return rows(QUICK_ROWS)


if __name__ == "__main__":
    for what, our_time, reference, ratio in rows(int(sys.argv[1]) if sys.argv[1:] else ROWS):
        print(f"{what:<90} {our_time:>8.3f}s {reference:>8.3f}s {ratio:>6.2f}")
