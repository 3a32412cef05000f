"""What was done to the object itself: parts removed, fitted, cleaned; what became of the old parts.

Who looks after an object in ten years wants to know what is original, what came in its place, whether it can
be undone, and where the old part lies. That is not for the weighing of suspects: nothing is computed from it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from difflib import get_close_matches
from types import MappingProxyType

from wrongbit.case.entries import Entry, WorkDone
from wrongbit.errors import InputError, UsageError
from wrongbit.machine.model import Machine


@dataclass(frozen=True)
class WorkKind:
    """A kind of work.

    Args:
        says: In a sentence, with the part in it.
        out: A part may have come out.
        into: A part may have gone in.
    """

    says: str
    out: bool = False
    into: bool = False


WORK_KINDS: Mapping[str, WorkKind] = MappingProxyType(
    {
        "removed": WorkKind("{part} removed", out=True),
        "fitted": WorkKind("{part} fitted", into=True),
        "replaced": WorkKind("{part} replaced", out=True, into=True),
        "socket changed": WorkKind("socket of {part} changed", out=True, into=True),
        "cleaned": WorkKind("{part} cleaned"),
        "reflowed": WorkKind("joints of {part} reflowed"),
        "wired": WorkKind("wire or track altered at {part}", out=True, into=True),
        "adjusted": WorkKind("{part} adjusted"),
        "other": WorkKind("work at {part}", out=True, into=True),
    }
)
"""What can be done, by the name that stands in journals."""

REVERSIBLE = ("yes", "no", "in part")
"""Whether it can be undone without a trace."""

_DATE = re.compile(r"[0-9]{4}(-[0-9]{2}(-[0-9]{2})?)?")


def check_work(machine: Machine, given: WorkDone, today: date) -> tuple[WorkDone, tuple[str, ...]]:
    """Work as it is kept.

    Args:
        machine: The machine file; a part need not stand in it.
        given: What a person said; without a date it was done today.
        today: By the clock of who writes it.

    Returns:
        The work, and what a person may want to know.

    Raises:
        UsageError: There is no such kind of work or answer, or what is said does not go together.
        InputError: The date is none, or has not come yet.
    """
    said = WorkDone(**{key: " ".join(value.split()) for key, value in asdict(given).items()})
    if not said.kind:
        raise UsageError("What was done?", f"Name the kind of work: {', '.join(WORK_KINDS)}.")
    kind = _one_of(said.kind.replace("-", " "), tuple(WORK_KINDS), "kind of work")
    reversible = said.reversible and _one_of(said.reversible.replace("-", " "), REVERSIBLE, "answer")
    if not said.part:
        raise UsageError(
            "What was it done to?", "Name the part by its reference designator, or write 'whole board'."
        )
    if kind == "other" and not said.note:
        raise UsageError(f"What was done to {said.part}?", "'other' needs a note that says what.")
    _goes_together(said, kind)
    made = WorkDone(
        **{**asdict(said), "kind": kind, "reversible": reversible, "date": _date(said.date, today)}
    )
    return made, tuple(_hints(machine, made))


def _goes_together(said: WorkDone, name: str) -> None:
    kind = WORK_KINDS[name]
    if said.new and not kind.into:
        raise UsageError(
            f"Nothing went in where {said.part} was {name}, but {said.new!r} is named as the new part.",
            "Say 'replaced' or 'fitted', or leave the new part out.",
        )
    if said.old and not kind.out:
        raise UsageError(
            f"Nothing came out where {said.part} was {name}, but {said.old!r} is named as the old part.",
            "Say 'replaced' or 'removed', or leave the old part out.",
        )
    if said.kept and not kind.out:
        raise UsageError(
            f"Nothing came out where {said.part} was {name}, so that nothing can be kept at {said.kept!r}.",
            "Say 'replaced' or 'removed', or write the place into the note.",
        )


def _date(text: str, today: date) -> str:
    """A date as far as it is known, from ISO 8601: year, month or day."""
    if not text:
        return today.isoformat()
    remedy = "Write it as 2024-05-17; 2024-05 or 2024 where no more is known."
    if not _DATE.fullmatch(text):
        raise InputError(f"{text!r} is no date.", remedy, key="date")
    try:
        begins = date.fromisoformat(f"{text}-01-01"[:10])
    except ValueError:
        raise InputError(f"There is no day {text!r}.", remedy, key="date") from None
    if begins > today:
        raise InputError(
            f"{text} has not come yet: today is {today.isoformat()}.",
            "Enter work when it has been done.",
            key="date",
        )
    return text


def _hints(machine: Machine, made: WorkDone) -> Iterable[str]:
    names = [each.name for each in machine.chip]
    names += [each.name for each in machine.part] + [each.name for each in machine.processor]
    if made.part not in names:
        near = get_close_matches(made.part, names, 1)
        guess = f" Was {near[0]} meant?" if near else ""
        yield f"The machine file names no {made.part!r}; it is kept as you wrote it.{guess}"
    if old_part_unaccounted(made):
        yield (
            f"What became of the part that came out at {made.part}? Keep it, mark it with the number of this "
            "entry, and correct the entry so that it says where."
        )


def old_part_unaccounted(made: WorkDone) -> bool:
    """Whether a part came out, and nobody says what became of it."""
    return not made.kept and (made.kind in ("removed", "replaced", "socket changed") or bool(made.old))


def in_time_order(entries: Iterable[Entry]) -> tuple[tuple[Entry, WorkDone], ...]:
    """Work that counts, by the date on which it was done; of one date, as it was written down."""
    found = [
        (each, each.detail)
        for each in entries
        if isinstance(each.detail, WorkDone) and each.withdrawn_by is None
    ]
    return tuple(sorted(found, key=lambda each: (each[1].date, each[0].number)))


def done_by(entry: Entry, made: WorkDone) -> str:
    """Who did it."""
    return made.person or entry.by


def workers(entries: Iterable[Entry]) -> tuple[str, ...]:
    """Who worked at the object, in the order in which they did."""
    return tuple(dict.fromkeys(done_by(entry, made) for entry, made in in_time_order(entries)))


def action_text(made: WorkDone) -> str:
    """What was done, to what.

    >>> action_text(WorkDone("socket changed", "U3", "1987"))
    'Socket of U3 changed'
    """
    kind = WORK_KINDS.get(made.kind)
    text = kind.says.format(part=made.part) if kind is not None else f"{made.part} {made.kind}"
    return f"{text[:1].upper()}{text[1:]}"


def say_work(made: WorkDone, person: str = "") -> str:
    """An entry in a sentence or two.

    Args:
        made: The work.
        person: Who did it, where the entry does not say it.

    >>> say_work(WorkDone("replaced", "U3", "1987-05", "Ada", "K2716", "27C16", "yes", "bag 4"))
    '1987-05, Ada: U3 replaced, K2716 by 27C16; reversible; the old part is kept: bag 4.'
    """
    told = [action_text(made) + _parts(made)]
    told += {"yes": ["reversible"], "no": ["not reversible"], "in part": ["reversible in part"]}.get(
        made.reversible, []
    )
    told += [f"the old part is kept: {made.kept}"] if made.kept else []
    who = made.person or person
    when = f"{made.date}, {who}" if who else made.date
    note = f" {made.note.rstrip('.')}." if made.note else ""
    return f"{when}: {'; '.join(told).rstrip('.')}.{note}"


def _parts(made: WorkDone) -> str:
    if made.old and made.new:
        return f", {made.old} by {made.new}"
    return f", out: {made.old}" if made.old else f", in: {made.new}" if made.new else ""


def corrected(entry: Entry, before: WorkDone, given: Mapping[str, str | None]) -> WorkDone:
    """An earlier entry with what was said anew; what is None stays as it was, also who did it."""
    before = replace(before, person=done_by(entry, before))
    return WorkDone(**{**asdict(before), **{key: value for key, value in given.items() if value is not None}})


def refuse_known(entries: Iterable[Entry], made: WorkDone, person: str) -> None:
    """The same work twice would stand twice in the report.

    Args:
        entries: The journal.
        made: What is to be written.
        person: Who writes.

    Raises:
        UsageError: An entry that counts says the same.
    """
    whole = replace(made, person=made.person or person)
    for entry, known in in_time_order(entries):
        if replace(known, person=done_by(entry, known)) == whole:
            raise UsageError(
                f"Entry {entry.number} says so already.",
                "Nothing is to be done. If the same was done twice on that day, say in a note which this is.",
            )


def unaccounted(entries: Sequence[Entry]) -> tuple[str, ...]:
    """Open questions about old parts."""
    return tuple(
        f"{action_text(made)} (entry {entry.number}): what became of the old part is not written down."
        for entry, made in in_time_order(entries)
        if old_part_unaccounted(made)
    )


def _one_of(value: str, known: tuple[str, ...], what: str) -> str:
    if value in known:
        return value
    near = get_close_matches(value, known, 1)
    guess = f"Did you mean {near[0]!r}? " if near else ""
    raise UsageError(f"There is no {what} {value!r}.", f"{guess}There are: {', '.join(known)}.")
