"""A journal's entries for people and for programs."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from wrongbit.case.details import kind_of
from wrongbit.case.entries import Entry, Stored
from wrongbit.casework.said import say_entry


def plain(text: str) -> str:
    """Text from outside that cannot steer a terminal: what is not printed shows as a mark, lines are kept.

    >>> plain("a\\x1b[31mb\\u202ec\\nd")
    'a�[31mb�c\\nd'
    """
    return "".join(each if each.isprintable() or each == "\n" else "�" for each in text.replace("\t", " "))


def says(entry: Entry) -> str:
    """What an entry says, in one or two sentences, with size and hash of its original."""
    return plain(say_entry(entry, _file))


def _file(file: Stored) -> str:
    return f"{file.name} ({size_text(file.byte_count)}, SHA-256 {file.sha256[:12]}…)"


def size_text(count: int) -> str:
    """A number of bytes for people.

    >>> size_text(999), size_text(2048), size_text(3_500_000)
    ('999 bytes', '2.0 kB', '3.5 MB')
    """
    if count < 1000:
        return f"{count} bytes"
    for unit in ("kB", "MB", "GB"):
        count_in = count / 1000 ** (("kB", "MB", "GB").index(unit) + 1)
        if count_in < 1000 or unit == "GB":
            break
    return f"{count_in:.1f} {unit}"


def entry_as_json(entry: Entry) -> dict[str, Any]:
    """An entry for programs; the time in UTC, as ISO 8601."""
    return {
        "number": entry.number,
        "at": entry.at.isoformat(),
        "by": entry.by,
        "version": entry.version,
        "kind": kind_of(entry.detail),
        "says": says(entry),
        "withdrawn_by": entry.withdrawn_by,
        "detail": asdict(entry.detail),
    }
