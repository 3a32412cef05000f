"""Which captures of a case may count as witnesses of their own, and how an entry is taken out of the case."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from shlex import join

from wrongbit.case.entries import CaptureAdded, Entry
from wrongbit.errors import WrongbitError
from wrongbit.machine.model import Machine


def apart(machine: Machine, one: str, other: str) -> bool:
    """Whether two probe points read different columns of a file, so that one file is two captures.

    An instrument with many channels records two places at once; then each point names its own columns.
    """
    mine, theirs = _columns(machine, one), _columns(machine, other)
    return bool(mine) and bool(theirs) and not mine & theirs


def _columns(machine: Machine, point: str) -> set[str]:
    named = next((each.columns for each in machine.point if each.name == point), {})
    return {" ".join(name.split()).casefold() for name in named}


def witnesses(
    captures: Sequence[tuple[Entry, CaptureAdded]],
) -> tuple[tuple[Entry, CaptureAdded], ...]:
    """Captures without those whose file is there already at the same probe point: one witness, not two.

    The same bytes at two points count twice. Who keeps them says that they were taken twice, and a program
    that runs alike from every reset gives the same listing wherever it is taken.
    """
    found: dict[tuple[str, str], tuple[Entry, CaptureAdded]] = {}
    for entry, detail in captures:
        found.setdefault((detail.point, detail.file.sha256), (entry, detail))
    return tuple(found.values())


def withdrawing(folder: Path, number: int) -> str:
    """The command that takes an entry out of what counts."""
    return join(["wrongbit", "history", str(folder), "--withdraw", str(number), "--why"]) + " …"


def left_out(folder: Path, entry: Entry, error: WrongbitError) -> str:
    """That a capture which cannot be read does not count, why, and how it is taken out."""
    detail = entry.detail
    name = f", {detail.file.name} at {detail.point}," if isinstance(detail, CaptureAdded) else ""
    return (
        f"Entry {entry.number}{name} does not count: {error.message} "
        f"{error.remedy} To take it out of the case: {withdrawing(folder, entry.number)}"
    )
