"""What came of each piece of a batch: one small JSON file a piece in the output folder, wherever that is.

The folder::

    results/KEY.json    one a piece, written when it is done; KEY tells what went in
    summary.parquet     all of them, one row a piece
    summary.html        the same for people
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Any, Literal
from uuid import uuid4

from wrongbit.batch.items import Item, open_store
from wrongbit.errors import UsageError

Status = Literal["fault", "no fault", "failed"]


@dataclass(frozen=True)
class Result:
    """What came of one case or capture.

    Args:
        name: As in `Item`.
        place: URL of the case folder or the capture.
        key: As in `Item`.
        status: Whether a fault was seen, or why there is no answer.
        machine: The machine's name.
        captures: Number of captures.
        cycles: Bus cycles in all of them.
        judged_share: Share of the reads that could be judged; None where there was none.
        differs: Cycles that differ.
        first_wrong: The first wrong word in one sentence.
        finding: What explains it best.
        probability: Its share of the odds, or None.
        suspect: The part that is suspected most.
        suspect_share: Its share, or None.
        next: What to measure next.
        message: Why it failed.
        remedy: What to do about that.
        version: Of wrongbit.
    """

    name: str
    place: str
    key: str
    status: Status
    machine: str = ""
    captures: int = 0
    cycles: int = 0
    judged_share: float | None = None
    differs: int = 0
    first_wrong: str = ""
    finding: str = ""
    probability: float | None = None
    suspect: str = ""
    suspect_share: float | None = None
    next: str = ""
    message: str = ""
    remedy: str = ""
    version: str = field(default="")


class Results:
    """The output folder of a batch.

    Args:
        url: Path or URL; made when it is not there.

    Raises:
        UsageError: It cannot be written to.
    """

    def __init__(self, url: str) -> None:
        self.url = url
        self.fs, self.path = open_store(url)
        probe = f"{self.path}/results/.{uuid4().hex}"
        try:
            self.fs.makedirs(f"{self.path}/results", exist_ok=True)
            self.fs.pipe_file(probe, b"")
            self.fs.rm_file(probe)
        except Exception as error:  # each kind of store has its own errors
            raise UsageError(
                f"{url} cannot be written to: {getattr(error, 'strerror', None) or error}.",
                "Name an output folder that you may write to.",
            ) from None

    def done(self, item: Item) -> Result | None:
        """What came of an item earlier, when nothing of it has changed since and it did not fail."""
        try:
            table = json.loads(self.fs.cat_file(self._file(item.key)))
            known = {each.name for each in fields(Result)}
            result = Result(**{name: value for name, value in table.items() if name in known})
        except (FileNotFoundError, ValueError, TypeError, AttributeError):
            return None  # not there, or half-written by a store that knows no renaming
        return result if result.status in ("fault", "no fault") else None

    def keep(self, result: Result) -> None:
        """Write one result; in a file system it appears whole or not at all."""
        self.write(self._file(result.key), json.dumps(asdict(result), ensure_ascii=False).encode())

    def write(self, path: str, data: bytes) -> None:
        """Write a file of the output folder in one go."""
        beside = f"{path}.{uuid4().hex}"
        self.fs.pipe_file(beside, data)
        self.fs.mv(beside, path)

    def _file(self, key: str) -> str:
        return f"{self.path}/results/{key}.json"


def row_of(result: Result) -> Mapping[str, Any]:
    """A result as a row of the summary."""
    return asdict(result)
