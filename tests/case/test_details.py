"""What an entry says survives the journal, whatever is in it."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as some

from wrongbit.case.details import KINDS, from_text, kind_of, stored_in, to_text
from wrongbit.case.entries import (
    CaptureAdded,
    Detail,
    EvidenceRows,
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
from wrongbit.errors import CaseError

# Every character, also those that no text file may hold: file names can.
texts = some.text(alphabet=some.characters(exclude_categories=()), max_size=30)
stored = some.builds(Stored, texts, texts, some.integers(0, 2**63))
values = some.recursive(
    some.none() | some.booleans() | some.integers() | some.floats(allow_nan=False) | texts,
    lambda inner: some.lists(inner, max_size=3) | some.dictionaries(texts, inner, max_size=3),
    max_leaves=8,
)
numbers = some.lists(some.integers(), max_size=4).map(tuple)
evidence = some.builds(EvidenceRows, texts, numbers, texts)
details = some.one_of(
    some.builds(MachineSeen, stored),
    some.builds(CaptureAdded, texts, stored, texts),
    some.builds(ReadingAdded, texts, stored, texts, some.dictionaries(texts, texts, max_size=3), texts),
    some.builds(ReferenceAdded, texts, stored, some.sampled_from(["image", "listing", "twin"]), texts, texts),
    some.builds(MeasurementAdded, texts, texts, texts, texts, texts, texts),
    some.builds(ValueAdded, texts, texts),
    some.builds(NoteAdded, texts),
    some.builds(
        FindingRecorded, texts, texts, texts, some.dictionaries(texts, values, max_size=3),
        some.lists(evidence, max_size=2).map(tuple),
    ),
    some.builds(Withdrawn, some.integers(), texts),
    some.builds(ObjectDescribed, *[some.none() | texts] * 7),
    some.builds(WorkDone, *[texts] * 9),
    some.builds(WordsWaived, texts, some.integers(), numbers, texts),
)  # fmt: skip


@given(details)
def test_what_is_written_is_read(detail: Detail) -> None:
    text = to_text(detail)
    assert from_text(kind_of(detail), text) == detail
    assert text.isascii() and "\0" not in text
    assert to_text(from_text(kind_of(detail), text)) == text


def test_every_kind_has_a_name_for_ever() -> None:
    """Names stand in journals: this list only ever grows."""
    assert list(KINDS) == [
        "machine", "capture", "reading", "reference", "measurement", "value", "note", "finding", "withdrawn",
        "object", "work", "waiver",
    ]  # fmt: skip
    assert all(kind_of(said) == kind for kind, said in KINDS.items())
    assert set(KINDS.values()) == set(Detail.__args__)


def test_originals_are_found_in_entries() -> None:
    file = Stored("ab" * 32, "a.csv", 3)
    assert stored_in(CaptureAdded("u1", file)) == stored_in(MachineSeen(file)) == file
    assert stored_in(NoteAdded("none")) is None


@given(some.sampled_from(list(KINDS)), values)
def test_nonsense_is_refused_and_never_breaks(kind: str, value: Any) -> None:
    try:
        from_text(kind, json.dumps(value))
    except CaseError as error:
        assert error.remedy


def test_an_older_entry_lacks_what_was_added_later() -> None:
    """A field with a default may be missing: an older version did not know it."""
    file = {"sha256": "ab", "name": "a.csv", "byte_count": 1}
    assert from_text("capture", json.dumps({"point": "u1", "file": file})) == CaptureAdded(
        "u1", Stored("ab", "a.csv", 1)
    )
    with pytest.raises(CaseError):
        from_text("capture", json.dumps({"file": file}))


@pytest.mark.parametrize(
    ("kind", "values"),
    [
        ("note", {"text": 3}),
        ("note", {"text": None}),
        ("waiver", {"processor": "U1", "bank": 0, "addresses": ["0x40"], "why": "never read"}),
        ("waiver", {"processor": "U1", "bank": 0, "addresses": 64, "why": "never read"}),
        ("withdrawn", {"number": "3", "why": ""}),
        ("capture", {"point": "u1", "file": {"sha256": 1, "name": "a", "byte_count": 1}}),
        ("capture", {"point": "u1", "file": "a.csv"}),
        ("reading", {"chip": "U4", "file": {"sha256": "", "name": "", "byte_count": 1}, "conditions": []}),
        ("finding", {"what": "a", "key": "b", "says": "c", "result": [], "evidence": []}),
        ("finding", {"what": "a", "key": "b", "says": "c", "result": {}, "evidence": [{"sha256": "a"}]}),
        ("finding", {"what": "a", "key": "b", "says": "c", "result": {}, "evidence": 3}),
    ],
)
def test_a_value_of_another_type(kind: str, values: dict[str, Any]) -> None:
    with pytest.raises(CaseError, match="cannot be read"):
        from_text(kind, json.dumps(values))
