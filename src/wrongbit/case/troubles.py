"""What can be wrong with a case that is kept, and the error for a journal that cannot be read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from wrongbit.errors import CaseError

TroubleKind = Literal[
    "missing original",
    "changed original",
    "stray file",
    "damaged journal",
    "changed entry",
    "entry pointing to nothing",
]


@dataclass(frozen=True)
class Trouble:
    """Something that is not as it was kept.

    Args:
        kind: What sort of trouble.
        message: What was found and what was expected, in one sentence.
        remedy: What to do.
        path: File or folder that it is about; empty where it is about the journal in a database.
        entry: Number of the first entry that it touches, or None.
    """

    kind: TroubleKind
    message: str
    remedy: str
    path: str = ""
    entry: int | None = None


class DamagedJournalError(CaseError):
    """The journal is missing or cannot be read."""


RESTORE_JOURNAL = (
    "Copy the whole folder first. Then put a journal.sqlite from a backup in its place; the originals in "
    "store/ do not depend on it, and 'wrongbit verify' checks them."
)
"""What to do about a damaged journal."""


def damaged(message: str, file: str | None = None, notes: tuple[str, ...] = ()) -> DamagedJournalError:
    """The error about a journal that cannot be read."""
    return DamagedJournalError(message, RESTORE_JOURNAL, file=file, notes=notes)
