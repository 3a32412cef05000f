"""Case folders for the browser tests and the pictures: invented machines, some way into their repair."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from tempfile import TemporaryDirectory

from wrongbit.bus.recipes import recipe_names
from wrongbit.case.entries import MeasurementAdded, NoteAdded, ObjectDescribed, ValueAdded, WorkDone
from wrongbit.case.folder import Case
from wrongbit.demo.bench import PartBench, parse_part_fault
from wrongbit.demo.machines import machine_named
from wrongbit.demo.readings import write_chip_case
from wrongbit.machine.load import load_machine

VALUES = ("VCC voltage = 5.02 V", "VCC ripple = 18 mV", "CK frequency = 1.843 MHz")
OTHER_VALUES = (
    "VCC panel voltage = 4.97 V", "VCC panel ripple = 22 mV", "CK duty = 49 %", "/RES low = 210 ms",
    "/RES ended = yes", "/RES low level = 0.2 V", "/RES high level = 4.4 V",
)  # fmt: skip

OPEN_JOINT = (
    MeasurementAdded("continuity", "J0", "D5", "data", "open", "over 10 MΩ, from the socket side"),
    MeasurementAdded("reseated", "J0", outcome="cured"),
)
"""What the bench answers to the two measurements that the case proposes after two captures."""

KEEPING = (
    ObjectDescribed(
        "HL 2019.12/4", "Hollowmere Lift House", "Ashby & Thorne", "LP-4", "0031", "workshop, bench 2"
    ),
    WorkDone(
        "socket changed",
        "U12",
        "1994",
        "not known",
        note="Found so; not in the maker's style",
        reversible="no",
    ),
    WorkDone(
        "reflowed", "J0", "2026-03-04", "Bram Ottoway", reversible="no", note="D5 was open at the socket side"
    ),
    WorkDone(
        "replaced",
        "C7",
        "2026-03-04",
        "Bram Ottoway",
        "22 µF, leaking",
        "22 µF 35 V",
        "yes",
        "bag 4, in the object's box",
    ),
)
"""Which object it is, and what was done to it."""


def write_hollowmere(
    folder: Path,
    *,
    cycles: int = 4_000,
    points: Iterable[str] = ("u1-cycles",),
    values: Iterable[str] = VALUES,
) -> Case:
    """Two processors on a backplane, an open joint between them and the ROMs, captures at some points."""
    files: dict[str, bytes | str] = dict(machine_named("hollowmere").build().files)
    files["machine.toml"] = files.pop("hollowmere.toml")
    case = Case.create(folder, files)
    add_values(case, values)
    case.add(NoteAdded("Came in dead after a thunderstorm. The car stands at the third floor."))
    add_captures(case, points, cycles=cycles)
    return case


def add_values(case: Case, texts: Iterable[str]) -> None:
    """Values of the ladder, measured by hand."""
    for text in texts:
        case.add(ValueAdded(text))


def add_captures(
    case: Case, points: Iterable[str], *, cycles: int, repaired: bool = False, note: str = ""
) -> None:
    """Captures of the machine, dead or repaired, as its analyser writes them."""
    bench = hollowmere_bench(case.folder, cycles, repaired=repaired)
    with TemporaryDirectory() as place:
        for point in points:
            path = Path(place) / f"{point}{'-after' if repaired else ''}.csv"
            path.write_bytes(bench.capture(point))
            case.add_capture(path, point, note=note)


def hollowmere_bench(folder: Path, cycles: int, *, repaired: bool = False) -> PartBench:
    """The machine of a case on the bench."""
    demo = machine_named("hollowmere")
    machine = load_machine(folder / "machine.toml", recipe_names=recipe_names())
    fault = None if repaired else parse_part_fault(demo.part_fault, machine, demo)
    return PartBench(demo, machine, fault, 1, cycles)


def write_quarrybank(folder: Path) -> Case:
    """A worn EPROM: six passes in a reader, a twin machine's chip, a torn printout."""
    with TemporaryDirectory() as place:
        made = write_chip_case(Path(place))
        own = {path.name: path.read_bytes() for path in made.images}
        files = {**own, "machine.toml": made.machine_file.read_bytes()}
        if made.printout is not None:
            files[made.printout.name] = made.printout.read_bytes()
        case = Case.create(folder, files)
        for path in made.readings:
            case.add_reading(path, made.chip.name)
        if made.twin is not None:
            case.add_reference(made.twin, "twin", made.chip.name)
    return case
