"""Case folders for the browser tests and the pictures: an invented machine, some way into its repair."""

from __future__ import annotations

from pathlib import Path

from wrongbit.bus.recipes import recipe_names
from wrongbit.case.entries import NoteAdded, ValueAdded
from wrongbit.case.folder import Case
from wrongbit.demo.bench import PartBench, parse_part_fault
from wrongbit.demo.machines import machine_named
from wrongbit.machine.load import load_machine

VALUES = ("VCC voltage = 5.02 V", "VCC ripple = 18 mV", "CK frequency = 1.843 MHz")


def write_hollowmere(folder: Path, *, cycles: int = 4_000, points: tuple[str, ...] = ("u1-cycles",)) -> Case:
    """Two processors on a backplane, an open joint between them and the ROMs, captures at some points."""
    demo = machine_named("hollowmere")
    files: dict[str, bytes | str] = dict(demo.build().files)
    files["machine.toml"] = files.pop("hollowmere.toml")
    case = Case.create(folder, files)
    machine = load_machine(case.machine_file, recipe_names=recipe_names())
    bench = PartBench(demo, machine, parse_part_fault(demo.part_fault, machine, demo), 1, cycles)
    for point in points:
        path = folder / f"{point}.csv"
        path.write_bytes(bench.capture(point))
        case.add_capture(path, point)
        path.unlink()
    for text in VALUES:
        case.add(ValueAdded(text))
    case.add(NoteAdded("Came in dead after a thunderstorm. The car stands at the third floor."))
    return case
