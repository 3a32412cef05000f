"""Where instructions begin on a bus that shows every clock cycle, by the processor's cycle table.

Every instruction must pass over the bus as the table says, and the next begin where it leads. Where nothing
is known yet, every row is tried as a beginning, and the program is taken up where all the ways that go on for
long have come together: as long as several remain, none is believed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from heapq import heapify, heappop, heappush
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.cycles import KIND_CODE
from wrongbit.instructions.form import CycleTable, Form, Move, Where

if TYPE_CHECKING:
    from wrongbit.instructions.execution import Execution

CHAIN = 8
"""Instructions that must follow from each other before a beginning is believed. A choice."""

_READ, _WRITE, _IDLE = (KIND_CODE[kind] for kind in ("read", "write", "idle"))
_NOTHING = 0xFFFF
"""Address of a cycle that needs no memory."""
_BROKEN = -1
_UNTRIED = -2


@dataclass
class Way:
    """The cycles by one set of words: as they were seen, or as they should have been.

    Args:
        table: Of the processor.
        kind: Kind of each cycle.
        address: Its address, -1 where not all bits are known.
        word: Its word, -1 where not all bits are known.
    """

    table: CycleTable
    kind: Sequence[int]
    address: Sequence[int]
    word: Sequence[int]
    _after: list[int] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self._after = [_UNTRIED] * len(self.kind)

    def after(self, at: int) -> int:
        """Row at which the next instruction begins; the number of rows where the capture ends before; -1
        where no instruction fits or several do."""
        if self._after[at] == _UNTRIED:
            self._after[at] = self._find(at)
        return self._after[at]

    def _find(self, at: int) -> int:
        forms = self.forms(at)
        return self.fitting(at, forms, self.address[at]) if forms else _BROKEN

    def forms(self, at: int) -> tuple[Form, ...]:
        """Ways in which the instruction at a row can pass; none where its bytes are none."""
        word, address, kind = self.word, self.address, self.kind
        if kind[at] != _READ or address[at] < 0 or word[at] < 0:
            return ()
        begin = tuple(word[at : at + 3])
        length = self.table.length_of(*begin, *(0,) * (3 - len(begin)))
        words = tuple(word[at : at + length])
        if not length or len(words) < length or min(words) < 0:
            return ()
        return self.table.forms_of(words)

    def fitting(self, at: int, forms: Sequence[Form], base: int) -> int:
        """As `after`, for one of these forms, by itself or with an interrupt after it."""
        ends = {end for form in forms for end in self._ends(at, form, base)}
        return ends.pop() if len(ends) == 1 else _BROKEN

    def _ends(self, at: int, form: Form, base: int) -> set[int]:
        rows = len(self.kind)
        for k in range(min(form.length, rows - at)):
            if self.kind[at + k] != _READ or self.address[at + k] != (base + k) & 0xFFFF:
                return set()
        end, pointer = self._steps(at + form.length, form, base)
        if end in (_BROKEN, rows):
            return set() if end == _BROKEN else {rows}
        if form.waits:
            end, pointer, form = self._wait(end, form, base)
            if end in (_BROKEN, rows):
                return set() if end == _BROKEN else {rows}
        if self._leads(end, form, base, pointer):
            interrupted = self.interrupted(end)
            return {end if interrupted == _BROKEN else interrupted}
        interrupted = self.interrupted(end)
        return set() if interrupted == _BROKEN else {interrupted}

    def interrupted(self, at: int) -> int:
        """Where an interrupt leads that is taken here instead of an instruction, the number of rows where the
        capture ends before; -1 where none is taken."""
        if _WRITE not in self.kind[at + 2 : at + 4]:
            return _BROKEN  # the registers would be stacked
        if any(
            form.waits and self._steps(at + form.length, form, self.address[at])[0] >= 0
            for form in self.forms(at)
        ):
            return _BROKEN  # it stacks them itself, to wait for one
        for form in self.table.interrupts:
            end, pointer = self._steps(at, form, 0)
            if end == len(self.kind) or (end >= 0 and self._leads(end, form, 0, pointer)):
                return end
        return _BROKEN

    def _steps(self, at: int, form: Form, base: int) -> tuple[int, int]:
        """Row after a form's steps and what the two words read last say; -1 in place of either."""
        last, pointer, upper = -1, -1, -1
        rows = len(self.kind)
        for step in form.steps:
            if at >= rows:
                return rows, -1
            move, where = step.move, step.where
            kind, address, word = self.kind[at], self.address[at], self.word[at]
            if move == Move.DEAD:
                if kind == _WRITE or (where == Where.AHEAD and not self._vain(at, base + step.value)):
                    return _BROKEN, -1
            elif move != Move.ANY:
                wrong_kind = kind != (_READ if move == Move.READ else _WRITE)
                if wrong_kind and not (move == Move.READ and kind == _IDLE and address == _NOTHING):
                    return _BROKEN, -1
                if not _there(where, step.value, address, base, last, pointer):
                    return _BROKEN, -1
                if step.mask and word >= 0 and word & step.mask != step.level:
                    return _BROKEN, -1
                last = address
                if move == Move.READ:
                    pointer = upper << 8 | word if upper >= 0 and word >= 0 else -1
                    upper = word
            at += 1
        return at, pointer

    def _vain(self, at: int, address: int) -> bool:
        return self.kind[at] == _IDLE or self.address[at] in (address & 0xFFFF, _NOTHING)

    def _leads(self, at: int, form: Form, base: int, pointer: int) -> bool:
        address = self.address[at]
        if self.kind[at] != _READ or address < 0:
            return False
        if not any(_there(where, value, address, base, -1, pointer) for where, value in form.leads):
            return False
        # Wherever it led: a reset in between is no instruction.
        return form.leads[0][0] not in (Where.ANYWHERE, Where.LOW) or not self.vector(at)

    def _wait(self, at: int, form: Form, base: int) -> tuple[int, int, Form]:
        """Over the cycles in which an instruction waits, to where it goes on or where a vector leads."""
        rows, dead_after = len(self.kind), self.table.after_vector
        while at < rows and self.kind[at] != _WRITE:
            if self.vector(at):
                return min(at + 2 + dead_after, rows), self.word[at] << 8 | self.word[at + 1], form
            if form.leads[0][0] == Where.RELATIVE and self._leads(at, form, base, -1):
                return at, -1, form
            at += 1
        interrupted = self.interrupted(max(at - 3, 0)) if at < rows else rows
        return interrupted, -1, Form(0, (), ((Where.ANYWHERE, 0),))

    def vector(self, at: int) -> bool:
        """A vector is read in this row and the next, and what it holds is executed then."""
        there = at + 2 + self.table.after_vector
        address = self.address[at]
        if there >= len(self.kind) or address < self.table.vectors_from or address & 1:
            return False
        if self.address[at + 1] != address + 1 or _READ not in (self.kind[at], self.kind[at + 1]):
            return False
        upper, lower = self.word[at], self.word[at + 1]
        return (
            min(upper, lower) >= 0 and self.address[there] == upper << 8 | lower and self.kind[there] == _READ
        )

    def lasts(self, at: int, wanted: int, *, whole: bool = True) -> bool:
        """So many instructions follow from each other from here on, or unless ``whole`` all to the end."""
        rows = len(self.kind)
        for _ in range(wanted):
            at = self.after(at)
            if at < 0:
                return False
            if at >= rows:
                return not whole
        return True


def _there(where: Where, value: int, address: int, base: int, last: int, pointer: int) -> bool:
    """An address is the one that a step or a lead names; what is not known speaks against nothing."""
    if where == Where.ANYWHERE:
        return True
    if address < 0:
        return False
    if where == Where.RELATIVE:
        return address == (base + value) & 0xFFFF
    if where == Where.ABSOLUTE:
        return address == value
    if where == Where.LOW:
        return address & 0xFF == value
    if where == Where.POINTER:
        return pointer < 0 or address == pointer
    change = {Where.UP: 1, Where.DOWN: -1}.get(where, 0)
    return last < 0 or address == (last + change) & 0xFFFF


class ClockFollower:
    """Follows a program over all its clock cycles."""

    def __init__(self, execution: Execution, table: CycleTable) -> None:
        self.execution = execution
        self.table = table
        cycles = execution.cycles
        whole = np.uint64((1 << execution.processor.address_bits) - 1)
        self.kind = cycles.kind.tolist()
        address = cycles.address.astype(np.int64)
        self.address = np.where(cycles.address_known & whole == whole, address, -1).tolist()
        self.seen = self._way(cycles.word, cycles.known)

    def _way(self, word: NDArray[np.uint64], known: NDArray[np.uint64]) -> Way:
        full = np.uint64(0xFF)
        words = np.where(known & full == full, word.astype(np.int64), -1)
        return Way(self.table, self.kind, self.address, words.tolist())

    @cached_property
    def expected(self) -> Way:
        """The cycles with the words that should have been there; bits that nothing tells as seen."""
        execution = self.execution
        judged, cycles = execution.judged, execution.cycles
        return self._way(execution.expected & judged | cycles.word & ~judged, cycles.known | judged)

    @cached_property
    def anchors(self) -> list[int]:
        """Rows at which an instruction begins because a vector leads there, by either set of words."""
        cycles = self.execution.cycles
        address = cycles.address.astype(np.int64)
        pairs = (address[:-1] >= self.table.vectors_from) & (address[1:] == address[:-1] + 1)
        found = np.flatnonzero(pairs).tolist()
        there = 2 + self.table.after_vector
        return [at + there for at in found if self.seen.vector(at) or self.expected.vector(at)]

    def starts(self) -> NDArray[np.intp]:
        """``intp (m,)`` rows at which an instruction begins, as far as only one way is left."""
        found: list[int] = []
        rows = len(self.kind)
        at: int | None = self._taken_up(0)
        while at is not None and at < rows:
            last = at
            while 0 <= at < rows:
                found.append(at)
                last, at = at, self.seen.after(at)
            if at < 0:
                resumed = self._by_expected(last)
                at = self._taken_up(last + 1) if resumed is None else resumed
        return np.array(found, np.intp)

    def _by_expected(self, start: int) -> int | None:
        """Where the instruction leads that should have been there, if the program goes on there."""
        after = self.expected.after(start)
        if not 0 <= after < len(self.kind):
            return None
        ways = (self.seen, self.expected)
        return after if any(way.lasts(after, CHAIN, whole=False) for way in ways) else None

    def _taken_up(self, at: int) -> int | None:
        """The first row from here on at which an instruction certainly begins, None where there is none."""
        rows = len(self.kind)
        while at < rows:
            anchor = self._anchor(at)
            heads = self._heads(at, anchor)
            if not heads:
                at = min(at + self.table.longest, anchor)
                if at == anchor:
                    return anchor if anchor < rows else None
                continue
            sure, at = self._together(heads, anchor)
            if sure is not None:
                return sure
        return None

    def _anchor(self, at: int) -> int:
        index = int(np.searchsorted(self.anchors, at))
        return self.anchors[index] if index < len(self.anchors) else len(self.kind)

    def _heads(self, at: int, anchor: int) -> list[int]:
        """Beginnings that go on for long, as many as may be one instruction's first to last cycle."""
        last = min(at + self.table.longest, anchor)
        first = next((row for row in range(at, last) if self._begins(row)), None)
        if first is None:
            return []
        last = min(first + self.table.longest, anchor)
        return [row for row in range(first, last) if self._begins(row)]

    def _begins(self, row: int) -> bool:
        return self.seen.lasts(row, CHAIN) and not self.seen.vector(row)

    def _together(self, heads: list[int], anchor: int) -> tuple[int | None, int]:
        """Row at which one way is left and has outlasted all others; else None and where to look again."""
        heapify(heads)
        ended = -1
        rows = len(self.kind)
        while heads:
            at = heappop(heads)
            if at >= anchor:
                return (anchor, anchor) if anchor < rows else (None, rows)
            while heads and heads[0] == at:
                heappop(heads)
            if not heads and (ended < 0 or self.seen.lasts(at, CHAIN)):
                return at, at
            after = self.seen.after(at)
            if after < 0:
                ended = at
            else:
                heappush(heads, after)
        return None, ended + 1

    def trusted(self, start: int) -> bool:
        """Instructions without a wrong word lead to this one, enough of them or all since a vector."""
        execution = self.execution
        starts = execution.starts
        at = int(np.searchsorted(starts, start))
        if at == len(starts) or starts[at] != start:
            return False
        if start in self.anchors:
            return True
        begin = at
        while begin > max(at - CHAIN, 0) and int(starts[begin]) not in self.anchors:
            if self.seen.after(int(starts[begin - 1])) != int(starts[begin]):
                return False
            begin -= 1
        if at - begin < CHAIN and int(starts[begin]) not in self.anchors:
            return False
        between = slice(int(starts[begin]), start)
        wrong = (execution.expected[between] ^ execution.cycles.word[between]) & execution.judged[between]
        return not wrong.any()

    def after(self, start: int, words: tuple[int, ...]) -> int | None:
        """Row in which what follows an instruction begins, None where nothing that follows fits it.

        What follows is read by the words seen, and by those that should have been there: a probe that
        shows one word wrongly may show others so too.

        Args:
            start: Row in which the instruction begins.
            words: Its bytes.
        """
        padded = (*words, 0, 0, 0)[:3]
        forms = self.table.forms_of(words) if self.table.length_of(*padded) == len(words) else ()
        for way in (self.seen, self.expected):
            end = way.fitting(start, forms, self.address[start])
            if end == len(self.kind) or (end >= 0 and way.lasts(end, CHAIN, whole=False)):
                return min(end, len(self.kind) - 1)
        return None
