"""VCD import against iterating the same file with pywellen (a Rust library) and with vcdvcd (pure Python).

Ours: `open_vcd` and all its chunks, which is the whole import: every level of every signal at every moment of
change, packed. Theirs: load the file and go through every change of every signal in Python, which is what a
program that wants the levels has to do first.
"""

from __future__ import annotations

import os
import random
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from wrongbit.capture.formats.vcd import open_vcd
from wrongbit.machine.model import Point

POINT = Point(name="bus", mode="timing")
BYTES = int(os.environ.get("VCD_BENCH_MB", "50")) * 1_000_000
QUICK_BYTES = 5_000_000
SLOW_SHARE = 10
"""vcdvcd gets a file this many times shorter, and its time is multiplied."""

HEADER = "$timescale 1 ns $end\n$scope module board $end\n{vars}$upscope $end\n$enddefinitions $end\n"


def _variables(widths: dict[str, int]) -> tuple[str, dict[str, str]]:
    """Declarations, and the id of each name."""
    codes = {name: chr(33 + number) for number, name in enumerate(widths)}
    lines = [
        f"$var wire {width} {codes[name]} {name}{f' [{width - 1}:0]' if width > 1 else ''} $end\n"
        for name, width in widths.items()
    ]
    return "".join(lines), codes


def bus_dump(size: int, unknown: bool = False) -> Iterator[str]:
    """An 8-bit machine's bus as a simulator dumps it: vectors for address and data, scalars for the rest."""
    declared, code = _variables({"PHI2": 1, "RW": 1, "SYNC": 1, "A": 16, "D": 8, "IRQ": 1})
    yield HEADER.format(vars=declared)
    draw = random.Random(1)
    now = address = written = 0
    while written < size:
        now += 480 + draw.randrange(40)
        address = address + 1 & 0xFFFF if draw.random() < 0.8 else draw.randrange(1 << 16)
        word = f"{draw.randrange(256):b}" if not unknown or draw.random() < 0.7 else "z"
        floating = f"bx {code['D']}\n" if unknown else ""
        piece = (
            f"#{now}\n1{code['PHI2']}\n#{now + 30}\nb{address:b} {code['A']}\n{floating}"
            f"{draw.randrange(2)}{code['RW']}\n{draw.randrange(2)}{code['SYNC']}\n"
            f"#{now + 230}\nb{word} {code['D']}\n#{now + 480}\n0{code['PHI2']}\n"
        )
        written += len(piece)
        yield piece


def channel_dump(size: int) -> Iterator[str]:
    """A 34-channel instrument's export: one scalar a wire, only those that changed."""
    names = {f"A{bit}": 1 for bit in range(16)} | {f"D{bit}": 1 for bit in range(16)} | {"RD": 1, "WR": 1}
    declared, code = _variables(names)
    yield HEADER.format(vars=declared)
    draw = random.Random(2)
    ids = list(code.values())
    levels = [0] * len(ids)
    now = written = 0
    while written < size:
        now += 5 + 5 * draw.randrange(30)
        changed = draw.sample(range(len(ids)), draw.choice((1, 1, 2, 4, 8)))
        for channel in changed:
            levels[channel] ^= 1
        piece = f"#{now}\n" + "".join(f"{levels[channel]}{ids[channel]}\n" for channel in changed)
        written += len(piece)
        yield piece


def _ours(path: Path) -> int:
    return sum(len(chunk) for chunk in open_vcd(path, POINT, {}).chunks())


def _pywellen(path: Path) -> int:
    from pywellen import pywellen

    wave = pywellen.Waveform(str(path))
    count = 0
    for variable in wave.all_vars():
        for _ in variable.signal:
            count += 1
    return count


def _vcdvcd(path: Path) -> int:
    import vcdvcd

    return sum(len(signal.tv) for signal in vcdvcd.VCDVCD(str(path)).data.values())


def _best(work: Callable[[Path], int], path: Path, times: int) -> float:
    """The shortest of several runs, in seconds: other work on the machine only ever adds."""
    seconds = []
    for _ in range(times):
        start = time.perf_counter()
        assert work(path) > 0
        seconds.append(time.perf_counter() - start)
    return min(seconds)


def rows(size: int = BYTES) -> list[tuple[str, float, float, float]]:
    """(what, our seconds, the reference's seconds, ours as a share of the reference's)."""
    table = []
    with tempfile.TemporaryDirectory(dir="/tmp") as folder:
        for what, dump in (
            ("bus with vectors", bus_dump),
            ("bus with vectors, x and z", lambda size: bus_dump(size, unknown=True)),
            ("34 single channels", channel_dump),
        ):
            path, short = Path(folder) / "long.vcd", Path(folder) / "short.vcd"
            path.write_text("".join(dump(size)))
            short.write_text("".join(dump(size // SLOW_SHARE)))
            mine = _best(_ours, path, 3)
            for name, seconds in (
                ("pywellen", _best(_pywellen, path, 3)),
                ("vcdvcd", _best(_vcdvcd, short, 1) * SLOW_SHARE),
            ):
                table.append((f"VCD import, {what}, against {name}", mine, seconds, mine / seconds))
    return table


def quick_rows() -> list[tuple[str, float, float, float]]:
    return rows(QUICK_BYTES)


def main() -> None:
    print(f"{BYTES / 1e6:.0f} MB each; ratio below 1: ours is faster")
    for what, mine, theirs, ratio in rows():
        print(
            f"{what:55}  {mine:7.3f} s  {theirs:7.3f} s  ratio {ratio:.3f}  ({BYTES / mine / 1e6:.0f} MB/s)"
        )


if __name__ == "__main__":
    main()
