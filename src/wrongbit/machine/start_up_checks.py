"""Checks of rails, clocks and start-up inputs against each other and in themselves."""

from __future__ import annotations

from collections.abc import Iterator

from wrongbit.machine.limits import parse_limits
from wrongbit.machine.lines import Path as KeyPath
from wrongbit.machine.model import Machine
from wrongbit.machine.problems import Problem, repeated_names
from wrongbit.machine.start_up import StartInput


def check_start_up(machine: Machine) -> Iterator[Problem]:
    """Each name stands once, and no pulse is longer than its period."""
    yield from _names_are_unique(machine)
    for index, each in enumerate(machine.input):
        yield from _pulses_fit(("input", index), each)


def _names_are_unique(machine: Machine) -> Iterator[Problem]:
    """A measured value names a rail, a clock or an input; it must not mean two."""
    named: list[tuple[KeyPath, str]] = [
        *((("rail", index, "name"), each.name) for index, each in enumerate(machine.rail)),
        *((("clock", index, "name"), each.name) for index, each in enumerate(machine.clock)),
        *((("input", index, "name"), each.name) for index, each in enumerate(machine.input)),
    ]
    yield from repeated_names(named, "Give each rail, clock and input a name of its own.")


def _pulses_fit(path: KeyPath, each: StartInput) -> Iterator[Problem]:
    if each.period is None:
        return
    longest = parse_limits(each.period, "time").high
    for key, text in (("low", each.low), ("high", each.high)):
        least = None if text is None else parse_limits(text, "time").low
        if longest is not None and least is not None and least >= longest:
            yield Problem(
                (*path, key),
                f"the input is {key} for at least {text!r}, which the period {each.period!r} does not hold.",
                "Correct the period or the width.",
            )
