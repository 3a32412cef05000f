"""``wrongbit ladder``: rails, clock, reset and start-up inputs, before any bus is looked at."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.text import Text

from wrongbit.bringup.advice import cautions, next_step, probe_notes
from wrongbit.bringup.ladder import Ladder, Rung, judge, rungs_of
from wrongbit.bringup.measured import read_measured
from wrongbit.bringup.seen import Values, entries_in, measure_start_up, signal_of
from wrongbit.bus.recipes import bus_widths, recipe_names
from wrongbit.capture.formats import open_samples
from wrongbit.cli import options
from wrongbit.cli.show import (
    ACCENT,
    QUIET,
    out,
    plain_table,
    print_json,
    progress_bar,
    show_cautions,
    show_notes,
)
from wrongbit.errors import UsageError
from wrongbit.job import Progress
from wrongbit.machine.load import load_machine
from wrongbit.machine.model import Clock, Machine, Point, StartInput

app = typer.Typer(add_completion=False, rich_markup_mode=None)

Given = Annotated[
    list[str] | None,
    typer.Option(
        "--measured", metavar="'NAME = VALUE'", show_default=False,
        help="A value measured by hand, such as 'VCC = 4.9 V', 'CLK duty = 48 %' or '/RESET ended = yes'.",
    ),
]  # fmt: skip
Sheets = Annotated[
    list[Path] | None,
    typer.Option("--sheet", help="A file of measured values: TOML or CSV.", show_default=False),
]
Captures = Annotated[
    list[Path] | None,
    typer.Option("--capture", help="A capture in which clocks and inputs are measured.", show_default=False),
]
PointNames = Annotated[
    list[str] | None,
    typer.Option(
        "--point", show_default=False,
        help="Probe point of the captures, one for all or one for each; left out: columns by their names.",
    ),
]  # fmt: skip

_MARK = {"within": "✓", "outside": "▲", "not measured": "·"}


@app.command()
def ladder(
    machine: options.MachineFile,
    measured: Given = None,
    sheet: Sheets = None,
    capture: Captures = None,
    point: PointNames = None,
    as_json: options.Json = False,
) -> int:
    """Judge rails, clock, reset and start-up inputs in the order in which to look, before any bus."""
    described = load_machine(machine, require_files=False, recipe_names=recipe_names())
    rungs = rungs_of(described)
    by_hand = read_measured(measured or (), sheet or (), rungs)
    with progress_bar("Measuring the capture", quiet=as_json) as progress:
        seen, notes = _captured(described, capture or (), point or (), progress)
    notes += [
        f"{name} {key}: the value by hand counts, not what the capture shows."
        for name, key in seen
        if (name, key) in by_hand
    ]
    found = judge(described, seen | by_hand)
    if as_json:
        print_json(_as_json(found, described, notes))
    else:
        show_cautions(cautions(described))
        _show(found)
        out.print(Text("\n→ ", "bold"), end="")
        out.print(next_step(found, described), soft_wrap=True, markup=False)
        out.print()
        show_notes((*probe_notes(found), *notes))
    return 1 if found.first_outside is not None else 0


def _captured(
    machine: Machine, captures: Sequence[Path], points: Sequence[str], progress: Progress
) -> tuple[Values, list[str]]:
    """Values from all captures, and what their readers tell."""
    if len(points) > 1 and len(points) != len(captures):
        raise UsageError(
            f"{len(captures)} captures, but {len(points)} probe points are named.",
            "Name one probe point for all captures, or one for each in the same order.",
        )
    values: Values = {}
    notes: list[str] = []
    for number, path in enumerate(captures):
        name = points[number if len(points) > 1 else 0] if points else None
        found, told = _measured_in(machine, path, name, progress)
        values |= found
        notes += told
    return values, notes


def _measured_in(
    machine: Machine, path: Path, name: str | None, progress: Progress
) -> tuple[Values, list[str]]:
    point = Point(name="start-up", mode="timing") if name is None else _point(machine, name)
    if point.mode == "state":
        raise UsageError(
            f"The probe point {point.name!r} takes one sample a clock edge: no time can be measured there.",
            "Take a capture with the analyser's own sampling clock.",
        )
    entries: tuple[Clock | StartInput, ...] = (*machine.clock, *machine.input)
    wanted = {signal_of(entry): 1 for entry in entries}
    buses = bus_widths(machine.processor_of(point.processor)) if name is not None else {}
    source = open_samples(path, point, {**buses, **wanted})
    if not entries_in(machine, source.layout):
        raise UsageError(
            f"{path} has none of the machine's clocks and start-up inputs"
            f"{' (' + ', '.join(wanted) + ')' if wanted else ''}.",
            f"It has {', '.join(source.layout.signals)}: give the clock or input its signal, or map the "
            "columns at a probe point.",
        )

    def chunks() -> Any:
        for chunk in source.chunks():
            yield chunk
            progress(source.bytes_done(), source.byte_count)

    where = f"{path.name}, {point.name}" if name else path.name
    values = measure_start_up(machine, source.layout, chunks, where)
    return values, [*source.notes]


def _point(machine: Machine, name: str) -> Point:
    try:
        return machine.point_of(name)
    except KeyError:
        names = ", ".join(point.name for point in machine.point) or "none"
        raise UsageError(f"There is no probe point {name!r}.", f"The machine file has {names}.") from None


def _show(found: Ladder) -> None:
    out.print()
    out.print(
        Text(f"{found.machine}: ", "bold"),
        f"✓ {found.count('within')} within limits, ▲ {found.count('outside')} outside, "
        f"· {found.count('not measured')} not measured",
        sep="",
        markup=False,
    )
    rows = plain_table(
        ("", "left"), ("", "left"), ("", "left"), ("should be", "left"), ("measured", "left"), ("", "left"),
        ("at", "left"),
    )  # fmt: skip
    for column in rows.columns[1:4]:
        column.no_wrap = True
    previous = ""
    for rung in found.rungs:
        style = {"outside": ACCENT, "not measured": QUIET}.get(rung.verdict, "")
        rows.add_row(
            Text(_MARK[rung.verdict], style),
            Text(rung.name if rung.name != previous else "", "bold"),
            rung.key,
            rung.wanted + (" *" if rung.assumed else ""),
            Text(rung.measured or ("" if rung.note else "–"), style),
            Text(_outcome(rung), style),
            Text(rung.test_point if rung.name != previous else "", QUIET),
        )
        previous = rung.name
    out.print(rows)
    if any(rung.assumed for rung in found.rungs):
        out.print(Text("* by the input's family; the machine file does not say", QUIET))
    first = found.first_outside
    if first is not None:
        measured = f", measured {first.measured}" if first.measured else ""
        out.print()
        out.print(Text("First rung that fails  ", ACCENT), end="")
        out.print(
            f"{first.title}: should be {first.wanted}{measured}"
            f"{', ' + first.off if first.off else ''} ({first.source})",
            soft_wrap=True,
            markup=False,
        )


def _outcome(rung: Rung) -> str:
    if rung.note:
        return rung.note
    return rung.off if rung.verdict == "outside" else ""


def _as_json(found: Ladder, machine: Machine, notes: Sequence[str]) -> dict[str, Any]:
    first = found.first_outside
    return {
        "machine": found.machine,
        "cautions": list(cautions(machine)),
        "rungs": [rung_as_json(rung) for rung in found.rungs],
        "first_outside": None if first is None else first.title,
        "next": next_step(found, machine),
        "notes": [*probe_notes(found), *notes],
    }


def rung_as_json(rung: Rung) -> dict[str, Any]:
    """A rung for programs; values in volts, hertz, picoseconds and per cent."""
    return {
        "group": rung.group,
        "name": rung.name,
        "key": rung.key,
        "low": rung.limits.low,
        "high": rung.limits.high,
        "nominal": rung.limits.nominal,
        "assumed": rung.assumed,
        "test_point": rung.test_point,
        "verdict": rung.verdict,
        "measured": rung.measured,
        "outside_by": rung.outside_by,
        "source": rung.source,
        "note": rung.note,
    }
