"""A case of an earlier version, from before its object and work at it could be written down.

``files/earlier`` was written by that version: machine file, identity, and its journal as SQL.
"""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from wrongbit.case.entries import (
    MeasurementAdded,
    NoteAdded,
    ObjectDescribed,
    ValueAdded,
    Withdrawn,
    WorkDone,
)
from wrongbit.case.folder import Case
from wrongbit.case.store import hash_of

from .conftest import Server

EARLIER = Path(__file__).parent / "files" / "earlier"


@pytest.fixture
def earlier(tmp_path: Path) -> Path:
    folder = tmp_path / "kiln"
    folder.mkdir()
    for name in ("machine.toml", "case-id.txt"):
        shutil.copy(EARLIER / name, folder / name)
    with closing(sqlite3.connect(folder / "journal.sqlite")) as journal:
        journal.executescript((EARLIER / "journal.sql").read_text("utf-8"))
    sha256 = hash_of(folder / "machine.toml")
    kept = folder / "store" / sha256[:2] / sha256 / "machine.toml"
    kept.parent.mkdir(parents=True)
    shutil.copy(folder / "machine.toml", kept)
    return folder


def goes_on(folder: Path) -> None:
    """It opens as it was, its seals hold, and it goes on with what is new."""
    with Case.open(folder) as case:
        before = case.entries(withdrawn=True)
        assert [each.number for each in before] == [1, 2, 3, 4, 5]
        assert [each.detail for each in case.entries()[1:]] == [
            ValueAdded("VCC = 4.9 V"),
            Withdrawn(3, "another machine"),
            MeasurementAdded("continuity", "X4", "D5", "data", "open"),
        ]
        assert before[2].detail == NoteAdded("The fan is loud.") and before[2].withdrawn_by == 4
        assert case.verify() == ()
        assert case.of_kind(ObjectDescribed) == () and case.of_kind(WorkDone) == ()
        assert case.add(ObjectDescribed(inventory="QM 3")).number == 6
        assert case.add(WorkDone("cleaned", "X1", "1987")).number == 7
    with Case.open(folder) as case:
        assert case.entries(withdrawn=True)[:5] == before
        assert case.verify() == ()


def test_in_its_folder(earlier: Path) -> None:
    goes_on(earlier)


def test_moved_into_a_database(earlier: Path, server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WRONGBIT_DATABASE", server.make("earlier"))
    goes_on(earlier)
