"""Holding a case against itself: every original against its hash, every entry against its seal."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from wrongbit.case.details import from_text, stored_in
from wrongbit.case.entries import Entry, Stored, Withdrawn
from wrongbit.case.journal import Journal, RawRow, seal
from wrongbit.case.store import Progress, Store, hash_of
from wrongbit.case.troubles import RESTORE_JOURNAL, Trouble
from wrongbit.errors import WrongbitError

_PUT_BACK = "Put it back with 'wrongbit verify FOLDER --restore FILE', or from a copy of the case."


def journal_troubles(journal: Journal) -> Iterator[Trouble]:
    """What is wrong with the journal: the database file, a number, a seal, a reference.

    Raises:
        CaseError: The journal cannot be read at all.
    """
    for told in journal.database.own_check():
        yield Trouble("damaged journal", f"SQLite says: {told}.", RESTORE_JOURNAL, journal.database.label)
    before, numbers = "", set[int]()
    for expected, row in enumerate(journal.raw_rows(), 1):
        if not row.sound:
            yield _changed(None, f"Entry {row.number!r} is damaged.")
            return
        if row.number != expected:
            yield _changed(row.number, f"Entry {expected} is missing: the next one is {row.number}.")
            return
        if seal(before, row) != row.seal:
            yield _changed(row.number, f"Entry {row.number} is not as it was written: its seal does not fit.")
        before = row.seal
        yield from _contents(row, numbers)
        numbers.add(row.number)


def _contents(row: RawRow, numbers: set[int]) -> Iterator[Trouble]:
    """What an entry says can be read, and points to something."""
    try:
        detail = from_text(row.kind, row.content)
    except WrongbitError as error:
        yield _changed(row.number, f"Entry {row.number}: {error.message}")
        return
    points_to = detail.number if isinstance(detail, Withdrawn) else None
    if points_to != row.withdraws:
        yield _changed(row.number, f"Entry {row.number} is not as it was written: what it withdraws differs.")
    elif points_to is not None and points_to not in numbers:
        yield Trouble(
            "entry pointing to nothing",
            f"Entry {row.number} withdraws entry {points_to}, which is not there.",
            RESTORE_JOURNAL,
            entry=row.number,
        )


def _changed(number: int | None, message: str) -> Trouble:
    remedy = f"Somebody changed the journal by other means than wrongbit, or the disk did. {RESTORE_JOURNAL}"
    return Trouble("changed entry", message, remedy, entry=number)


def readable_entries(journal: Journal) -> tuple[Entry, ...]:
    """The entries of a journal without those that cannot be read."""
    found = []
    for row in journal.raw_rows():
        with suppress(WrongbitError):
            found.append(row.entry())
    return tuple(found)


@dataclass(frozen=True)
class _Original:
    """An original that the journal has, and the first entry that brought it."""

    stored: Stored
    entry: int


def store_troubles(store: Store, entries: Sequence[Entry], progress: Progress | None) -> Iterator[Trouble]:
    """What is wrong with the originals.

    Args:
        store: The store.
        entries: The whole journal.
        progress: Told how many bytes are hashed, and how many there are.
    """
    originals: dict[str, _Original] = {}
    for each in entries:
        stored = stored_in(each.detail)
        if stored is not None:
            originals.setdefault(stored.sha256, _Original(stored, each.number))
    count = _Counter(sum(each.stored.byte_count for each in originals.values()), progress)
    for original in originals.values():
        yield from _original_troubles(store, original, count)
    yield from _strays(store, originals)


def _original_troubles(store: Store, original: _Original, count: _Counter) -> Iterator[Trouble]:
    stored, entry = original.stored, original.entry
    try:
        place = store.place_of(stored.sha256)
    except WrongbitError as error:
        yield Trouble(
            "entry pointing to nothing", f"Entry {entry}: {error.message}", RESTORE_JOURNAL, "", entry
        )
        return
    chosen = store.find(stored)
    if chosen is None:
        message = f"The original of {stored.name!r} (entry {entry}) is missing."
        yield Trouble("missing original", message, _PUT_BACK, str(place / "…"), entry)
        return
    try:
        now = hash_of(chosen, count.add)
    except OSError as error:
        message = f"The original of {stored.name!r} (entry {entry}) cannot be read: {error.strerror}."
        yield Trouble("changed original", message, _PUT_BACK, str(chosen), entry)
        return
    if now != stored.sha256:
        message = (
            f"The original of {stored.name!r} (entry {entry}) was changed: it has SHA-256 {now[:12]}…, "
            f"{stored.sha256[:12]}… was kept."
        )
        yield Trouble("changed original", message, _PUT_BACK, str(chosen), entry)
    for other in store.files_in(place):
        if other != chosen:
            yield _stray(other, f"Beside the original of {stored.name!r} (entry {entry}) lies another file.")


def _strays(store: Store, originals: dict[str, _Original]) -> Iterator[Trouble]:
    """What lies in the store that no entry brought, but for an import that is under way."""
    arriving = set(store.marked().values())
    for place in store.places():
        if place.name in originals or place.name in arriving:
            continue
        if not place.is_dir():
            yield _stray(place, "This is no original.")
        for each in store.files_in(place) if place.is_dir() else ():
            sound = store.is_original(each) and _hash(each) == place.name
            yield _stray(
                each,
                "No entry tells of this original."
                if sound
                else "This is no original, and no entry tells of it.",
            )


def _hash(path: Path) -> str:
    try:
        return hash_of(path)
    except OSError:
        return ""


def _stray(path: Path, message: str) -> Trouble:
    remedy = (
        "If the journal came from an older copy, bring back the newer one; else add the file with "
        "'wrongbit add' and delete it here."
    )
    return Trouble("stray file", message, remedy, str(path))


class _Counter:
    """Bytes done of all."""

    def __init__(self, total: int, progress: Progress | None) -> None:
        self._done, self._total = 0, total
        self._progress: Callable[[int, int], None] = progress or (lambda done, total: None)

    def add(self, count: int) -> None:
        self._done += count
        self._progress(self._done, max(self._total, self._done))


def loose_store_troubles(store: Store) -> Iterator[Trouble]:
    """What is wrong with the originals where no journal can be read: each against its folder's name."""
    for place in store.places():
        for each in store.files_in(place) if place.is_dir() else (place,):
            if not store.is_original(each) or _hash(each) != place.name:
                message = "This file does not have the SHA-256 that its folder is named after."
                yield Trouble("changed original", message, _PUT_BACK, str(each))
