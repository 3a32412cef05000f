"""The journal's tables. `migrations` makes them; a test keeps both equal.

One database may hold the journals of many cases. Entries are only ever added.
"""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import DateTime, Dialect, ForeignKey, Index, String, Text, TypeDecorator
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

REVISIONS = ("0001",)
"""The migrations that this version knows, oldest first; a journal at any other is of a newer version."""


class UtcTime(TypeDecorator[datetime]):
    """A time in UTC with its zone; in SQLite, which has no such thing, as text of ISO 8601."""

    impl = DateTime(timezone=True).with_variant(String(32), "sqlite")
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> Any:
        """To the database."""
        if value is None:
            return None
        moment = value.astimezone(UTC)
        return moment.isoformat(timespec="microseconds") if dialect.name == "sqlite" else moment

    def process_result_value(self, value: Any, dialect: Dialect) -> Any:
        """From the database; what is no time is handed on as it is, for the journal to complain of."""
        with suppress(ValueError):
            value = datetime.fromisoformat(value) if isinstance(value, str) else value
        return value.astimezone(UTC) if isinstance(value, datetime) and value.tzinfo is not None else value


class Base(DeclarativeBase):
    """What the tables have in common."""


class CaseRow(Base):
    """A case. Writers lock its row, so that its entries are numbered without gaps."""

    __tablename__ = "cases"

    id: Mapped[str] = mapped_column(String(36), primary_key=True)
    begun: Mapped[datetime] = mapped_column(UtcTime)


class EntryRow(Base):
    """One line of a journal.

    ``content`` is JSON text; ``withdraws``, ``what`` and ``finding_key`` repeat what is searched for in it.
    ``origin`` is the row of case.toml that the entry was taken from; empty for all others. ``seal`` is a
    SHA-256 over the line and the seal before it.
    """

    __tablename__ = "entries"
    __table_args__ = (
        Index("entries_by_kind", "case_id", "kind", "number"),
        Index("entries_by_finding", "case_id", "what", "finding_key"),
    )

    case_id: Mapped[str] = mapped_column(String(36), ForeignKey("cases.id"), primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    at: Mapped[datetime] = mapped_column(UtcTime)
    person: Mapped[str] = mapped_column(Text)
    version: Mapped[str] = mapped_column(Text)
    kind: Mapped[str] = mapped_column(String(32))
    content: Mapped[str] = mapped_column(Text)
    withdraws: Mapped[int | None]
    what: Mapped[str | None] = mapped_column(Text)
    finding_key: Mapped[str | None] = mapped_column(Text)
    origin: Mapped[str] = mapped_column(Text)
    seal: Mapped[str] = mapped_column(String(64))
