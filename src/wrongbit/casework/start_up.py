"""What a capture shows of clocks, reset and start-up inputs, and the mistakes a person can make in asking."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from wrongbit.bringup.seen import Values, entries_in, measure_start_up, signal_of
from wrongbit.bus.recipes import bus_widths
from wrongbit.capture.capture import Capture
from wrongbit.capture.formats import open_samples
from wrongbit.capture.source import SampleSource
from wrongbit.errors import UsageError
from wrongbit.job import Progress
from wrongbit.machine.lookup import point_named
from wrongbit.machine.model import Clock, Machine, Point, StartInput


def start_up_entries(machine: Machine) -> tuple[Clock | StartInput, ...]:
    """Clocks and inputs, of which a capture may show something."""
    return (*machine.clock, *machine.input)


def measure_capture(
    machine: Machine, path: Path, name: str | None, progress: Progress | None = None
) -> tuple[Values, tuple[str, ...]]:
    """Values of the clocks and inputs that a capture shows.

    Args:
        machine: The machine.
        path: CSV or VCD.
        name: Probe point; None: the columns are known by their names.
        progress: Told how far the reading is.

    Returns:
        The values, and what the reader wants a person to know.

    Raises:
        UsageError: The probe point does not fit, or the capture has none of the signals.
        CaptureError: The capture cannot be used.
    """
    point = Point(name="start-up", mode="timing") if name is None else point_named(machine, name)
    if point.mode == "state":
        raise UsageError(
            f"The probe point {point.name!r} takes one sample a clock edge: no time can be measured there.",
            "Take a capture with the analyser's own sampling clock.",
        )
    wanted = {signal_of(entry): 1 for entry in start_up_entries(machine)}
    buses = bus_widths(machine.processor_of(point.processor)) if name is not None else {}
    source = open_samples(path, point, {**buses, **wanted})
    if not entries_in(machine, source.layout):
        raise UsageError(
            f"{path} has none of the machine's clocks and start-up inputs"
            f"{' (' + ', '.join(wanted) + ')' if wanted else ''}.",
            f"It has {', '.join(source.layout.signals)}: give the clock or input its signal, or map the "
            "columns at a probe point.",
        )
    where = f"{path.name}, {point.name}" if name else path.name
    return measure_source(machine, source, where, progress), tuple(source.notes)


def measure_source(
    machine: Machine, source: SampleSource, where: str, progress: Progress | None = None
) -> Values:
    """The same of samples that are open already; nothing where they have none of the signals."""

    def chunks() -> Iterator[Capture]:
        for chunk in source.chunks():
            yield chunk
            if progress is not None:
                progress(source.bytes_done(), source.byte_count)

    return measure_start_up(machine, source.layout, chunks, where)
