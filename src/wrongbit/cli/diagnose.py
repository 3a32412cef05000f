"""``wrongbit diagnose``: the first wrong word, the bits, the lane, the chip and the fault behind it."""

from __future__ import annotations

import typer

from wrongbit.cli import incase, options
from wrongbit.cli.show import print_json, progress_bar
from wrongbit.cli.weighed import diagnosis_as_json, show_diagnosis
from wrongbit.job import DEFAULT_NOISE, compare_capture, diagnose, open_job

app = typer.Typer(add_completion=False, rich_markup_mode=None)


@app.command("diagnose")
def diagnose_verb(
    machine: incase.MachineOrCase,
    capture: incase.CaptureOrEntry = None,
    point: options.PointName = None,
    noise: options.Noise = DEFAULT_NOISE,
    as_json: options.Json = False,
) -> int:
    """Name the first wrong word, the bits, the lane, the chip and the fault behind it.

    Exit code 1 when a fault was found.
    """
    if machine.is_dir():
        with (
            incase.working(machine, noise=noise) as work,
            progress_bar("Reading the capture", quiet=as_json) as progress,
        ):
            entry = incase.capture_in(work, capture, point)
            job, diagnosis = work.job_of(entry), work.diagnosis(entry, progress)
    else:
        file = incase.named_capture(capture)
        job = open_job(machine, point=point)
        with progress_bar("Reading the capture", quiet=as_json) as progress:
            comparison = compare_capture(job, file, progress)
        diagnosis = diagnose(job, comparison, noise=noise)
    if as_json:
        print_json(diagnosis_as_json(job, diagnosis))
    else:
        show_diagnosis(job, diagnosis)
    return int(diagnosis.findings.fault_seen)
