"""The whole main job, capture to diagnosis, against the script that a user would write for it in pandas.

The script is written as such scripts are: `read_csv`, a loop over the rows, the clock's edge found by hand,
the bits put together by hand, the contents of the ROMs and what was written to RAM in a dict. It stops where
a user's script stops: wrong words counted by bit and by address. Ours goes on and weighs every fault. Both
must find the same first wrong word, and the same number of wrong reads of the ROMs.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from time import perf_counter

from wrongbit.compare.verdicts import DIFFERS
from wrongbit.demo.case import DemoCase, write_case
from wrongbit.demo.instrument import Instrument
from wrongbit.job import Diagnosis, compare_capture, diagnose, open_job

CYCLES = 100_000
"""Of the loom controller at 983 kHz, captured at 10 MHz: about a million samples."""
QUICK_CYCLES = 20_000
POINT = "u1-timing"
TURNS = 3


@dataclass
class Script:
    """What the user's script finds."""

    cycles: int = 0
    wrong: list[tuple[int, int, int]] = field(default_factory=list)
    by_bit: Counter[int] = field(default_factory=Counter)
    by_address: Counter[int] = field(default_factory=Counter)


def rom_contents(folder: Path) -> dict[int, int]:
    """Address = byte, from the two files and what the board's drawing says of their places."""
    import bincopy

    image = bincopy.BinFile(str(folder / "u4.s19"))
    contents = {0xF000 + at: byte for at, byte in enumerate(image.as_binary())}
    return contents | {0xE000 + at: byte for at, byte in enumerate((folder / "u5.bin").read_bytes())}


def users_script(capture: Path, folder: Path) -> Script:
    import pandas

    expected = rom_contents(folder)
    found = Script()
    before = None
    for _, row in pandas.read_csv(capture, sep=";", decimal=",").iterrows():
        if before is not None and before["PHI2"] == 1 and row["PHI2"] == 0:
            address = sum(int(before[f"A{bit}"]) << bit for bit in range(16))
            data = sum(int(before[f"D{bit}"]) << bit for bit in range(8))
            found.cycles += 1
            if before["R/W"] == 0:
                if address < 0x0800:
                    expected[address] = data
            elif address in expected and expected[address] != data:
                found.wrong.append((address, expected[address], data))
                found.by_address[address] += 1
                for bit in range(8):
                    if (expected[address] ^ data) >> bit & 1:
                        found.by_bit[bit] += 1
        before = row
    return found


def ours(case: DemoCase) -> Diagnosis:
    job = open_job(case.machine_file, point=POINT)
    return diagnose(job, compare_capture(job, case.captures[0].path))


def _agree(script: Script, ours: Diagnosis) -> None:
    """Both tell the same of the ROMs and of the wrong bit, or the comparison is worth nothing."""
    comparison = ours.comparison
    first = comparison.summary.first_wrong
    assert first is not None
    address, _, seen = script.wrong[0]
    assert (int(comparison.cycles.address[first]), int(comparison.cycles.word[first])) == (address, seen)
    wrong = comparison.verdicts.verdict == DIFFERS
    in_rom = int((wrong & (comparison.cycles.address >= 0xE000)).sum())
    assert in_rom == sum(count for address, count in script.by_address.items() if address >= 0xE000)
    most = max(comparison.summary.bits, key=lambda bit: bit.read_as_one + bit.read_as_zero)
    assert script.by_bit.most_common(1)[0][0] == most.bit


def rows(cycles: int = CYCLES) -> list[tuple[str, float, float, float]]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        case = write_case(
            folder, "fellgate", points=(POINT,), cycles=cycles, instrument=Instrument(glitches=0.0)
        )
        capture = case.captures[0].path
        samples = sum(1 for _ in capture.open("rb")) - 1
        compared = whole = float("inf")
        for _ in range(TURNS):
            begun = perf_counter()
            job = open_job(case.machine_file, point=POINT)
            compare_capture(job, capture)
            compared = min(compared, perf_counter() - begun)
            begun = perf_counter()
            diagnosis = ours(case)
            whole = min(whole, perf_counter() - begun)
        begun = perf_counter()
        script = users_script(capture, folder)
        theirs = perf_counter() - begun
    _agree(script, diagnosis)
    size = f"{samples / 1e6:.2f} M samples as CSV"
    return [
        (f"capture to diagnosis, {size} / a loop over pandas rows", whole, theirs, whole / theirs),
        (f"capture to verdicts, {size} / the same", compared, theirs, compared / theirs),
    ]


def quick_rows() -> list[tuple[str, float, float, float]]:
    return rows(QUICK_CYCLES)


if __name__ == "__main__":
    for what, mine, theirs, ratio in rows():
        print(f"{what:80}  {mine:8.3f} s  {theirs:8.3f} s  {1 / ratio:6.1f} times as fast")
