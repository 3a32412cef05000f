"""What an entry says is the same everywhere; what differs is how its original is named."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from wrongbit.case.entries import (
    CaptureAdded,
    Detail,
    Entry,
    MachineSeen,
    MeasurementAdded,
    NoteAdded,
    ReadingAdded,
    ReferenceAdded,
    Stored,
    ValueAdded,
    Withdrawn,
    WordsWaived,
)
from wrongbit.casework.said import kind_text, say_entry
from wrongbit.cli.entered import says

FILE = Stored("ab" * 32, "u3.bin", 2048)


@pytest.mark.parametrize(
    ("detail", "kind", "text"),
    [
        (MachineSeen(FILE), "machine file", "Machine file u3.bin, SHA-256 abababababab…."),
        (CaptureAdded("u1", FILE, "cold start"), "capture", "Capture u3.bin at u1. cold start."),
        (
            ReadingAdded("U3", FILE, "auto", {"voltage": "4.75 V"}),
            "reading",
            "Reading u3.bin of U3 (voltage 4.75 V).",
        ),
        (ReferenceAdded("U3", FILE, "twin"), "reference", "Reference (twin) u3.bin for U3."),
        (
            MeasurementAdded("continuity", "J2", "D5", "data", "open"),
            "measurement",
            "Measure through J2 on D5, power off: open.",
        ),
        (ValueAdded("VCC = 4.9 V", "at U1"), "value", "Measured: VCC = 4.9 V. at U1."),
        (NoteAdded("It hums"), "note", "It hums"),
        (Withdrawn(3, "wrong case"), "withdrawn", "Entry 3 counts no more: wrong case."),
        (
            WordsWaived("U1", 0, (64,), "Never read"),
            "waiver",
            "Waived, not proved: 1 word read by U1, 0x0040. Never read.",
        ),
    ],
)
def test_an_entry_in_a_sentence(detail: Detail, kind: str, text: str) -> None:
    entry = Entry(4, datetime(2026, 1, 2, tzinfo=UTC), "Ada", "1", detail)
    assert (kind_text(detail), say_entry(entry)) == (kind, text)
    assert says(entry).replace(" (2.0 kB, SHA-256 abababababab…)", "") == text
