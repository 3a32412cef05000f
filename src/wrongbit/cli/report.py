"""``wrongbit report``: a case as a document for another person, HTML and PDF."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from wrongbit.cli import options
from wrongbit.cli.show import out, print_json, progress_bar
from wrongbit.job import DEFAULT_NOISE

app = typer.Typer(add_completion=False, rich_markup_mode=None)


@app.command("report")
def report_verb(
    folder: options.CaseFolder,
    html: Annotated[
        Path | None, typer.Option("--html", help="Write the report as one HTML file.", show_default=False)
    ] = None,
    pdf: Annotated[
        Path | None, typer.Option("--pdf", help="Write the report as PDF.", show_default=False)
    ] = None,
    noise: options.Noise = DEFAULT_NOISE,
    as_json: options.Json = False,
) -> int:
    """Write down a case for another person: evidence, reasoning, replacement, proof, and what is not known.

    With neither --html nor --pdf both are written into the case folder, as report.html and report.pdf.
    """
    from wrongbit.case.folder import Case
    from wrongbit.casework.casework import Casework
    from wrongbit.report.build import build_report, check_originals
    from wrongbit.report.html import render_html
    from wrongbit.report.pdf import render_pdf
    from wrongbit.report.write import write_files

    if html is None and pdf is None:
        html, pdf = folder / "report.html", folder / "report.pdf"
    with progress_bar("Reading the case", quiet=as_json) as progress, Case.open(folder) as case:
        check_originals(case)
        report = build_report(Casework(case, noise=noise), progress)
    contents = {}
    if html is not None:
        contents[html] = render_html(report).encode("utf-8")
    if pdf is not None:
        contents[pdf] = render_pdf(report)
    write_files(contents)
    if as_json:
        print_json(
            {
                "title": report.title,
                "made_at": report.made_at.isoformat(),
                "version": report.version,
                "summary": [each.text for each in report.summary],
                "sections": [each.title for each in report.sections],
                "html": html,
                "pdf": pdf,
            }
        )
        return 0
    for each in report.summary:
        out.print(each.text, soft_wrap=True)
    for path in contents:
        out.print(f"{path} was written.", soft_wrap=True)
    return 0
