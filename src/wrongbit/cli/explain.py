"""``wrongbit explain``: expected and seen words decoded, and which of them the processor acted on."""

from __future__ import annotations

from typing import Annotated

import typer

from wrongbit.cli import incase, options
from wrongbit.cli.explained import explanation_as_json, show_explanation
from wrongbit.cli.show import print_json, progress_bar
from wrongbit.compare.verdicts import DIFFERS
from wrongbit.job import compare_capture, open_job
from wrongbit.job import explain as explain_capture

app = typer.Typer(add_completion=False, rich_markup_mode=None)


@app.command()
def explain(
    machine: incase.MachineOrCase,
    capture: incase.CaptureOrEntry = None,
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
    """Tell on which word the processor acted, and what became of it; exit code 1 when any word differs."""
    if machine.is_dir():
        with incase.working(machine) as work, progress_bar("Reading the capture", quiet=as_json) as progress:
            entry = incase.capture_in(work, capture, point)
            comparison = work.comparison(entry, progress)
            job, explanation = work.job_of(entry), work.explanation(entry, cycle)
    else:
        file = incase.named_capture(capture)
        job = open_job(machine, point=point)
        with progress_bar("Reading the capture", quiet=as_json) as progress:
            comparison = compare_capture(job, file, progress)
        explanation = explain_capture(job, comparison, cycle)
    if as_json:
        print_json(explanation_as_json(job, explanation))
    else:
        show_explanation(job, explanation)
    return int((comparison.verdicts.verdict == DIFFERS).any())
