"""A number from a data sheet, with where it comes from and how far it can be trusted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, get_args

Status = Literal["checked", "given", "measured", "from memory"]
"""How a figure is known, best first.

``checked``: seen in the named document or agreed by the named independent library; ``given``: stated by the
person who plans; ``measured``: taken from a capture of this machine, which shows what it did, not what it may
do; ``from memory``: check the data sheet before you rely on it.
"""

STATUSES: tuple[Status, ...] = get_args(Status)

CHECK_FIRST = "from memory, check the data sheet before you rely on it"
"""The words that go with every output that rests on such a figure."""


@dataclass(frozen=True)
class Term:
    """One time in a worst-case sum.

    Args:
        name: What it is, such as ``memory access time``.
        ps: Picoseconds; negative in a sum that it shortens.
        status: How it is known.
        source: Where it is from.
    """

    name: str
    ps: int
    status: Status
    source: str


def worst_status(statuses: Iterable[Status]) -> Status:
    """The weakest of these: a sum is as well known as its worst term. ``checked`` when there is none.

    >>> worst_status(["checked", "from memory", "given"])
    'from memory'
    """
    return max(statuses, key=STATUSES.index, default="checked")


def total_ps(terms: Iterable[Term]) -> int:
    """Sum of the terms in picoseconds."""
    return sum(term.ps for term in terms)


def status_text(status: Status) -> str:
    """The status as words for an output.

    >>> status_text("from memory")
    'from memory, check the data sheet before you rely on it'
    """
    return CHECK_FIRST if status == "from memory" else status
