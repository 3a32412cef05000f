"""A case of a million cycles: its overview, its cycles from what was kept, and a window of its samples.

The references are polars reading the same kept files whole, and polars reading the instrument's own CSV:
what each would cost at least if nothing were kept.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from time import perf_counter

import polars

from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.demo.case import write_case

CYCLES = 1_000_000
SAMPLED = 40_000
REPEATS = 5


def least(work: Callable[[], object], repeats: int = REPEATS) -> float:
    """Seconds of the least disturbed of several runs."""
    spent = []
    for _ in range(repeats):
        begun = perf_counter()
        work()
        spent.append(perf_counter() - begun)
    return min(spent)


def once(work: Callable[[], object]) -> float:
    """Seconds of one run."""
    return least(work, 1)


def built(folder: Path, point: str, cycles: int) -> tuple[Case, Path]:
    """A case with one capture of so many cycles, and the capture's own file."""
    demo = write_case(folder / "files", "saltmarsh", points=[point], cycles=cycles)
    case = Case.create(
        folder / "case",
        {
            "machine.toml" if path == demo.machine_file else path.name: path.read_bytes()
            for path in (demo.machine_file, *demo.images)
        },
    )
    case.add_capture(demo.captures[0].path, point)
    return case, demo.captures[0].path


def of_cycles(folder: Path, cycles: int) -> list[tuple[str, float, float, float]]:
    """Overview and cycles."""
    case, capture = built(folder, "u1-cycles", cycles)
    first = once(lambda: Casework(case).overview())
    (kept,) = (case.folder / "derived").rglob("cycles-*.parquet")
    whole = least(lambda: polars.read_parquet(kept))
    text = least(lambda: polars.read_csv(capture, infer_schema=False))
    # A new Casework knows nothing that is not in the folder, as a new process would.
    glance = least(lambda: Casework(case).overview(compute=False))
    entry = Casework(case).captures()[0][0]
    again = least(lambda: Casework(case).comparison(entry))
    case.close()
    name = f"{cycles} cycles"
    return [
        (f"overview of a case of {name}, first time / polars reading its CSV", first, text, first / text),
        (
            f"overview of a case of {name}, computed before / polars reading its CSV",
            glance,
            text,
            glance / text,
        ),
        (
            f"comparison of {name} from what was kept / polars reading the same file",
            again,
            whole,
            again / whole,
        ),
    ]


def of_samples(folder: Path, cycles: int) -> list[tuple[str, float, float, float]]:
    """Packing, and a window of samples in the middle."""
    case, capture = built(folder, "u1-timing", cycles)
    entry = Casework(case).captures()[0][0]
    packed = once(lambda: Casework(case).samples(entry, 0, 10))
    text = least(lambda: polars.read_csv(capture, skip_rows=4, infer_schema=False), 2)
    (kept,) = (case.folder / "derived").rglob("samples-*.parquet")
    whole = least(lambda: polars.read_parquet(kept))
    middle = polars.scan_parquet(kept).select(polars.len()).collect().item() // 2
    part = least(lambda: Casework(case).samples(entry, middle, middle + 400))
    case.close()
    return [
        ("samples of a capture packed and read / polars reading its CSV", packed, text, packed / text),
        ("400 samples in the middle / polars reading the packed samples whole", part, whole, part / whole),
    ]


def rows(cycles: int = CYCLES, sampled: int = SAMPLED) -> list[tuple[str, float, float, float]]:
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as other:
        return of_cycles(Path(one), cycles) + of_samples(Path(other), sampled)


def quick_rows() -> list[tuple[str, float, float, float]]:
    return rows(50_000, 5_000)


def report() -> None:
    """The seconds themselves: an overview must be ready in less than one."""
    for name, ours, reference, ratio in rows():
        print(f"{ours:8.3f} s  {reference:8.3f} s  {ratio:8.2f}  {name}")


if __name__ == "__main__":
    report()
