"""``wrongbit compare``: every cycle beside what should have been there."""

from __future__ import annotations

from typing import Annotated

import typer

from wrongbit.cli import incase, options
from wrongbit.cli.compared import around, comparison_as_json, differing_rows, other_notes, show_comparison
from wrongbit.cli.show import indented, out, print_json, progress_bar, show_notes
from wrongbit.compare.verdicts import DIFFERS
from wrongbit.job import compare_capture, open_job

app = typer.Typer(add_completion=False, rich_markup_mode=None)


@app.command()
def compare(
    machine: incase.MachineOrCase,
    capture: incase.CaptureOrEntry = None,
    point: options.PointName = None,
    wrong: Annotated[
        int, typer.Option("--wrong", min=0, help="Show so many wrong cycles with their neighbours.")
    ] = 1,
    as_json: options.Json = False,
) -> int:
    """Compare every cycle with what should have been there; exit code 1 when any word differs.

    Exit code 2 when no read could be judged.
    """
    if machine.is_dir():
        with incase.working(machine) as work, progress_bar("Reading the capture", quiet=as_json) as progress:
            entry = incase.capture_in(work, capture, point)
            job, comparison = work.job_of(entry), work.comparison(entry, progress)
    else:
        file = incase.named_capture(capture)
        job = open_job(machine, point=point)
        with progress_bar("Reading the capture", quiet=as_json) as progress:
            comparison = compare_capture(job, file, progress)
    if as_json:
        print_json(comparison_as_json(job, comparison))
    else:
        show_comparison(job, comparison)
        for row in differing_rows(comparison)[1:wrong]:
            out.print()
            out.print(indented(around(job, comparison, int(row))))
        out.print()
        show_notes(other_notes(comparison.notes))
    if comparison.nothing_judged:
        return 2
    return int((comparison.verdicts.verdict == DIFFERS).any())
