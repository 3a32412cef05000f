"""A case's folder: machine file, journal and store together."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path, PurePosixPath
from types import TracebackType
from typing import Self, cast

from wrongbit.case.details import D, kind_of, stored_in
from wrongbit.case.durable import explained, flush_folder, make_folder, umask, write_whole
from wrongbit.case.entries import (
    CaptureAdded,
    Detail,
    Entry,
    FindingRecorded,
    MachineSeen,
    ReadingAdded,
    ReferenceAdded,
    ReferenceKind,
    Stored,
    Withdrawn,
    WorkDone,
    Written,
)
from wrongbit.case.identity import ID_FILE
from wrongbit.case.journal import Journal
from wrongbit.case.names import safe_name
from wrongbit.case.store import Import, Progress, Store, hash_of
from wrongbit.case.taken import TakeIn
from wrongbit.case.troubles import DamagedJournalError, Trouble
from wrongbit.case.verify import journal_troubles, loose_store_troubles, readable_entries, store_troubles
from wrongbit.case.where import JOURNAL_FILE, into_folder, journal_of
from wrongbit.diagnose.case import CASE_FILE, MACHINE_FILE, machine_file_of
from wrongbit.errors import InputError, UsageError, WrongbitError

STORE_FOLDER = "store"
DERIVED_FOLDER = "derived"


class Case:
    """One machine's repair, from `Case.open` or `Case.create`. May be used from several threads."""

    def __init__(self, folder: Path, machine_file: Path, journal: Journal) -> None:
        self.folder = folder
        self.machine_file = machine_file
        self.name = folder.resolve().name
        self._journal = journal
        self._store = Store(folder / STORE_FOLDER)

    # -- beginning ------------------------------------------------------------------------------------------

    @staticmethod
    def create(folder: Path, files: Mapping[str, bytes | str]) -> Case:
        """Begin a case, whole or not at all. Nothing that is there is written over.

        Args:
            folder: A folder that does not exist, or has none of these files and no case in it.
            files: Contents of the files to begin with, by name; one is the machine file. A name may have
                folders in it (``images/u4.bin``).

        Raises:
            UsageError: The folder has a case or one of the files.
            InputError: There is no machine file among the files.
            CaseError: It cannot be written.
        """
        _check_new(folder, files)
        with explained(folder):
            make_folder(folder.resolve().parent)
            whole = folder.resolve()
            beside = Path(tempfile.mkdtemp(dir=whole.parent, prefix=f".{whole.name}."))
            try:
                beside.chmod(0o777 & ~umask())
                for name, data in files.items():
                    _write_new(beside, name, data)
                Case.open(beside).close()
                _move_in(beside, folder)
            finally:
                shutil.rmtree(beside, ignore_errors=True)
        return Case.open(folder)

    @staticmethod
    def open(folder: Path, *, progress: Progress | None = None, take_in: bool = True) -> Case:
        """Open a case, or make one of a folder that has a machine file.

        Args:
            folder: The folder.
            progress: Told how many bytes are copied of a file that case.toml names anew.
            take_in: Take in what is new in case.toml, and a machine file that was changed.

        Raises:
            InputError: There is no folder, no machine file in it, or case.toml says something impossible.
            CaseError: The journal is damaged, of a newer version, or unreachable.
        """
        machine_file = _machine_file(folder)
        store = Store(folder / STORE_FOLDER)
        journal = journal_of(folder, store)
        case = Case(folder, machine_file, journal)
        try:
            if take_in:
                store.tidy(case._listed)
                case.refresh(progress)
        except BaseException:
            case.close()
            raise
        return case

    def refresh(self, progress: Progress | None = None) -> None:
        """Take in what was changed in the folder by hand: the machine file, case.toml.

        Raises:
            InputError: case.toml says something impossible.
            CaseError: The case cannot be written.
        """
        if self._journal.database.read_only:
            return
        self._see_machine()
        memory = self.folder / DERIVED_FOLDER / "hashes.json"
        TakeIn(self.folder, self.machine_file, self._journal, self._store, memory).run(progress)

    def close(self) -> None:
        """Let go of the database."""
        self._journal.database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # -- reading --------------------------------------------------------------------------------------------

    def entries(self, *, withdrawn: bool = False) -> tuple[Entry, ...]:
        """The journal, oldest first.

        Args:
            withdrawn: Also entries that a later one withdrew.
        """
        return tuple(each for each in self._journal.entries() if withdrawn or each.withdrawn_by is None)

    def of_kind(self, kind: type[D]) -> tuple[tuple[Entry, D], ...]:
        """Entries of one kind with what they say, oldest first, without those withdrawn."""
        found = self._journal.entries([kind_of(cast(type[Detail], kind))])
        return tuple(
            (each, each.detail)
            for each in found
            if each.withdrawn_by is None and isinstance(each.detail, kind)
        )

    def entry_of(self, number: int, kind: type[D]) -> tuple[Entry, D]:
        """One entry of a kind with what it says.

        Raises:
            UsageError: There is no such entry, it was withdrawn, or is of another kind.
        """
        name = kind_of(cast(type[Detail], kind))
        found = next((each for each in self._journal.entries() if each.number == number), None)
        if found is None:
            what = f"The journal has no entry {number}."
        elif not isinstance(found.detail, kind):
            what = f"Entry {number} is of the kind {kind_of(found.detail)!r}, not {name!r}."
        elif found.withdrawn_by is not None:
            what = f"Entry {number} was withdrawn already, by entry {found.withdrawn_by}."
        else:
            return found, found.detail
        raise UsageError(what, f"'wrongbit history FOLDER --kind {name}' lists those that count.")

    def finding(self, what: str, key: str) -> FindingRecorded | None:
        """The recorded result of a computation with that key, if there is one."""
        found = self._journal.finding(what, key)
        return None if found is None else found[1]

    def latest(self, what: str) -> tuple[Entry, FindingRecorded] | None:
        """The last recorded result of a computation, whatever its key."""
        return self._journal.finding(what)

    def path_of(self, stored: Stored) -> Path:
        """An original's file in the store; to be read only.

        Raises:
            CaseError: It is missing.
        """
        return self._store.path_of(stored)

    def derived(self, name: str) -> Path:
        """The place of something that can be computed again; its folder is made.

        Args:
            name: A file name, which may have folders in it.

        Raises:
            CaseError: The folder cannot be made.
        """
        parts = PurePosixPath(name).parts
        if not parts or any(each != safe_name(each) for each in parts):
            raise ValueError(f"{name!r} is no name for a file in derived/")
        path = self.folder / DERIVED_FOLDER / Path(*parts)
        with explained(path):
            path.parent.mkdir(parents=True, exist_ok=True)
        return path

    def original_count(self) -> int:
        """How many originals the journal has."""
        return len(self._listed())

    # -- adding ---------------------------------------------------------------------------------------------

    def add_capture(
        self,
        path: Path,
        point: str,
        *,
        note: str = "",
        name: str | None = None,
        progress: Progress | None = None,
    ) -> Entry:
        """Keep a capture.

        Args:
            path: The instrument's file.
            point: Probe point of the machine file.
            note: For people.
            name: The name to remember, where the file has a passing one.
            progress: Told how many bytes are copied.

        Raises:
            InputError: The file cannot be read.
            CaseError: The case cannot be written; nothing is left half-done.
        """
        with self._importing() as work:
            return self._journal.add(CaptureAdded(point, work.keep(path, name, progress), note))

    def add_reading(
        self,
        path: Path,
        chip: str,
        *,
        format: str = "auto",  # noqa: A002 - as the entry names it
        conditions: Mapping[str, str] | None = None,
        note: str = "",
        name: str | None = None,
    ) -> Entry:
        """Keep one pass of a chip in a reader; arguments as in `ReadingAdded`, errors as of `add_capture`."""
        with self._importing() as work:
            stored = work.keep(path, name)
            return self._journal.add(ReadingAdded(chip, stored, format, dict(conditions or {}), note))

    def add_reference(
        self,
        path: Path,
        kind: ReferenceKind,
        chip: str = "",
        *,
        format: str = "auto",  # noqa: A002 - as the entry names it
        note: str = "",
        name: str | None = None,
    ) -> Entry:
        """Keep a source of what a chip should hold; arguments and errors as for `add_capture`."""
        with self._importing() as work:
            return self._journal.add(ReferenceAdded(chip, work.keep(path, name), kind, format, note))

    def add(self, detail: Written) -> Entry:
        """Write an entry that brings no file; a finding whose key is there already is not written again.

        Raises:
            CaseError: The journal cannot be written.
        """
        if isinstance(detail, FindingRecorded):
            with self._journal.adding() as adding:
                return adding.add_finding(detail)
        return self._journal.add(detail)

    def correct(self, number: int, detail: WorkDone) -> Entry:
        """Write an entry in place of an earlier one of its kind, which is withdrawn and stays in the journal.

        Both are there, or neither.

        Raises:
            UsageError: There is no such entry, it was withdrawn, or is of another kind.
        """
        self.entry_of(number, type(detail))
        with self._journal.adding() as adding:
            entry = adding.add(detail)
            adding.add(Withdrawn(number, f"corrected by entry {entry.number}"))
        return entry

    def withdraw(self, number: int, why: str) -> Entry:
        """Let an entry count no more; it stays in the journal.

        Raises:
            UsageError: There is no such entry, or it was withdrawn.
        """
        return self._journal.add(Withdrawn(number, why))

    # -- keeping up -----------------------------------------------------------------------------------------

    def _listed(self) -> set[str]:
        """SHA-256 of every original that the journal has."""
        found = (stored_in(each.detail) for each in self._journal.entries())
        return {each.sha256 for each in found if each is not None}

    def _see_machine(self) -> None:
        """Note the machine file in the journal when it is not as it was."""
        with explained(self.machine_file, "read"):
            now = hash_of(self.machine_file)
        seen = self.of_kind(MachineSeen)
        if seen and seen[-1][1].file.sha256 == now:
            return
        with self._importing() as work:
            stored = work.keep(self.machine_file)
            with self._journal.adding() as adding:
                lines = adding.lines([kind_of(MachineSeen)])
                if not lines or lines[-1].entry.detail != MachineSeen(stored):
                    adding.add(MachineSeen(stored))

    @contextmanager
    def _importing(self) -> Iterator[Import]:
        """An import; what is left of one that fails is cleared away."""
        try:
            with self._store.importing() as work:
                yield work
        except Exception:
            with suppress(WrongbitError):
                self._store.tidy(self._listed)
            raise

    # -- checking -------------------------------------------------------------------------------------------

    def verify(self, progress: Progress | None = None) -> tuple[Trouble, ...]:
        """Hash every original again and check every entry.

        Args:
            progress: Told how many bytes are hashed, and how many there are.

        Returns:
            Everything that is not as it was kept; nothing where all is well.
        """
        found: list[Trouble] = []
        try:
            found += journal_troubles(self._journal)
            entries = readable_entries(self._journal)
        except DamagedJournalError as error:
            found.append(_journal_trouble(error))
        if any(each.kind == "damaged journal" for each in found):
            return (*found, *loose_store_troubles(self._store))
        if not found:
            self._store.tidy(self._listed)
        return (*found, *store_troubles(self._store, entries, progress))

    def restore(self, path: Path, progress: Progress | None = None) -> Stored:
        """Put an original back into the store that is missing or was changed.

        Args:
            path: A file with the same bytes.
            progress: Told how many bytes are copied.

        Raises:
            InputError: The file cannot be read.
            UsageError: The journal tells of no such original.
        """
        with explained(path, "read"):
            sha256 = hash_of(path)
        known = [stored_in(each.detail) for each in self._journal.entries()]
        wanted = next((each for each in known if each is not None and each.sha256 == sha256), None)
        if wanted is None:
            raise UsageError(
                f"No entry tells of an original with these bytes (SHA-256 {sha256[:12]}…).",
                "If it is new, add it with 'wrongbit add'.",
            )
        with self._importing() as work:
            work.keep(path, wanted.name, progress)
        return wanted

    def bring_journal(self) -> None:
        """Bring the journal from a workshop's database into the folder, which is then whole by itself.

        Raises:
            UsageError: It is there already.
        """
        if self._journal.database.is_sqlite:
            raise UsageError("The journal is in the folder already.", "Nothing is to be done.")
        before = self._journal
        self._journal = into_folder(self.folder, before)
        before.database.close()


def verify_folder(folder: Path, progress: Progress | None = None) -> tuple[Trouble, ...]:
    """Check a case, also one whose journal cannot be opened; nothing is taken in.

    Raises:
        InputError: There is no such folder, or it is no case.
        CaseError: The journal is of a newer version, or unreachable.
    """
    try:
        with Case.open(folder, take_in=False) as case:
            return case.verify(progress)
    except DamagedJournalError as error:
        return (_journal_trouble(error), *loose_store_troubles(Store(folder / STORE_FOLDER)))


def _journal_trouble(error: DamagedJournalError) -> Trouble:
    told = " ".join(f"{each.rstrip('.')}." for each in (error.message, *error.notes))
    return Trouble("damaged journal", told, error.remedy, error.file or "")


def _machine_file(folder: Path) -> Path:
    if not folder.is_dir() or (folder / CASE_FILE).exists():
        named = machine_file_of(folder)
        # It is copied into the store: a case from elsewhere must not fetch what lies about on this computer.
        if not named.resolve().is_relative_to(folder.resolve()):
            raise InputError(
                "The machine file lies outside the case's folder.",
                "Copy it into the folder, with the images that it names.",
                file=str(folder / CASE_FILE),
                key="machine",
            )
        return named
    if not (folder / MACHINE_FILE).is_file():
        raise InputError(
            f"This folder has no {MACHINE_FILE}: it is no case.",
            "Name a case folder, or begin one with 'wrongbit new'.",
            file=str(folder),
        )
    return folder / MACHINE_FILE


def _check_new(folder: Path, files: Mapping[str, bytes | str]) -> None:
    """Nothing that is there would be written over.

    Raises:
        UsageError: Something would.
    """
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is there already, and is no folder.", "Name another folder.")
    taken = (*files, CASE_FILE, JOURNAL_FILE, ID_FILE, STORE_FOLDER)
    there = [str(folder / name) for name in dict.fromkeys(taken) if name and (folder / name).exists()]
    if there:
        raise UsageError(f"{' and '.join(there)} is there already.", "Name another folder.")


def _move_in(beside: Path, folder: Path) -> None:
    """Give a finished case its place: in one step, or part by part into a folder that has other things.

    The machine file comes last: without it, the folder is no case.
    """
    if not folder.exists():
        beside.rename(folder)
    else:  # it stays the folder that it is: somebody may be working in it
        parts = sorted(beside.iterdir(), key=lambda path: path.name == MACHINE_FILE)
        moved: list[Path] = []
        try:
            for part in parts:
                _merge(part, folder / part.name, moved)
        except OSError:
            for each in moved:
                shutil.rmtree(each) if each.is_dir() else each.unlink()
            raise
        flush_folder(folder)
    flush_folder(folder.resolve().parent)


def _merge(part: Path, place: Path, moved: list[Path]) -> None:
    if part.is_dir() and place.is_dir():  # such as images/, of which some are there already
        for inner in part.iterdir():
            _merge(inner, place / inner.name, moved)
    else:
        part.rename(place)
        moved.append(place)


def _write_new(folder: Path, name: str, data: bytes | str) -> None:
    parts = PurePosixPath(name).parts
    if not parts or name.startswith("/") or ".." in parts:
        raise UsageError(f"{name!r} leads out of the new folder.", "Name the file without '..' and '/'.")
    path = folder / Path(*parts)
    make_folder(path.parent)
    write_whole(path, data.encode("utf-8") if isinstance(data, str) else data, exclusive=True)
