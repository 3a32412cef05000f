"""``wrongbit rebuild``: a chip's contents from readings, captures, twins, listings and checksums."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from wrongbit.bus.cycles import Cycles
from wrongbit.bus.recipes import recipe_names
from wrongbit.cli import options
from wrongbit.cli.rebuilt import Told, rebuilt_as_json, show_rebuilt
from wrongbit.cli.show import print_json, progress_bar
from wrongbit.compare.build import build_memory_map
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.errors import ImageError, UsageError
from wrongbit.image.contents import Contents
from wrongbit.image.formats import FORMATS, FormatName, write_image
from wrongbit.image.lanes import as_bytes
from wrongbit.image.load import load_chip_contents
from wrongbit.job import Job, read_capture
from wrongbit.machine.load import load_machine
from wrongbit.machine.model import Chip, Listing, Machine, Point
from wrongbit.reading.constraints import Constraint, parse_constraint
from wrongbit.reading.found import find_steps
from wrongbit.reading.readings import Reading, load_reading, load_readings
from wrongbit.reading.rebuild import Rebuilt, Shape, image_of, map_text, rebuild
from wrongbit.reading.sources import Source, combine, from_bus, from_contents, from_passes
from wrongbit.reading.stack import READ_NOISE
from wrongbit.reading.undo import Bench, Step, parse_step, undo_all

app = typer.Typer(add_completion=False, rich_markup_mode=None)

ChipName = Annotated[
    str, typer.Argument(metavar="CHIP", help="The chip's name in the machine file.", show_default=False)
]


def _files(name: str, says: str) -> object:
    return typer.Option(name, help=says, show_default=False)


@app.command("rebuild")
def rebuild_verb(
    machine: options.MachineFile,
    chip: ChipName,
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
        bool, typer.Option("--reference", help="The machine file's own image is a source too.")
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
    form = _format(output, file_format)
    described = load_machine(machine, recipe_names=recipe_names(), require_files=False)
    work = _Work(described, machine, _chip(described, chip), noise)
    others = work.twins(twin or []) + work.listings(listing or [])
    others += work.references() if reference else []
    others += work.captures(capture or [], point, quiet=as_json)
    if not reading and not others:
        raise UsageError(
            "There is nothing to rebuild from.", "Give a --reading, a --twin, a --listing or a --capture."
        )
    with progress_bar("Rebuilding", quiet=as_json):
        bench, asked = work.bench(reading or [], undo or [], others)
        sources = (
            [from_passes(bench.readings, "reading", "readings", noise=noise)] if reading else []
        ) + others
        constraints = work.constraints(checksum or [], sources)
        rebuilt = rebuild(
            work.shape, sources, partners=bench.partners, constraints=constraints, notes=work.notes
        )
    written = _write_all(rebuilt, work.shape, output, form, map_file, allow_unknown)
    told = Told(described, work.chip, sources, len(bench.readings), asked, written)
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


def _chip(machine: Machine, name: str) -> Chip:
    roms = [chip for chip in machine.chip if chip.kind == "rom"]
    for chip in roms:
        if chip.name == name:
            return chip
    names = ", ".join(chip.name for chip in roms) or "none"
    raise UsageError(f"{machine.machine.name} has no ROM {name!r}.", f"Its ROMs are: {names}.")


class _Work:
    """Opens the files that were named; collects what their readers note."""

    def __init__(self, machine: Machine, file: Path, chip: Chip, noise: float) -> None:
        self.machine, self.file, self.chip, self.noise = machine, file, chip, noise
        self.processor = machine.processor_of(chip.processor)
        self.shape = Shape(chip.words, chip.bits, self.processor.byte_order)
        self.notes: list[str] = []

    def map(self, listings: Sequence[Listing] = ()) -> MemoryMap:
        """The bus with nothing known of any ROM but what these listings say."""
        blank = tuple(chip.model_copy(update={"image": None}) for chip in self.machine.chip)
        machine = self.machine.model_copy(update={"chip": blank, "listing": tuple(listings)})
        return build_memory_map(machine, self.processor, self.file.parent)

    def mine(self, memory_map: MemoryMap) -> ChipMap:
        """The chip in a map."""
        return next(chip for chip in memory_map.chips if chip.name == self.chip.name)

    def twins(self, paths: Sequence[Path]) -> list[Source]:
        """Each twin is a source of its own."""
        found = []
        for path in paths:
            one = Reading(self._load(path), name=path.name)
            found.append(from_passes([one], "twin", f"twin {path.name}", noise=self.noise))
        return found

    def _load(self, path: Path) -> Contents:
        return load_reading(path, self.chip.words, self.chip.bits, byte_order=self.processor.byte_order)

    def listings(self, paths: Sequence[Path]) -> list[Source]:
        """Each listing, as far as it concerns the chip."""
        found = []
        for path in paths:
            entry = Listing(file=str(path.absolute()), format="auto", processor=self.processor.name)
            try:
                memory_map = self.map([entry])
            except ImageError as error:
                error.file = str(path)  # as the person named it
                raise
            mine = self.mine(memory_map)
            if not mine.known.any():
                raise ImageError(
                    f"no word of it lies in {self.chip.name}.",
                    "A listing has addresses as the processor sees them; check them and the chip's region.",
                    file=str(path),
                )
            contents = Contents(mine.contents, mine.known, self.chip.bits)
            found.append(from_contents(contents, "listing", f"listing {path.name}"))
        return found

    def references(self) -> list[Source]:
        """The image that the machine file names."""
        if self.chip.image is None:
            raise UsageError(
                f"The machine file names no image for {self.chip.name}.", "Leave --reference out."
            )
        contents = load_chip_contents(
            self.chip.image,
            self.chip.words,
            self.chip.bits,
            self.file.parent,
            byte_order=self.processor.byte_order,
        )
        return [from_contents(contents, "reference", f"reference {self.chip.image.file}")]

    def captures(self, paths: Sequence[Path], point: str | None, *, quiet: bool) -> list[Source]:
        """All captures together: they share the bus, so that they are one source."""
        if not paths:
            return []
        chosen = self._point(point)
        if self.machine.processor_of(chosen.processor) is not self.processor:
            raise UsageError(
                f"Probe point {chosen.name} sees the bus of {chosen.processor}, not that of "
                f"{self.chip.name} ({self.processor.name}).",
                "Choose a point on the chip's own bus.",
            )
        memory_map = self.map()
        job = Job(self.machine, self.file, self.processor, chosen, memory_map)
        parts = []
        with progress_bar("Reading the capture", quiet=quiet) as progress:
            for path in paths:
                cycles, notes = read_capture(job, path, progress)
                parts.append(cycles)
                self.notes += [f"{path.name}: {note}" for note in notes]
        name = "capture " + ", ".join(path.name for path in paths)
        return [from_bus(Cycles.join(parts), memory_map, self.mine(memory_map), name, noise=self.noise)]

    def _point(self, name: str | None) -> Point:
        try:
            return self.machine.point_of(name)
        except KeyError:
            names = ", ".join(point.name for point in self.machine.point) or "none"
            raise UsageError(
                "Which probe point the capture is from is not clear."
                if name is None
                else f"There is no probe point {name!r}.",
                f"Say it with --point; the machine file has: {names}.",
            ) from None

    def bench(
        self, paths: Sequence[Path], texts: Sequence[str], others: Sequence[Source]
    ) -> tuple[Bench, tuple[str, ...]]:
        """The readings without their fault, asked for or found, and the faults that were taken back."""
        if texts and not paths:
            raise UsageError(
                "There is no reading from which a fault could be taken back.", "Give a --reading."
            )
        if not paths:
            return Bench((), (), ()), ()
        order = self.processor.byte_order
        readings = load_readings(paths, self.chip.words, self.chip.bits, byte_order=order)
        for reading in readings:
            notes = [note for note in reading.contents.notes if not note.startswith("Read as ")]
            self.notes += [f"{reading.name}: {note}" for note in notes]
        steps: tuple[Step, ...] = ()
        if texts == ["none"]:
            pass
        elif texts:
            steps = tuple(
                parse_step(text, self.chip.bits, self.chip.words, part=self.chip.name) for text in texts
            )
        elif others:
            steps, found = self._find(readings, others)
            self.notes += found
        bench = undo_all(readings, steps)
        self.notes += bench.notes
        return bench, tuple(step.says for step in steps)

    def _find(
        self, readings: Sequence[Reading], others: Sequence[Source]
    ) -> tuple[tuple[Step, ...], tuple[str, ...]]:
        """The fault that readings show beside the other sources."""
        known = rebuild(self.shape, others).contents
        return find_steps(readings, self.mine(self.map()), known, chip_type=self.chip.type, noise=self.noise)

    def constraints(self, texts: Sequence[str], sources: Sequence[Source]) -> list[Constraint]:
        """The checksums; a header's rule reads the bytes as far as they are known."""
        if not texts:
            return []
        self.shape.check()
        data = self.shape.to_bytes(combine(sources, (self.chip.words, self.chip.bits)) > 0)
        return [parse_constraint(text, len(data), np.asarray(data).tobytes()) for text in texts]


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
