"""``wrongbit rebuild``: a chip's contents from readings, captures, twins, listings and checksums."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wrongbit.bus.recipes import recipe_names
from wrongbit.casework.sources import ChipSources, Rebuilding
from wrongbit.cli import incase, options
from wrongbit.cli.rebuilt import Told, rebuilt_as_json, show_rebuilt
from wrongbit.cli.show import print_json, progress_bar
from wrongbit.errors import ImageError, UsageError
from wrongbit.image.formats import FORMATS, FormatName, write_image
from wrongbit.image.lanes import as_bytes
from wrongbit.job import Progress
from wrongbit.machine.load import load_machine
from wrongbit.machine.lookup import point_named, rom_named
from wrongbit.reading.rebuild import Rebuilt, Shape, image_of, map_text
from wrongbit.reading.stack import READ_NOISE

if TYPE_CHECKING:
    from wrongbit.casework.casework import Casework

app = typer.Typer(add_completion=False, rich_markup_mode=None)


def _files(name: str, says: str) -> object:
    return typer.Option(name, help=says, show_default=False)


@app.command("rebuild")
def rebuild_verb(
    machine: incase.MachineOrCase,
    chip: options.ChipName = None,
    chip_option: options.ChipOption = None,
    reading: Annotated[
        list[Path] | None, _files("--reading", "A pass of the chip in a reader; may be given again.")
    ] = None,
    twin: Annotated[
        list[Path] | None, _files("--twin", "A reading of another machine's chip; once for each twin.")
    ] = None,
    listing: Annotated[
        list[Path] | None, _files("--listing", "A listing of words as the processor sees them.")
    ] = None,
    capture: Annotated[
        list[Path] | None, _files("--capture", "A capture in which the chip was read on its bus.")
    ] = None,
    point: options.PointName = None,
    reference: Annotated[
        bool, typer.Option("--reference", help="The machine file's own image and listings are sources too.")
    ] = False,
    checksum: Annotated[
        list[str] | None,
        _files("--checksum", "What the bytes obey, such as 'crc-32 0..0x1FFB = stored 0x1FFC le'."),
    ] = None,
    undo: Annotated[
        list[str] | None,
        _files("--undo", "A fault to take back, such as 'swap A3 A4'; 'none': look for no fault either."),
    ] = None,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="Write the contents here.", show_default=False)
    ] = None,
    file_format: Annotated[
        str | None,
        typer.Option(
            "--format", help="binary, intel-hex or s-record; else by the file's name.", show_default=False
        ),
    ] = None,
    map_file: Annotated[
        Path | None, typer.Option("--map", help="Write a CSV table of every word.", show_default=False)
    ] = None,
    allow_unknown: Annotated[
        bool, typer.Option("--allow-unknown", help="Write bits that are unknown at their likelier level.")
    ] = False,
    noise: options.ReadNoise = READ_NOISE,
    as_json: options.Json = False,
) -> int:
    """Rebuild a chip's contents from everything there is, and say of each bit how sure it is.

    Exit code 1 when bits remain unknown or a checksum does not hold.
    """
    chip = options.chip_meant(chip, chip_option)
    form = _format(output, file_format)
    if machine.is_dir():
        given = (reading, twin, listing, capture, point, reference)
        with incase.working(machine) as work, progress_bar("Rebuilding", quiet=as_json) as progress:
            done = _of_case(work, chip, given, checksum or [], undo or [], progress)
            described = work.machine
        wanted = rom_named(described, chip)
    else:
        described = load_machine(machine, recipe_names=recipe_names(), require_files=False)
        wanted = rom_named(described, chip)
        if point is not None:
            point_named(described, point)  # a slip is told, whether or not a capture is read
        sources = ChipSources(described, machine, wanted, noise)
        others = sources.twins(twin or []) + sources.listings(listing or [])
        others += sources.references() if reference else []
        with progress_bar("Reading the capture", quiet=as_json) as progress:
            others += sources.captures(capture or [], point, progress)
        if not reading and not others:
            raise UsageError(
                "There is nothing to rebuild from.", "Give a --reading, a --twin, a --listing or a --capture."
            )
        with progress_bar("Rebuilding", quiet=as_json):
            done = sources.rebuilt(sources.loaded(reading or []), others, checksum or [], undo or [])
        if not reference:
            noted = (*done.rebuilt.notes, *sources.left_out(done.rebuilt))
            done = replace(done, rebuilt=replace(done.rebuilt, notes=noted))
    rebuilt = done.rebuilt
    shape = Shape(wanted.words, wanted.bits, described.processor_of(wanted.processor).byte_order)
    written = _write_all(rebuilt, shape, output, form, map_file, allow_unknown)
    told = Told(described, wanted, done.sources, done.passes, done.undone, written)
    if as_json:
        print_json(rebuilt_as_json(told, rebuilt))
    else:
        show_rebuilt(told, rebuilt)
    return int(not rebuilt.complete)


def _format(output: Path | None, named: str | None) -> FormatName:
    """The output's format, by name or by the file's ending."""
    writable = [name for name, row in FORMATS.items() if row.write is not None]
    if named is not None:
        for name in writable:
            if name == named:
                return name
        raise UsageError(f"{named!r} is not written.", f"Choose one of {', '.join(writable)}.")
    ending = "" if output is None else output.suffix.lower()
    if ending in (".hex", ".ihx", ".ihex"):
        return "intel-hex"
    return "s-record" if ending in (".s19", ".s28", ".s37", ".srec", ".mot") else "binary"


def _of_case(
    work: Casework,
    chip: str | None,
    given: Sequence[object],
    checksums: Sequence[str],
    undo: Sequence[str],
    progress: Progress,
) -> Rebuilding:
    """A chip rebuilt from everything in a case."""
    if any(given):
        raise UsageError(
            "The sources of a case are in its folder.",
            "Add files with 'wrongbit add', or name the machine file in place of the folder.",
        )
    return work.rebuilding(
        rom_named(work.machine, chip).name, checksums=checksums, undo=undo, progress=progress
    )


def _write_all(
    rebuilt: Rebuilt,
    shape: Shape,
    output: Path | None,
    form: FormatName,
    map_file: Path | None,
    allow_unknown: bool,
) -> tuple[str, ...]:
    """Write what was asked for; what became of it, in sentences."""
    told = []
    if map_file is not None:
        _write_text(map_file, map_text(rebuilt))
        told.append(f"The map is in {map_file}.")
    if output is not None:
        try:
            image = image_of(rebuilt, allow_unknown=allow_unknown)
        except ImageError as error:
            told.append(f"{output} was not written: {error.message} {error.remedy}")
        else:
            narrow = image if shape.bits <= 8 else as_bytes(image, shape.byte_order)
            write_image(output, narrow, form)
            told.append(f"The contents are in {output} ({FORMATS[form].title}).")
            told += image.notes
    return tuple(told)


def _write_text(path: Path, text: str) -> None:
    """A text file that appears whole or not at all."""
    name = ""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except OSError as error:
        if name:
            Path(name).unlink(missing_ok=True)
        raise UsageError(f"{path} cannot be written: {error.strerror}.", "Choose another place.") from None
