"""``wrongbit leads``: are the clips where the machine file says?"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from typing import Annotated, Any

import typer
from rich.text import Text

from wrongbit.align.addresses import Lag, address_lag
from wrongbit.align.edges import Edge, try_edges
from wrongbit.align.leads import (
    LeadFinding,
    OneChipLine,
    lead_findings,
    observe,
    one_chip_lines,
    say_one_chip_lines,
)
from wrongbit.bus.recipes import bus_widths
from wrongbit.capture.formats import open_samples
from wrongbit.cli import incase, options
from wrongbit.cli.show import ACCENT, QUIET, out, print_json, progress_bar, show_cautions, show_notes
from wrongbit.diagnose.entropy import odds_figure
from wrongbit.errors import UsageError
from wrongbit.job import DEFAULT_NOISE, Job, open_job, read_capture

app = typer.Typer(add_completion=False, rich_markup_mode=None)


@app.command()
def leads(
    machine: incase.MachineOrCase,
    capture: incase.CaptureOrEntry = None,
    point: options.PointName = None,
    noise: Annotated[
        float, typer.Option("--noise", help="Probability that a bit is read wrong for no other reason.")
    ] = DEFAULT_NOISE,
    as_json: options.Json = False,
) -> int:
    """Check your clips: swapped, inverted, unconnected or doubled leads, and a wrong edge in the recipe.

    Exit code 1 when something is found.
    """
    if not 0 < noise < 0.5:
        raise UsageError(f"The noise rate is {noise}.", "Give a number above 0 and below 0.5.")
    with ExitStack() as open_:
        progress = open_.enter_context(progress_bar("Reading the capture", quiet=as_json))
        if machine.is_dir():
            work = open_.enter_context(incase.working(machine))
            entry = incase.capture_in(work, capture, point)
            job, file = work.job_of(entry), open_.enter_context(work.capture_file(entry))
        else:
            file = incase.named_capture(capture)
            job = open_job(machine, point=point)
        cycles, notes = read_capture(job, file, progress, recover=False)
        observed = observe(cycles, job.memory_map)
        findings = lead_findings(cycles, job.memory_map, noise=noise)
        lines = one_chip_lines(observed)
        lag = address_lag(cycles, job.memory_map)
        edges: list[Edge] = []
        if job.point.mode == "timing" and not (lag.own > 0.9 and not findings):
            source = open_samples(file, job.point, bus_widths(job.processor))
            _, edges = try_edges(job.processor, job.point, source.chunks, job.memory_map)
    if as_json:
        print_json(_as_json(job, findings, lines, lag, edges, notes))
    else:
        _show(job, findings, lines, lag, edges)
        show_notes(notes)
    return int(bool(findings or edges or lag.shifted))


def _show(
    job: Job,
    findings: Sequence[LeadFinding],
    lines: Sequence[OneChipLine],
    lag: Lag,
    edges: Sequence[Edge],
) -> None:
    out.print(Text(job.machine.machine.name, "bold"), f"— leads at probe point {job.point.name}")
    show_cautions(job.machine.machine.cautions)
    out.print()
    if not (findings or edges or lag.shifted):
        out.print(f"The leads carry what the machine file says, as far as this capture shows. {lag.say()}")
        _show_lines(lines)
        return
    out.print(Text("Check your clips", "bold"))
    for edge in edges:
        out.print(Text.assemble(("▶ ", ACCENT), edge.say()), soft_wrap=True)
    if lag.shifted:
        out.print(Text.assemble(("▶ ", ACCENT), lag.say()), soft_wrap=True)
    for finding in findings:
        out.print(Text.assemble(("▶ ", ACCENT), (finding.say(), "bold")), soft_wrap=True)
        out.print(
            Text(f"  likelier than clips that are right, by {odds_figure(finding.gain)} to 1", QUIET),
            soft_wrap=True,
        )
    if findings:
        out.print()
        out.print(findings[0].advice(), soft_wrap=True)
    _show_lines(lines)


def _show_lines(lines: Sequence[OneChipLine]) -> None:
    """Lines that are wrong with one chip only: no clip does that."""
    if lines:
        out.print()
        out.print(Text("Not the clips", "bold"))
    for told in say_one_chip_lines(lines):
        out.print(f"  {told}", soft_wrap=True)


def _as_json(
    job: Job,
    findings: Sequence[LeadFinding],
    lines: Sequence[OneChipLine],
    lag: Lag,
    edges: Sequence[Edge],
    notes: Sequence[str],
) -> dict[str, Any]:
    return {
        "machine": job.machine.machine.name,
        "point": job.point.name,
        "findings": [
            {
                "kind": finding.kind,
                "bus": finding.bus,
                "leads": list(finding.leads),
                "carries": list(finding.carries),
                "says": finding.say(),
                "log_likelihood": finding.log_likelihood,
                "gain": finding.gain,
                "noise": finding.noise,
                "chips": list(finding.chips),
            }
            for finding in findings
        ],
        "one_chip_lines": [{**vars(line), "says": line.say()} for line in lines],
        "lag": {
            "cycles": lag.cycles if lag.shifted else 0,
            "own": lag.own,
            "best": lag.best,
            "says": lag.say(),
        },
        "edges": [{**vars(edge), "says": edge.say()} for edge in edges],
        "notes": list(notes),
    }
