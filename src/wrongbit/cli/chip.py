"""``wrongbit chip``: several readings of one chip, what wavers, what is wrong and why."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wrongbit.bus.recipes import recipe_names
from wrongbit.casework.references import references_of
from wrongbit.cli import incase, options
from wrongbit.cli.examined import examination_as_json, show_examination
from wrongbit.cli.show import print_json, progress_bar, show_notes
from wrongbit.errors import UsageError
from wrongbit.machine.load import load_machine
from wrongbit.machine.lookup import rom_named
from wrongbit.machine.model import Machine
from wrongbit.reading.array import map_geometry, picture
from wrongbit.reading.examine import Examination, examine
from wrongbit.reading.figure import MOST, chip_map_svg, write_svg
from wrongbit.reading.readings import Reading, load_reading, load_readings
from wrongbit.reading.stack import READ_NOISE

if TYPE_CHECKING:
    from wrongbit.casework.casework import Casework

app = typer.Typer(add_completion=False, rich_markup_mode=None)

ReadingFiles = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="READING…",
        help="Files read from the chip: binary, Intel HEX or S-record; none for a case folder.",
        show_default=False,
    ),
]


@app.command("chip")
def chip_verb(
    machine: incase.MachineOrCase,
    chip: options.ChipName = None,
    readings: ReadingFiles = None,
    twin: Annotated[
        Path | None,
        typer.Option("--twin", help="A reading of the same chip of another machine.", show_default=False),
    ] = None,
    no_reference: Annotated[
        bool, typer.Option("--no-reference", help="Do not compare with what the chip should hold.")
    ] = False,
    conditions: Annotated[
        Path | None,
        typer.Option(
            "--conditions",
            help="Table of conditions; otherwise readings.toml or readings.csv beside the files.",
            show_default=False,
        ),
    ] = None,
    chip_option: options.ChipOption = None,
    picture_file: Annotated[
        Path | None,
        typer.Option("--picture", help="Write the chip map as an SVG file.", show_default=False),
    ] = None,
    noise: options.ReadNoise = READ_NOISE,
    as_json: options.Json = False,
) -> int:
    """Examine several readings of one chip out of the board.

    Exit code 1 when a fault was found; without a reference, when bits waver or the contents look suspicious.
    """
    notes: tuple[str, ...] = ()
    chip, readings = options.chip_and_files(chip, readings or (), chip_option)
    if machine.is_dir():
        given = (readings, twin, no_reference, conditions)
        with incase.working(machine) as work, progress_bar("Weighing the faults", quiet=as_json):
            described, found = _of_case(work, chip, given, noise)
        wanted, passes = rom_named(described, chip), found.readings
    else:
        described = load_machine(machine, recipe_names=recipe_names(), require_files=not no_reference)
        wanted = rom_named(described, chip)
        alone, others, notes = references_of(described, wanted, machine.parent, without=no_reference)
        order = described.processor_of(wanted.processor).byte_order
        passes = load_readings(readings, wanted.words, wanted.bits, byte_order=order, table=conditions)
        other = None
        if twin is not None:
            other = Reading(load_reading(twin, wanted.words, wanted.bits, byte_order=order), name=twin.name)
        with progress_bar("Weighing the faults", quiet=as_json):
            found = examine(
                passes,
                alone,
                others=others,
                twin=other,
                chip_type=wanted.type,
                byte_order=order,
                noise=noise,
            )
    if picture_file is not None:
        write_svg(picture_file, _picture(found))
    if as_json:
        print_json(examination_as_json(described.machine.name, found, notes))
    else:
        show_notes([*notes, *_file_notes(passes)])
        show_examination(described.machine.name, wanted, found)
    return int(found.fault_seen)


def _of_case(
    work: Casework, chip: str | None, given: Sequence[object], noise: float
) -> tuple[Machine, Examination]:
    """The machine of a case, and what its readings of a chip tell."""
    if any(given):
        raise UsageError(
            "The readings of a case are in its folder.",
            "Add files with 'wrongbit add', or name the machine file in place of the folder.",
        )
    return work.machine, work.examination(rom_named(work.machine, chip).name, noise=noise)


def _file_notes(passes: tuple[Reading, ...]) -> list[str]:
    """What the readers of the files want to tell beyond the format, each once with its files."""
    about: dict[str, list[str]] = {}
    for reading in passes:
        for note in reading.contents.notes:
            if not note.startswith("Read as "):
                about.setdefault(note, []).append(reading.name)
    return [f"{', '.join(names)}: {note}" for note, names in about.items()]


def _picture(found: Examination) -> str:
    geometry = map_geometry(found.chip, found.gathering)
    drawn = picture(
        found.chip,
        geometry,
        found.always_wrong,
        found.stack.unstable,
        found.judged,
        height=min(1 << len(geometry.rows), MOST),
        across=min(1 << len(geometry.columns), MOST // 4),
    )
    stable = found.stability
    caption = f"{stable.passes} passes, {stable.cells.count} of {stable.cells.total} cells waver"
    if found.weighed is not None:
        caption += f", {found.weighed.wrong_cells} were read wrong in some pass"
    title = f"{found.chip.name}  {found.chip_type}".rstrip()
    return chip_map_svg(drawn, title, caption + ".")
