"""A case in a folder that may only be read, and in which no journal was begun: looked at, never written."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import cast

import wrongbit
from wrongbit.bus.recipes import recipe_names
from wrongbit.capture.store import file_hash
from wrongbit.case.details import D
from wrongbit.case.entries import (
    CaptureAdded,
    Detail,
    Entry,
    FindingRecorded,
    MeasurementAdded,
    ReadingAdded,
    Stored,
    Written,
)
from wrongbit.case.folder import Case
from wrongbit.casework.inputs import CaseLike
from wrongbit.diagnose.case import CASE_FILE, MACHINE_FILE, CaseRow, check_row, machine_file_of, rows_of
from wrongbit.diagnose.structure import Structure
from wrongbit.errors import CaseError, InputError
from wrongbit.job import Progress
from wrongbit.machine.load import load_machine

JOURNALS = ("journal.sqlite", "case-id.txt")
"""Files that show that a case was begun."""


def open_or_look(folder: Path, progress: Progress | None = None) -> CaseLike:
    """Open a case; where its folder may not be written to and holds no journal, only look at it.

    Args:
        folder: With a machine file, and a journal or case.toml.
        progress: Told how many bytes are copied of a file that case.toml names anew.

    Raises:
        InputError: There is no such folder, or what is written in it is impossible.
        CaseError: A journal is there and cannot be used.
    """
    if not any((folder / name).exists() for name in JOURNALS) and not _writable(folder):
        return UnkeptCase(folder)
    return Case.open(folder, progress=progress)


def _writable(folder: Path) -> bool:
    """Whether files can be made in a folder: only trying tells; rights are not all that may be against it."""
    if not folder.is_dir():
        return True  # opening it tells what is wrong
    trial = folder / f".{MACHINE_FILE}.trial"
    try:
        trial.touch()
        trial.unlink()
    except OSError:
        return False
    return True


class UnkeptCase:
    """What machine.toml and case.toml say, as a journal that nobody keeps.

    Args:
        folder: The folder.

    Raises:
        InputError: There is no such folder or machine file, or case.toml says something impossible.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        written = (folder / CASE_FILE).exists() or not (folder / MACHINE_FILE).is_file()
        self.machine_file = machine_file_of(folder) if written else folder / MACHINE_FILE
        self.name = folder.resolve().name
        self._paths: dict[str, Path] = {}
        machine = load_machine(self.machine_file, require_files=False, recipe_names=recipe_names())
        structure = Structure(machine)
        found: list[Detail] = []
        for row in rows_of(folder) if written else ():
            check_row(folder, structure, row)
            found.append(self._detail(row))
        at = datetime.fromtimestamp(self.machine_file.stat().st_mtime, UTC)
        self._entries = tuple(
            Entry(number, at, "", wrongbit.__version__, detail) for number, detail in enumerate(found, 1)
        )

    def _detail(self, row: CaseRow) -> Detail:
        def value(key: str) -> str:
            return str(row.table.get(key, ""))

        if row.kind == "measurement":
            line = value("line").strip().upper()
            known = (value("kind"), value("part"), line, value("carries"), value("outcome"))
            return MeasurementAdded(*known, value("note"))
        path = self.folder / value("file")
        stored = Stored(file_hash(path), path.name, path.stat().st_size)
        self._paths[stored.sha256] = path
        if row.kind == "capture":
            return CaptureAdded(value("point"), stored, value("note"))
        return ReadingAdded(value("chip"), stored, value("format") or "auto", {}, value("note"))

    def entries(self, *, withdrawn: bool = False) -> tuple[Entry, ...]:
        """The rows of case.toml; none is ever withdrawn."""
        return self._entries

    def of_kind(self, kind: type[D]) -> tuple[tuple[Entry, D], ...]:
        """Those of one kind."""
        found = ((each, each.detail) for each in self._entries if isinstance(each.detail, kind))
        return tuple((each, cast(D, detail)) for each, detail in found)

    def path_of(self, stored: Stored) -> Path:
        """The file itself.

        Raises:
            InputError: It is none of the case's.
        """
        if stored.sha256 not in self._paths:
            raise InputError(
                f"{stored.name!r} is no file of the case.", "Name one.", file=str(self.folder / CASE_FILE)
            )
        return self._paths[stored.sha256]

    def derived(self, name: str) -> Path:
        """Nowhere.

        Raises:
            CaseError: Always.
        """
        raise self._read_only()

    def finding(self, what: str, key: str) -> FindingRecorded | None:
        """Nothing is recorded."""
        return None

    def latest(self, what: str) -> tuple[Entry, FindingRecorded] | None:
        """Nothing is recorded."""
        return None

    def add(self, detail: Written) -> Entry:
        """Nothing can be written.

        Raises:
            CaseError: Always.
        """
        raise self._read_only()

    def _read_only(self) -> CaseError:
        return CaseError(
            "This folder may only be read.",
            "Copy it to a place that you may write to.",
            file=str(self.folder),
        )

    def close(self) -> None:
        """Nothing is open."""
