"""A journal's entries for people and for programs."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from wrongbit.case.details import kind_of
from wrongbit.case.entries import (
    CaptureAdded,
    Entry,
    FindingRecorded,
    MachineSeen,
    MeasurementAdded,
    NoteAdded,
    ObjectDescribed,
    ReadingAdded,
    ReferenceAdded,
    Stored,
    ValueAdded,
    Withdrawn,
    WorkDone,
)
from wrongbit.casework.described import say_object
from wrongbit.casework.work_done import say_work
from wrongbit.diagnose.hand import MEANING


def plain(text: str) -> str:
    """Text from outside that cannot steer a terminal: what is not printed shows as a mark, lines are kept.

    >>> plain("a\\x1b[31mb\\u202ec\\nd")
    'a�[31mb�c\\nd'
    """
    return "".join(each if each.isprintable() or each == "\n" else "�" for each in text.replace("\t", " "))


def says(entry: Entry) -> str:
    """What an entry says, in one or two sentences."""
    return plain(_says(entry))


def _says(entry: Entry) -> str:
    match entry.detail:
        case MachineSeen(file):
            return f"Machine file {file.name}, SHA-256 {file.sha256[:12]}…."
        case CaptureAdded(point, file, note):
            return f"Capture {_file(file)} at {point}.{_note(note)}"
        case ReadingAdded(chip, file, _, conditions, note):
            how = ", ".join(f"{key} {value}" for key, value in conditions.items())
            return f"Reading {_file(file)} of {chip}{f' ({how})' if how else ''}.{_note(note)}"
        case ReferenceAdded(chip, file, kind, _, note):
            return f"Reference ({kind}) {_file(file)}{f' for {chip}' if chip else ''}.{_note(note)}"
        case MeasurementAdded():
            return _measured(entry.detail)
        case ValueAdded(text, note):
            return f"Measured: {text}.{_note(note)}"
        case NoteAdded(text):
            return text
        case ObjectDescribed():
            return say_object(entry.detail)
        case WorkDone():
            return say_work(entry.detail, entry.by)
        case FindingRecorded(what, _, sentence):
            return f"{what}: {sentence}"
        case Withdrawn(number, why):
            return f"Entry {number} counts no more{f': {why}' if why else ''}".rstrip(".") + "."


def _measured(detail: MeasurementAdded) -> str:
    line = f" on {detail.line}" if detail.line else ""
    meaning = MEANING.get(detail.kind, f"{detail.kind} at {{part}}{{line}}")
    text = meaning.format(part=detail.part, line=line)
    return f"{text[:1].upper()}{text[1:]}: {detail.outcome}.{_note(detail.note)}"


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


def _note(note: str) -> str:
    return f" {note.rstrip('.')}." if note else ""


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
