"""``wrongbit files``: write what the programmer needs, and read it back."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated, cast

import typer
from rich.text import Text

from wrongbit.casework.plans import is_machine_file
from wrongbit.cli import fitting, options
from wrongbit.cli.show import indented, out, plain_table, print_json
from wrongbit.diagnose.case import machine_file_of
from wrongbit.errors import UsageError
from wrongbit.image.contents import Contents
from wrongbit.image.formats import FormatName
from wrongbit.image.lanes import ByteOrder
from wrongbit.machine.load import load_machine
from wrongbit.machine.lookup import chip_named
from wrongbit.machine.model import Chip, ImageFile
from wrongbit.replace.fit import Plan
from wrongbit.replace.programmer import ALL_FORMATS, WrittenFile, write_programmer_files

app = typer.Typer(add_completion=False, rich_markup_mode=None)

ImagePaths = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="IMAGE…",
        help="Contents of the old chip, one for each jumper setting; left out: the machine file's image.",
        show_default=False,
    ),
]


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
    allow_unknown: Annotated[
        bool, typer.Option("--allow-unknown", help="Write bits that are not known as 1.")
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
    """Write a file for the programmer for each memory of a replacement, with labels, and read them back."""
    kinds = [_one_of("--format", kind, ALL_FORMATS) for kind in formats or ALL_FORMATS]
    order = cast(ByteOrder, _one_of("--byte-order", byte_order, ("little", "big")))
    part = _one_of("--take", take, ("all", "even", "odd", "low", "high"))
    chip, paths = _chip_and_images(file, chip, image or [], chip_option)
    choice = fitting.choice_of(memory, grade, latch, family, buffer, margin, made_today)
    asked = fitting.Asked(
        file, chip, shape, tuple(select or ()), latched_by, choice, len(paths) if len(paths) > 1 else None
    )
    plan = fitting.find_plans(asked).best
    images = _images(asked, plan, paths, part, order)
    chosen = cast(list[FormatName], kinds)
    written = write_programmer_files(
        images, plan, out_folder, chosen, allow_unknown=allow_unknown, replace=overwrite, byte_order=order
    )
    if as_json:
        print_json({"part": plan.name, "files": [asdict(each) for each in written]})
    else:
        _show(plan, written)
    return 0


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
    asked: fitting.Asked, plan: Plan, paths: list[Path], part: str, order: ByteOrder
) -> list[Contents]:
    """The old chip's contents, by the same rules as a machine file's image.

    Bytes of wide words are in the processor's order where a machine file tells it, else in that of the files
    to be written.
    """
    from wrongbit.image.load import load_chip_contents

    entries = [(Path(), ImageFile.model_validate({"file": str(path), "take": part})) for path in paths]
    if asked.chip is None and not entries:
        raise UsageError("No image is named.", "Name the file with the old chip's contents after FILE.")
    if asked.chip is not None:
        file = machine_file_of(asked.file) if asked.file.is_dir() else asked.file
        machine = load_machine(file, require_files=False)
        chip = chip_named(machine, asked.chip)
        order = machine.processor_of(chip.processor).byte_order
        entries = entries or [(file.parent, _machines_own(chip))]
    need = plan.need
    return [
        load_chip_contents(entry, need.words, need.bits, folder, byte_order=order)
        for folder, entry in entries
    ]


def _machines_own(chip: Chip) -> ImageFile:
    if chip.image is None:
        raise UsageError(
            f"The machine file names no image for {chip.name}.",
            f"Name the file with its contents after {chip.name}.",
        )
    return chip.image


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
