"""A decoded instruction, and what an instruction set promises about the bus."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, Protocol, get_args

from wrongbit.machine.recipe import Kind

if TYPE_CHECKING:
    from wrongbit.instructions.form import CycleTable

Flow = Literal["next", "jump", "skip", "branch", "call", "return", "stop", "indirect", "unknown"]
"""Where an instruction leads.

``next``: to the one after it. ``jump``, ``call``: to its targets. ``branch``, ``skip``: to its targets or to
the one after it. ``return``, ``indirect``: to an address that the word does not hold. ``stop``: nowhere; its
targets are what is fetched meanwhile. ``unknown``: the set says nothing of this word.
"""

FLOWS: tuple[Flow, ...] = get_args(Flow)

Fetch = Callable[[int], int | None]
"""The unit (byte or word) at an address, None where it is not known."""

Marks = Literal["first", "opcode", "code"]
"""What the kind ``fetch`` marks: an instruction's first unit, each unit of its operation code (prefixes), or
everything that is read to be executed."""


@dataclass(frozen=True)
class DataAccess:
    """A bus cycle by which an instruction moves data.

    Args:
        kind: ``read``, ``write``, ``io_read`` or ``io_write``.
        address: Where, or None where the word does not hold it.
    """

    kind: Kind
    address: int | None


@dataclass(frozen=True)
class ClockCount:
    """Published clock cycles of an instruction.

    Args:
        base: When it goes on at the next one.
        taken: When it goes elsewhere; the same as ``base`` where that makes no difference.
        extra: At most so many more where an address crosses a page.
    """

    base: int
    taken: int
    extra: int = 0

    @property
    def all(self) -> frozenset[int]:
        """Every count that is possible.

        >>> sorted(ClockCount(2, 3, 1).all)
        [2, 3, 4]
        """
        least = {self.base} if self.taken != self.base else set()
        return frozenset(least | set(range(self.taken, self.taken + self.extra + 1)))


@dataclass(frozen=True)
class Instruction:
    """What some words at an address mean.

    Args:
        address: Of the first unit.
        words: Its units in the order in which they stand in memory.
        following: Address after it.
        text: As in a listing.
        flow: Where it leads.
        targets: Addresses it may lead to besides ``following``; None where the words do not hold them.
        conditional: It may go on at ``following`` instead.
        bank_change: Exclusive-or of this with the bank number gives the bank of the targets.
        cycles: Published clock cycles, None where the set does not tell.
        data: Data that it moves over the bus; None where the set does not tell.
        documented: The maker's manual lists it.
    """

    address: int
    words: tuple[int, ...]
    following: int
    text: str
    flow: Flow
    targets: tuple[int, ...] | None = ()
    conditional: bool = False
    bank_change: int = 0
    cycles: ClockCount | None = None
    data: tuple[DataAccess, ...] | None = None
    documented: bool = True

    @property
    def length(self) -> int:
        """Number of units."""
        return len(self.words)

    @property
    def may_follow(self) -> bool:
        """It may go on at the address after it."""
        return self.conditional or self.flow in ("next", "branch", "skip")

    @property
    def successors(self) -> frozenset[int] | None:
        """Every address at which the next instruction may be fetched; None where that is not known.

        >>> Instruction(0, (0x50,), 1, "BZ 5", "branch", (5,)).successors == {1, 5}
        True
        """
        if self.flow == "unknown" or self.targets is None:
            return None
        if self.flow in ("return", "indirect") and not self.targets:
            return None
        return frozenset((*self.targets, *([self.following] if self.may_follow else [])))


class InstructionSet(Protocol):
    """What decodes words, and what is known of the processor's way with the bus."""

    @property
    def name(self) -> str:
        """What it is called."""

    @property
    def habits(self) -> BusHabits:
        """The processor's way with the bus."""

    def decode(self, fetch: Fetch, address: int) -> Instruction | None:
        """The instruction at an address; None where a unit that decides is not known."""


@dataclass(frozen=True)
class BusHabits:
    """A processor's way with its bus, as far as it bears on reading its flow.

    Args:
        unit_bits: Bits in a unit of an instruction.
        address_bits: Width of an address.
        step: Addresses from one unit to the next.
        marks: What the kind ``fetch`` marks.
        prefixes: Units that are followed by more of the operation code.
        ahead: Addresses that fetches may run ahead of execution; 0: they do not.
        dummy_reads: Reads happen that move nothing, so that a read more proves nothing.
        every_clock: Each clock cycle is a bus cycle, so that the rows between two fetches count the clock.
        big_endian: The upper part of a value of several units comes first.
        vectors_from: Lowest address of the vectors that the processor reads by itself, one pair each, up to
            the last address; None where there are none.
        reset_reads: So many addresses from 0 on are read as code after reset though they are none: the stack
            pointer, then, in the second half, where to begin; 0 where there are none.
        cycle_table: How each instruction passes over a bus that shows every clock cycle; None where that is
            not told.
    """

    unit_bits: int
    address_bits: int
    step: int = 1
    marks: Marks = "first"
    prefixes: frozenset[int] = field(default_factory=frozenset)
    ahead: int = 0
    dummy_reads: bool = False
    every_clock: bool = False
    big_endian: bool = False
    vectors_from: int | None = None
    reset_reads: int = 0
    cycle_table: CycleTable | None = None


def decode(instruction_set: InstructionSet, fetch: Fetch, address: int) -> Instruction | None:
    """The instruction at an address.

    Args:
        instruction_set: From `wrongbit.instructions.sets.instruction_set`.
        fetch: The unit at an address, None where it is not known.
        address: Of the first unit.

    Returns:
        The instruction, or None where a unit that decides is not known.
    """
    return instruction_set.decode(fetch, address)
