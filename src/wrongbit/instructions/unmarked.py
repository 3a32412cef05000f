"""Where instructions begin in a capture that does not tell fetches from other reads.

From one instruction to the next: its length and its data accesses say how many cycles it has, or its clock
cycles do where each is a bus cycle. A chain that breaks is taken up again only where several instructions
in a row fit. A processor whose cycle table is known cycle by cycle is followed by `clockwise`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.cycles import KIND_CODE
from wrongbit.instructions.clockwise import CHAIN, ClockFollower
from wrongbit.instructions.instruction import Instruction

if TYPE_CHECKING:
    from wrongbit.instructions.execution import Execution

_READ, _WRITE = KIND_CODE["read"], KIND_CODE["write"]
_LEFT_OUT = tuple(KIND_CODE[kind] for kind in ("idle", "refresh"))


class Follower:
    """Goes from one instruction to the next over the cycles that move a word."""

    def __init__(self, execution: Execution) -> None:
        self.execution = execution
        cycles = execution.cycles
        self.rows = np.flatnonzero(~np.isin(cycles.kind, _LEFT_OUT))
        self.kind = cycles.kind[self.rows]
        self.address = cycles.address[self.rows].astype(np.int64)
        probe = execution.instruction_set.decode(lambda address: 0, 0)
        habits = execution.instruction_set.habits
        listed = probe is not None and probe.data is not None and not habits.dummy_reads
        clocked = probe is not None and probe.cycles is not None and habits.every_clock
        self.can = listed or clocked
        self.clocked = clocked
        table = habits.cycle_table
        self.by_table = None if table is None else ClockFollower(execution, table)

    def starts(self) -> NDArray[np.intp]:
        """``intp (m,)`` rows at which an instruction begins; empty where the set tells too little."""
        if self.by_table is not None:
            return self.by_table.starts()
        found: list[int] = []
        at = first = self.reset()
        while self.can and at < len(self.rows):
            chain = self.chain(at)
            if len(chain) >= CHAIN or at == first:
                found += chain
                at = chain[-1] + 1 if chain else at + 1
            else:
                at += 1
        return self.rows[np.array(found, np.intp)]

    def trusted(self, start: int) -> bool:
        """Instructions without a wrong word lead to this one, enough of them or all since the first."""
        if self.by_table is not None:
            return self.by_table.trusted(start)
        execution = self.execution
        starts = execution.starts
        at = int(np.searchsorted(starts, start))
        begin = int(starts[max(at - CHAIN, 0)])
        if at == 0 or (at < CHAIN and int(np.searchsorted(self.rows, begin)) != self.reset()):
            return False
        between = slice(begin, start)
        wrong = (execution.expected[between] ^ execution.cycles.word[between]) & execution.judged[between]
        chain = self.chain(int(np.searchsorted(self.rows, begin)), at - max(at - CHAIN, 0) + 1)
        return not wrong.any() and int(self.rows[chain[-1]]) == start

    def after(self, start: int, found: Instruction) -> int | None:
        """Row in which what follows an instruction begins, None where nothing that follows fits it.

        Args:
            start: Row in which the instruction begins.
            found: What it is.
        """
        if self.by_table is not None:
            return self.by_table.after(start, found.words)
        at = int(np.searchsorted(self.rows, start))
        following = self._next(at, found)
        if following is None:
            return None
        chain = self.chain(following, CHAIN)
        near_end = chain and chain[-1] + 12 >= len(self.rows)
        return int(self.rows[following]) if len(chain) >= CHAIN or near_end else None

    def reset(self) -> int:
        """Where to begin: after the first vector, at the first read of the start address, or at once."""
        vectors = self.execution.instruction_set.habits.vectors_from
        if vectors is not None:
            pairs = (self.address[:-1] >= vectors) & (self.address[1:] == self.address[:-1] + 1)
            there = np.flatnonzero(pairs & (self.kind[:-1] == _READ))
            if len(there):
                return int(there[0]) + 2
        start = self.execution.processor.start_address
        if start is not None:
            there = np.flatnonzero((self.address == start) & (self.kind == _READ))
            if len(there):
                return int(there[0])
        return 0

    def chain(self, at: int, limit: int | None = None) -> list[int]:
        """Instructions from here on, each following from the one before, so many at most."""
        chain: list[int] = []
        following: int | None = at
        while following is not None and following < len(self.rows) and self.kind[following] == _READ:
            if limit is not None and len(chain) >= limit:
                break
            chain.append(following)
            found = self.execution.seen_at(int(self.rows[following]))
            following = None if found is None else self._next(following, found)
        return chain

    def _next(self, at: int, found: Instruction) -> int | None:
        if found.flow in ("unknown", "stop") or not found.documented:
            return None
        if self.clocked and found.flow == "branch":
            return self._branch(at, found)
        choices = self._by_clock(at, found) if self.clocked else self._by_accesses(at, found)
        successors = found.successors
        for choice in choices:
            if choice >= len(self.rows) or self.kind[choice] != _READ:
                continue
            if successors is None or int(self.address[choice]) in successors:
                return choice
        return None

    def _branch(self, at: int, found: Instruction) -> int | None:
        """A taken branch reads the byte after it in vain, so that the target is looked for first."""
        if found.cycles is None or not found.targets:
            return None
        target = found.targets[0]
        if target == found.following + 1:
            return None  # a read of it may be either
        crossed = found.cycles.extra if (found.following ^ target) >> 8 else 0
        for count, wanted in (
            (found.cycles.taken + crossed, target),
            (found.cycles.base, found.following),
        ):
            there = at + count
            if there < len(self.rows) and self.kind[there] == _READ and self.address[there] == wanted:
                return there
        return None

    @staticmethod
    def _by_clock(at: int, found: Instruction) -> list[int]:
        return [] if found.cycles is None else [at + count for count in sorted(found.cycles.all)]

    def _by_accesses(self, at: int, found: Instruction) -> list[int]:
        """After its units and its data accesses; a conditional one may leave the latter out."""
        habits = self.execution.instruction_set.habits
        for k in range(1, found.length):
            here = at + k
            if here >= len(self.rows) or self.address[here] != found.address + k * habits.step:
                return []
        if found.data is None:
            return []
        end = at + found.length
        with_data = end + len(found.data)
        if not found.conditional:
            return [with_data]
        return [end, with_data] if found.successors else [with_data, end]
