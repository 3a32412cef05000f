"""``wrongbit diagnose``: the first wrong word, the bits, the lane, the chip and the fault behind it."""

from __future__ import annotations

from pathlib import Path

import typer

from wrongbit.cli import incase, options
from wrongbit.cli.show import print_json, progress_bar, show_next
from wrongbit.cli.weighed import diagnosis_as_json, show_diagnosis
from wrongbit.job import DEFAULT_NOISE, Diagnosis, Job, compare_capture, diagnose, open_job

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

    Exit code 1 when a fault was found, 2 when no read could be judged.
    """
    if machine.is_dir():
        with (
            incase.working(machine, noise=noise) as work,
            progress_bar("Reading the capture", quiet=as_json) as progress,
        ):
            entry = incase.capture_in(work, capture, point)
            job, diagnosis = work.job_of(entry), work.diagnosis(entry, progress)
            file = incase.file_of(work, entry)
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
        _show_next(machine, file, job, diagnosis)
    return 2 if diagnosis.comparison.nothing_judged else int(diagnosis.findings.fault_seen)


def _show_next(machine: Path, capture: Path, job: Job, diagnosis: Diagnosis) -> None:
    """The one command that fits what was found."""
    file = job.machine_file if machine.is_dir() else machine
    words = (file, capture, "--point", job.point.name)
    if not diagnosis.findings.fault_seen:
        show_next("what the processor did, cycle after cycle", "cycles", *words)
    elif diagnosis.check_first or diagnosis.set_up_doubtful:
        show_next("whether the clips sit where the machine file says", "leads", *words)
    elif machine.is_dir() and job.machine.path:
        show_next("the parts between chip and processor, weighed by the whole case", "suspects", machine)
    else:
        show_next("which word the processor acted on, and what became of it", "explain", *words)
