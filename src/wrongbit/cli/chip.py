"""``wrongbit chip``: several readings of one chip, what wavers, what is wrong and why."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from wrongbit.bus.recipes import recipe_names
from wrongbit.cli import options
from wrongbit.cli.examined import examination_as_json, show_examination
from wrongbit.cli.show import print_json, progress_bar, show_notes
from wrongbit.compare.build import build_memory_map
from wrongbit.compare.memory_map import ChipMap
from wrongbit.errors import UsageError
from wrongbit.image.contents import Contents
from wrongbit.machine.load import load_machine
from wrongbit.machine.model import Chip, Machine
from wrongbit.reading.array import map_geometry, picture
from wrongbit.reading.examine import Examination, examine
from wrongbit.reading.figure import MOST, chip_map_svg, write_svg
from wrongbit.reading.readings import Reading, load_reading, load_readings
from wrongbit.reading.stack import READ_NOISE

app = typer.Typer(add_completion=False, rich_markup_mode=None)

ChipName = Annotated[
    str, typer.Argument(metavar="CHIP", help="The chip's name in the machine file.", show_default=False)
]
ReadingFiles = Annotated[
    list[Path],
    typer.Argument(
        metavar="READING…",
        help="Files read from the chip: binary, Intel HEX or S-record.",
        show_default=False,
    ),
]


@app.command("chip")
def chip_verb(
    machine: options.MachineFile,
    chip: ChipName,
    readings: ReadingFiles,
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
    described = load_machine(machine, recipe_names=recipe_names(), require_files=not no_reference)
    wanted = _chip(described, chip)
    alone, others, notes = _references(described, wanted, machine.parent, without=no_reference)
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


def _chip(machine: Machine, name: str) -> Chip:
    wanted = next((chip for chip in machine.chip if chip.name == name), None)
    roms = ", ".join(chip.name for chip in machine.chip if chip.kind == "rom")
    if wanted is None:
        raise UsageError(f"{machine.machine.name} has no chip {name!r}.", f"Its ROMs are: {roms or 'none'}.")
    if wanted.kind != "rom":
        raise UsageError(
            f"{name} is {wanted.kind.upper()}: what a reader finds in it means nothing.",
            f"The ROMs of {machine.machine.name} are: {roms or 'none'}.",
        )
    return wanted


def _references(
    machine: Machine, wanted: Chip, folder: Path, *, without: bool
) -> tuple[ChipMap, dict[str, Contents], tuple[str, ...]]:
    """The chip with what it should hold, what the other ROMs should hold, and notes of the readers."""
    if without:
        blank = wanted.model_copy(update={"image": None})
        machine = machine.model_copy(update={"chip": (blank,), "listing": ()})
    processor = machine.processor_of(wanted.processor)
    memory_map = build_memory_map(machine, processor, folder)
    others: dict[str, Contents] = {}
    for each in memory_map.roms:
        if each.name != wanted.name and len(each.contents) == wanted.words:
            others[each.name] = Contents(each.contents, each.known, len(each.lane), source=each.name)
    alone = next(each for each in memory_map.chips if each.name == wanted.name)
    notes = tuple(note for note in memory_map.notes if note.startswith(f"{wanted.name}:"))
    return alone, others, notes


def _file_notes(passes: tuple[Reading, ...]) -> list[str]:
    """What the readers of the files want to tell beyond the format."""
    return [
        f"{reading.name}: {note}"
        for reading in passes
        for note in reading.contents.notes
        if not note.startswith("Read as ")
    ]


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
