"""Which object the machine is: entries add up, a later one corrects an earlier one."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from wrongbit.case.entries import Detail, Entry, NoteAdded, ObjectDescribed
from wrongbit.casework.described import NAMES, check_object, object_lines, object_of, say_object
from wrongbit.errors import UsageError


def entry(number: int, detail: Detail, withdrawn_by: int | None = None) -> Entry:
    return Entry(number, datetime(2026, 3, 1, tzinfo=UTC), "ada", "1", detail, withdrawn_by)


def test_a_later_entry_corrects_field_by_field() -> None:
    entries = [
        entry(1, ObjectDescribed(inventory="QM 3", owner="Quarrybank", place="store B")),
        entry(2, NoteAdded("Dust.")),
        entry(3, ObjectDescribed(place="bench 2", serial="0417")),
        entry(4, ObjectDescribed(owner="somebody else"), withdrawn_by=6),
        entry(5, ObjectDescribed(serial="")),
    ]
    known = object_of(entries)
    assert known == ObjectDescribed(inventory="QM 3", owner="Quarrybank", place="bench 2", serial="")
    assert object_lines(known) == (
        ("Inventory number", "QM 3"), ("Owner", "Quarrybank"), ("Stands at", "bench 2"),
    )  # fmt: skip
    assert object_lines(object_of([])) == ()


def test_every_field_has_a_name() -> None:
    assert tuple(NAMES) == tuple(ObjectDescribed.__dataclass_fields__)


def test_only_what_is_new_is_written() -> None:
    known = ObjectDescribed(inventory="QM 3", place="store B")
    given = ObjectDescribed("  QM  3 ", "", None, "KP-2\nkiln", "", "")
    assert check_object(known, given) == ObjectDescribed(model="KP-2 kiln", place="")
    with pytest.raises(UsageError, match="already"):
        check_object(known, ObjectDescribed("QM 3"))
    for before, nothing in (
        (known, ObjectDescribed()),
        (ObjectDescribed(owner=""), ObjectDescribed("", " ")),
    ):
        with pytest.raises(UsageError, match="Nothing is said"):
            check_object(before, nothing)


def test_it_says_what_it_takes_back() -> None:
    told = say_object(ObjectDescribed(maker="Thornley & Co.", place=""))
    assert told == "The object: maker Thornley & Co.; stands at: no longer said."
