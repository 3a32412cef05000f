"""``wrongbit new``: a case folder with a machine file, from a template or from one that is there."""

from __future__ import annotations

from pathlib import Path, PurePosixPath
from shlex import quote
from typing import Annotated

import typer

from wrongbit.bus.recipes import recipe_names
from wrongbit.case.folder import Case
from wrongbit.case.identity import ID_FILE
from wrongbit.case.where import JOURNAL_FILE
from wrongbit.casework.keys import file_names
from wrongbit.cli import options
from wrongbit.cli.show import out, plain_table, print_json, show_notes
from wrongbit.diagnose.case import CASE_FILE, MACHINE_FILE
from wrongbit.errors import InputError, UsageError
from wrongbit.machine.load import load_machine
from wrongbit.machine.templates import read_template, template_names

app = typer.Typer(add_completion=False, rich_markup_mode=None)

CASE_START = """\
# What was captured, read and measured on this machine. `wrongbit add` writes it down for you; or take the
# marks off here and fill in what you have: it is taken into the journal when the case is opened next. Files
# are named relative to this folder.

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
    machine: Annotated[
        Path | None,
        typer.Option(
            "--machine",
            help="Machine file to start from; it is copied, with the images and listings that it names.",
            show_default=False,
        ),
    ] = None,
    list_them: Annotated[bool, typer.Option("--list", help="List the templates.")] = False,
    as_json: options.Json = False,
) -> int:
    """Begin a case: a folder with a machine file and a journal. Nothing that is there is written over."""
    if list_them:
        return _list(as_json)
    if folder is None or (template is None) == (machine is None):
        raise UsageError(
            "A new case needs a folder, and a template or a machine file.",
            "Run: wrongbit new FOLDER --template 6502 (wrongbit new --list shows all), or "
            "wrongbit new FOLDER --machine FILE.",
        )
    notes: list[str] = []
    if template is not None:
        contents: dict[str, bytes] = {MACHINE_FILE: read_template(template).encode("utf-8")}
    else:
        assert machine is not None
        contents, notes = _copied(machine)
    contents |= {} if CASE_FILE in contents else {CASE_FILE: CASE_START.encode("utf-8")}
    Case.create(folder, contents).close()
    written = [folder / name for name in contents]
    if as_json:
        print_json({"folder": folder, "files": [str(path) for path in written], "notes": notes})
        return 0
    for path in written:
        out.print(f"Written: {path}", soft_wrap=True)
    show_notes(notes)
    out.print(_what_now(template is not None, notes))
    out.print(f"  wrongbit check {quote(str(folder / MACHINE_FILE))}", soft_wrap=True)
    out.print(f"  wrongbit add {quote(str(folder))} capture FILE --point …", soft_wrap=True)
    return 0


def _what_now(from_template: bool, notes: list[str]) -> str:
    if from_template:
        return "Fill in the machine file, put the images beside it, then:"
    return "Put the missing files beside the machine file, then:" if notes else "Then:"


def _copied(machine_file: Path) -> tuple[dict[str, bytes], list[str]]:
    """A machine file with everything that it names, by name in the new folder.

    Returns:
        The contents, and which files are not there: a dead ROM's image often is not.

    Raises:
        MachineFileError: It cannot be used.
        UsageError: It names a file that does not lie beside it.
        InputError: A file cannot be read.
    """
    machine = load_machine(machine_file, require_files=False, recipe_names=recipe_names())
    contents, notes = {MACHINE_FILE: _bytes(machine_file)}, []
    for name in dict.fromkeys(file_names(machine)):
        inner = PurePosixPath(name.replace("\\", "/"))
        if inner.is_absolute() or ".." in inner.parts or not inner.parts:
            raise UsageError(
                f"{machine_file} names {name!r}, which does not lie beside it.",
                "Copy that file beside the machine file and name it there, so that the case is whole.",
            )
        if str(inner) in (MACHINE_FILE, CASE_FILE, JOURNAL_FILE, ID_FILE):
            raise UsageError(
                f"{machine_file} names {name!r}, which has another meaning in a case.",
                "Give it another name.",
            )
        path = machine_file.parent / name
        if path.is_file():
            contents[name] = _bytes(path)
        else:
            notes.append(f"{name} is named, but not there; put it into the folder when you have it.")
    return contents, notes


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(
            f"The file cannot be read: {error.strerror}.", "Check its permissions.", file=str(path)
        ) from None


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
