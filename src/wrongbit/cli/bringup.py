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
from wrongbit.bringup.seen import Values
from wrongbit.bus.recipes import recipe_names
from wrongbit.casework.start_up import measure_capture
from wrongbit.cli import incase, options
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
from wrongbit.machine.model import Machine

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
    machine: incase.MachineOrCase,
    measured: Given = None,
    sheet: Sheets = None,
    capture: Captures = None,
    point: PointNames = None,
    as_json: options.Json = False,
) -> int:
    """Judge rails, clock, reset and start-up inputs in the order in which to look, before any bus.

    Of a case folder, the values and captures in it count; what the options give counts before them, once.
    """
    if machine.is_dir():
        with (
            incase.working(machine) as work,
            progress_bar("Measuring the captures", quiet=as_json) as progress,
        ):
            described = work.machine
            more, notes = _given(described, measured, sheet, capture, point, progress)
            found = work.ladder(progress, more)
    else:
        described = load_machine(machine, require_files=False, recipe_names=recipe_names())
        with progress_bar("Measuring the capture", quiet=as_json) as progress:
            more, notes = _given(described, measured, sheet, capture, point, progress)
        found = judge(described, more)
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


def _given(
    machine: Machine,
    measured: Sequence[str] | None,
    sheets: Sequence[Path] | None,
    captures: Sequence[Path] | None,
    points: Sequence[str] | None,
    progress: Progress,
) -> tuple[Values, list[str]]:
    """Values of the options, and what to tell of them: what was measured by hand counts first."""
    by_hand = read_measured(measured or (), sheets or (), rungs_of(machine))
    seen, notes = _captured(machine, captures or (), points or (), progress)
    notes += [
        f"{name} {key}: the value by hand counts, not what the capture shows."
        for name, key in seen
        if (name, key) in by_hand
    ]
    return seen | by_hand, notes


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
        found, told = measure_capture(machine, path, name, progress)
        values |= found
        notes += told
    return values, notes


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
        out.print(Text("First step that fails  ", ACCENT), end="")
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
