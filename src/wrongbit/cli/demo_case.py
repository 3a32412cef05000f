"""What the demo keeps in its case beside files: values of the ladder, readings with their conditions."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from wrongbit.bringup.ladder import QUANTITY, Rung, rungs_of
from wrongbit.case.entries import ValueAdded
from wrongbit.case.folder import Case
from wrongbit.cli.show import QUIET, err
from wrongbit.machine.limits import format_value
from wrongbit.machine.model import Machine

NOTE = "demo"


def sound_values(machine: Machine) -> list[str]:
    """A value within the limits of every rung that people measure first: rails, clocks, reset, other inputs.

    Levels are left open, so that something remains to be measured.
    """
    return [_value(rung) for rung in rungs_of(machine) if "level" not in rung.key]


def _value(rung: Rung) -> str:
    kind = QUANTITY[rung.key]
    if kind == "state":
        return f"{rung.title} = yes"
    assert kind != "count"
    low, high = rung.limits.low, rung.limits.high
    if rung.limits.nominal is not None:
        value = rung.limits.nominal
    elif low is not None and high is not None:
        value = (low + high) / 2
    else:
        value = 1.2 * low if low is not None else 0.4 * (high or 0.0)
    return f"{rung.title} = {format_value(value, kind)}"


def keep_values(case: Case, texts: Iterable[str]) -> None:
    """Add values of the ladder that are not in the case yet."""
    known = {each.text for _, each in case.of_kind(ValueAdded)}
    for text in texts:
        if text not in known:
            case.add(ValueAdded(text, NOTE))


def tell_set_aside(moved: Iterable[Path]) -> None:
    """Say which files of the person's own stood in the way."""
    for path in moved:
        err.print(
            f"{path.name.partition('.before')[0]} had been changed: what it was is in {path}.",
            style=QUIET,
            soft_wrap=True,
        )
