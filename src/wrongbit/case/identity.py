"""A case's identity, in a small text file of its folder: which case of a database it is.

The first line is the identity. A second line says that the journal is in a workshop's database, so that a
folder that is opened elsewhere is not taken for a case without a journal.
"""

from __future__ import annotations

import uuid
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from wrongbit.case.durable import explained, write_whole
from wrongbit.errors import CaseError

ID_FILE = "case-id.txt"

_IN_DATABASE = "journal: in a database"


@dataclass(frozen=True)
class Identity:
    """Which case a folder is.

    Args:
        case_id: A random UUID.
        in_database: Its journal is in a workshop's database.
    """

    case_id: str
    in_database: bool = False

    def text(self) -> str:
        """The file's contents."""
        return f"{self.case_id}\n{_IN_DATABASE}\n" if self.in_database else f"{self.case_id}\n"


def read_identity(folder: Path) -> Identity | None:
    """The identity of a folder, or None where it has none yet.

    Raises:
        CaseError: The file cannot be read, or holds something else.
    """
    path = folder / ID_FILE
    with explained(path, "read"):
        try:
            with path.open("rb") as file:
                lines = file.read(1000).decode("utf-8", "replace").split("\n")
        except FileNotFoundError:
            return None
    first, rest = lines[0].strip(), [each.strip() for each in lines[1:] if each.strip()]
    with suppress(ValueError):
        if rest in ([], [_IN_DATABASE]):
            return Identity(str(uuid.UUID(first)), bool(rest))
    raise CaseError(
        f"{first[:60]!r} is no identity of a case.",
        "Put the file back from a copy of the folder.",
        file=str(path),
    )


def make_identity(folder: Path, case_id: str | None = None) -> Identity:
    """Give a folder an identity, unless another process has been faster.

    Args:
        folder: The folder.
        case_id: The identity that its journal already has; None: a new one.
    """
    fresh = Identity(case_id or str(uuid.uuid4()))
    path = folder / ID_FILE
    with explained(path), suppress(FileExistsError):
        write_whole(path, fresh.text().encode("ascii"), exclusive=True)
        return fresh
    return read_identity(folder) or fresh


def keep_identity(folder: Path, identity: Identity) -> None:
    """Write the identity anew."""
    with explained(folder / ID_FILE):
        write_whole(folder / ID_FILE, identity.text().encode("ascii"))
