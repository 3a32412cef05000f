"""What ``fit`` and ``files`` share: the options, and the plan that they choose."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Literal

import typer

from wrongbit.errors import InputError, UsageError
from wrongbit.machine.model import Machine
from wrongbit.replace.buses import BusTimes
from wrongbit.replace.catalogue import load_catalogue
from wrongbit.replace.fit import FAMILIES, Choice, Fitting, fit
from wrongbit.replace.requirement import LatchNeed, Requirement

Source = Annotated[
    Path,
    typer.Argument(
        metavar="FILE", help="A requirement file, or a machine file with --chip.", show_default=False
    ),
]
ChipName = Annotated[
    str | None,
    typer.Option("--chip", help="Machine file: the chip to be replaced, such as U7.", show_default=False),
]
ShapeName = Annotated[
    str | None,
    typer.Option(
        "--shape",
        help="Machine file: whose pins the old chip has, such as 2764, where the file does not tell.",
        show_default=False,
    ),
]
SelectLevels = Annotated[
    list[str] | None,
    typer.Option(
        "--select",
        help="Machine file: active level of a select, as CS1=low, high or unused.",
        show_default=False,
    ),
]
LatchSignal = Annotated[
    str | None,
    typer.Option(
        "--latched-by",
        help="Machine file: pin and edge that latch the old chip's address, as 'ALE falling'.",
        show_default=False,
    ),
]
MemoryName = Annotated[
    str | None, typer.Option("--memory", help="Only this memory, such as 27C512.", show_default=False)
]
GradeName = Annotated[
    str | None, typer.Option("--grade", help="Only this speed grade, such as -15.", show_default=False)
]
LatchNumber = Annotated[str, typer.Option("--latch", help="Latch: 573 or 373.")]
FamilyNames = Annotated[
    list[str] | None,
    typer.Option(
        "--family",
        help="Logic families that may be used, first choice first.",
        show_default=", ".join(FAMILIES),
    ),
]
BufferNumber = Annotated[str, typer.Option("--buffer", help="Buffer: auto, none, 244, 245 or 240.")]
Margin = Annotated[float, typer.Option("--margin", min=0, max=90, help="Least margin in percent.")]
Images = Annotated[
    int | None,
    typer.Option("--images", min=1, max=64, help="Contents to choose from by jumpers.", show_default=False),
]
CurrentOnly = Annotated[bool, typer.Option("--made-today", help="Leave out parts that are no longer made.")]
CapturePath = Annotated[
    Path | None,
    typer.Option(
        "--capture",
        help="Machine file: take bus times from this capture where it shows them.",
        show_default=False,
    ),
]


@dataclass(frozen=True)
class Asked:
    """What the person asked for, as options.

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


def choice_of(
    memory: str | None,
    grade: str | None,
    latch: str,
    families: list[str] | None,
    buffer: str,
    margin: float,
    made_today: bool,
) -> Choice:
    """The options about parts as one value."""
    return Choice(
        memory=memory,
        grade=grade,
        latch=latch,
        families=tuple(families) if families else FAMILIES,
        buffer=buffer,
        margin_percent=margin,
        old_stock=not made_today,
    )


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

    if _is_machine_file(asked.file):
        need = _from_machine(asked)
    else:
        for given, option in (
            (asked.chip, "--chip"),
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


def _is_machine_file(path: Path) -> bool:
    """Whether the file has a machine's tables; what cannot be read is left to the requirement's reader."""
    try:
        return "machine" in tomllib.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return False


def _from_machine(asked: Asked) -> Requirement:
    from wrongbit.bus.recipes import recipe_names
    from wrongbit.machine.load import load_machine
    from wrongbit.replace.requirement_file import chip_requirement

    if asked.chip is None:
        raise UsageError(
            f"{asked.file} is a machine file, and the chip to be replaced is not named.",
            "Name it with --chip.",
        )
    machine = load_machine(asked.file, recipe_names=recipe_names(), require_files=False)
    need = chip_requirement(
        machine,
        asked.chip,
        load_catalogue(),
        shape=asked.shape,
        selects=dict(_pair(text) for text in asked.selects),
        latch=_latch(asked.latched_by),
    )
    if asked.capture is None:
        return need
    return replace(need, times=_measured(machine, asked).over(need.times))


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
    from wrongbit.replace.measure import measure_chunks, watch_of

    assert asked.capture is not None
    try:
        point = machine.point_of(asked.point)
    except KeyError:
        names = ", ".join(point.name for point in machine.point) or "none"
        raise UsageError(
            "the probe point of the capture is not clear.", f"Name it with --point: {names}."
        ) from None
    if point.mode != "timing":
        raise InputError(
            f"captures of {point.name} show no times within a cycle.",
            "Use a capture in timing mode.",
            file=str(asked.capture),
        )
    processor = machine.processor_of(point.processor)
    source = open_samples(asked.capture, point, bus_widths(processor))
    return measure_chunks(source.chunks(), replace(watch_of(processor), skew_ps=point.skew))
