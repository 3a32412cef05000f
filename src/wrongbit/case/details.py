"""What an entry says, as the journal keeps it: a kind and JSON text; and back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, fields
from types import MappingProxyType, NoneType
from typing import Any, TypeVar

from wrongbit.case.entries import (
    CaptureAdded,
    Detail,
    EvidenceRows,
    FindingRecorded,
    MachineSeen,
    MeasurementAdded,
    NoteAdded,
    ObjectDescribed,
    ReadingAdded,
    ReferenceAdded,
    Stored,
    ValueAdded,
    Withdrawn,
    WordsWaived,
    WorkDone,
)
from wrongbit.case.troubles import damaged
from wrongbit.errors import CaseError

D = TypeVar("D", bound=Detail)
T = TypeVar("T")

KINDS: Mapping[str, type[Detail]] = MappingProxyType(
    {
        "machine": MachineSeen,
        "capture": CaptureAdded,
        "reading": ReadingAdded,
        "reference": ReferenceAdded,
        "measurement": MeasurementAdded,
        "value": ValueAdded,
        "note": NoteAdded,
        "finding": FindingRecorded,
        "withdrawn": Withdrawn,
        "object": ObjectDescribed,
        "work": WorkDone,
        "waiver": WordsWaived,
    }
)
"""Kind of an entry = class of what it says. A kind's name stays for ever: it stands in journals."""

_KIND_OF = {said: kind for kind, said in KINDS.items()}


def kind_of(detail: Detail | type[Detail]) -> str:
    """The kind's name.

    >>> kind_of(NoteAdded("The fan is loud.")), kind_of(Withdrawn)
    ('note', 'withdrawn')
    """
    return _KIND_OF[detail if isinstance(detail, type) else type(detail)]


def to_text(detail: Detail) -> str:
    """An entry's contents as JSON, in ASCII and with sorted keys: the same contents give the same text.

    ASCII, so that every character of a note or a file name survives in every database.

    >>> to_text(NoteAdded("5 V ± 5 %"))
    '{"text": "5 V \\\\u00b1 5 %"}'
    """
    return json.dumps(asdict(detail), sort_keys=True, ensure_ascii=True)


def from_text(kind: str, text: str) -> Detail:
    """What an entry says.

    Raises:
        CaseError: A newer version wrote it, or it is damaged.
    """
    said = KINDS.get(kind)
    if said is None:
        raise newer(f"it has entries of the kind {kind!r}")
    try:
        values: dict[str, Any] = json.loads(text)
        unknown = values.keys() - {each.name for each in fields(said)}
    except (ValueError, AttributeError):
        raise _unreadable(kind) from None
    if unknown:
        raise newer(f"its entries of the kind {kind!r} have {', '.join(sorted(unknown))}")
    try:
        if "file" in values:
            values["file"] = _made(Stored, values["file"])
        if "evidence" in values:
            values["evidence"] = tuple(
                _made(EvidenceRows, {**each, "rows": tuple(each["rows"])}) for each in values["evidence"]
            )
        if "addresses" in values:
            values["addresses"] = tuple(values["addresses"])
        return _made(said, values)
    except (TypeError, KeyError):
        raise _unreadable(kind) from None


_TYPES: Mapping[str, type | tuple[type, ...]] = MappingProxyType(
    {"str": str, "int": int, "ReferenceKind": str, "str | None": (str, NoneType), "tuple[int, ...]": tuple}
)


def _made(wanted: type[T], values: Mapping[str, Any]) -> T:
    """A value of ours from its fields, where these have the types that they should have.

    Raises:
        TypeError: They have not.
    """
    made = wanted(**values)
    for each in fields(wanted):  # type: ignore[arg-type]
        expected = _TYPES.get(str(each.type), dict if str(each.type).startswith("Mapping") else object)
        if not isinstance(getattr(made, each.name), expected):
            raise TypeError(each.name)
        if str(each.type) == "tuple[int, ...]" and not all(
            type(number) is int for number in getattr(made, each.name)
        ):
            raise TypeError(each.name)
    return made


def newer(why: str) -> CaseError:
    """The error about a journal that a newer version wrote."""
    return CaseError(
        f"This case was written by a newer version of wrongbit: {why}.",
        "Update wrongbit, or work on the computer that wrote it; nothing was changed.",
    )


def _unreadable(kind: str) -> CaseError:
    return damaged(f"What an entry of the kind {kind!r} says cannot be read.")


def stored_in(detail: Detail) -> Stored | None:
    """The original that an entry brought, if any."""
    return getattr(detail, "file", None)
