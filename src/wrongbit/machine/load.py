"""Load a machine file: read the TOML, check every entry, then check the entries against each other."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from wrongbit.errors import MachineFileError
from wrongbit.machine.checks import Surroundings, check_machine
from wrongbit.machine.fields import FROM_FILE
from wrongbit.machine.lines import Path as KeyPath
from wrongbit.machine.lines import key_lines
from wrongbit.machine.model import Machine
from wrongbit.machine.problems import machine_file_error, problems_of

LARGEST_FILE = 4 * 2**20
"""Bytes. A machine file is a few pages; something larger is another file, such as a capture."""

_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")


def load_machine(
    path: Path, *, require_files: bool = True, recipe_names: Collection[str] | None = None
) -> Machine:
    """Read and check a machine file.

    Args:
        path: The TOML file. Files that it names are looked for beside it.
        require_files: An image or listing file that does not exist is an error.
        recipe_names: Names of the built-in recipes; None leaves the name of a recipe unchecked.

    Raises:
        MachineFileError: The file cannot be read, is not TOML, or says something impossible. All problems
            of the file are in it: the first as the message, the others as notes.
    """
    text = _read_text(path)
    return read_machine(
        text,
        file=str(path),
        folder=path.parent if require_files else None,
        recipe_names=recipe_names,
    )


def read_machine(
    text: str,
    *,
    file: str | None = None,
    folder: Path | None = None,
    recipe_names: Collection[str] | None = None,
) -> Machine:
    """Check the text of a machine file.

    Args:
        text: TOML.
        file: Name of the file, for messages.
        folder: Where image and listing files must exist; None leaves them unchecked.
        recipe_names: Names of the built-in recipes; None leaves the name of a recipe unchecked.

    Raises:
        MachineFileError: As for `load_machine`.
    """
    data = _parse_toml(text, file)
    if not data:
        raise MachineFileError(
            "The file holds no entry; a machine file with [machine] and [[processor]] is expected.",
            "Start from a template (see docs/machine-file.md).",
            file=file,
        )
    try:
        machine = Machine.model_validate(data, context=FROM_FILE)
    except ValidationError as error:
        problems = problems_of(error)
    else:
        problems = check_machine(machine, Surroundings(folder, recipe_names))
        if not problems:
            return machine
    raise machine_file_error(problems, data, file, _lines(text))


def _read_text(path: Path) -> str:
    """The file as text, a byte-order mark taken off.

    Raises:
        MachineFileError: It is not there, is a folder, too large, or not UTF-8.
    """
    file = str(path)
    try:
        with path.open("rb") as stream:
            content = stream.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        raise MachineFileError("There is no such file.", _nearby(path), file=file) from None
    except IsADirectoryError:
        raise MachineFileError(
            "This is a folder; a machine file is expected.", _inside(path), file=file
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise MachineFileError(
            f"The file cannot be read: {reason}.", "Check its name and permissions.", file=file
        ) from None
    if len(content) > LARGEST_FILE:
        raise MachineFileError(
            f"The file is larger than {LARGEST_FILE >> 20} MiB; a machine file has a few pages.",
            "Name the machine file, not a capture or an image.",
            file=file,
        )
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        found = (
            "UTF-16 text" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "binary or differently coded text"
        )
        raise MachineFileError(
            f"Byte 0x{content[error.start]:02X} is not UTF-8 text; the file is {found}.",
            "Save it as UTF-8, or name the machine file if this is another file.",
            file=file,
            byte=error.start,
        ) from None


def _nearby(path: Path) -> str:
    try:
        names = [each.name for each in path.parent.iterdir() if each.suffix == ".toml"]
    except OSError:
        return f"There is no folder {str(path.parent)!r} either; check the path."
    near = get_close_matches(path.name, names, 1)
    if near:
        return f"Did you mean {str(path.with_name(near[0]))!r}?"
    return "Check the path."


def _inside(path: Path) -> str:
    names = sorted(each.name for each in path.glob("*.toml"))[:5]
    return (
        f"Name the file in it: {', '.join(names)}." if names else "Name a file in it; it has no .toml file."
    )


def _parse_toml(text: str, file: str | None) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise MachineFileError(
            "Brackets are nested too deeply to be a machine file.", "Check for a missing ] or }.", file=file
        ) from None
    except ValueError as error:  # TOMLDecodeError, and what int() says of a number of thousands of digits
        message = str(error)
        place = _PLACE.search(message)
        message = _PLACE.sub("", message)
        line = column = None
        if place is not None:
            line = int(place[1]) if place[1] else text.rstrip("\n").count("\n") + 1
            column = place[2]
        where = f" at column {column}" if column else " at the end of the file" if place else ""
        raise MachineFileError(
            f"This is not valid TOML: {message[:1].lower()}{message[1:]}{where}.",
            _syntax_remedy(message),
            file=file,
            line=line,
        ) from None


def _syntax_remedy(message: str) -> str:
    """What usually lies behind a syntax error."""
    if "overwrite" in message or "twice" in message or "mutate" in message:
        return "The same key or table stands twice: take one out, or write [[…]] for one more entry."
    if "Invalid value" in message:
        return "Text stands between quotes; numbers are 12, 0x1F or 0o17; true and false are small."
    return "Each line is a header [table] or [[table]], or key = value; a comment begins with #."


def _lines(text: str) -> Mapping[KeyPath, int]:
    """Line of each key; nothing where the scanner loses its way, as an error without a line is still one."""
    try:
        return key_lines(text)
    except (ValueError, IndexError, RecursionError):
        return {}
