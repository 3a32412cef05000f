"""``wrongbit new``: a case folder with a machine file to start from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from wrongbit.cli import options
from wrongbit.cli.show import out, plain_table, print_json
from wrongbit.diagnose.case import CASE_FILE, MACHINE_FILE
from wrongbit.errors import UsageError
from wrongbit.machine.templates import read_template, template_names

app = typer.Typer(add_completion=False, rich_markup_mode=None)

CASE_START = """\
# What was captured, read and measured on this machine; `wrongbit suspects` and `wrongbit next` read it.
# Take the marks off and fill in what you have; files are named relative to this folder.

# [[capture]]
# point = "u1"
# file = "capture.csv"

# [[reading]]
# chip = "U4"
# file = "u4-read.bin"

# [[measurement]]
# kind = "continuity"
# part = "X4"
# line = "D5"
# outcome = "open"
"""


@app.command()
def new(
    folder: Annotated[
        Path | None, typer.Argument(metavar="FOLDER", help="Folder of the new case.", show_default=False)
    ] = None,
    template: Annotated[
        str | None,
        typer.Option(
            "--template", help="Processor family to start from; --list shows them.", show_default=False
        ),
    ] = None,
    list_them: Annotated[bool, typer.Option("--list", help="List the templates.")] = False,
    as_json: options.Json = False,
) -> int:
    """Begin a case: a folder with a machine file to fill in. Nothing that is there is written over."""
    if list_them:
        return _list(as_json)
    if folder is None or template is None:
        raise UsageError(
            "A new case needs a folder and a template.",
            "Run: wrongbit new FOLDER --template 6502 (wrongbit new --list shows all).",
        )
    text = {MACHINE_FILE: read_template(template), CASE_FILE: CASE_START}
    written = _write(folder, text)
    if as_json:
        print_json({"folder": folder, "files": [str(path) for path in written]})
        return 0
    for path in written:
        out.print(f"Written: {path}", soft_wrap=True)
    out.print("Fill in the machine file, put the images beside it, then:")
    out.print(f"  wrongbit check {folder / MACHINE_FILE}", soft_wrap=True)
    return 0


def _write(folder: Path, contents: dict[str, str]) -> list[Path]:
    """New files in a folder; an existing one is an error before anything is written."""
    paths = {folder / name: text for name, text in contents.items()}
    there = [str(path) for path in paths if path.exists()]
    if there:
        raise UsageError(f"{' and '.join(there)} is there already.", "Name another folder.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, text in paths.items():
            with path.open("x", encoding="utf-8") as file:
                file.write(text)
    except OSError as error:
        raise UsageError(
            f"{folder} cannot be written: {error.strerror or error}.", "Name a folder that you may write to."
        ) from None
    return list(paths)


def _list(as_json: bool) -> int:
    firsts = {name: read_template(name).splitlines()[0].lstrip("# ") for name in template_names()}
    if as_json:
        print_json(firsts)
        return 0
    table = plain_table(("template", "left"), ("what it is for", "left"))
    for name, first in firsts.items():
        table.add_row(name, first)
    out.print(table)
    return 0
