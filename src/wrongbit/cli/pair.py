"""``wrongbit pair``: two captures side by side, with no reference."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from rich.text import Text

from wrongbit.align.runs import Place, RunsCompared, compare_runs
from wrongbit.bus.cycles import Cycles
from wrongbit.casework.words import known_word
from wrongbit.cli import options
from wrongbit.cli.show import (
    ACCENT,
    QUIET,
    hex_word,
    indented,
    out,
    plain_table,
    print_json,
    progress_bar,
    show_notes,
)
from wrongbit.job import Job, open_job, read_capture
from wrongbit.machine.recipe import KINDS

app = typer.Typer(add_completion=False, rich_markup_mode=None)

SHOWN = 12
"""Places that are listed."""


@app.command()
def pair(
    machine: options.MachineFile,
    capture: options.CaptureFile,
    other: Annotated[Path, typer.Argument(metavar="OTHER", help="The capture to compare with.")],
    point: options.PointName = None,
    other_point: Annotated[
        str | None, typer.Option("--other-point", help="Probe point of the other capture, if it is another.")
    ] = None,
    as_json: options.Json = False,
) -> int:
    """Compare two captures: two runs of one machine, or a sick machine and its sound twin.

    Exit code 1 when words differ where they should not.
    """
    job = open_job(machine, point=point)
    second_job = open_job(machine, point=other_point) if other_point else job
    with progress_bar("Reading the captures", quiet=as_json) as progress:
        first, notes = read_capture(job, capture, progress)
        second, more = read_capture(second_job, other, progress)
    found = compare_runs(first, second, job.memory_map)
    if as_json:
        print_json(_as_json(job, found, first, second))
    else:
        _show(job, found, first, second)
        show_notes(tuple(dict.fromkeys([*notes, *more])))
    return int(bool(found.places))


def _show(job: Job, found: RunsCompared, first: Cycles, second: Cycles) -> None:
    out.print(Text(job.machine.machine.name, "bold"), "— two captures side by side")
    for caution in job.machine.machine.cautions:
        out.print(Text(f"caution: {caution}", "#e69f00"), soft_wrap=True)
    out.print()
    out.print(
        f"{len(found.left)} cycles belong together, of {found.lengths[0]} and {found.lengths[1]}. "
        f"{found.reads} pairs of reads can be compared: {found.differ} differ.",
        soft_wrap=True,
    )
    if found.first_word is not None:
        out.print(
            f"First different word: {_pair(job, found, first, second, found.first_word)}.", soft_wrap=True
        )
    out.print(_parting(job, found, first), soft_wrap=True)
    if found.changing:
        out.print(
            Text(f"Besides, {found.changing} addresses that change by nature (RAM, ports) differ.", QUIET)
        )
    if found.places:
        _show_places(job, found)


def _pair(job: Job, found: RunsCompared, first: Cycles, second: Cycles, at: int) -> str:
    one, other = int(found.left[at]), int(found.right[at])
    address = hex_word(int(first.address[one]), job.processor.address_bits)
    words = [
        known_word(int(cycles.word[row]), int(cycles.known[row]), job.processor.word_bits)
        for cycles, row in ((first, one), (second, other))
    ]
    return f"{KINDS[first.kind[one]]} at {address}, {words[0]} in cycle {one}, {words[1]} in cycle {other}"


def _parting(job: Job, found: RunsCompared, first: Cycles) -> str:
    if not len(found.left):
        return "Nothing in them belongs together."
    if found.parted is None:
        return "They never go different ways."
    row = int(found.left[found.parted])
    address = hex_word(int(first.address[row]), job.processor.address_bits)
    if found.one_sided:
        return (
            f"From cycle {row} at {address} on one has further cycles before both go on together: a wait, an "
            "interrupt or another turn of a loop."
        )
    return f"After cycle {row} at {address} they go different ways."


def _show_places(job: Job, found: RunsCompared) -> None:
    table = plain_table(
        ("address", "left"), ("bits", "left"), ("differ", "right"), ("of", "right"), ("rate", "left")
    )
    for place in found.places[:SHOWN]:
        table.add_row(
            hex_word(place.address, job.processor.address_bits),
            _bits(place),
            str(place.differ),
            str(place.reads),
            f"{place.rate:.1%} (95 %: {place.low:.1%} to {place.high:.1%})",
        )
    out.print()
    out.print(indented(table))
    if len(found.places) > SHOWN:
        out.print(Text(f"  … {len(found.places) - SHOWN} more addresses.", QUIET))
    out.print()
    out.print(Text.assemble(("→ ", ACCENT), (_conclusion(found), "bold")), soft_wrap=True)


def _bits(place: Place) -> str:
    return " ".join(f"D{bit}" for bit in range(place.bits.bit_length()) if place.bits >> bit & 1)


def _conclusion(found: RunsCompared) -> str:
    bits = " ".join(f"D{bit}" for bit in np.flatnonzero(found.bits))
    chips = ", ".join(f"{name} ({count})" for name, count in found.chips)
    where = f"Words of ROM differ in {bits}" + (
        f", which {chips} feed{'' if len(found.chips) > 1 else 's'}" if chips else ""
    )
    unsteady = len(found.intermittent)
    if unsteady:
        return (
            f"{where}. At {unsteady} of {len(found.places)} addresses only in a share of the reads: the "
            "fault comes and goes."
        )
    return f"{where}, always in the same way: a steady fault of one of them, or other contents."


def _as_json(job: Job, found: RunsCompared, first: Cycles, second: Cycles) -> dict[str, Any]:
    return {
        "machine": job.machine.machine.name,
        "cycles": list(found.lengths),
        "pairs": len(found.left),
        "reads": found.reads,
        "differ": found.differ,
        "first_different_word": None
        if found.first_word is None
        else _pair(job, found, first, second, found.first_word),
        "parting": _parting(job, found, first),
        "one_sided": found.one_sided,
        "changing": found.changing,
        "bits": found.bits,
        "chips": dict(found.chips),
        "conclusion": _conclusion(found) if found.places else None,
        "places": [
            {
                **vars(place),
                "address": hex_word(place.address, job.processor.address_bits),
                "rate": place.rate,
            }
            for place in found.places
        ],
    }
