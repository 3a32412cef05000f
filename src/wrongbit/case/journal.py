"""The journal of one case: entries are added, numbered from 1, and never changed or deleted."""

from __future__ import annotations

import getpass
import hashlib
import json
import os
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime

from sqlalchemy import ColumnElement, Connection, func, insert, select
from sqlalchemy.dialects.postgresql import insert as postgresql_insert
from sqlalchemy.dialects.sqlite import insert as sqlite_insert

from wrongbit import __version__
from wrongbit.case.database import Database
from wrongbit.case.details import from_text, kind_of, to_text
from wrongbit.case.entries import Detail, Entry, FindingRecorded, MachineSeen, Withdrawn
from wrongbit.case.tables import CaseRow, EntryRow
from wrongbit.case.troubles import damaged
from wrongbit.errors import UsageError

PERSON = "WRONGBIT_PERSON"
"""Environment variable with the name of who is working."""

_COLUMNS = tuple(EntryRow.__table__.columns)


def person() -> str:
    """Who is working: `PERSON`, or the user's name on this computer."""
    name = os.environ.get(PERSON, "").strip()
    if not name:
        try:
            name = getpass.getuser()
        except (KeyError, OSError, ImportError):  # a user without an entry in the system's list
            name = "unknown"
    shown = "".join(each if each.isprintable() else " " for each in name)
    return shown.encode("utf-8", "replace").decode("utf-8")[:200].strip() or "unknown"


@dataclass(frozen=True)
class Line:
    """An entry with where it came from.

    Args:
        entry: The entry.
        origin: The row of case.toml that it was taken from; empty for all others.
    """

    entry: Entry
    origin: str


@dataclass(frozen=True)
class RawRow:
    """An entry as the database has it; fields as in `EntryRow`."""

    case_id: str
    number: int
    at: datetime
    person: str
    version: str
    kind: str
    content: str
    withdraws: int | None
    what: str | None
    finding_key: str | None
    origin: str
    seal: str

    @property
    def sound(self) -> bool:
        """Every column holds what it should, by its type."""
        texts = (self.person, self.version, self.kind, self.content, self.origin, self.seal)
        whole = isinstance(self.number, int) and all(isinstance(each, str) for each in texts)
        return whole and isinstance(self.at, datetime) and self.at.tzinfo is not None

    def entry(self, withdrawn_by: int | None = None) -> Entry:
        """As an entry.

        Raises:
            CaseError: It is damaged, or a newer version wrote it.
        """
        if not self.sound:
            raise damaged(f"Entry {self.number!r} of the journal is damaged.")
        detail = from_text(self.kind, self.content)
        return Entry(self.number, self.at, self.person, self.version, detail, withdrawn_by)


class Journal:
    """The journal of one case.

    Args:
        database: Where it is; prepared.
        case_id: Which case of that database.
    """

    def __init__(self, database: Database, case_id: str) -> None:
        self.database = database
        self.case_id = case_id

    def exists(self) -> bool:
        """Whether the database knows the case."""
        with self.database.reading() as connection:
            found = connection.execute(select(CaseRow.id).where(CaseRow.id == self.case_id)).first()
        return found is not None

    def begin(self) -> None:
        """Make the case known to the database; nothing happens where it is."""
        if self.exists():
            return
        insert_unless = sqlite_insert if self.database.is_sqlite else postgresql_insert
        with self.database.writing() as connection:
            row = {"id": self.case_id, "begun": datetime.now(UTC)}
            connection.execute(insert_unless(CaseRow).values(row).on_conflict_do_nothing())

    # -- adding ---------------------------------------------------------------------------------------------

    @contextmanager
    def adding(self) -> Iterator[Adding]:
        """Add entries in one transaction: all are durable when the block is left, or none is there.

        Nobody else adds to this case meanwhile, so that what is read in the block stays true.
        """
        with self.database.writing() as connection:
            if not self.database.is_sqlite:  # SQLite's transaction has locked the whole file
                connection.execute(select(CaseRow.id).where(CaseRow.id == self.case_id).with_for_update())
            yield Adding(self, connection)

    def add(self, detail: Detail, origin: str = "") -> Entry:
        """Add one entry."""
        with self.adding() as adding:
            return adding.add(detail, origin)

    # -- reading --------------------------------------------------------------------------------------------

    def lines(self, kinds: Collection[str] | None = None) -> tuple[Line, ...]:
        """Entries with their origin, oldest first.

        Args:
            kinds: Only these kinds; None: all.
        """
        with self.database.reading() as connection:
            return self.lines_on(connection, *_of(kinds))

    def lines_on(self, connection: Connection, *conditions: ColumnElement[bool]) -> tuple[Line, ...]:
        """Entries that fulfil conditions, as an open transaction sees them."""
        mine = EntryRow.case_id == self.case_id
        withdrawals = connection.execute(
            select(EntryRow.withdraws, func.min(EntryRow.number))
            .where(mine, EntryRow.withdraws.is_not(None))
            .group_by(EntryRow.withdraws)
        )
        by = {withdrawn: number for withdrawn, number in withdrawals}  # noqa: C416 - rows are no pairs to mypy
        query = select(*_COLUMNS).where(mine, *conditions).order_by(EntryRow.number)
        rows = [RawRow(**row._mapping) for row in connection.execute(query)]
        return tuple(Line(row.entry(by.get(row.number)), row.origin) for row in rows)

    def entries(self, kinds: Collection[str] | None = None) -> tuple[Entry, ...]:
        """Entries, oldest first."""
        return tuple(line.entry for line in self.lines(kinds))

    def raw_rows(self) -> tuple[RawRow, ...]:
        """All entries as the database has them, oldest first; not one of them is checked."""
        with self.database.reading() as connection:
            return self.raw_rows_on(connection)

    def raw_rows_on(self, connection: Connection) -> tuple[RawRow, ...]:
        """As `raw_rows`, as an open transaction sees them."""
        query = select(*_COLUMNS).where(EntryRow.case_id == self.case_id).order_by(EntryRow.number)
        return tuple(RawRow(**row._mapping) for row in connection.execute(query))

    def finding(self, what: str, key: str | None = None) -> tuple[Entry, FindingRecorded] | None:
        """The last finding of a kind that is not withdrawn.

        Args:
            what: Which computation.
            key: The one with this key; None: whichever.
        """
        with self.database.reading() as connection:
            return self.finding_on(connection, what, key)

    def finding_on(
        self, connection: Connection, what: str, key: str | None
    ) -> tuple[Entry, FindingRecorded] | None:
        """As `finding`, as an open transaction sees it."""
        mine = EntryRow.case_id == self.case_id
        gone = select(EntryRow.withdraws).where(mine, EntryRow.withdraws.is_not(None))
        wanted = [mine, EntryRow.what == what, EntryRow.number.not_in(gone)]
        if key is not None:
            wanted.append(EntryRow.finding_key == key)
        number = select(func.max(EntryRow.number)).where(*wanted).scalar_subquery()
        found = self.lines_on(connection, EntryRow.number == number)
        if not found or not isinstance(found[0].entry.detail, FindingRecorded):
            return None
        return found[0].entry, found[0].entry.detail


class Adding:
    """A transaction that adds to a journal, from `Journal.adding`."""

    def __init__(self, journal: Journal, connection: Connection) -> None:
        self._journal = journal
        self._connection = connection

    def lines(self, kinds: Collection[str] | None = None) -> tuple[Line, ...]:
        """As `Journal.lines`, as it is now and stays until the block is left."""
        return self._journal.lines_on(self._connection, *_of(kinds))

    def raw_rows(self) -> tuple[RawRow, ...]:
        """As `Journal.raw_rows`, as it is now and stays until the block is left."""
        return self._journal.raw_rows_on(self._connection)

    def add_finding(self, finding: FindingRecorded) -> Entry:
        """Add a finding, unless there is one with its key: the entry that has it."""
        known = self._journal.finding_on(self._connection, finding.what, finding.key)
        return self.add(finding) if known is None else known[0]

    def add(self, detail: Detail, origin: str = "") -> Entry:
        """Add an entry.

        Raises:
            UsageError: It withdraws something that is not there, or cannot be withdrawn.
        """
        if isinstance(detail, Withdrawn):
            self._check_withdrawal(detail.number)
        last = self._connection.execute(
            select(EntryRow.number, EntryRow.seal)
            .where(EntryRow.case_id == self._journal.case_id)
            .order_by(EntryRow.number.desc())
            .limit(1)
        ).first()
        number, before = (1, "") if last is None else (last.number + 1, last.seal)
        row = self._row(number, detail, origin)
        row = replace(row, seal=seal(before, row))
        self.copy(row)
        return Entry(number, row.at, row.person, row.version, detail)

    def copy(self, row: RawRow) -> None:
        """Write an entry as it is, such as one from another database."""
        self._connection.execute(insert(EntryRow).values(asdict(row)))

    def _row(self, number: int, detail: Detail, origin: str) -> RawRow:
        finding = detail if isinstance(detail, FindingRecorded) else None
        return RawRow(
            case_id=self._journal.case_id,
            number=number,
            at=datetime.now(UTC),
            person=person(),
            version=__version__,
            kind=kind_of(detail),
            content=to_text(detail),
            withdraws=detail.number if isinstance(detail, Withdrawn) else None,
            what=None if finding is None else finding.what,
            finding_key=None if finding is None else finding.key,
            origin=origin,
            seal="",
        )

    def _check_withdrawal(self, number: int) -> None:
        found = self._journal.lines_on(self._connection, EntryRow.number == number)
        if not found:
            raise UsageError(
                f"The journal has no entry {number}.", "'wrongbit history FOLDER --all' lists the numbers."
            )
        entry = found[0].entry
        if entry.withdrawn_by is not None:
            raise UsageError(
                f"Entry {number} was withdrawn already, by entry {entry.withdrawn_by}.",
                "Nothing is to be done.",
            )
        if isinstance(entry.detail, Withdrawn | MachineSeen):
            what = "withdraws another" if isinstance(entry.detail, Withdrawn) else "tells of the machine file"
            raise UsageError(
                f"Entry {number} {what}: it cannot be withdrawn itself.",
                "Add again what is to count, or correct the machine file.",
            )


def _of(kinds: Collection[str] | None) -> list[ColumnElement[bool]]:
    return [] if kinds is None else [EntryRow.kind.in_(kinds)]


def seal(before: str, row: RawRow) -> str:
    """SHA-256 over an entry's row and the seal before it, so that none can be changed or taken out unseen.

    Args:
        before: Seal of the entry before; empty for the first.
        row: The row; its own seal does not enter.
    """
    told = [row.case_id, str(row.number), row.person, row.version, row.kind, row.content, row.origin]
    told.append(row.at.isoformat(timespec="microseconds"))
    return hashlib.sha256(json.dumps([before, *told]).encode("ascii")).hexdigest()
