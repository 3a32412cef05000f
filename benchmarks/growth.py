"""Time and memory against the length of a capture: rebuild of cycles, import of CSV and of VCD.

Each point is a process of its own, so that its peak of memory is its own. Samples for the rebuild are
generated chunk by chunk; CSV and VCD files lie in the folder for temporary files. `drawn` makes the pictures,
for ``run.py --write``.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from time import perf_counter
from typing import Any

SAMPLES = tuple(10**power for power in range(5, 10))
BYTES = tuple(10**power for power in range(5, 9))
TURNS = 3
QUICK_SHARE = 100
"""A quick run leaves the longest out, down to a share of this."""


@dataclass(frozen=True)
class Point:
    """One measurement.

    Args:
        what: ``rebuild``, ``csv`` or ``vcd``.
        size: Samples or bytes.
        seconds: The best of several.
        peak_mb: Largest memory of the process.
        idle_mb: Memory of the process before it began.
    """

    what: str
    size: int
    seconds: float
    peak_mb: float
    idle_mb: float


def _peak() -> float:
    """Largest memory of this process so far, in MB; ``getrusage`` may tell the parent's."""
    status = Path("/proc/self/status")
    for line in status.read_text().splitlines() if status.exists() else ():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _work(what: str, size: int, path: Path) -> int:
    from wrongbit.capture.formats import open_samples
    from wrongbit.machine import model

    if what == "rebuild":
        from bus_rebuild import count_cycles, generated

        return count_cycles(generated(size))
    point = model.Point(name="bus", mode="timing" if what == "vcd" else "state")
    return sum(len(chunk) for chunk in open_samples(path, point, {"A": 16, "D": 8}).chunks())


def child(what: str, size: int, path: Path) -> None:
    """Measure one point in this process, and print it."""
    _work(what, 1, path) if what == "rebuild" else None
    idle, best = _peak(), float("inf")
    for _ in range(TURNS if size <= 10**8 else 1):
        begun = perf_counter()
        assert _work(what, size, path) > 0
        best = min(best, perf_counter() - begun)
    print(json.dumps(asdict(Point(what, size, best, _peak(), idle))))


def _write_csv(path: Path, size: int) -> None:
    """Two hexadecimal buses and four wires, the same rows over and over."""
    import numpy as np

    random = np.random.default_rng(1)
    rows = "".join(
        f"{address:04X},{word:02X},{levels & 1},{levels >> 1 & 1},{levels >> 2 & 1},{levels >> 3}\n"
        for address, word, levels in zip(
            random.integers(0, 1 << 16, 5000).tolist(),
            random.integers(0, 1 << 8, 5000).tolist(),
            random.integers(0, 16, 5000).tolist(),
            strict=True,
        )
    ).encode()
    with path.open("wb") as file:
        file.write(b"A,D,RW,SYNC,RDY,RES\n")
        for _ in range(max(size // len(rows), 1)):
            file.write(rows)


def _write_vcd(path: Path, size: int) -> None:
    from capture_vcd import bus_dump

    with path.open("w") as file:
        file.writelines(bus_dump(size))


def measured(*, quick: bool = False) -> Iterator[Point]:
    """All points, the short ones first."""
    share = QUICK_SHARE if quick else 1
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture"
        for size in SAMPLES:
            if size <= SAMPLES[-1] // share:
                yield _measure("rebuild", size, path)
        for what, write in (("csv", _write_csv), ("vcd", _write_vcd)):
            for size in BYTES:
                if size <= BYTES[-1] // share:
                    write(path, size)
                    yield _measure(what, size if what == "rebuild" else path.stat().st_size, path)


def _measure(what: str, size: int, path: Path) -> Point:
    command = [sys.executable, __file__, "--one", what, str(size), str(path)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return Point(**json.loads(done.stdout))


# -- pictures ----------------------------------------------------------------------------------------------

_TITLES = {"rebuild": "samples rebuilt", "csv": "bytes of CSV", "vcd": "bytes of VCD"}
_INK, _ACCENT, _SECOND = "#1b1b1b", "#0072B2", "#D55E00"  # Okabe and Ito: told apart by everybody


def drawn(points: list[Point], what: str) -> str:
    """Seconds against size, and the largest memory against size, as SVG."""
    import altair
    import vl_convert

    here = [asdict(point) for point in points if point.what == what]
    least = here[-1]["seconds"] / here[-1]["size"]
    line = [{"size": each["size"], "seconds": each["size"] * least} for each in (here[0], here[-1])]
    across = altair.X("size:Q", scale=altair.Scale(type="log"), title=_TITLES[what], axis=_powers(4, 10))
    up = altair.Y("seconds:Q", scale=altair.Scale(type="log"), title="seconds", axis=_powers(-5, 3))
    linear = altair.Chart(altair.Data(values=line)).mark_line(strokeDash=[4, 3], color=_INK, strokeWidth=1)
    time = altair.Chart(altair.Data(values=here)).mark_line(point={"color": _ACCENT}, color=_ACCENT)
    memory = altair.Chart(altair.Data(values=here)).mark_line(
        point={"shape": "square", "color": _SECOND}, color=_SECOND
    )
    height = altair.Y("peak_mb:Q", title="largest memory, MB", scale=altair.Scale(domainMin=0))
    both: Any = altair.hconcat(
        altair.layer(linear.encode(across, up), time.encode(across, up)).properties(width=270, height=200),
        memory.encode(across, height).properties(width=270, height=200),
    ).configure(background="#fdfcf8", font="DejaVu Sans")
    return str(vl_convert.vegalite_to_svg(both.to_dict()))


def _powers(first: int, last: int) -> Any:
    """An axis with its marks at the powers of ten."""
    import altair

    values = [10.0**power for power in range(first, last + 1)]
    return altair.Axis(values=values, format="~e", gridColor="#e4e1d8")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        child(sys.argv[2], int(sys.argv[3]), Path(sys.argv[4]))
    else:
        for each in measured(quick="--quick" in sys.argv):
            print(each)
