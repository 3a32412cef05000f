"""``wrongbit explain``: expected and seen words decoded, and which of them the processor acted on."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from wrongbit.bus.recipes import recipe_names
from wrongbit.cli import options
from wrongbit.cli.explained import explanation_as_json, show_explanation
from wrongbit.cli.show import print_json, progress_bar
from wrongbit.compare.verdicts import DIFFERS
from wrongbit.diagnose.case import captures_of, machine_file_of
from wrongbit.errors import UsageError
from wrongbit.job import compare_capture, open_job
from wrongbit.job import explain as explain_capture
from wrongbit.machine.load import load_machine

app = typer.Typer(add_completion=False, rich_markup_mode=None)


MachineOrCase = Annotated[
    Path,
    typer.Argument(metavar="MACHINE", help="The machine file (TOML), or a case folder.", show_default=False),
]
Capture = Annotated[
    Path | None,
    typer.Argument(
        metavar="CAPTURE", help="CSV, VCD or typed text; left out for a case folder.", show_default=False
    ),
]


@app.command()
def explain(
    machine: MachineOrCase,
    capture: Capture = None,
    point: options.PointName = None,
    cycle: Annotated[
        int | None,
        typer.Option(
            "--cycle",
            min=0,
            help="Cycle to explain; left out: the first wrong word of an instruction.",
            show_default=False,
        ),
    ] = None,
    as_json: options.Json = False,
) -> int:
    """Tell on which word the processor acted, and what became of it; exit code 1 when any word differs.

    Of a case folder, the capture at the probe point is taken, or its first.
    """
    if machine.is_dir():
        machine, capture, point = _of_case(machine, capture, point)
    if capture is None:
        raise UsageError("No capture was named.", "Name one, or a case folder instead of the machine file.")
    job = open_job(machine, point=point)
    with progress_bar("Reading the capture", quiet=as_json) as progress:
        comparison = compare_capture(job, capture, progress)
    explanation = explain_capture(job, comparison, cycle)
    if as_json:
        print_json(explanation_as_json(job, explanation))
    else:
        show_explanation(job, explanation)
    return int((comparison.verdicts.verdict == DIFFERS).any())


def _of_case(folder: Path, capture: Path | None, point: str | None) -> tuple[Path, Path, str]:
    """Machine file, capture and probe point of a case."""
    if capture is not None:
        raise UsageError(
            f"{folder} is a case folder, and {capture} was named too.",
            "Leave the capture out, or name the machine file in place of the folder.",
        )
    machine_file = machine_file_of(folder)
    captures = captures_of(folder, load_machine(machine_file, recipe_names=recipe_names()))
    for each in captures:
        if point is None or each.point == point:
            return machine_file, each.file, each.point
    there = ", ".join(dict.fromkeys(each.point for each in captures))
    raise UsageError(
        f"The case has no capture at the probe point {point!r}.", f"It has captures at: {there}."
    )
