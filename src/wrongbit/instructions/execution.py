"""A capture read as executed instructions: where each begins, and what it was by either reading."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.cycles import KIND_CODE, Cycles
from wrongbit.instructions.decodings import OneByOne, decode_many
from wrongbit.instructions.instruction import BusHabits, Fetch, Instruction, InstructionSet
from wrongbit.instructions.unmarked import Follower
from wrongbit.machine.model import Processor

Rows = NDArray[np.intp]

Reference = Callable[[int, int], tuple[int, int]]
"""Bank and address = the word that should be there, and a mask of its known bits."""

FETCH, READ, WRITE = KIND_CODE["fetch"], KIND_CODE["read"], KIND_CODE["write"]
SOON = 8
"""Cycles from an instruction's beginning whose words are taken for what memory holds."""
LIMIT = 40
"""Cycles of an instruction of which no end is found."""
_MOST = 1 << 10
"""Decoded instructions that are kept."""
MOVING = tuple(KIND_CODE[kind] for kind in ("fetch", "read", "write", "io_read", "io_write"))
"""Kinds of cycles that move a word; others say nothing of what an instruction does."""


@dataclass(frozen=True)
class Execution:
    """Bus cycles together with what decodes them and what should have been read.

    Args:
        cycles: All cycles of one capture in order.
        processor: Whose they are.
        instruction_set: Decodes its words.
        expected: ``uint64 (n,)`` the word that should have been there in each cycle.
        judged: ``uint64 (n,)`` bits of it that are known and were seen.
        reference: What should be at an address that no cycle at hand read.
    """

    cycles: Cycles
    processor: Processor
    instruction_set: InstructionSet
    expected: NDArray[np.uint64]
    judged: NDArray[np.uint64]
    reference: Reference

    @cached_property
    def marked(self) -> bool:
        """The capture tells fetches from other reads."""
        return bool((self.cycles.kind == FETCH).any())

    @cached_property
    def starts(self) -> Rows:
        """``intp (m,)`` rows at which an instruction begins, in order.

        Where fetches run ahead of execution (``marks`` is ``code``) nothing shows this, and it is empty.
        Without marked fetches they are followed from one to the next where the set tells enough for it.
        """
        habits = self.instruction_set.habits
        if habits.marks == "code":
            return np.empty(0, np.intp)
        if not self.marked:
            return self.follower.starts()
        whole = np.uint64((1 << self.processor.address_bits) - 1)
        rows = np.flatnonzero((self.cycles.kind == FETCH) & (self.cycles.address_known == whole))
        return rows if habits.marks == "first" else self._without_continued(rows)

    @cached_property
    def follower(self) -> Follower:
        """Follows the program where fetches are not marked."""
        return Follower(self)

    def _without_continued(self, rows: Rows) -> Rows:
        """Fetches that begin an instruction, where each unit of an operation code is fetched as one."""
        words = self.cycles.word[rows]
        prefixed = np.isin(words, np.array(sorted(self.instruction_set.habits.prefixes), np.uint64))
        begins = np.ones(len(rows), np.bool_)
        addresses = self.cycles.address[rows]
        prefixed[:-1] &= addresses[1:] == addresses[:-1] + np.uint64(1)
        prefixed[-1:] = False
        at = np.flatnonzero(prefixed)
        decoded = decode_many(self, rows[at])
        habits = self.instruction_set.habits
        goes_on = np.array(
            [found is not None and opcode_units(found, habits) > 1 for found in decoded.instructions]
        )
        for each in at[goes_on[decoded.code]].tolist() if len(at) else ():
            if begins[each]:  # else it is itself the second unit of a code
                begins[each + 1] = False
        return rows[begins]

    # Words as units ------------------------------------------------------------------------------

    def unit(self, word: int, known: int, address: int) -> int | None:
        """The unit at an address out of the word that holds it; None where a bit of it is not known."""
        bits, word_bits = self.instruction_set.habits.unit_bits, self.processor.word_bits
        if bits < word_bits:
            place = address % (word_bits // bits)
            if self.processor.byte_order == "big":
                place = word_bits // bits - 1 - place
            word, known = word >> place * bits, known >> place * bits
        mask = (1 << bits) - 1
        return word & mask if known & mask == mask else None

    def word_address(self, address: int) -> int:
        """Address of the bus word that holds the unit at an address."""
        return address - address % self.word_step

    @cached_property
    def word_step(self) -> int:
        """Addresses from one bus word to the next."""
        habits = self.instruction_set.habits
        return max(self.processor.word_bits // habits.unit_bits, 1) * habits.step

    def seen_unit(self, row: int, address: int) -> int | None:
        """The unit as the probe saw it in a cycle."""
        return self.unit(int(self.cycles.word[row]), int(self.cycles.known[row]), address)

    def expected_unit(self, row: int, address: int) -> int | None:
        """The unit as it should have been in a cycle; bits that nothing tells are taken as seen."""
        judged = int(self.judged[row])
        word = int(self.expected[row]) & judged | int(self.cycles.word[row]) & ~judged
        return self.unit(word, int(self.cycles.known[row]) | judged, address)

    def fetcher(self, rows: Rows, *, seen: bool) -> Fetch:
        """Units as these cycles read them, and as the reference has them elsewhere.

        Args:
            rows: Cycles whose words count, later ones after earlier ones.
            seen: Take the words that were seen, not those that should have been.
        """
        backward = rows[::-1]
        three = (self.cycles.address[backward], backward, self.cycles.kind[backward])
        at = {
            address: row
            for address, row, kind in zip(*(each.tolist() for each in three), strict=True)
            if kind in (FETCH, READ)
        }
        bank = int(self.cycles.bank[rows[0]]) if len(rows) else 0
        unit_of = self.seen_unit if seen else self.expected_unit

        def fetch(address: int) -> int | None:
            base = self.word_address(address)
            if base in at:
                return unit_of(at[base], address)
            word, known = self.reference(bank, base)
            return self.unit(word, known, address)

        return fetch

    # Instructions --------------------------------------------------------------------------------

    def window(self, start: int) -> Rows:
        """``intp (k,)`` rows of the instruction that begins in this row, up to the next that begins."""
        return np.arange(start, self._end(start))

    def _end(self, start: int) -> int:
        """Row after the last of the instruction that begins in this row."""
        after = int(self.starts.searchsorted(start, side="right"))
        end = int(self.starts[after]) if after < len(self.starts) else start + LIMIT
        return min(end, start + LIMIT, len(self.cycles))

    def ends(self, first: int, last: int) -> Rows:
        """``intp (k,)`` row before which the words of each instruction lie, as `decoded` looks for them.

        Args:
            first: Index in ``starts`` of the first.
            last: Index after the last.
        """
        begins = self.starts[first:last]
        ends = np.minimum(begins + LIMIT, len(self.cycles))
        after = self.starts[first + 1 : last + 1]
        ends[: len(after)] = np.minimum(ends[: len(after)], after)
        return np.minimum(np.maximum(ends, begins + SOON), len(self.cycles))

    def next_start(self, start: int, found: Instruction | None = None) -> int | None:
        """Row in which the instruction after this one begins, None where the capture ends before.

        Args:
            start: Row in which this one begins.
            found: What this one is; decides where more than its first unit is marked as fetched.
        """
        if found is not None and self.marked and self.instruction_set.habits.marks == "opcode":
            return self._fetch_after(start, found)
        after = int(self.starts.searchsorted(start, side="right"))
        return int(self.starts[after]) if after < len(self.starts) else None

    def _fetch_after(self, start: int, found: Instruction) -> int | None:
        """The first fetch that is no part of this instruction's operation code."""
        at = int(self.fetches.searchsorted(start, side="right"))
        expected = found.address
        for unit in range(opcode_units(found, self.instruction_set.habits)):
            if unit == 0 or at >= len(self.fetches):
                continue
            expected += self.instruction_set.habits.step
            if int(self.cycles.address[self.fetches[at]]) == expected:
                at += 1
        return int(self.fetches[at]) if at < len(self.fetches) else None

    @cached_property
    def fetches(self) -> Rows:
        """``intp (k,)`` rows of all fetches."""
        return np.flatnonzero(self.cycles.kind == FETCH)

    @cached_property
    def run_begins(self) -> Rows:
        """``intp (k,)`` indices in ``fetches`` with which a run of fetches begins, each at the next address.

        What is read after reset though it is no code is a run of its own.
        """
        address = self.cycles.address[self.fetches]
        address -= address % np.uint64(self.word_step)
        code = address >= np.uint64(self.instruction_set.habits.reset_reads)
        goes_on = (address[1:] - address[:-1] == np.uint64(self.word_step)) & (code[1:] == code[:-1])
        return np.concatenate([[0], np.flatnonzero(~goes_on) + 1]) if len(address) else np.empty(0, np.intp)

    def seen_at(self, row: int) -> Instruction | None:
        """The instruction at a row, by the words that were seen from there on."""
        return self._one_by_one.at(row)

    @cached_property
    def _one_by_one(self) -> OneByOne:
        return OneByOne(self)

    def decoded(self, start: int, *, seen: bool) -> Instruction | None:
        """The instruction that begins in a row, by the words seen or by those that should have been there."""
        key = start, seen
        found = self._decoded.get(key, self)
        if isinstance(found, Execution):
            # What is fetched soon after tells what the other reading would have had for operands.
            end = min(max(self._end(start), start + SOON), len(self.cycles))
            fetch = self.fetcher(np.arange(start, end), seen=seen)
            found = self.instruction_set.decode(fetch, int(self.cycles.address[start]))
            if len(self._decoded) >= _MOST:
                self._decoded.clear()
            self._decoded[key] = found
        return found

    @cached_property
    def _decoded(self) -> dict[tuple[int, bool], Instruction | None]:
        """What was decoded last: a verdict asks for the same several times."""
        return {}


def opcode_units(found: Instruction, habits: BusHabits) -> int:
    """How many of an instruction's units are fetched as operation code.

    One for each prefix and one for the code, but a Z80 reads what follows DD CB or FD CB as data
    (Zilog UM0080, "Instruction Fetch"; the model in the tests counts the same).
    """
    return 2 if found.length > 1 and found.words[0] in habits.prefixes else 1
