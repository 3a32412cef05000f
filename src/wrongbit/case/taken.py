"""Inputs written by hand: the rows of case.toml are taken into the journal, and the file stays as it is.

The file and the journal are kept alike: a row that is new is taken in; an entry whose row was taken out of
the file, or changed, is withdrawn. Entries added in other ways are left alone, a row that says the same as
one of them is not taken in twice, and what a person has withdrawn does not come back.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

from wrongbit.bus.recipes import recipe_names
from wrongbit.case.durable import write_whole
from wrongbit.case.entries import CaptureAdded, Detail, MeasurementAdded, ReadingAdded, Stored, Withdrawn
from wrongbit.case.journal import Adding, Journal, Line
from wrongbit.case.store import Import, Progress, Store, hash_of
from wrongbit.diagnose.case import CASE_FILE, CaseRow, check_row, rows_of
from wrongbit.diagnose.structure import Structure
from wrongbit.errors import InputError, MachineFileError
from wrongbit.machine.load import load_machine

KINDS = ("capture", "reading", "measurement")
"""Kinds of entries that rows become."""

_GONE = f"It no longer stands in {CASE_FILE}."


@dataclass(frozen=True)
class _Wanted:
    """A row as the entry that it becomes.

    Args:
        row: The row.
        origin: Its text, the same for the same row.
        detail: The entry; the file's size and name are as far as known.
        path: Its file, if it has one that is there.
    """

    row: CaseRow
    origin: str
    detail: Detail
    path: Path | None


@dataclass(frozen=True)
class _Plan:
    """What is to be done so that the journal agrees with the file."""

    add: tuple[_Wanted, ...]
    withdraw: tuple[int, ...]


class TakeIn:
    """Keeping a folder's case.toml and its journal alike.

    Args:
        folder: The case's folder.
        machine_file: Its machine file.
        journal: Its journal.
        store: Its store.
        memory: File that remembers hashes by size and time of change; may be deleted.
    """

    def __init__(
        self, folder: Path, machine_file: Path, journal: Journal, store: Store, memory: Path
    ) -> None:
        self._folder = folder
        self._machine_file = machine_file
        self._journal = journal
        self._store = store
        self._hashes = _Hashes(memory)

    def run(self, progress: Progress | None = None) -> None:
        """Bring the journal up to what the file says; nothing happens where they agree.

        Args:
            progress: Told how many bytes of a new file are copied.

        Raises:
            InputError: A row says something impossible, or a new row's file is not there.
            CaseError: The case cannot be written.
        """
        if not (self._folder / CASE_FILE).is_file():
            return
        rows = rows_of(self._folder)
        plan = self._plan(rows, self._journal.lines((*KINDS, "withdrawn")))
        if not plan.add and not plan.withdraw:
            return
        if plan.add and not self._checked(plan.add):
            return
        with self._store.importing() as work:
            kept = {id(each.row): self._kept(each, work, progress) for each in plan.add}
            with self._journal.adding() as adding:
                self._write(rows, kept, adding)
        self._hashes.save()

    def _write(self, rows: Sequence[CaseRow], kept: dict[int, Detail], adding: Adding) -> None:
        """Add and withdraw under the journal's lock; another process may have been faster."""
        plan = self._plan(rows, adding.lines((*KINDS, "withdrawn")))
        for number in plan.withdraw:
            adding.add(Withdrawn(number, _GONE), origin=CASE_FILE)
        for each in plan.add:
            if id(each.row) in kept:
                adding.add(kept[id(each.row)], origin=each.origin)

    def _checked(self, new: Sequence[_Wanted]) -> bool:
        """Whether the new rows can be taken in now: not while the machine file itself cannot be read.

        Raises:
            InputError: A row says something impossible.
        """
        try:
            machine = load_machine(self._machine_file, require_files=False, recipe_names=recipe_names())
        except MachineFileError:
            return False  # it is being worked on; whoever needs it will tell what is wrong
        structure = Structure(machine)
        for each in new:
            check_row(self._folder, structure, each.row)
        return True

    def _kept(self, each: _Wanted, work: Import, progress: Progress | None) -> Detail:
        if each.path is None:
            return each.detail
        stored = work.keep(each.path, progress=progress)
        return replace(cast(CaptureAdded | ReadingAdded, each.detail), file=stored)

    # -- comparing ------------------------------------------------------------------------------------------

    def _plan(self, rows: Sequence[CaseRow], lines: Sequence[Line]) -> _Plan:
        """Pair rows with entries; what is left over on either side is to be added or withdrawn."""
        ours = {line.entry.number for line in lines if line.origin == CASE_FILE}
        pool = [
            line
            for line in lines
            if line.entry.detail.__class__ is not Withdrawn and line.entry.withdrawn_by not in ours
        ]
        left = []
        for row in rows:
            wanted, found = self._match(row, pool)
            if found is None:
                left.append(wanted)
            else:
                pool.remove(found)
        gone = [line.entry.number for line in pool if line.origin and line.entry.withdrawn_by is None]
        return _Plan(tuple(left), tuple(gone))

    def _match(self, row: CaseRow, pool: Sequence[Line]) -> tuple[_Wanted, Line | None]:
        """A row as the entry that it becomes, and the line that is this entry already."""
        origin = json.dumps({row.kind: row.table}, sort_keys=True, default=str)
        same = [line for line in pool if line.origin == origin]
        path = self._path(row)
        if same and row.kind != "measurement" and (path is None or not path.is_file()):
            # The original is kept: the file beside case.toml has done its service.
            return _Wanted(row, origin, same[0].entry.detail, None), same[0]
        wanted = _Wanted(row, origin, self._detail(row, path), path)
        said = [line for line in pool if not line.origin and _says_same(line.entry.detail, wanted.detail)]
        same = [line for line in same if _says_same(line.entry.detail, wanted.detail)]
        return wanted, next(iter(same + said), None)

    def _path(self, row: CaseRow) -> Path | None:
        name = row.table.get("file")
        if not isinstance(name, str) or not name or "\0" in name:
            return None
        path = self._folder / name
        if not path.resolve().is_relative_to(self._folder.resolve()):
            raise InputError(
                f"The file {name!r} lies outside the case's folder.",
                "Copy it into the folder, or add it with 'wrongbit add'.",
                file=str(self._folder / CASE_FILE),
                key=f"{row.at}.file",
            )
        return path

    def _detail(self, row: CaseRow, path: Path | None) -> Detail:
        """The entry; what is wrong with the row is found by `check_row`, before it is used."""

        def value(key: str) -> str:
            return str(row.table.get(key, ""))

        if row.kind == "measurement":
            line = value("line").strip().upper()
            known = (value("kind"), value("part"), line, value("carries"), value("outcome"))
            return MeasurementAdded(*known, value("note"))
        stored = Stored("", "", 0)
        if path is not None and path.is_file():
            stored = Stored(self._hashes.of(path), path.name, path.stat().st_size)
        if row.kind == "capture":
            return CaptureAdded(value("point"), stored, value("note"))
        return ReadingAdded(value("chip"), stored, value("format") or "auto", {}, value("note"))


def _says_same(known: Detail, wanted: Detail) -> bool:
    """Whether two entries are the same evidence, whatever notes they have."""
    return type(known) is type(wanted) and _evidence(known) == _evidence(wanted)


def _evidence(detail: Detail) -> tuple[Any, ...]:
    match detail:
        case CaptureAdded():
            return detail.point, detail.file.sha256
        case ReadingAdded():
            return detail.chip, detail.file.sha256, detail.format
        case MeasurementAdded():
            return detail.kind, detail.part, detail.line, detail.carries, detail.outcome
        case _:
            return (detail,)


class _Hashes:
    """SHA-256 of files, remembered by size and time of change, so that opening a case reads no capture."""

    def __init__(self, memory: Path) -> None:
        self._memory = memory
        self._known: dict[str, list[Any]] = {}
        with suppress(OSError, ValueError):
            known = json.loads(memory.read_text("utf-8"))
            self._known = known if isinstance(known, dict) else {}

    def of(self, path: Path) -> str:
        try:
            about = path.stat()
            now = [about.st_size, about.st_mtime_ns, about.st_ino]
            known = self._known.get(str(path.resolve()))
            if isinstance(known, list) and known[:3] == now and isinstance(known[-1], str):
                return known[-1]
            sha256 = hash_of(path)
        except OSError as error:
            raise InputError(
                f"The file cannot be read: {error.strerror}.", "Check its permissions.", file=str(path)
            ) from None
        self._known[str(path.resolve())] = [*now, sha256]
        return sha256

    def save(self) -> None:
        with suppress(OSError):  # only a matter of speed
            self._memory.parent.mkdir(exist_ok=True)
            write_whole(self._memory, json.dumps(self._known).encode("ascii"))
