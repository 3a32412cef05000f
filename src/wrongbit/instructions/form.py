"""An instruction as the bus shows it, clock cycle by clock cycle.

The first cycles read the instruction's bytes one after another; what follows is a row of steps, each of which
says what a cycle moves and where. A processor's forms are written in a module of their own, from the maker's
cycle table.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import IntEnum

from wrongbit.instructions.instruction import ClockCount


class Move(IntEnum):
    """What a cycle does."""

    DEAD = 0
    """Nothing that counts: no valid address, or a read whose word is not used."""
    READ = 1
    WRITE = 2
    ANY = 3
    """The cycle table does not say enough."""


class Where(IntEnum):
    """Which address a cycle shows, or the next instruction has."""

    ANYWHERE = 0
    """A register holds it."""
    ABSOLUTE = 1
    """Just there."""
    RELATIVE = 2
    """So far from the instruction's first byte."""
    LOW = 3
    """Its lower 8 bits are these."""
    UP = 4
    """One above the word moved last."""
    DOWN = 5
    """One below the word moved last."""
    SAME = 6
    """At the word moved last."""
    POINTER = 7
    """What the two words read last say, the upper one first."""
    AHEAD = 8
    """As RELATIVE, for a read in vain: no valid address is good as well."""


@dataclass(frozen=True, slots=True)
class Step:
    """One clock cycle.

    Args:
        move: What it does.
        where: At which address.
        value: What ``where`` refers to.
        mask: Bits of the word that must have a level.
        level: That level.
    """

    move: Move
    where: Where = Where.ANYWHERE
    value: int = 0
    mask: int = 0
    level: int = 0


@dataclass(frozen=True, slots=True)
class Form:
    """One way in which an instruction can pass over the bus.

    Args:
        length: Cycles that read its bytes.
        steps: The cycles after them.
        leads: Where the next instruction begins: each a ``Where`` and its value.
        waits: Any number of cycles may pass before it goes on there.
    """

    length: int
    steps: tuple[Step, ...]
    leads: tuple[tuple[Where, int], ...]
    waits: bool = False

    @property
    def clocks(self) -> int:
        """Clock cycles in all.

        >>> Form(1, (DEAD,), NEXT).clocks
        2
        """
        return self.length + len(self.steps)


@dataclass(frozen=True)
class CycleTable:
    """A processor's cycle table.

    Args:
        length_of: Three words from an instruction's first on = how many of them and of those that follow
            are its bytes; 0 where it is none.
        forms_of: An instruction's bytes = the ways in which it can pass; none where it is not documented.
        interrupts: The ways in which an interrupt can pass between two instructions, ``length`` 0.
        after_vector: Dead cycles between a vector and the first instruction there.
        vectors_from: Lowest address of the vectors.
        longest: Cycles of the longest instruction or interrupt that does not wait.
    """

    length_of: Callable[[int, int, int], int]
    forms_of: Callable[[tuple[int, ...]], tuple[Form, ...]]
    interrupts: tuple[Form, ...]
    after_vector: int
    vectors_from: int
    longest: int


DEAD = Step(Move.DEAD)
NEXT: tuple[tuple[Where, int], ...] = ()
"""Filled with the address after the instruction by `form`."""
ANYWHERE: tuple[tuple[Where, int], ...] = ((Where.ANYWHERE, 0),)
POINTED: tuple[tuple[Where, int], ...] = ((Where.POINTER, 0),)


def dead(count: int) -> tuple[Step, ...]:
    """So many dead cycles."""
    return (DEAD,) * count


def ahead(byte: int) -> Step:
    """A read in vain of a byte, counted from the instruction's first."""
    return Step(Move.DEAD, Where.AHEAD, byte)


def moves(move: Move, count: int, to: Where, first: Step | None = None) -> tuple[Step, ...]:
    """So many reads or writes in a row, the first one anywhere unless given."""
    if not count:
        return ()
    return (first or Step(move), *(Step(move, to) for _ in range(count - 1)))


def form(
    length: int,
    steps: Sequence[Step] = (),
    leads: tuple[tuple[Where, int], ...] = NEXT,
    *,
    waits: bool = False,
) -> Form:
    """A form; without ``leads`` it goes on at the byte after it."""
    return Form(length, tuple(steps), leads or ((Where.RELATIVE, length),), waits)


def clock_count(forms: Sequence[Form]) -> ClockCount | None:
    """Published clock cycles of an instruction, from its forms; None where it waits or is not documented.

    Where it has two, the shorter is the one that goes on, unless neither does.
    """
    if not forms or any(each.waits for each in forms):
        return None
    counts = sorted(each.clocks for each in forms)
    follows = any(lead == (Where.RELATIVE, each.length) for each in forms for lead in each.leads)
    if follows:
        return ClockCount(counts[0], counts[-1])
    return ClockCount(counts[0], counts[0], counts[-1] - counts[0])
