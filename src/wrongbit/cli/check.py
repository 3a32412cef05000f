"""``wrongbit check``: what a machine file says, as wrongbit understands it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.text import Text

from wrongbit.cli import options
from wrongbit.cli.entered import plain
from wrongbit.cli.show import (
    QUIET,
    err,
    hex_word,
    indented,
    out,
    plain_table,
    print_json,
    show_cautions,
    show_notes,
)
from wrongbit.errors import UsageError
from wrongbit.machine.overview import Overview

if TYPE_CHECKING:
    from wrongbit.bringup.ladder import Rung
    from wrongbit.compare.build import ListedWords
    from wrongbit.machine.model import Machine

app = typer.Typer(add_completion=False, rich_markup_mode=None)

MachineFile = Annotated[
    Path | None,
    typer.Argument(metavar="MACHINE", help="The machine file (TOML), or a case folder.", show_default=False),
]


@app.command()
def check(
    machine: MachineFile = None,
    schema: Annotated[bool, typer.Option("--schema", help="Print the JSON Schema of machine files.")] = False,
    as_json: options.Json = False,
) -> int:
    """Check a machine file with the references that it names, and show what it says."""
    from wrongbit.bringup.ladder import rungs_of
    from wrongbit.compare.build import build_memory_map, listed_words
    from wrongbit.machine.model import json_schema
    from wrongbit.machine.overview import overview

    if schema:
        print_json(json_schema())
        return 0
    if machine is None:
        raise UsageError("No machine file was named.", "Run: wrongbit check MACHINE.toml")
    loaded, machine, names = _loaded(machine)
    notes: list[str] = []
    for processor in loaded.processor:
        notes += build_memory_map(loaded, processor, machine.parent).notes
    listings = [
        replace(each, file=names.get(each.file, each.file))
        for processor in loaded.processor
        for each in listed_words(loaded, processor, machine.parent)
    ]
    seen = overview(loaded)
    rungs = rungs_of(loaded)
    if as_json:
        print_json(
            {
                **asdict(seen),
                "listings": [asdict(each) for each in listings],
                "bring_up": _rungs_as_json(rungs),
                "reference_notes": notes,
            }
        )
        return 0
    _show(seen, listings, rungs)
    if notes:
        out.print()
        show_notes(notes)
    err.print(f"{machine} can be used.", style=QUIET)
    return 0


def _loaded(place: Path) -> tuple[Machine, Path, dict[str, str]]:
    """The machine with its file; of a case with the references that were added to it, and their names."""
    from wrongbit.bus.recipes import recipe_names
    from wrongbit.casework.unkept import JOURNALS
    from wrongbit.diagnose.case import CASE_FILE, MACHINE_FILE, machine_file_of
    from wrongbit.machine.load import load_machine

    if place.is_dir() and any((place / name).exists() for name in JOURNALS):
        from wrongbit.case.entries import ReferenceAdded
        from wrongbit.cli import incase

        with incase.working(place) as work:
            added = [each.file for _, each in work.case.of_kind(ReferenceAdded)]
            names = {str(work.case.path_of(each).absolute()): f"{each.name} (added)" for each in added}
            return work.machine, work.case.machine_file, names
    known = any((place / name).is_file() for name in (CASE_FILE, MACHINE_FILE))
    file = machine_file_of(place) if known else place  # of any other folder, loading tells what lies in it
    return load_machine(file, recipe_names=recipe_names()), file, {}


def _listings(listings: Sequence[ListedWords], address_bits: dict[str, int]) -> None:
    """Every listing with the words that it has of each ROM."""
    if not listings:
        return
    out.print()
    table = plain_table(
        ("listing", "left"), ("addresses", "left"), ("words", "right"), ("of which ROM", "left")
    )
    for each in listings:
        bits = address_bits[each.processor]
        where = "–"
        if each.first is not None and each.last is not None:
            where = f"{hex_word(each.first, bits)}–{hex_word(each.last, bits)}"
            where += f" bank {each.bank}" if each.bank is not None else ""
        told = [f"{chip.words} of {chip.of} of {chip.chip}" for chip in each.chips]
        told += [f"{each.nowhere} where no ROM answers"] if each.nowhere else []
        table.add_row(plain(each.file), where, f"{each.words}", ", ".join(told) or "none")
    out.print(indented(table))


def _show(seen: Overview, listings: Sequence[ListedWords], rungs: Sequence[Rung]) -> None:
    out.print(Text.assemble((seen.name, "bold"), " (invented)" if seen.invented else ""))
    show_cautions(seen.cautions)
    if seen.notes:
        out.print(Text(seen.notes, QUIET), soft_wrap=True)
    for processor in seen.processors:
        out.print()
        told = (
            processor.family,
            f"{processor.word_bits}-bit words",
            f"{processor.address_bits}-bit addresses of {processor.address_unit}s",
            f"bus recipe {processor.recipe}",
            f"clock {processor.clock}" if processor.clock else "",
        )
        out.print(
            Text.assemble((f"{processor.name}:", "bold"), " ", ", ".join(filter(None, told))), soft_wrap=True
        )
        if processor.start_address is not None:
            chips = " and ".join(processor.starts_in) or "no memory"
            start = hex_word(processor.start_address, processor.address_bits)
            out.print(f"  first fetch at {start}, from {chips}")
        _memory(seen, processor.name, processor.address_bits)
    _listings(listings, {each.name: each.address_bits for each in seen.processors})
    _points(seen)
    _paths(seen)
    _bring_up(rungs)
    for remark in seen.remarks:
        out.print(f"  look again: {remark}", soft_wrap=True)


def _points(seen: Overview) -> None:
    if not seen.points:
        return
    out.print()
    kind = {"timing": "samples, many a clock", "state": "samples, one a clock", "cycles": "whole bus cycles"}
    points = plain_table(("probe point", "left"), ("processor", "left"), ("captures are", "left"))
    for point in seen.points:
        points.add_row(point.name, point.processor, kind[point.mode])
    out.print(indented(points))


def _paths(seen: Overview) -> None:
    """What lies between chips and processors."""
    if not seen.paths:
        return
    out.print()
    table = plain_table(
        ("path", "left"), ("carries", "left"), ("bits", "left"), ("way", "left"), ("probe", "left")
    )
    for path in seen.paths:
        way = " → ".join(path.way) + (" (inverted)" if path.inverting else "")
        probes = ", ".join(
            f"{name} {'behind ' + part if part else 'at its beginning'}" for name, part in path.points
        )
        table.add_row(path.name, path.carries, path.signals, way, probes)
    out.print(indented(table))


def _bring_up(rungs: Sequence[Rung]) -> None:
    """What `wrongbit ladder` judges before any bus is looked at."""
    if not rungs:
        return
    out.print()
    table = plain_table(("before any bus", "left"), ("limits", "left"), ("where", "left"))
    for rung in rungs:
        table.add_row(rung.title, rung.wanted, rung.test_point)
    out.print(indented(table))


def _rungs_as_json(rungs: Sequence[Rung]) -> list[dict[str, Any]]:
    return [
        {"group": rung.group, "name": rung.title, "limits": rung.wanted, "test_point": rung.test_point}
        for rung in rungs
    ]


def _memory(seen: Overview, processor: str, address_bits: int) -> None:
    rows: list[tuple[int, int, tuple[str, ...]]] = []
    banked = any(region.bank is not None for region in seen.regions)
    for region in seen.regions:
        if region.processor == processor:
            bank = "every" if region.bank is None else str(region.bank)
            rows.append(
                (
                    region.first,
                    0,
                    (
                        f"{hex_word(region.first, address_bits)}–{hex_word(region.last, address_bits)}",
                        bank,
                        region.chip,
                        region.kind,
                        region.type,
                        region.lane,
                        region.contents,
                    ),
                )
            )
    for gap in seen.gaps:
        if gap.processor == processor:
            bank = "every" if gap.bank is None else str(gap.bank)
            what = f"nobody drives bits {gap.bits}" if gap.bits else "nobody answers"
            rows.append(
                (
                    gap.first,
                    1,
                    (
                        f"{hex_word(gap.first, address_bits)}–{hex_word(gap.last, address_bits)}",
                        bank,
                        "–",
                        "",
                        "",
                        "",
                        what,
                    ),
                )
            )
    columns = [
        ("addresses", "left"),
        ("bank", "left"),
        ("chip", "left"),
        ("kind", "left"),
        ("type", "left"),
        ("bits", "left"),
        ("should hold", "left"),
    ]
    if not banked:
        columns.pop(1)
    table = plain_table(*columns)
    for _, gap_row, cells in sorted(rows, key=lambda row: row[:2]):
        shown = cells if banked else (cells[0], *cells[2:])
        table.add_row(*shown, style=QUIET if gap_row else None)
    out.print(indented(table))
