"""What became of the program after a wrong word, in one plain paragraph."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from wrongbit.instructions.execution import WRITE, Execution
from wrongbit.instructions.flow import FlowEvidence
from wrongbit.instructions.instruction import Instruction
from wrongbit.instructions.loops import find_runs, where

Place = Literal["rom", "ram", "io"]
Mapped = Callable[[int, int], Place | None]
"""Bank and address = the kind of chip that answers there, None where none does."""

Event = Literal["entry", "unmapped", "stop", "loop", "stack"]

FOLLOWED = 50_000
"""Instructions that are followed after the wrong word, and a tenth of it before it."""
_NEAR = np.uint64(32)
"""Addresses from an instruction's first within which its other words lie."""
LOOP_ROUNDS = 16
"""Rounds that make an endless loop, where the capture ends in it. A choice."""


@dataclass(frozen=True)
class Consequence:
    """What followed.

    Args:
        events: What was found, each with its sentence, in the order told.
    """

    events: tuple[tuple[Event, str], ...]

    @property
    def text(self) -> str:
        """One paragraph."""
        if not self.events:
            return "Nothing else went visibly astray in what was captured."
        return " ".join(sentence for _, sentence in self.events)


@dataclass(frozen=True)
class _Course:
    """The instructions around a wrong word.

    Args:
        execution: The capture.
        first: Index in ``starts`` of the first one followed.
        wrong: Index of the one with the wrong word, or of the first after it.
        steps: From ``first`` on; None where one cannot be decoded.
        mapped: What answers where.
    """

    execution: Execution
    first: int
    wrong: int
    steps: tuple[Instruction | None, ...]
    mapped: Mapped

    def row(self, index: int) -> int:
        return int(self.execution.starts[index])

    def address(self, index: int) -> int:
        return int(self.execution.cycles.address[self.row(index)])

    def bank(self, index: int) -> int:
        return int(self.execution.cycles.bank[self.row(index)])

    def hexadecimal(self, address: int) -> str:
        return f"{address:0{-(-self.execution.processor.address_bits // 4)}X}"


def consequence(execution: Execution, evidence: FlowEvidence, mapped: Mapped) -> Consequence:
    """What followed a wrong word.

    Args:
        execution: The capture.
        evidence: On which word the processor acted.
        mapped: What answers at an address.
    """
    starts = execution.starts
    if not len(starts) or evidence.acted == "right word":
        return Consequence(())
    wrong = int(np.searchsorted(starts, evidence.row if evidence.start is None else evidence.start))
    first = max(wrong - FOLLOWED // 10, 0)
    last = min(wrong + FOLLOWED, len(starts))
    steps = _steps(execution, first, last)
    course = _Course(execution, first, wrong, steps, mapped)
    found = (
        ("entry", _entry(course, evidence)),
        ("unmapped", _unmapped(course)),
        ("stack", _stack(course)),
        ("stop", stop := _stop(course)),
        ("loop", None if stop else _endless(course)),
    )
    return Consequence(tuple((event, text) for event, text in found if text))  # type: ignore[misc]


def _steps(execution: Execution, first: int, last: int) -> tuple[Instruction | None, ...]:
    """Instructions by the words seen; the same words at the same place are decoded once."""
    cycles, starts = execution.cycles, execution.starts
    known: dict[tuple[int, bytes, bytes], Instruction | None] = {}
    steps = []
    for start in starts[first:last].tolist():
        rows = slice(start, int(execution.window(start)[-1]) + 1)
        addresses = cycles.address[rows]
        near = addresses - addresses[0] < _NEAR
        key = (int(cycles.bank[start]), addresses[near].tobytes(), cycles.word[rows][near].tobytes())
        if key not in known:
            known[key] = execution.decoded(start, seen=True)
        steps.append(known[key])
    return tuple(steps)


def _entry(course: _Course, evidence: FlowEvidence) -> str | None:
    """Where it should have gone: was that place ever reached?"""
    expected, went = evidence.expected, evidence.went
    if evidence.acted != "wrong word" or expected is None or expected.successors is None or went is None:
        return None
    missed = expected.successors - {went}
    if went in expected.successors or not missed:
        return None
    cycles, starts = course.execution.cycles, course.execution.starts
    after = starts[course.wrong + 1 :]
    names = " or ".join(course.hexadecimal(address) for address in sorted(missed))
    reached = after[np.isin(cycles.address[after], np.array(sorted(missed), np.uint64))]
    if len(reached):
        return f"It should have gone on at {names}, which it reached only in cycle {int(reached[0])}."
    return f"It should have gone on at {names}, which it never reached in the rest of the capture."


def _unmapped(course: _Course) -> str | None:
    """The first instruction fetched where no chip answers, or where RAM was never written."""
    cycles = course.execution.cycles
    first_write: dict[int, int] | None = None
    for index in range(course.wrong + 1, course.first + len(course.steps)):
        bank, address, row = course.bank(index), course.address(index), course.row(index)
        place = course.mapped(bank, address)
        if place == "rom":
            continue
        here = f"From cycle {row} on it executed what it found at {course.hexadecimal(address)}, where"
        if place is None:
            return f"{here} no chip answers."
        if place == "io":
            return f"{here} a port answers, not a memory."
        if first_write is None:
            rows = np.flatnonzero(cycles.kind == WRITE)[::-1]
            first_write = dict(zip(cycles.address[rows].tolist(), rows.tolist(), strict=True))
        if first_write.get(address, row) >= row:
            return f"{here} there is RAM that had not been written in this capture."
    return None


def _stop(course: _Course) -> str | None:
    for index in range(course.wrong, course.first + len(course.steps)):
        found = course.steps[index - course.first]
        if found is None or found.flow != "stop":
            continue
        after = [course.address(n) for n in range(index + 1, min(index + 4, len(course.execution.starts)))]
        if all(address in (found.targets or ()) for address in after):
            return (
                f"In cycle {course.row(index)} it executed {found.text} at "
                f"{course.hexadecimal(found.address)} and stopped."
            )
    return None


def _endless(course: _Course) -> str | None:
    """A loop in which the capture ends."""
    values = where(course.execution)
    tail = values[max(course.wrong + 1, len(values) - FOLLOWED) :]
    if not len(tail):
        return None
    offset = len(values) - len(tail)
    last = [run for run in find_runs(tail, LOOP_ROUNDS) if run.last + run.period > len(tail)]
    if not last:
        return None
    run = last[-1]
    body = range(offset + run.first, offset + run.first + run.period)
    low, high = min(map(course.address, body)), max(map(course.address, body))
    what = "one instruction" if run.period == 1 else f"{run.period} instructions"
    at = f"at {course.hexadecimal(low)}" + ("" if low == high else f" to {course.hexadecimal(high)}")
    return (
        f"From cycle {course.row(body[0])} on it went round a loop of {what} {at}, {run.rounds} times, and "
        "had not left it when the capture ended."
    )


def _stack(course: _Course) -> str | None:
    """The first return that leads elsewhere than the last open call left it, if none did so before."""
    begun_at_reset = course.first == 0 and course.address(0) == course.execution.processor.start_address
    open_calls: list[frozenset[int]] = []
    starts = course.execution.starts
    for place, found in enumerate(course.steps):
        index = course.first + place
        if found is None or index + 1 >= len(starts):
            continue
        went = course.address(index + 1)
        if found.flow == "call" and went in (found.targets or ()):
            open_calls.append(frozenset([found.following]))
        elif found.successors is not None and went not in found.successors:
            # An interrupt; it comes back to here or to where this instruction leads.
            open_calls.append(found.successors | {found.address})
        elif found.flow == "return" and not (found.conditional and went == found.following):
            here = f"the return at {course.hexadecimal(found.address)} (cycle {course.row(index)})"
            if open_calls:
                wanted = open_calls.pop()
                if went not in wanted:
                    if index < course.wrong:
                        return None  # the program itself returns to other places than it was called from
                    return (
                        f"The stack is disturbed: {here} went to {course.hexadecimal(went)}, but the last "
                        f"call left {course.hexadecimal(min(wanted))}."
                    )
            elif begun_at_reset and index >= course.wrong:
                return f"The stack is disturbed: {here} came although no call was open."
    return None
