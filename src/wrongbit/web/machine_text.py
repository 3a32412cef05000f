"""Changes to a machine file's text that leave everything else in it as a person wrote it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from wrongbit.errors import UsageError

_HEADER = re.compile(r"^\s*\[")
_KEY = re.compile(r"^\s*(?P<key>columns|ignore)\s*=")
_BARE = re.compile(r"^[A-Za-z0-9_-]+$")


def columns_text(columns: Mapping[str, str], ignore: Sequence[str]) -> str:
    """A probe point's ``columns`` and ``ignore`` as they stand in a machine file.

    >>> print(columns_text({"ADBUS": "AD", "Time (ns)": "time [ns]"}, ["No"]))
    columns = { ADBUS = "AD", "Time (ns)" = "time [ns]" }
    ignore = ["No"]
    """
    pairs = ", ".join(f"{_key(name)} = {_string(target)}" for name, target in columns.items())
    lines = [f"columns = {{ {pairs} }}" if pairs else "columns = {}"]
    if ignore:
        lines.append(f"ignore = [{', '.join(_string(name) for name in ignore)}]")
    return "\n".join(lines)


def _key(text: str) -> str:
    return text if _BARE.match(text) else _string(text)


def _string(text: str) -> str:
    """A basic string of TOML (TOML 1.0.0, "String")."""
    plain = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(f"\\u{ord(c):04X}" if ord(c) < 32 or ord(c) == 127 else c for c in plain) + '"'


def with_columns(text: str, point: str, columns: Mapping[str, str], ignore: Sequence[str]) -> str:
    """A machine file whose probe point has other columns; every other line stays as it is.

    Args:
        text: The machine file.
        point: Name of the probe point.
        columns: Its new ``columns``.
        ignore: Its new ``ignore``.

    Raises:
        UsageError: The entry is written in a way that cannot be changed safely.
    """
    before = tomllib.loads(text)
    lines = text.splitlines()
    first, last = _entry(lines, point)
    kept = [line for line in lines[first:last] if not _KEY.match(line)]
    while kept and not kept[-1].strip():
        kept.pop()
    added = columns_text(columns, ignore).splitlines()
    changed = "\n".join([*lines[:first], *kept, *added, "", *lines[last:]]).rstrip("\n") + "\n"
    if not _only_differs(before, changed, point, columns, ignore):
        raise UsageError(
            f"The entry of {point} in the machine file is written in a way that cannot be changed from here.",
            "Paste the text into the machine file by hand.",
        )
    return changed


def _entry(lines: Sequence[str], point: str) -> tuple[int, int]:
    """First line after the entry's header, and the line of the next header."""
    heads = [number for number, line in enumerate(lines) if _HEADER.match(line)]
    for place, number in enumerate(heads):
        if re.match(r"^\s*\[\[\s*point\s*\]\]", lines[number]):
            end = heads[place + 1] if place + 1 < len(heads) else len(lines)
            named = (
                re.match(r"""^\s*name\s*=\s*["'](.*?)["']\s*(#.*)?$""", line) for line in lines[number:end]
            )
            if any(found is not None and found[1] == point for found in named):
                return number + 1, _without_comment(lines, number + 1, end)
    raise UsageError(f"The machine file has no entry [[point]] named {point!r}.", "Add it by hand.")


def _without_comment(lines: Sequence[str], first: int, end: int) -> int:
    """A comment right above the next header belongs to what follows."""
    if end == len(lines):
        return end
    while end > first and (not lines[end - 1].strip() or lines[end - 1].lstrip().startswith("#")):
        end -= 1
    return end


def _only_differs(
    before: dict[str, Any], changed: str, point: str, columns: Mapping[str, str], ignore: Sequence[str]
) -> bool:
    """Whether the change did what it should and nothing else."""
    try:
        after = tomllib.loads(changed)
    except ValueError:
        return False
    for entry in before.get("point", []):
        if entry.get("name") == point:
            entry.pop("columns", None)
            entry.pop("ignore", None)
            entry["columns"] = dict(columns)
            if ignore:
                entry["ignore"] = list(ignore)
    return after == before
