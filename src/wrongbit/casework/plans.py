"""The requirement of a replacement, from a requirement file or a machine, and the bus times of a capture."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from wrongbit.capture.source import SampleSource
from wrongbit.diagnose.case import machine_file_of
from wrongbit.errors import InputError, UsageError
from wrongbit.machine.lookup import chip_named, point_named
from wrongbit.machine.model import Machine, Point
from wrongbit.replace.buses import BusTimes
from wrongbit.replace.catalogue import load_catalogue
from wrongbit.replace.fit import Choice, Fitting, fit
from wrongbit.replace.requirement import LatchNeed, Requirement


@dataclass(frozen=True)
class Asked:
    """What is to be replaced, and how, as texts of a person.

    Args:
        file: Requirement file or machine file.
        chip: Chip of a machine file.
        shape: Type number whose pins it has.
        selects: ``NAME=LEVEL`` texts.
        latched_by: ``SIGNAL EDGE`` text.
        choice: What may be tried.
        images: Number of contents, None: as the file says.
        capture: Capture to measure bus times in.
        point: Its probe point.
    """

    file: Path
    chip: str | None = None
    shape: str | None = None
    selects: tuple[str, ...] = ()
    latched_by: str | None = None
    choice: Choice = field(default_factory=Choice)
    images: int | None = None
    capture: Path | None = None
    point: str | None = None


def find_plans(asked: Asked) -> Fitting:
    """All plans for what was asked.

    Raises:
        WrongbitError: The file, the capture or an option cannot be used.
    """
    return fit(requirement_of(asked), asked.choice)


def requirement_of(asked: Asked) -> Requirement:
    """The requirement, from whichever kind of file was named.

    Raises:
        WrongbitError: As `find_plans`.
    """
    from wrongbit.replace.requirement_file import load_requirement

    if asked.file.is_dir():
        asked = replace(asked, file=machine_file_of(asked.file))
    if is_machine_file(asked.file):
        need = _from_machine(asked)
    else:
        for given, option in (
            (asked.chip, "The name of a chip"),
            (asked.shape, "--shape"),
            (asked.selects, "--select"),
            (asked.latched_by, "--latched-by"),
            (asked.capture, "--capture"),
        ):
            if given:
                raise UsageError(
                    f"{option} goes with a machine file; {asked.file} is a requirement file.",
                    "Say it in the requirement file.",
                )
        need = load_requirement(asked.file, load_catalogue())
    return need if asked.images is None else replace(need, images=asked.images)


def is_machine_file(path: Path) -> bool:
    """Whether the file has a machine's tables; what cannot be read is left to the requirement's reader."""
    try:
        return "machine" in tomllib.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return False


def _from_machine(asked: Asked) -> Requirement:
    from wrongbit.bus.recipes import recipe_names
    from wrongbit.machine.load import load_machine

    machine = load_machine(asked.file, recipe_names=recipe_names(), require_files=False)
    chip = chip_named(machine, asked.chip)
    if asked.point is not None:
        point_named(machine, asked.point)  # a slip is told, whether or not the capture is reached
    need = machine_requirement(machine, chip.name, asked.shape, asked.selects, asked.latched_by)
    if asked.capture is None:
        return need
    return replace(need, times=_measured(machine, asked).over(need.times))


def machine_requirement(
    machine: Machine,
    chip: str,
    shape: str | None = None,
    selects: Sequence[str] = (),
    latched_by: str | None = None,
) -> Requirement:
    """The requirement of a chip of a machine.

    Args:
        machine: The machine.
        chip: Reference designator.
        shape: Type number whose pins it has, where the machine file does not tell.
        selects: ``NAME=LEVEL`` texts.
        latched_by: ``SIGNAL EDGE`` text.

    Raises:
        UsageError: A text cannot be used, or something is missing.
    """
    from wrongbit.replace.requirement_file import chip_requirement

    return chip_requirement(
        machine,
        chip,
        load_catalogue(),
        shape=shape,
        selects=dict(_pair(text) for text in selects),
        latch=_latch(latched_by),
    )


def _pair(text: str) -> tuple[str, str]:
    name, sign, level = text.partition("=")
    if not sign or not name or not level:
        raise UsageError(
            f"--select {text!r} is not NAME=LEVEL.", "Write it as CS1=low, CS1=high or CS1=unused."
        )
    return name.strip(), level.strip()


def _latch(text: str | None) -> LatchNeed | None:
    from wrongbit.machine.names import parse_signal

    if text is None:
        return None
    signal, _, edge = text.strip().partition(" ")
    closes: dict[str, Literal["falling", "rising"]] = {"falling": "falling", "rising": "rising"}
    if edge.strip() not in closes:
        raise UsageError(
            f"--latched-by {text!r} is not a pin with an edge.", "Write it as 'ALE falling' or 'CE falling'."
        )
    return LatchNeed(parse_signal(signal).base, closes[edge.strip()])


def _measured(machine: Machine, asked: Asked) -> BusTimes:
    """Bus times of the capture."""
    from wrongbit.bus.recipes import bus_widths
    from wrongbit.capture.formats import open_samples

    assert asked.capture is not None
    point = point_named(machine, asked.point)
    if point.mode != "timing":
        raise InputError(
            f"captures of {point.name} show no times within a cycle.",
            "Use a capture in timing mode.",
            file=str(asked.capture),
        )
    source = open_samples(asked.capture, point, bus_widths(machine.processor_of(point.processor)))
    return bus_times(machine, point, source)


def bus_times(machine: Machine, point: Point, source: SampleSource) -> BusTimes:
    """Bus times that samples at a probe point show."""
    from wrongbit.replace.measure import measure_chunks, watch_of

    processor = machine.processor_of(point.processor)
    return measure_chunks(source.chunks(), replace(watch_of(processor), skew_ps=point.skew))
