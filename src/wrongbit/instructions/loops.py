"""Loops in a program as it ran, and whether they took as long as the published clock cycles say.

A delay loop is a clock that the program carries with it: iterations × clock cycles ÷ clock frequency is the
time that it should take, and the capture says what it took. A difference means another clock, wait states, or
an instrument whose time axis is wrong.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.cycles import NO_TIME
from wrongbit.instructions.execution import Execution
from wrongbit.instructions.instruction import Instruction
from wrongbit.units import parse_frequency

LONGEST_BODY = 64
"""Instructions in the longest loop that is looked for."""
FEWEST = 8
"""Times that a loop must go round to be one. A choice."""


@dataclass(frozen=True)
class Run:
    """A stretch of a sequence that repeats itself.

    Args:
        first: Index of its first element.
        period: Elements in one round.
        rounds: Whole rounds.
    """

    first: int
    period: int
    rounds: int

    @property
    def last(self) -> int:
        """Index after its last whole round."""
        return self.first + self.period * self.rounds


@dataclass(frozen=True)
class Loop:
    """A loop that the processor went round.

    Args:
        first_row: Cycle in which its first round begins.
        last_row: Cycle in which its last whole round ends.
        body: Its instructions in order.
        iterations: Whole rounds.
        cycles: Least and most clock cycles a round by the published counts; None where the set does not tell.
        expected_ps: Least and most time for all rounds; None without counts or clock frequency.
        measured_ps: Time by the capture; None where it has none.
        halted_by: The instruction that stopped the processor just before, where this is no loop but what a
            processor fetches, and does not execute, while it waits for an interrupt or a reset.
    """

    first_row: int
    last_row: int
    body: tuple[Instruction, ...]
    iterations: int
    cycles: tuple[int, int] | None
    expected_ps: tuple[float, float] | None
    measured_ps: int | None
    halted_by: Instruction | None = None

    @property
    def ratio(self) -> float | None:
        """Measured time over the nearest expected time; None where one is not known."""
        if self.expected_ps is None or self.measured_ps is None:
            return None
        low, high = self.expected_ps
        nearest = min(max(self.measured_ps, low), high)
        return self.measured_ps / nearest if nearest else None


def find_runs(values: NDArray[np.uint64], fewest: int = FEWEST, longest: int = LONGEST_BODY) -> list[Run]:
    """Stretches that repeat, the shortest period first where several would do.

    Args:
        values: ``uint64 (n,)``.
        fewest: Rounds that make a repetition.
        longest: Longest period looked for.

    >>> find_runs(np.array([9, 1, 2, 1, 2, 1, 2, 7], np.uint64), fewest=3)
    [Run(first=1, period=2, rounds=3)]
    """
    taken = np.zeros(len(values), np.bool_)
    runs = []
    for period in range(1, min(longest, len(values) // max(fewest, 1)) + 1):
        for begin, end in _stretches(values, period, max(period * (fewest - 1), 1)):
            rounds = (end - begin + period) // period
            if taken[begin : begin + period * rounds].any():
                continue
            taken[begin : begin + period * rounds] = True
            runs.append(Run(begin, period, rounds))
    return sorted(runs, key=lambda run: run.first)


_LOOKS = 4
"""Elements of the shortest stretch that are looked at before its ends are sought."""


def _stretches(values: NDArray[np.uint64], period: int, least: int) -> Iterator[tuple[int, int]]:
    """Begin and end of each stretch, so long at least, in which every element is that one period before it.

    Only every few elements are compared at first: so many that any stretch has `_LOOKS` of them. All are
    where that many in a row are the same.
    """
    later, earlier = values[period:], values[:-period]
    stride = max(least // _LOOKS, 1)
    looked = later[::stride] == earlier[::stride]
    for first, last in _trues(looked, least // stride):
        low = max((first - 1) * stride + 1, 0)
        part = slice(low, last * stride)
        for begin, end in _trues(later[part] == earlier[part], least):
            yield low + begin, low + end


def _trues(same: NDArray[np.bool_], least: int) -> Iterator[tuple[int, int]]:
    """Begin and end of each stretch of true elements, so long at least."""
    edges = np.flatnonzero(np.diff(same, prepend=False, append=False))
    begins, ends = edges[::2], edges[1::2]
    long = ends - begins >= least
    return zip(begins[long].tolist(), ends[long].tolist(), strict=True)


def where(execution: Execution, first: int = 0, last: int | None = None) -> NDArray[np.uint64]:
    """``uint64 (m,)`` bank and address of each instruction that began, as one number.

    Args:
        execution: The capture.
        first: Number of the first instruction.
        last: Number after the last; left out: all that follow.
    """
    cycles, starts = execution.cycles, execution.starts[first:last]
    bank = cycles.bank[starts].astype(np.int64).astype(np.uint64)
    return cycles.address[starts] | bank << np.uint64(32)


def find_loops(execution: Execution, fewest: int = FEWEST) -> tuple[Loop, ...]:
    """Loops in the order in which the processor entered them.

    Args:
        execution: The capture.
        fewest: Rounds that make a loop.
    """
    return tuple(
        _loop(execution, run) for run in find_runs(where(execution), fewest) if _whole(execution, run)
    )


def _whole(execution: Execution, run: Run) -> bool:
    return run.last - run.period < len(execution.starts)


def _loop(execution: Execution, run: Run) -> Loop:
    starts = execution.starts
    # The last round ends where something else begins; without that the last round is left out.
    rounds = run.rounds if run.last < len(starts) else run.rounds - 1
    first, end = int(starts[run.first]), int(starts[run.first + rounds * run.period])
    body = []
    counts: list[tuple[int, int]] | None = []
    for at in range(run.first, run.first + run.period):
        found = execution.decoded(int(starts[at]), seen=True)
        if found is None:
            counts = None
            continue
        body.append(found)
        # Where the round closes, the following element of the sequence is the loop's first again.
        following = int(execution.cycles.address[starts[at + 1]])
        count = clock_cycles(found, following)
        counts = None if counts is None or count is None else [*counts, count]
    cycles = None if counts is None else (sum(low for low, _ in counts), sum(high for _, high in counts))
    clock = parse_frequency(execution.processor.clock) if execution.processor.clock else None
    expected = None
    if cycles is not None and clock:
        expected = (cycles[0] * rounds / clock * 1e12, cycles[1] * rounds / clock * 1e12)
    halted_by = execution.decoded(int(starts[run.first - 1]), seen=True) if run.first else None
    if halted_by is not None:
        here = int(execution.cycles.address[first])
        if run.period != 1 or halted_by.flow != "stop" or here != halted_by.following:
            halted_by = None
    times = execution.cycles.time_ps
    measured = None if times[first] == NO_TIME else int(times[end] - times[first])
    return Loop(first, end, tuple(body), rounds, cycles, expected, measured, halted_by)


def clock_cycles(found: Instruction, went: int) -> tuple[int, int] | None:
    """Least and most clock cycles of an instruction that went on at an address; None where not published.

    A branch's extra cycle falls due where it is taken into another page of 256 (the 6502 family's rule); that
    of an indexed access depends on registers and stays open.

    >>> from wrongbit.instructions.instruction import ClockCount
    >>> branch = Instruction(
    ...     0x10FD, (0xD0, 4), 0x10FF, "BNE", "branch", (0x1103,), cycles=ClockCount(2, 3, 1)
    ... )
    >>> clock_cycles(branch, 0x1103), clock_cycles(branch, 0x10FF)
    ((4, 4), (2, 2))
    """
    count = found.cycles
    if count is None:
        return None
    if count.taken == count.base:
        return count.base, count.base + count.extra
    if went == found.following and went not in (found.targets or ()):
        return count.base, count.base
    crossed = count.extra if (found.following ^ went) >> 8 else 0
    return count.taken + crossed, count.taken + crossed
