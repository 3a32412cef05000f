"""``wrongbit files``: write what the programmer needs, and read it back."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Annotated, cast

import typer
from rich.text import Text

from wrongbit.casework.plans import is_machine_file
from wrongbit.casework.references import Disagreement, disagreement, references_of
from wrongbit.casework.sources import ChipSources
from wrongbit.cli import fitting, incase, options
from wrongbit.cli.show import indented, out, plain_table, print_json, show_notes
from wrongbit.compare.memory_map import ChipMap
from wrongbit.diagnose.case import machine_file_of
from wrongbit.errors import ImageError, UsageError, WrongbitError
from wrongbit.image.contents import Contents
from wrongbit.image.formats import FormatName
from wrongbit.image.lanes import ByteOrder
from wrongbit.image.load import load_chip_contents
from wrongbit.machine.load import load_machine
from wrongbit.machine.lookup import chip_named, rom_named
from wrongbit.machine.model import Chip, ImageFile, Listing, Machine
from wrongbit.reading.rebuild import image_of
from wrongbit.reading.stack import READ_NOISE
from wrongbit.replace.fit import Plan
from wrongbit.replace.programmer import ALL_FORMATS, WrittenFile, write_programmer_files
from wrongbit.units import format_address, format_word

app = typer.Typer(add_completion=False, rich_markup_mode=None)

ImagePaths = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="IMAGE…",
        help="Contents of the old chip, one for each jumper setting; left out: the machine file's reference.",
        show_default=False,
    ),
]


@dataclass(frozen=True)
class _Reading:
    """How an image that is named is read."""

    take: str
    word_bits: int | None
    word_base: int
    address_base: int
    unknown: bool

    def of(self, path: Path) -> ImageFile:
        """The file as a machine file would name it."""
        entry = {"file": str(path), "take": self.take, "word_bits": self.word_bits}
        entry |= {"word_radix": self.word_base, "address_radix": self.address_base}
        return ImageFile.model_validate(entry)


@app.command()
def files(
    file: fitting.Source,
    chip: options.ChipName = None,
    image: ImagePaths = None,
    out_folder: Annotated[Path, typer.Option("--folder", help="Where the files go.")] = Path("programmer"),
    formats: Annotated[
        list[str] | None,
        typer.Option("--format", help="binary, intel-hex or s-record; left out: all.", show_default=False),
    ] = None,
    take: Annotated[
        str, typer.Option("--take", help="Part of the image: all, even, odd, low or high.")
    ] = "all",
    byte_order: Annotated[
        str, typer.Option("--byte-order", help="Bytes of wide words in the files: little or big.")
    ] = "little",
    word_bits: Annotated[
        int | None,
        typer.Option(
            "--word-bits", min=1, max=64, help="A typed listing: bits of a word.", show_default=False
        ),
    ] = None,
    word_base: Annotated[
        int, typer.Option("--word-base", help="A typed listing: number base of the words, 8, 10 or 16.")
    ] = 16,
    address_base: Annotated[
        int,
        typer.Option("--address-base", help="A typed listing: number base of the addresses, 8, 10 or 16."),
    ] = 16,
    rebuilt: Annotated[
        bool,
        typer.Option("--rebuilt", help="Of a case folder: the contents as rebuilt from all that is in it."),
    ] = False,
    allow_unknown: Annotated[
        bool, typer.Option("--allow-unknown", help="Write bits that are not known as 1.")
    ] = False,
    anyway: Annotated[
        bool,
        typer.Option(
            "--anyway", help="Write a file that is not what the reference says the chip should hold."
        ),
    ] = False,
    overwrite: Annotated[bool, typer.Option("--replace", help="Replace files that exist.")] = False,
    chip_option: options.ChipOption = None,
    shape: fitting.ShapeName = None,
    select: fitting.SelectLevels = None,
    latched_by: fitting.LatchSignal = None,
    memory: fitting.MemoryName = None,
    grade: fitting.GradeName = None,
    latch: fitting.LatchNumber = "573",
    family: fitting.FamilyNames = None,
    buffer: fitting.BufferNumber = "auto",
    margin: fitting.Margin = 0.0,
    made_today: fitting.CurrentOnly = False,
    as_json: options.Json = False,
) -> int:
    """Write a file for the programmer for each memory of a replacement, with labels, and read them back.

    An image that is named is compared with what the chip should hold; one that differs is written with
    --anyway only.
    """
    kinds = [_one_of("--format", kind, ALL_FORMATS) for kind in formats or ALL_FORMATS]
    order = cast(ByteOrder, _one_of("--byte-order", byte_order, ("little", "big")))
    part = _one_of("--take", take, ("all", "even", "odd", "low", "high"))
    for option, base in (("--word-base", word_base), ("--address-base", address_base)):
        _one_of(option, str(base), ("8", "10", "16"))
    chip, paths = _chip_and_images(file, chip, image or [], chip_option)
    choice = fitting.choice_of(memory, grade, latch, family, buffer, margin, made_today)
    asked = fitting.Asked(
        file, chip, shape, tuple(select or ()), latched_by, choice, len(paths) if len(paths) > 1 else None
    )
    plan = fitting.find_plans(asked).best
    how = _Reading(part, word_bits, word_base, address_base, allow_unknown)
    images, read = _images(asked, plan, paths, how, order, rebuilt=rebuilt)
    compared, notes = _compared(asked, images, paths) if paths else ([], ())
    notes = (*read, *notes)
    _refuse_wrong(compared, plan, anyway)
    chosen = cast(list[FormatName], kinds)
    try:
        written = write_programmer_files(
            images,
            plan,
            out_folder,
            chosen,
            allow_unknown=allow_unknown,
            replace=overwrite,
            byte_order=order,
        )
    except ImageError as error:
        if file.is_dir() and not rebuilt and not allow_unknown:
            error.remedy += " Or take what everything in the case gives: --rebuilt."
        raise
    if as_json:
        print_json(
            {
                "part": plan.name,
                "files": [asdict(each) for each in written],
                "compared": [{"image": str(path), **asdict(found)} for path, found in compared],
                "notes": list(notes),
            }
        )
    else:
        _show(plan, written)
        show_notes([*notes, *(_told(path, found, plan) for path, found in compared)])
    return 0


def _compared(
    asked: fitting.Asked, images: Sequence[Contents], paths: Sequence[Path]
) -> tuple[list[tuple[Path, Disagreement]], tuple[str, ...]]:
    """Each image beside what the chip should hold, and why where that cannot be told."""
    if asked.chip is None:
        return [], ()
    try:
        should = _reference(asked.file, asked.chip)
    except WrongbitError as error:
        return [], (f"Not compared with what {asked.chip} should hold: {error}",)
    if not should.known.any():
        return [], (
            f"Nothing says what {asked.chip} should hold: what is written was compared with nothing.",
        )
    return [(path, disagreement(should, image)) for path, image in zip(paths, images, strict=True)], ()


def _reference(file: Path, name: str) -> ChipMap:
    """What a ROM should hold, of a case with the references that were added to it."""
    if file.is_dir():
        with incase.working(file) as work:
            return work.reference(name)
    machine = load_machine(file, require_files=False)
    return references_of(machine, rom_named(machine, name), file.parent)[0]


def _refuse_wrong(compared: Sequence[tuple[Path, Disagreement]], plan: Plan, anyway: bool) -> None:
    """Of several images, one for each jumper setting, one at least is to be what the chip should hold.

    Raises:
        UsageError: None is, and nobody has said that it is meant.
    """
    if anyway or not compared or any(not found.differ for _, found in compared):
        return
    path, found = compared[0]
    raise UsageError(
        _told(path, found, plan),
        "Leave the file out to write the reference, or name a rebuilt image. If this file is right and the "
        "reference is not, say so with --anyway.",
    )


def _told(path: Path, found: Disagreement, plan: Plan) -> str:
    """A comparison in a sentence."""
    name, bits = plan.need.designator, plan.need.bits
    if found.first is None:
        return f"{path} is what {name} should hold, in all {found.compared} words that the reference has."
    return (
        f"{path} is not what {name} should hold: {found.differ} of {found.compared} words differ, first at "
        f"{format_address(found.first, max(plan.need.words - 1, 1).bit_length())} of the chip: "
        f"{format_word(found.expected, bits)} by the reference, {format_word(found.found, bits)} in the file."
    )


def _chip_and_images(
    file: Path, word: str | None, rest: list[Path], named: str | None
) -> tuple[str | None, list[Path]]:
    """What the words after FILE are: a requirement file is of one chip, so that all of them are images."""
    if word is not None and named is None and not file.is_dir() and not is_machine_file(file):
        return None, [Path(word), *rest]
    return options.chip_and_files(word, rest, named)


def _one_of(option: str, value: str, allowed: tuple[str, ...]) -> str:
    if value not in allowed:
        raise UsageError(f"{option} {value!r} is not known.", f"Choose {', '.join(allowed)}.")
    return value


def _images(
    asked: fitting.Asked, plan: Plan, paths: list[Path], how: _Reading, order: ByteOrder, *, rebuilt: bool
) -> tuple[list[Contents], tuple[str, ...]]:
    """The old chip's contents, by the same rules as a machine file's image, and notes on how they were read.

    Bytes of wide words are in the processor's order where a machine file tells it, else in that of the files
    to be written.
    """
    need = plan.need
    if asked.chip is None:
        if not paths or rebuilt:
            raise UsageError("No image is named.", "Name the file with the old chip's contents after FILE.")
        return [
            load_chip_contents(how.of(path), need.words, need.bits, Path(), byte_order=order)
            for path in paths
        ], ()
    if rebuilt:
        if paths or not asked.file.is_dir():
            raise UsageError(
                "--rebuilt takes the contents from what is in a case folder.",
                "Name the case folder and no image, or write them first: 'wrongbit rebuild … -o FILE'.",
            )
        with incase.working(asked.file) as work:
            return [image_of(work.rebuilt(asked.chip), allow_unknown=how.unknown)], (
                f"{asked.chip} as everything in the case gives it; see 'wrongbit rebuild {asked.file} "
                f"{asked.chip}' for how sure each bit is.",
            )
    file = machine_file_of(asked.file) if asked.file.is_dir() else asked.file
    machine = load_machine(file, require_files=False)
    chip = chip_named(machine, asked.chip)
    order = machine.processor_of(chip.processor).byte_order
    if paths:
        read = [_image_or_listing(machine, file, chip, path, how) for path in paths]
        return [contents for contents, _ in read], tuple(note for _, note in read if note)
    if chip.image is not None:
        return [load_chip_contents(chip.image, need.words, need.bits, file.parent, byte_order=order)], ()
    return [_referenced(asked.file, chip)], ()


def _image_or_listing(
    machine: Machine, file: Path, chip: Chip, path: Path, how: _Reading
) -> tuple[Contents, str]:
    """A file of the chip's own words, or a listing of the processor's, and a note where it is the latter.

    Raises:
        ImageError: It is neither.
    """
    order = machine.processor_of(chip.processor).byte_order
    try:
        return load_chip_contents(how.of(path), chip.words, chip.bits, Path(), byte_order=order), ""
    except ImageError as error:
        own = ChipSources(machine, file, chip, READ_NOISE)
        entry = {"file": str(path.absolute()), "processor": own.processor.name}
        bases = {"word_radix": how.word_base, "address_radix": how.address_base}
        listed = None
        with suppress(WrongbitError):
            listed = own.listed(Listing.model_validate(entry | bases))
        if listed is None:
            raise error
    return replace(listed, source=str(path)), (
        f"{path} was read as a listing of the words of {own.processor.name}: {chip.name} was taken out of it "
        "by its addresses and its data lines, without --take."
    )


def _referenced(file: Path, chip: Chip) -> Contents:
    """What the listings say that a chip should hold, or an image that was added to the case.

    Raises:
        UsageError: Nothing says anything of it.
    """
    should = _reference(file, chip.name)
    if not should.known.any():
        raise UsageError(
            f"The machine file names no image for {chip.name}, and no listing with a word of it.",
            f"Name the file with its contents after {chip.name}"
            + (", or take what was rebuilt with --rebuilt." if file.is_dir() else "."),
        )
    return Contents(should.contents, should.known, chip.bits, source=f"the reference of {chip.name}")


def _show(plan: Plan, written: tuple[WrittenFile, ...]) -> None:
    out.print(Text(f"{plan.need.designator}: files for {plan.name}, read back and found equal", "bold"))
    rows = plain_table(
        ("file", "left"), ("chip", "left"), ("format", "left"), ("bytes", "right"), ("sum", "left"),
        ("CRC-32", "left"),
    )  # fmt: skip
    for each in written:
        label = each.kind == "label"
        size = "" if label else str(each.size)
        sums = ("", "") if label else (f"{each.sum16:04X}", f"{each.crc32:08X}")
        rows.add_row(str(each.path), each.chip, each.kind, size, *sums)
    out.print(indented(rows))
