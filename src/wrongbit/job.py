"""The main job as plain functions: open a machine and a capture, rebuild, compare, weigh the faults.

Both the command line and the demo call these, so that a demo proves what a user's own files go through.
Files are opened here; nothing is printed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from wrongbit.bus.cycles import Cycles
from wrongbit.bus.nothing import explain_nothing
from wrongbit.bus.rebuild import Rebuilder
from wrongbit.bus.recipes import bus_widths, recipe_names
from wrongbit.bus.rows import cycles_from_rows
from wrongbit.capture.formats import open_samples, read_cycle_rows
from wrongbit.compare.build import build_memory_map
from wrongbit.compare.judge import judge
from wrongbit.compare.memory_map import MemoryMap
from wrongbit.compare.summary import Summary, summarise
from wrongbit.compare.verdicts import Verdicts
from wrongbit.errors import CaptureError, UsageError
from wrongbit.faults.evidence import Evidence, gather_evidence
from wrongbit.faults.findings import Findings
from wrongbit.faults.posterior import weigh
from wrongbit.machine.load import load_machine
from wrongbit.machine.model import Machine, Point, Processor

Progress = Callable[[int, int], None]
"""Called now and then with the bytes done and the bytes in all."""

DEFAULT_NOISE = 1e-4
"""Probability that a bit is read wrong for no other reason. A choice: a good clip does better."""


@dataclass(frozen=True)
class Job:
    """A machine with what its memories should hold, seen from one probe point.

    Args:
        machine: The machine file.
        machine_file: Where it lies.
        processor: Whose bus is looked at.
        point: Where the capture was taken.
        memory_map: The chips on that bus with their reference.
    """

    machine: Machine
    machine_file: Path
    processor: Processor
    point: Point
    memory_map: MemoryMap


@dataclass(frozen=True)
class Comparison:
    """A capture's cycles with their verdicts and counts.

    Args:
        cycles: Every bus cycle.
        verdicts: One for each cycle.
        summary: Counts.
        notes: What the readers want a person to know.
    """

    cycles: Cycles
    verdicts: Verdicts
    summary: Summary
    notes: tuple[str, ...]


def open_job(machine_file: Path, *, point: str | None = None) -> Job:
    """Load a machine file with its reference contents.

    Args:
        machine_file: The TOML file.
        point: Name of the probe point; may be left out where there is only one.

    Raises:
        MachineFileError: The file cannot be used.
        ImageError: A reference file cannot be used.
        UsageError: The probe point is not there, or must be named.
    """
    machine = load_machine(machine_file, recipe_names=recipe_names())
    chosen = _point(machine, point)
    processor = machine.processor_of(chosen.processor)
    memory_map = build_memory_map(machine, processor, machine_file.parent)
    return Job(machine, machine_file, processor, chosen, memory_map)


def _point(machine: Machine, name: str | None) -> Point:
    try:
        return machine.point_of(name)
    except KeyError:
        names = ", ".join(point.name for point in machine.point)
        if not names:
            raise UsageError(
                f"{machine.machine.name} has no probe point.",
                "Add a [[point]] to the machine file that says where the capture was taken.",
            ) from None
        if name is None:
            raise UsageError(
                f"{machine.machine.name} has several probe points: {names}.",
                "Say with --point which one the capture is from.",
            ) from None
        raise UsageError(f"There is no probe point {name!r}.", f"Use one of: {names}.") from None


def read_capture(job: Job, capture: Path, progress: Progress | None = None) -> tuple[Cycles, tuple[str, ...]]:
    """A capture's bus cycles, with what the reader wants a person to know.

    Args:
        job: The machine and the probe point.
        capture: CSV, VCD or typed text.
        progress: Told how far the reading is.

    Raises:
        CaptureError: The file cannot be used, or holds no bus cycle.
    """
    widths = bus_widths(job.processor)
    if job.point.mode == "cycles":
        rows = read_cycle_rows(capture, job.point, widths)
        notes = rows.notes
        if (rows.kind < 0).any():
            missing = int((rows.kind < 0).sum())
            notes += (f"{missing} of {len(rows.kind)} rows have no status that is known; taken as reads.",)
        return cycles_from_rows(rows, job.processor), notes
    source = open_samples(capture, job.point, widths)
    rebuilder = Rebuilder(job.processor, job.point)
    parts = []
    for chunk in source.chunks():
        parts.append(rebuilder.feed(chunk))
        if progress is not None:
            progress(source.bytes_done(), source.byte_count)
    parts.append(rebuilder.finish())
    cycles = Cycles.join(parts)
    if not len(cycles):
        raise CaptureError(
            "No bus cycle could be found in this capture.",
            "Check the clips on the signals that never moved and the columns at the probe point.",
            file=str(capture),
            notes=explain_nothing(rebuilder, source.chunks()),
        )
    notes = source.notes
    if rebuilder.reads_changes and job.point.skew is None:
        notes += (
            "A list of changes is read with no allowance for channels that are late. If it comes from an "
            "instrument and not from a simulation, give the probe point a skew, such as '10 ns'.",
        )
    return cycles, notes


def compare_capture(job: Job, capture: Path, progress: Progress | None = None) -> Comparison:
    """Rebuild a capture's cycles and judge each of them.

    Args:
        job: The machine and the probe point.
        capture: CSV, VCD or typed text.
        progress: Told how far the reading is.
    """
    cycles, notes = read_capture(job, capture, progress)
    verdicts = judge(cycles, job.memory_map)
    summary = summarise(cycles, verdicts, job.memory_map)
    return Comparison(cycles, verdicts, summary, (*job.memory_map.notes, *notes))


@dataclass(frozen=True)
class Diagnosis:
    """A comparison with the faults that may be behind it.

    Args:
        comparison: The cycles and their verdicts.
        evidence: The unique observations that were weighed.
        findings: Faults by posterior odds, ties as ties.
    """

    comparison: Comparison
    evidence: Evidence
    findings: Findings


def diagnose(job: Job, comparison: Comparison, *, noise: float = DEFAULT_NOISE) -> Diagnosis:
    """Weigh all faults in the light of a comparison.

    Args:
        job: The machine and the probe point.
        comparison: From `compare_capture`.
        noise: Probability that a bit is read wrong for no other reason, above 0 and below 0.5.
    """
    evidence = gather_evidence(comparison.cycles, comparison.verdicts)
    return Diagnosis(comparison, evidence, weigh(evidence, job.memory_map, noise=noise))
