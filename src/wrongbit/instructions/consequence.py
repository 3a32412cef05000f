"""What became of the program after a wrong word, in one plain paragraph."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wrongbit.instructions.decodings import Decodings, decode_many
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
        last: Index after the last one followed.
        steps: Those from ``first`` on.
        where: ``uint64 (k,)`` bank and address of each, as one number.
        mapped: What answers where.
    """

    execution: Execution
    first: int
    wrong: int
    last: int
    steps: Decodings
    where: NDArray[np.uint64]
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
    wrong = int(starts.searchsorted(evidence.row if evidence.start is None else evidence.start))
    first = max(wrong - FOLLOWED // 10, 0)
    last = min(wrong + FOLLOWED, len(starts))
    steps = decode_many(execution, starts[first:last], execution.ends(first, last))
    course = _Course(execution, first, wrong, last, steps, where(execution, first, last), mapped)
    found = (
        ("entry", _entry(course, evidence)),
        ("unmapped", _unmapped(course)),
        ("stack", _stack(course)),
        ("stop", stop := _stop(course)),
        ("loop", None if stop else _endless(course)),
    )
    return Consequence(tuple((event, text) for event, text in found if text))  # type: ignore[misc]


def _entry(course: _Course, evidence: FlowEvidence) -> str | None:
    """Where it should have gone: was that place ever reached?"""
    expected, went = evidence.expected, evidence.went
    if evidence.acted != "wrong word" or expected is None or expected.successors is None or went is None:
        return None
    missed = expected.successors - {went}
    if went in expected.successors or not missed:
        return None
    cycles, starts = course.execution.cycles, course.execution.starts
    names = " or ".join(course.hexadecimal(address) for address in sorted(missed))
    sought = np.array(sorted(missed), np.uint64)
    for begin in range(course.wrong + 1, len(starts), FOLLOWED):
        after = starts[begin : begin + FOLLOWED]
        reached = after[np.isin(cycles.address[after], sought)]
        if len(reached):
            return f"It should have gone on at {names}, which it reached only in cycle {int(reached[0])}."
    return f"It should have gone on at {names}, which it never reached in the rest of the capture."


def _unmapped(course: _Course) -> str | None:
    """The first instruction fetched where no chip answers, or where RAM was never written."""
    offset = course.wrong + 1
    # Whatever is true of a place is true when it is reached first.
    _, first = np.unique(course.where[offset - course.first :], return_index=True)
    written: dict[int, int] | None = None
    for index in (np.sort(first) + offset).tolist():
        bank, address, row = course.bank(index), course.address(index), course.row(index)
        place = course.mapped(bank, address)
        if place == "rom":
            continue
        here = f"From cycle {row} on it executed what it found at {course.hexadecimal(address)}, where"
        if place is None:
            return f"{here} no chip answers."
        if place == "io":
            return f"{here} a port answers, not a memory."
        if written is None:
            written = _first_writes(course, first + offset)
        if written.get(address, row) >= row:
            return f"{here} there is RAM that had not been written in this capture."
    return None


def _first_writes(course: _Course, indices: NDArray[np.intp]) -> dict[int, int]:
    """The cycle in which the address of each of some instructions was written first, up to the last one."""
    cycles = course.execution.cycles
    sought = np.unique(cycles.address[course.execution.starts[indices]])
    rows = np.flatnonzero(cycles.kind[: course.row(course.last - 1)] == WRITE)
    rows = rows[np.isin(cycles.address[rows], sought)]
    written, first = np.unique(cycles.address[rows], return_index=True)
    return dict(zip(written.tolist(), rows[first].tolist(), strict=True))


def _stop(course: _Course) -> str | None:
    count = len(course.execution.starts)
    stops = np.array([found is not None and found.flow == "stop" for found in course.steps.instructions])
    if not stops.any():
        return None
    for place in np.flatnonzero(stops[course.steps.code]).tolist():
        index, found = course.first + place, course.steps.instructions[course.steps.code[place]]
        if index < course.wrong or found is None:
            continue
        after = [course.address(n) for n in range(index + 1, min(index + 4, count))]
        if all(address in (found.targets or ()) for address in after):
            return (
                f"In cycle {course.row(index)} it executed {found.text} at "
                f"{course.hexadecimal(found.address)} and stopped."
            )
    return None


def _endless(course: _Course) -> str | None:
    """A loop in which the capture ends."""
    offset = max(course.wrong + 1, len(course.execution.starts) - FOLLOWED)
    tail = where(course.execution, offset)
    if not len(tail):
        return None
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


_Move = Literal["call", "astray", "return"]
"""What an instruction does to the open calls; *astray*: an interrupt, it seems."""


def _move(found: Instruction | None, went: int) -> _Move | None:
    """What an instruction that went on at an address does to the open calls; None: nothing."""
    if found is None:
        return None
    if found.flow == "call" and went in (found.targets or ()):
        return "call"
    if found.successors is not None and went not in found.successors:
        return "astray"
    if found.flow == "return" and not (found.conditional and went == found.following):
        return "return"
    return None


def _moves(course: _Course) -> Iterator[tuple[int, Instruction, int, _Move]]:
    """Instructions that bear on the open calls: index, what it was, where it went, what it does."""
    execution, steps = course.execution, course.steps
    went = execution.cycles.address[execution.starts[course.first + 1 : course.last + 1]]
    code = steps.code[: len(went)].astype(np.uint64)
    whither, target = np.unique(went, return_inverse=True)
    count = np.uint64(len(whither))
    pairs, group = np.unique(code * count + target.astype(np.uint64), return_inverse=True)
    found = [(steps.instructions[int(pair // count)], int(whither[int(pair % count)])) for pair in pairs]
    moves = [_move(*each) for each in found]
    bearing = np.array([move is not None for move in moves], np.bool_)
    for place in np.flatnonzero(bearing[group]).tolist() if len(pairs) else ():
        (instruction, there), move = found[group[place]], moves[group[place]]
        if instruction is not None and move is not None:
            yield course.first + place, instruction, there, move


def _stack(course: _Course) -> str | None:
    """The first return that leads elsewhere than the last open call left it, if none did so before."""
    begun_at_reset = course.first == 0 and course.address(0) == course.execution.processor.start_address
    open_calls: list[frozenset[int]] = []
    for index, found, went, move in _moves(course):
        if move == "call":
            open_calls.append(frozenset([found.following]))
        elif move == "astray":
            # An interrupt; it comes back to here or to where this instruction leads.
            open_calls.append((found.successors or frozenset()) | {found.address})
        else:
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
