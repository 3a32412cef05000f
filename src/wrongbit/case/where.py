"""Which journal belongs to a folder: the file in it, or a case of a workshop's database; moving it."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

from sqlalchemy import select

from wrongbit.case.database import VARIABLE, Database, postgresql_database, sqlite_database
from wrongbit.case.identity import Identity, keep_identity, make_identity, read_identity
from wrongbit.case.journal import Journal
from wrongbit.case.store import Store
from wrongbit.case.tables import CaseRow
from wrongbit.case.troubles import DamagedJournalError, damaged
from wrongbit.errors import CaseError

JOURNAL_FILE = "journal.sqlite"


def journal_of(folder: Path, store: Store) -> Journal:
    """The journal of a folder, ready for use; made where there is none.

    Args:
        folder: The case's folder.
        store: Its store: where that has originals, there must be a journal.

    Raises:
        DamagedJournalError: The journal is damaged or has gone.
        CaseError: It is of a newer version, or unreachable.
    """
    address = os.environ.get(VARIABLE, "").strip()
    identity = read_identity(folder)
    if address:
        return _opened(postgresql_database(address), lambda database: _in_database(folder, store, database))
    if identity is not None and identity.in_database:
        raise CaseError(
            "This case's journal is in a workshop's database.",
            f"Set {VARIABLE} to that database. To bring the journal into the folder, run there: "
            "wrongbit history FOLDER --into-folder",
            file=str(folder),
        )
    file = folder / JOURNAL_FILE
    if (not file.exists() or file.stat().st_size == 0) and any(store.places()):
        raise damaged(
            "The journal has gone: the store has originals, and no journal tells of them.", str(file)
        )
    return _opened(sqlite_database(file), lambda database: _in_folder(folder, database))


def _opened(database: Database, journal: object) -> Journal:
    try:
        database.prepare()
        found: Journal = journal(database)  # type: ignore[operator]
    except BaseException:
        database.close()
        raise
    return found


def _in_folder(folder: Path, database: Database) -> Journal:
    """The file's own identity counts: the text file only repeats it."""
    with database.reading() as connection:
        known = connection.execute(select(CaseRow.id).limit(1)).scalar()
    if known is not None:
        if read_identity(folder) is None and not database.read_only:
            make_identity(folder, known)
        return Journal(database, known)
    journal = Journal(database, make_identity(folder).case_id)
    journal.begin()
    return journal


def _in_database(folder: Path, store: Store, database: Database) -> Journal:
    """The case in a workshop's database; a journal that is still in the folder moves there."""
    identity = read_identity(folder)
    if identity is not None and identity.in_database:
        journal = Journal(database, identity.case_id)
        if not journal.exists():
            raise CaseError(
                f"The {database.label} does not know this case.",
                f"Set {VARIABLE} to the database that has its journal.",
                file=str(folder),
            )
        return journal
    file = folder / JOURNAL_FILE
    if not file.exists():
        if any(store.places()):
            raise damaged("The journal has gone: the store has originals.", str(file))
        identity = identity or make_identity(folder)
        journal = Journal(database, identity.case_id)
        journal.begin()
    else:
        before = journal_in_folder(folder)
        try:
            identity = Identity(before.case_id)
            journal = Journal(database, before.case_id)
            journal.begin()
            copy_entries(before, journal)
        finally:
            before.database.close()
    keep_identity(folder, replace(identity, in_database=True))
    return journal


def journal_in_folder(folder: Path) -> Journal:
    """The journal file of a folder, whatever the environment says."""
    return _opened(sqlite_database(folder / JOURNAL_FILE), lambda database: _in_folder(folder, database))


def into_folder(folder: Path, journal: Journal) -> Journal:
    """Bring a journal from a workshop's database into the folder, which is then whole by itself.

    Returns:
        The journal in the folder.
    """
    identity = Identity(journal.case_id)
    target = journal_in_folder(folder)
    if target.case_id != journal.case_id:
        target.database.close()
        raise CaseError(
            "The folder has the journal of another case.",
            f"Move {JOURNAL_FILE} out of the folder.",
            file=str(folder / JOURNAL_FILE),
        )
    copy_entries(journal, target)
    keep_identity(folder, identity)
    return target


def copy_entries(source: Journal, target: Journal) -> None:
    """Bring the target up to the source, all at once; both must be the same up to where the shorter one ends.

    Raises:
        CaseError: They differ.
    """
    with target.adding() as adding:
        theirs, ours = source.raw_rows(), adding.raw_rows()
        shared = min(len(theirs), len(ours))
        if [each.seal for each in theirs[:shared]] != [each.seal for each in ours[:shared]]:
            raise DamagedJournalError(
                "The journal in the folder and the one in the database have gone different ways.",
                "Decide which one counts: move journal.sqlite out of the folder to keep the "
                "database's; ask who looks after the database to keep the folder's.",
                file=source.database.label,
            )
        for row in theirs[shared:]:
            row.entry()  # what cannot be read here is not carried elsewhere
            adding.copy(row)
