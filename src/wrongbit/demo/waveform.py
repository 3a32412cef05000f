"""Waveforms: when which line of a board changed to which level, in picoseconds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.demo.trace import BusTrace

Times = NDArray[np.int64]
Words = NDArray[np.uint64]
BEFORE = -(10**12)
"""Time before anything happens: the levels at power-up."""


@dataclass(frozen=True)
class Line:
    """Levels of a signal or a bus: ``level[i]`` from ``at_ps[i]`` on.

    Args:
        at_ps: ``int64 (m,)`` non-decreasing, the first one `BEFORE`.
        level: ``uint64 (m,)``, bit 0 of a bus in bit 0.
        width: Number of wires.
    """

    at_ps: Times
    level: Words
    width: int = 1


@dataclass(frozen=True)
class Waveforms:
    """All lines at a processor's pins.

    Args:
        lines: Name as the board's drawing has it = the line. A bus has one entry.
        buses: The names that are buses, whose bits do not settle at one moment.
        clock: Name of the line that an instrument in state mode is clocked by.
        clock_level: Level after the edge that takes a sample: 1 for the rising edge.
        begin_ps: When the cycle begins with which the capture is to begin.
        end_ps: When the last cycle has ended.
    """

    lines: Mapping[str, Line]
    buses: tuple[str, ...]
    clock: str
    clock_level: int
    begin_ps: int
    end_ps: int


@dataclass(frozen=True)
class Unrest:
    """How lines behave where nothing looks at them.

    Args:
        wandering: Share of reads in which a memory puts out something else before its word stands.
        drift: Share of gaps in which lines that nobody drives go high before they are driven again.
    """

    wandering: float = 0.5
    drift: float = 0.3


class Pen:
    """Draws one line: changes are given in any order, a whole array at a time.

    Args:
        initial: Level at power-up.
        width: Number of wires.
    """

    def __init__(self, initial: int, width: int = 1) -> None:
        self._width = width
        self._at: list[Times] = [np.array([BEFORE], np.int64)]
        self._level: list[Words] = [np.array([initial], np.uint64)]

    def to(self, at_ps: Times, level: Words | int) -> Pen:
        """From these times on these levels."""
        self._at.append(at_ps)
        self._level.append(np.broadcast_to(np.asarray(level, np.uint64), at_ps.shape))
        return self

    def pulse(self, begin_ps: Times, end_ps: Times, level: int) -> Pen:
        """This level from each beginning to its end, the opposite one after it."""
        return self.to(begin_ps, level).to(end_ps, 1 - level)

    def line(self) -> Line:
        """The finished line."""
        at, level = np.concatenate(self._at), np.concatenate(self._level)
        order = np.argsort(at, kind="stable")
        return Line(at[order], level[order], self._width)


def starts_ps(trace: BusTrace) -> Times:
    """``int64 (n,)`` when each cycle began."""
    return np.round(trace.clock * (1e12 / trace.clock_hz)).astype(np.int64)


def clock_line(trace: BusTrace, periods: int, first_level: int) -> Line:
    """The clock from the first cycle on, beginning with ``first_level``; low before, halves of one length."""
    half = 5e11 / trace.clock_hz
    edges = np.round(np.arange(2 * periods + 1) * half).astype(np.int64)
    levels = np.arange(2 * periods + 1, dtype=np.uint64) & np.uint64(1) ^ np.uint64(first_level)
    return Pen(0).to(edges, levels).line()


def draw_memory(
    pen: Pen,
    rng: np.random.Generator,
    enabled_ps: Times,
    valid_ps: Times,
    before: Words,
    word: Words,
    width: int,
) -> None:
    """Reads: between enable and access time the outputs may wander, then the word stands.

    Args:
        pen: Of the data bus.
        rng: Source of what they show meanwhile.
        enabled_ps: When the memory begins to drive, ``int64 (m,)``.
        valid_ps: When its word stands.
        before: What was on the bus.
        word: What stands in the end.
        width: Wires of the bus.
    """
    mixture = (before ^ word) & rng.integers(0, 1 << width, len(word), np.uint64)
    pen.to(enabled_ps, before ^ mixture)
    pen.to(valid_ps, word)


def draw_drift(pen: Pen, rng: np.random.Generator, released_ps: Times, word: Words, width: int) -> None:
    """Lines that nobody drives any more: some that were low are pulled high."""
    pen.to(released_ps, word | rng.integers(0, 1 << width, len(word), np.uint64))


def gaps(trace: BusTrace, share: float, rng: np.random.Generator, width: int) -> NDArray[np.bool_]:
    """Cycles after which the bus may drift: those whose follower drives every line again.

    Where a follower leaves a line floating, the word that the processor received has already told what that
    line kept, so that nothing may happen to it on the way.
    """
    full = trace.driven == np.uint64((1 << width) - 1)
    followed = np.append(full[1:], False)
    return followed & (rng.random(len(trace)) < share)
