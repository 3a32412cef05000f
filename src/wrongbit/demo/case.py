"""A case folder as a user would have it: machine file, images, captures."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from wrongbit.demo.export import Export, csv_of_cycles, csv_of_samples, screen_of_cycles
from wrongbit.demo.export_vcd import vcd_of_samples
from wrongbit.demo.fault import InjectedFault
from wrongbit.demo.instrument import Instrument, record_state, record_timing
from wrongbit.demo.machine import DemoMachine
from wrongbit.demo.machines import machine_named
from wrongbit.demo.trace import BusTrace
from wrongbit.demo.waveform import starts_ps
from wrongbit.errors import UsageError

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
    """

    machine: DemoMachine
    fault: InjectedFault
    trace: BusTrace
    folder: Path
    machine_file: Path
    images: tuple[Path, ...]
    captures: tuple[DemoCapture, ...]


def write_case(
    folder: Path,
    machine_name: str = "saltmarsh",
    fault: InjectedFault | str | None = None,
    *,
    points: Sequence[str] = (),
    instrument: Instrument | None = None,
    cycles: int = DEFAULT_CYCLES,
    seed: int = 1,
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
    write_files(folder, contents)
    machine_file = f"{machine.name}.toml"
    captured = {export.file for export in exports}
    return DemoCase(
        machine=machine,
        fault=chosen,
        trace=trace,
        folder=folder,
        machine_file=folder / machine_file,
        images=tuple(folder / name for name in contents if name != machine_file and name not in captured),
        captures=tuple(DemoCapture(folder / export.file, export.point) for export in exports),
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
                f"The {machine.title} has no probe point {point!r}.", f"Choose from {', '.join(known)}."
            )
    return [known[point] for point in points]


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
