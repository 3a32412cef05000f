"""Which object the machine is, for who keeps it: an inventory number, an owner, a maker, a place.

The journal's entries add up: each says some of it, and what a later one says stands in place of what an
earlier one said.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, replace
from types import MappingProxyType
from typing import Any

from wrongbit.case.entries import Entry, ObjectDescribed
from wrongbit.errors import UsageError

NAMES: Mapping[str, str] = MappingProxyType(
    {
        "inventory": "Inventory number",
        "owner": "Owner",
        "maker": "Maker",
        "model": "Model",
        "serial": "Serial number",
        "place": "Stands at",
        "note": "Remark",
    }
)
"""Every field with its name for people, in the order in which they are shown."""


def object_of(entries: Iterable[Entry]) -> ObjectDescribed:
    """What the entries that count say together.

    Args:
        entries: Oldest first.
    """
    known = ObjectDescribed()
    for each in entries:
        if isinstance(each.detail, ObjectDescribed) and each.withdrawn_by is None:
            known = replace(
                known, **{name: value for name, value in asdict(each.detail).items() if value is not None}
            )
    return known


def object_lines(described: ObjectDescribed) -> tuple[tuple[str, str], ...]:
    """What is known, as names and values for people; what is not known is left out.

    >>> object_lines(ObjectDescribed(serial="0031", owner=""))
    (('Serial number', '0031'),)
    """
    return tuple((name, value) for key, name in NAMES.items() if (value := getattr(described, key)))


def say_object(described: ObjectDescribed) -> str:
    """An entry in a sentence: what it says, and what it takes back.

    >>> say_object(ObjectDescribed(inventory="LM 7", place=""))
    'The object: inventory number LM 7; stands at: no longer said.'
    """
    told = [
        f"{name[:1].lower()}{name[1:]} {value}" if value else f"{name[:1].lower()}{name[1:]}: no longer said"
        for key, name in NAMES.items()
        if (value := getattr(described, key)) is not None
    ]
    return f"The object: {'; '.join(told).rstrip('.')}."


def check_object(known: ObjectDescribed, given: ObjectDescribed) -> ObjectDescribed:
    """What an entry is to say: only what the journal does not say already.

    Args:
        known: What is known, from `object_of`.
        given: What a person said; None where nothing.

    Raises:
        UsageError: Nothing was said, or nothing new.
    """
    said: dict[str, Any] = {key: _line(value) for key, value in asdict(given).items() if value is not None}
    if not said or not any((*said.values(), *(value for _, value in object_lines(known)))):
        raise UsageError(
            "Nothing is said of the object.", "Give its inventory number, or what else is known of it."
        )
    fresh = {key: value for key, value in said.items() if value != (getattr(known, key) or "")}
    if not fresh:
        raise UsageError("The journal says that of the object already.", "Nothing is to be done.")
    return ObjectDescribed(**fresh)


def _line(text: str) -> str:
    return " ".join(text.split())
