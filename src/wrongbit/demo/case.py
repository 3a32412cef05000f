"""A case folder as a user would have it: machine file, images, captures."""

from __future__ import annotations

import hashlib
import re
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path
from random import Random

import numpy as np

from wrongbit.bits import gather_bits, mask_of, scatter_bits
from wrongbit.demo.board import Bus
from wrongbit.demo.export import Export, csv_of_cycles, csv_of_samples, screen_of_cycles
from wrongbit.demo.export_vcd import vcd_of_samples
from wrongbit.demo.fault import InjectedFault
from wrongbit.demo.instrument import Instrument, record_state, record_timing
from wrongbit.demo.machine import DemoMachine
from wrongbit.demo.machines import machine_named
from wrongbit.demo.trace import CODE, BusTrace
from wrongbit.demo.waveform import starts_ps
from wrongbit.errors import UsageError
from wrongbit.machine.problems import suggestion

DEFAULT_CYCLES = 20_000
SCREEN_ROWS = 200
"""Rows that somebody may have the patience to type."""


@dataclass(frozen=True)
class DemoCapture:
    """A capture that was written.

    Args:
        path: The file.
        point: Probe point of the machine file that it belongs to.
    """

    path: Path
    point: str


@dataclass(frozen=True)
class DemoCase:
    """A folder that was written, and the truth about it, which is not in it.

    Args:
        machine: Which machine.
        fault: What is wrong with it.
        trace: What really happened on its bus.
        folder: Where everything is.
        machine_file: The machine file.
        images: ROM images and listings.
        captures: The captures, in the order in which they were asked for.
        readings: Passes of the chip that is at fault, where it is a ROM; of a whole case only.
        later: What can be added once the machine is repaired: captures, passes of the new chip.
        case_file: ``case.toml``, which makes the folder a case.
        set_aside: Files of the person's own that stood in the way, where they are now.
    """

    machine: DemoMachine
    fault: InjectedFault
    trace: BusTrace
    folder: Path
    machine_file: Path
    images: tuple[Path, ...]
    captures: tuple[DemoCapture, ...]
    readings: tuple[Path, ...] = ()
    later: tuple[Path, ...] = ()
    case_file: Path | None = None
    set_aside: tuple[Path, ...] = ()

    @property
    def suspect(self) -> str:
        """The ROM at fault that was read, or an empty text."""
        return suspect_of(self.machine, self.fault) if self.readings else ""


def write_case(
    folder: Path,
    machine_name: str = "saltmarsh",
    fault: InjectedFault | str | None = None,
    *,
    points: Sequence[str] = (),
    instrument: Instrument | None = None,
    cycles: int = DEFAULT_CYCLES,
    seed: int = 1,
    whole: bool = False,
) -> DemoCase:
    """Run a machine with a fault and write everything that a user would have.

    The folder is made if it is missing; files of the same names in it are replaced once all are complete.

    Args:
        folder: Where to write.
        machine_name: Which machine.
        fault: What is wrong with it: from `wrongbit.demo.machines.inject`, or its notation
            ``NAME[:DETAIL][+…]``; None: the machine's usual fault.
        points: Probe points to write captures for; empty: the machine's first.
        instrument: Its settings and habits; None: the usual ones.
        cycles: Bus cycles from reset.
        seed: Source of everything that varies; the same seed writes the same files.
        whole: Make it a case: ``case.toml``, readings of the chip at fault, and what can be captured and read
            once the machine is repaired. What a person has changed in the folder is set aside, not lost.

    Raises:
        UsageError: Machine, fault or probe point are not known, or there is nothing to run.
    """
    if cycles < 1:
        raise UsageError(f"{cycles} bus cycles cannot be run.", "Ask for at least 1.")
    if instrument is not None and instrument.start_cycle >= cycles:
        raise UsageError(
            f"The capture would begin with cycle {instrument.start_cycle} of a run of {cycles}.",
            "Let the machine run longer, or begin earlier.",
        )
    machine = machine_named(machine_name)
    chosen = (
        machine.inject(fault or machine.default_fault, seed)
        if not isinstance(fault, InjectedFault)
        else fault
    )
    exports = _exports(machine, points)
    trace = machine.simulate(chosen, cycles, seed)
    contents = dict(machine.build().files)
    for export in exports:
        contents[export.file] = capture_bytes(machine, trace, export, instrument or Instrument(), seed)
    machine_file = f"{machine.name}.toml"
    captured = {export.file for export in exports}
    images = tuple(folder / name for name in contents if name != machine_file and name not in captured)
    readings: dict[str, bytes] = {}
    later: dict[str, bytes] = {}
    aside: tuple[Path, ...] = ()
    if whole:
        readings = _readings(machine, chosen, seed)
        later = _later(machine, chosen, exports, instrument or Instrument(), cycles, seed)
        contents |= readings | later
        rows = [case_row("capture", point=export.point, file=export.file) for export in exports]
        rows += [case_row("reading", chip=suspect_of(machine, chosen), file=name) for name in readings]
        contents[CASE_FILE] = case_text(rows, machine_file, contents)
        aside = set_aside(folder, contents)
    write_files(folder, contents)
    return DemoCase(
        machine=machine,
        fault=chosen,
        trace=trace,
        folder=folder,
        machine_file=folder / machine_file,
        images=images,
        captures=tuple(DemoCapture(folder / export.file, export.point) for export in exports),
        readings=tuple(folder / name for name in readings),
        later=tuple(folder / name for name in later),
        case_file=folder / CASE_FILE if whole else None,
        set_aside=aside,
    )


def capture_bytes(
    machine: DemoMachine, trace: BusTrace, export: Export, instrument: Instrument, seed: int
) -> bytes:
    """The capture file of one probe point.

    Args:
        machine: Whose trace it is.
        trace: From `DemoMachine.simulate`.
        export: One of the machine's.
        instrument: Its settings and habits.
        seed: Source of what varies in the instrument.
    """
    first = instrument.start_cycle
    if export.mode == "cycles":
        trace = trace.part(first, None if instrument.depth is None else first + instrument.depth)
        if export.format == "screen":
            return screen_of_cycles(trace, export, SCREEN_ROWS)
        return csv_of_cycles(trace, export)
    rng = np.random.default_rng([seed, len(trace)])
    drawn = machine.pins(trace, rng, instrument.unrest)
    waveforms = replace(drawn, begin_ps=int(starts_ps(trace)[first]))
    lines = list(export.lines)
    if export.mode == "state":
        return csv_of_samples(record_state(waveforms, lines, instrument), export)
    period = instrument.period_ps or machine.period_ps
    recording = record_timing(waveforms, lines, instrument, period, rng)
    if export.format == "vcd":
        return vcd_of_samples(recording, export.lines, "board")
    return csv_of_samples(recording, export)


def _exports(machine: DemoMachine, points: Sequence[str]) -> list[Export]:
    known = {export.point: export for export in machine.exports}
    if not points:
        return [machine.exports[0]]
    for point in points:
        if point not in known:
            raise UsageError(
                f"The {machine.title} has no probe point {point!r}.",
                f"{suggestion(point, known)}Its probe points are: {', '.join(known)}.",
            )
    return [known[point] for point in points]


# -- a whole case ------------------------------------------------------------------------------------------

CASE_FILE = "case.toml"
REPAIRED = "repaired-"
"""Before the name of what is captured and read after the repair."""

PASSES = 3
"""Passes of a chip in the reader."""

_WRITTEN = re.compile(r"^# ([0-9a-f]{64}) (.+)$", re.M)


def suspect_of(machine: DemoMachine, fault: InjectedFault) -> str:
    """The ROM that a fault sits in or at, or an empty text."""
    roms = {chip.name for chip in machine.board.roms}
    return next((each.chip for each in fault.single() if each.chip in roms), "")


def _readings(machine: DemoMachine, fault: InjectedFault, seed: int) -> dict[str, bytes]:
    """Passes of the chip at fault, or nothing."""
    name = suspect_of(machine, fault)
    # What concerns two chips is not in either of them: each reads well by itself.
    inside = tuple(each for each in fault.single() if each.chip == name and not each.other)
    own = InjectedFault("+".join(each.model for each in inside), name, parts=inside)
    return _passes(machine, name, own, seed) if name else {}


def _passes(
    machine: DemoMachine, name: str, fault: InjectedFault, seed: int, prefix: str = ""
) -> dict[str, bytes]:
    """A chip read out in a reader, which is a board with this chip alone, once for each pass."""
    chip = machine.board.chip(name)
    if len(chip.lane) != 8 or not name:
        return {}
    bank, base, _ = chip.regions[0]
    places = scatter_bits(np.arange(chip.words, dtype=np.uint64), chip.lines)
    addresses = (np.uint64(base & ~mask_of(chip.lines)) | places).tolist()
    board = replace(machine.board, chips=(chip,))
    found = {}
    for number in range(1, PASSES + 1):
        bus = Bus(board, fault, Random(f"reader {seed} {number}"), lambda address: 0)
        words = [bus.read(CODE["read"], bank or 0, address, 0) for address in addresses]
        outputs = gather_bits(np.array(words, np.uint64), chip.lane)
        found[f"{prefix}{name.lower()}-{number}.bin"] = outputs.astype(np.uint8).tobytes()
    return found


def _later(
    machine: DemoMachine,
    fault: InjectedFault,
    exports: Sequence[Export],
    instrument: Instrument,
    cycles: int,
    seed: int,
) -> dict[str, bytes]:
    """What is captured and read once the machine is repaired: for longer, so that nothing is missed."""
    sound = machine.inject("none", seed)
    trace = machine.simulate(sound, 2 * cycles, seed)
    files = {
        f"{REPAIRED}{export.file}": capture_bytes(machine, trace, export, instrument, seed)
        for export in exports
    }
    name = suspect_of(machine, fault)
    return files | (_passes(machine, name, sound, seed, REPAIRED) if name else {})


def case_row(kind: str, **values: str) -> str:
    """A row of case.toml."""
    return "\n".join([f"[[{kind}]]", *(f'{key} = "{value}"' for key, value in values.items())]) + "\n"


def case_text(rows: Sequence[str], machine_file: str, files: Mapping[str, bytes]) -> bytes:
    """``case.toml``, with sums of what was written beside it, by which a later run knows a person's changes.

    Args:
        rows: Tables, as TOML.
        machine_file: Name of the machine file.
        files: All other files, with their bytes.
    """
    body = f'machine = "{machine_file}"\n\n' + "\n".join(rows)
    sums = {name: _sha256(data) for name, data in files.items()} | {CASE_FILE: _sha256(body.encode())}
    head = "# Written by the demo, with these files. What is changed in them is not written over.\n"
    return f"{head}{''.join(f'# {told} {name}{chr(10)}' for name, told in sums.items())}\n{body}".encode()


def set_aside(folder: Path, contents: Mapping[str, bytes]) -> tuple[Path, ...]:
    """Rename what a person has changed, where a file is to be written; what the demo wrote itself stays.

    Returns:
        The new places.

    Raises:
        UsageError: A file cannot be read or renamed.
    """
    moved = []
    try:
        case = folder / CASE_FILE
        known: dict[str, str] = {}
        if case.is_file():
            known = {name: told for told, name in _WRITTEN.findall(case.read_text("utf-8", "replace"))}
        for name, data in contents.items():
            path = folder / name
            if not path.is_file() or (now := path.read_bytes()) == data:
                continue
            if known.get(name) == _sha256(_body(now) if name == CASE_FILE else now):
                continue
            moved.append(path.rename(_free(path)))
    except OSError as error:
        raise UsageError(
            f"{folder} cannot be written: {error.strerror or error}.", "Name a folder that you may write to."
        ) from error
    return tuple(moved)


def _free(path: Path) -> Path:
    """A name beside a file that nothing has."""
    names = (path.with_name(f"{path.name}.before{'' if k == 1 else f'-{k}'}") for k in count(1))
    return next(each for each in names if not each.exists())


def _body(data: bytes) -> bytes:
    """A case file without its head."""
    lines = data.decode("utf-8", "replace").splitlines(keepends=True)
    first = next((k for k, line in enumerate(lines) if line.strip() and not line.startswith("#")), len(lines))
    return "".join(lines[first:]).encode()


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def write_files(folder: Path, contents: dict[str, bytes]) -> None:
    """All files, or none: they are written beside and moved when the last one is complete."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder, prefix=".writing-") as beside:
            for name, data in contents.items():
                (Path(beside) / name).write_bytes(data)
            for name in contents:
                shutil.move(Path(beside) / name, folder / name)
    except OSError as error:
        raise UsageError(
            f"{folder} cannot be written: {error.strerror or error}.", "Name a folder that you may write to."
        ) from error
