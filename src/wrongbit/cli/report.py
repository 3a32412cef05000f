"""``wrongbit report``: a case as a document for another person, HTML and PDF."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wrongbit.cli import options
from wrongbit.cli.show import out, print_json, progress_bar
from wrongbit.errors import UsageError
from wrongbit.job import DEFAULT_NOISE

if TYPE_CHECKING:
    from wrongbit.machine.model import Machine
    from wrongbit.report.build import ChipChoices

app = typer.Typer(add_completion=False, rich_markup_mode=None)

Checksums = Annotated[
    list[str] | None,
    typer.Option(
        "--checksum", metavar="CHIP:RULE", show_default=False,
        help="What a chip's bytes obey, for its rebuilt contents, such as 'U3: word-sum-le = 0'.",
    ),
]  # fmt: skip
Shapes = Annotated[
    list[str] | None,
    typer.Option(
        "--shape", metavar="CHIP:TYPE", show_default=False,
        help="Whose pins a chip has, for its replacement, such as 'U7: 2764'.",
    ),
]  # fmt: skip
Selects = Annotated[
    list[str] | None,
    typer.Option(
        "--select", metavar="CHIP:NAME=LEVEL", show_default=False,
        help="Active level of a chip's select, for its replacement, such as 'U7: CS1=low'.",
    ),
]  # fmt: skip
Latches = Annotated[
    list[str] | None,
    typer.Option(
        "--latched-by", metavar="CHIP:PIN EDGE", show_default=False,
        help="What latches a chip's address, for its replacement, such as 'U7: CE falling'.",
    ),
]  # fmt: skip
Memories = Annotated[
    list[str] | None,
    typer.Option(
        "--memory", metavar="CHIP:TYPE", show_default=False,
        help="The memory that is to replace a chip, such as 'U7: 27C64'.",
    ),
]  # fmt: skip


@app.command("report")
def report_verb(
    folder: options.CaseFolder,
    html: Annotated[
        Path | None, typer.Option("--html", help="Write the report as one HTML file.", show_default=False)
    ] = None,
    pdf: Annotated[
        Path | None, typer.Option("--pdf", help="Write the report as PDF.", show_default=False)
    ] = None,
    checksum: Checksums = None,
    shape: Shapes = None,
    select: Selects = None,
    latched_by: Latches = None,
    memory: Memories = None,
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
        work = Casework(case, noise=noise)
        chosen = _choices(work.machine, checksum, shape, select, latched_by, memory)
        report = build_report(work, progress, choices=chosen)
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


def _choices(
    machine: Machine,
    checksum: list[str] | None,
    shape: list[str] | None,
    select: list[str] | None,
    latched_by: list[str] | None,
    memory: list[str] | None,
) -> dict[str, ChipChoices]:
    """What was said of each chip.

    Raises:
        UsageError: A text names no chip of the machine.
    """
    from wrongbit.machine.lookup import rom_named
    from wrongbit.report.build import ChipChoices

    told = {
        "checksums": _by_chip(checksum, "--checksum"),
        "shape": _by_chip(shape, "--shape"),
        "selects": _by_chip(select, "--select"),
        "latched_by": _by_chip(latched_by, "--latched-by"),
        "memory": _by_chip(memory, "--memory"),
    }
    found = {}
    for chip in dict.fromkeys(name for each in told.values() for name in each):
        rom_named(machine, chip)
        found[chip] = ChipChoices(
            checksums=tuple(told["checksums"].get(chip, ())),
            shape=_last(told["shape"], chip),
            selects=tuple(told["selects"].get(chip, ())),
            latched_by=_last(told["latched_by"], chip),
            memory=_last(told["memory"], chip),
        )
    return found


def _by_chip(texts: list[str] | None, option: str) -> dict[str, list[str]]:
    """Texts of an option by the chip before the colon."""
    found: dict[str, list[str]] = {}
    for text in texts or ():
        chip, colon, rest = text.partition(":")
        if not colon or not chip.strip() or not rest.strip():
            raise UsageError(f"{option} {text!r} does not say of which chip.", "Write it as 'U7: …'.")
        found.setdefault(chip.strip(), []).append(rest.strip())
    return found


def _last(told: dict[str, list[str]], chip: str) -> str | None:
    return told[chip][-1] if chip in told else None
