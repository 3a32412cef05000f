"""``wrongbit leads``: are the clips where the machine file says?"""

from __future__ import annotations

from typing import Annotated, Any

import typer
from rich.text import Text

from wrongbit.align.addresses import Lag, address_lag
from wrongbit.align.edges import Edge, try_edges
from wrongbit.align.leads import LeadFinding, lead_findings
from wrongbit.bus.recipes import bus_widths
from wrongbit.capture.formats import open_samples
from wrongbit.cli import options
from wrongbit.cli.show import ACCENT, QUIET, out, print_json, progress_bar, show_notes
from wrongbit.errors import UsageError
from wrongbit.job import DEFAULT_NOISE, Job, open_job, read_capture

app = typer.Typer(add_completion=False, rich_markup_mode=None)


@app.command()
def leads(
    machine: options.MachineFile,
    capture: options.CaptureFile,
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
    job = open_job(machine, point=point)
    with progress_bar("Reading the capture", quiet=as_json) as progress:
        cycles, notes = read_capture(job, capture, progress, recover=False)
    findings = lead_findings(cycles, job.memory_map, noise=noise)
    lag = address_lag(cycles, job.memory_map)
    edges: list[Edge] = []
    if job.point.mode == "timing" and not (lag.own > 0.9 and not findings):
        source = open_samples(capture, job.point, bus_widths(job.processor))
        _, edges = try_edges(job.processor, job.point, source.chunks, job.memory_map)
    if as_json:
        print_json(_as_json(job, findings, lag, edges, notes))
    else:
        _show(job, findings, lag, edges)
        show_notes(notes)
    return int(bool(findings or edges or lag.shifted))


def _show(job: Job, findings: list[LeadFinding], lag: Lag, edges: list[Edge]) -> None:
    out.print(Text(job.machine.machine.name, "bold"), f"— leads at probe point {job.point.name}")
    for caution in job.machine.machine.cautions:
        out.print(Text(f"caution: {caution}", "#e69f00"), soft_wrap=True)
    out.print()
    if not (findings or edges or lag.shifted):
        out.print(f"The leads carry what the machine file says, as far as this capture shows. {lag.say()}")
        return
    out.print(Text("Check your clips", "bold"))
    for edge in edges:
        out.print(Text.assemble(("▶ ", ACCENT), edge.say()), soft_wrap=True)
    if lag.shifted:
        out.print(Text.assemble(("▶ ", ACCENT), lag.say()), soft_wrap=True)
    for finding in findings:
        out.print(Text.assemble(("▶ ", ACCENT), (finding.say(), "bold")), soft_wrap=True)
        out.print(Text(f"  explains the capture by {finding.gain:.0f} nats better", QUIET))
    if findings:
        out.print()
        out.print(findings[0].advice(), soft_wrap=True)


def _as_json(
    job: Job, findings: list[LeadFinding], lag: Lag, edges: list[Edge], notes: tuple[str, ...]
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
            }
            for finding in findings
        ],
        "lag": {
            "cycles": lag.cycles if lag.shifted else 0,
            "own": lag.own,
            "best": lag.best,
            "says": lag.say(),
        },
        "edges": [{**vars(edge), "says": edge.say()} for edge in edges],
        "notes": list(notes),
    }
