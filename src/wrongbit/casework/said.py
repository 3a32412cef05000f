"""What a journal's entry says, in a sentence or two: the same on the command line, on a page and on paper."""

from __future__ import annotations

from collections.abc import Callable

from wrongbit.case.details import kind_of
from wrongbit.case.entries import (
    CaptureAdded,
    Detail,
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
    WordsWaived,
    WorkDone,
)
from wrongbit.casework.described import say_object
from wrongbit.casework.waivers import say_waiver
from wrongbit.casework.work_done import say_work
from wrongbit.diagnose.hand import MEANING


def kind_text(detail: Detail) -> str:
    """An entry's kind, for people.

    >>> kind_text(NoteAdded("The fan is loud."))
    'note'
    """
    return "machine file" if isinstance(detail, MachineSeen) else kind_of(detail)


def say_entry(entry: Entry, file: Callable[[Stored], str] = lambda stored: stored.name) -> str:
    """What an entry says.

    Args:
        entry: The entry.
        file: How an original is named; left out: by its name.
    """
    match entry.detail:
        case MachineSeen(stored):
            return f"Machine file {stored.name}, SHA-256 {stored.sha256[:12]}…."
        case CaptureAdded(point, stored, note):
            return f"Capture {file(stored)} at {point}.{_note(note)}"
        case ReadingAdded(chip, stored, _, conditions, note):
            how = ", ".join(f"{key} {value}" for key, value in conditions.items())
            return f"Reading {file(stored)} of {chip}{f' ({how})' if how else ''}.{_note(note)}"
        case ReferenceAdded(chip, stored, kind, _, note):
            return f"Reference ({kind}) {file(stored)}{f' for {chip}' if chip else ''}.{_note(note)}"
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
        case WordsWaived():
            return say_waiver(entry.detail)
        case FindingRecorded(what, _, sentence):
            return f"{what}: {sentence}"
        case Withdrawn(number, why):
            return f"Entry {number} counts no more{f': {why}' if why else ''}".rstrip(".") + "."


def _measured(detail: MeasurementAdded) -> str:
    line = f" on {detail.line}" if detail.line else ""
    meaning = MEANING.get(detail.kind, f"{detail.kind} at {{part}}{{line}}")
    text = meaning.format(part=detail.part, line=line)
    return f"{text[:1].upper()}{text[1:]}: {detail.outcome}.{_note(detail.note)}"


def _note(note: str) -> str:
    return f" {note.rstrip('.')}." if note else ""
