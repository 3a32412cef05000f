"""Which word did the processor act on: the one that the probe saw, or the one that should have been there?

Both words are decoded. Each reading makes demands on the cycles that follow: how many units are read, which
data moves, how many clock cycles pass, where the next instruction is fetched. A reading that the capture
contradicts is out. The verdict is given only where exactly one of the two is left.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.cycles import KIND_CODE
from wrongbit.instructions.execution import LIMIT, MOVING, Execution, Rows, opcode_units
from wrongbit.instructions.instruction import DataAccess, Instruction
from wrongbit.machine.recipe import KINDS

Acted = Literal["wrong word", "right word", "can't tell"]
"""The verdict: on which word the processor acted."""

_ACKNOWLEDGE = KIND_CODE["acknowledge"]
_IDLE = KIND_CODE["idle"]
_READING = ("fetch", "read")
_NAMES = {"read": "read", "write": "write", "io_read": "port read", "io_write": "port write"}
_AT_ONCE = 1 << 12
"""Cycles that are looked at before any is followed further."""
_LONGEST = 64
"""Units that no instruction has."""
_FAR = 64
"""Cycles that must follow where instructions are found by how they chain."""


@dataclass(frozen=True)
class FlowEvidence:
    """What the cycles after a wrong word tell.

    Args:
        row: The cycle with the wrong word.
        start: Cycle in which its instruction begins, None where that cannot be found.
        expected: The instruction by the words that should have been there.
        seen: The instruction by the words that were seen.
        next_row: Cycle in which the next instruction begins, None where the capture ends before.
        went: Its address.
        acted: The verdict.
        reasons: What speaks for it, one sentence each.
    """

    row: int
    start: int | None
    expected: Instruction | None
    seen: Instruction | None
    next_row: int | None
    went: int | None
    acted: Acted
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Observed:
    """What an instruction did on the bus.

    Args:
        execution: The capture.
        start: Cycle in which it begins.
        rows: Its other cycles that moved a word.
        clocks: All its cycles but idle ones.
        next_row: Cycle in which the next one begins.
        second: Cycle in which the one after that begins.
    """

    execution: Execution
    start: int
    rows: Rows
    clocks: int
    next_row: int
    second: int | None

    def address(self, row: int) -> int:
        """The address in a cycle."""
        return int(self.execution.cycles.address[row])

    def hexadecimal(self, address: int) -> str:
        """An address with all its digits."""
        return f"{address:0{-(-self.execution.processor.address_bits // 4)}X}"


def flow_evidence(execution: Execution, row: int) -> FlowEvidence:
    """On which word the processor acted in a cycle.

    Args:
        execution: The capture and what should have been in it.
        row: A reading cycle whose word differs from what should have been there.
    """
    if execution.instruction_set.habits.marks == "code":
        from wrongbit.instructions.prefetch import prefetched_evidence

        return prefetched_evidence(execution, row)
    start = owner(execution, row)
    if start is None and is_vector(execution, row):
        return _vector_evidence(execution, row)
    if start is None:
        return FlowEvidence(row, None, None, None, None, None, "can't tell", (_why_no_start(execution, row),))
    expected = execution.decoded(start, seen=False)
    seen = execution.decoded(start, seen=True)
    acted, reasons = _weigh(execution, start, expected, seen)
    next_row = execution.next_start(start, seen if acted == "wrong word" else expected)
    went = None if next_row is None else int(execution.cycles.address[next_row])
    return FlowEvidence(row, start, expected, seen, next_row, went, acted, reasons)


def owner(execution: Execution, row: int) -> int | None:
    """Cycle in which the instruction begins that this cycle's word is part of; None for data."""
    before = int(execution.starts.searchsorted(row, side="right")) - 1
    if before < 0:
        return None
    start = int(execution.starts[before])
    if before and _prefix_in_doubt(execution, int(execution.starts[before - 1]), start):
        return None
    if start == row:
        return start
    if KINDS[execution.cycles.kind[row]] not in _READING:
        return None
    base, address = int(execution.cycles.address[start]), int(execution.cycles.address[row])
    earlier = execution.cycles.address[start : min(row, start + LIMIT)]
    if address <= base or (earlier == np.uint64(address)).any():
        return None  # an address that was read already is read as data now
    for seen in (True, False):
        found = execution.decoded(start, seen=seen)
        if found is not None and address < found.following:
            return start
    return None


def is_instruction_word(execution: Execution, row: int) -> bool:
    """The word in this cycle is part of an instruction, or a vector: the processor's way depends on it."""
    if execution.instruction_set.habits.marks == "code":
        return bool(execution.cycles.kind[row] == KIND_CODE["fetch"])
    return owner(execution, row) is not None or is_vector(execution, row)


def instruction_words(execution: Execution, rows: NDArray[np.intp]) -> Iterator[int]:
    """Those of some cycles whose words are part of an instruction, or a vector.

    Args:
        execution: The capture.
        rows: ``intp (k,)`` numbers of cycles, in order.
    """
    for begin in range(0, len(rows), _AT_ONCE):
        some = rows[begin : begin + _AT_ONCE]
        if execution.instruction_set.habits.marks != "code":
            some = some[_may_belong(execution, some)]
        yield from (row for row in some.tolist() if is_instruction_word(execution, row))


def _may_belong(execution: Execution, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """``bool (k,)`` cycles that are vectors, or whose address is near that at which an instruction began."""
    habits, starts = execution.instruction_set.habits, execution.starts
    address = execution.cycles.address[rows]
    found: NDArray[np.bool_] = np.zeros(len(rows), np.bool_)
    if habits.vectors_from is not None:
        found = address >= np.uint64(habits.vectors_from)
    if len(starts):
        start = starts[np.maximum(starts.searchsorted(rows, side="right") - 1, 0)]
        found |= address - execution.cycles.address[start] < np.uint64(_LONGEST * habits.step)
    return found


def is_vector(execution: Execution, row: int) -> bool:
    """The cycle reads a vector: the address at which the processor goes on after reset or an interrupt."""
    lowest = execution.instruction_set.habits.vectors_from
    return lowest is not None and int(execution.cycles.address[row]) >= lowest


def _vector_evidence(execution: Execution, row: int) -> FlowEvidence:
    """Where a vector led: a jump to the address that its two bytes hold."""
    cycles = execution.cycles
    base = int(cycles.address[row]) & ~1
    near = [
        r for r in range(max(row - 1, 0), min(row + 2, len(cycles))) if int(cycles.address[r]) & ~1 == base
    ]
    # Without marked fetches the next cycle is taken for one, unless a cycle table tells.
    told = execution.marked or execution.instruction_set.habits.cycle_table is not None
    starts = execution.starts if told else np.arange(near[-1] + 1, len(cycles))
    after = np.flatnonzero(starts > near[-1])
    next_row = int(starts[after[0]]) if len(after) else None

    def led(seen: bool) -> Instruction | None:
        fetch = execution.fetcher(np.array(near), seen=seen)
        first, second = fetch(base), fetch(base + 1)
        if first is None or second is None:
            return None
        target = first << 8 | second if execution.instruction_set.habits.big_endian else second << 8 | first
        return Instruction(base, (first, second), base + 2, f"vector to {target:04X}", "jump", (target,))

    expected, seen = led(False), led(True)
    went = None if next_row is None else int(cycles.address[next_row])
    if expected is None or seen is None or next_row is None or next_row > near[-1] + 2:
        reason = "The vector, or the fetch that follows it, is not wholly in the capture."
        return FlowEvidence(row, None, expected, seen, next_row, went, "can't tell", (reason,))
    observed = observe(execution, near[0], next_row)
    acted, reasons = conclude(
        expected, seen, _against_next(expected, observed), _against_next(seen, observed)
    )
    return FlowEvidence(row, near[0], expected, seen, next_row, went, acted, reasons)


def _prefix_in_doubt(execution: Execution, before: int, start: int) -> bool:
    """The unit before an instruction is a prefix of it by one of its two readings only."""
    address = int(execution.cycles.address[before])
    if int(execution.cycles.address[start]) != address + execution.instruction_set.habits.step:
        return False
    prefixes = execution.instruction_set.habits.prefixes
    by_seen = execution.seen_unit(before, address) in prefixes
    return by_seen != (execution.expected_unit(before, address) in prefixes)


def _why_no_start(execution: Execution, row: int) -> str:
    if not len(execution.starts) and execution.instruction_set.habits.cycle_table is not None:
        return (
            "The capture does not tell fetches from other reads, and as a program it can be read in no way, "
            "or in several: every clock cycle must be in it, those that move nothing as well, and a stretch "
            "with few wrong words, best from reset on."
        )
    if not len(execution.starts):
        return (
            "The capture does not tell fetches from other reads, and what the instruction set says is not "
            "enough to follow the program without: connect the lead that marks fetches."
        )
    if row < execution.starts[0]:
        return "The word was read before the first instruction that can be found in this capture."
    if KINDS[execution.cycles.kind[row]] == "fetch":
        return "The word before it is wrong too and may be a prefix, which leaves open where this one begins."
    return "The word was read as data: what the processor does next does not show it."


def _weigh(
    execution: Execution, start: int, expected: Instruction | None, seen: Instruction | None
) -> tuple[Acted, tuple[str, ...]]:
    """Verdict and reasons."""
    if expected is None or seen is None:
        which = "should have been there" if expected is None else "was seen"
        return "can't tell", (f"Not every word of the instruction that {which} is known.",)
    if same_instruction(expected, seen):
        return "can't tell", (f"Both words mean the same to this processor: {seen.text}.",)
    if not execution.marked:
        return _weigh_unmarked(execution, start, expected, seen)
    ends = [execution.next_start(start, found) for found in (expected, seen)]
    if ends[0] is None or ends[1] is None:
        return "can't tell", ("The capture ends before the next instruction is fetched.",)
    if (execution.cycles.kind[start : max(ends[0], ends[1]) + 1] == _ACKNOWLEDGE).any():
        return "can't tell", ("An interrupt was taken before the next instruction was fetched.",)
    by_expected, by_seen = observe(execution, start, ends[0]), observe(execution, start, ends[1])
    against_expected = contradiction(expected, by_expected)
    against_seen = contradiction(seen, by_seen)
    if not (held(expected) and held(seen)):
        return _one_sided(expected, seen, against_expected, by_expected)
    if against_expected is None and against_seen is None and by_expected.next_row == by_seen.next_row:
        against_expected, against_seen = _second_step(expected, seen, by_seen)
    return conclude(expected, seen, against_expected, against_seen)


def held(found: Instruction) -> bool:
    """What it does is known well enough to hold the capture against it."""
    return found.documented and found.flow != "unknown"


def _one_sided(
    expected: Instruction, seen: Instruction, against_expected: str | None, observed: Observed
) -> tuple[Acted, tuple[str, ...]]:
    """One of the two is not documented, so that only the other can be held against the capture.

    An interrupt would speak against it as well. It shows itself by what it pushes, so that the verdict is
    given only where nothing was written.
    """
    other = seen if held(expected) else expected
    unknown = f"What {other.text} does is not documented, so that nothing can be held against it."
    written = any(KINDS[observed.execution.cycles.kind[row]] == "write" for row in observed.rows)
    if held(expected) and against_expected is not None and expected.data is not None and not written:
        return "wrong word", (f"{expected.text} (expected): {against_expected}", unknown)
    return "can't tell", (unknown,)


def observe(execution: Execution, start: int, next_row: int) -> Observed:
    """What an instruction did, from where it begins to where the next one does."""
    rows = np.arange(start + 1, next_row)
    return Observed(
        execution,
        start,
        rows[np.isin(execution.cycles.kind[rows], MOVING)],
        int((execution.cycles.kind[start:next_row] != _IDLE).sum()),
        next_row,
        execution.next_start(next_row),
    )


def _weigh_unmarked(
    execution: Execution, start: int, expected: Instruction, seen: Instruction
) -> tuple[Acted, tuple[str, ...]]:
    """Without marked fetches: does a program follow that fits?"""
    if start + _FAR >= len(execution.cycles):
        return "can't tell", ("The capture ends too soon after this instruction.",)
    if not execution.follower.trusted(start):
        return "can't tell", (
            "Fetches are not marked, and wrong words before this one leave it open where instructions begin.",
        )
    if not (held(expected) and held(seen)):
        return "can't tell", ("Fetches are not marked, and one of the two words is not documented.",)
    against = [
        "no chain of instructions that fits it follows."
        if execution.follower.after(start, found) is None
        else None
        for found in (expected, seen)
    ]
    return conclude(expected, seen, against[0], against[1])


def same_instruction(one: Instruction, other: Instruction) -> bool:
    """Two readings that make no difference to the processor."""
    return (one.text, one.flow, one.targets, one.length) == (
        other.text,
        other.flow,
        other.targets,
        other.length,
    )


def conclude(
    expected: Instruction, seen: Instruction, against_expected: str | None, against_seen: str | None
) -> tuple[Acted, tuple[str, ...]]:
    """The verdict from what speaks against each reading."""
    told = tuple(
        f"{found.text} {whence}: {against}"
        for found, whence, against in (
            (expected, "(expected)", against_expected),
            (seen, "(seen)", against_seen),
        )
        if against is not None
    )
    if against_expected and against_seen:
        return "can't tell", (
            *told,
            "Neither word explains what the processor did: an interrupt, another master of the bus, or "
            "further wrong words.",
        )
    if against_expected:
        return "wrong word", (*told, f"{seen.text} (seen) fits everything that followed.")
    if against_seen:
        return "right word", (*told, f"{expected.text} (expected) fits everything that followed.")
    return "can't tell", ("Both words lead to what was captured next.",)


def contradiction(found: Instruction, observed: Observed) -> str | None:
    """What the capture has against an instruction, in one sentence; None where it fits.

    Args:
        found: The instruction, by one reading of its words.
        observed: The cycles up to the next instruction.
    """
    if not held(found):
        return None
    read = _operands(found, observed)
    return (
        _against_length(found, observed, read)
        or _against_next(found, observed)
        or _against_clocks(found, observed)
        or _against_data(found, observed, read)
    )


def _operands(found: Instruction, observed: Observed) -> int:
    """How many of the cycles read the instruction's further units, in order."""
    habits = observed.execution.instruction_set.habits
    step, kinds = habits.step, observed.execution.cycles.kind
    if habits.dummy_reads:
        # Other reads may come between, as the stack's in the 6502's JSR.
        read_at = {observed.address(row) for row in observed.rows if KINDS[kinds[row]] in _READING}
        missing = (k for k in range(1, found.length) if found.address + k * step not in read_at)
        return next(missing, found.length) - 1
    fetched = opcode_units(found, habits) if habits.marks == "opcode" else 1
    count = 0
    for row in observed.rows:
        if count + 1 >= found.length:
            break
        if KINDS[kinds[row]] != ("fetch" if count + 1 < fetched else "read"):
            break
        if observed.address(row) != found.address + (count + 1) * step:
            break
        count += 1
    return count


def _against_length(found: Instruction, observed: Observed, read: int) -> str | None:
    if read >= found.length - 1:
        return None
    word = "byte" if observed.execution.instruction_set.habits.unit_bits == 8 else "word"
    came = f"only the first {read + 1} {word}s were" if read else f"only the first {word} was"
    return f"it has {found.length} {word}s, but {came} read."


def _against_next(found: Instruction, observed: Observed) -> str | None:
    successors = found.successors
    if successors is None:
        return None
    went = observed.address(observed.next_row)
    if went not in successors:
        leads = " or ".join(observed.hexadecimal(address) for address in sorted(successors))
        return f"it leads to {leads}, but the next instruction was fetched at {observed.hexadecimal(went)}."
    banks = observed.execution.cycles.bank
    before, after = int(banks[observed.start]), int(banks[observed.next_row])
    if before < 0 or after < 0:
        return None
    wanted = {before ^ found.bank_change} if went in (found.targets or ()) else {before}
    if found.may_follow and went == found.following:
        wanted.add(before)
    if after not in wanted:
        return f"it leads to bank {min(wanted)}, but the next instruction was fetched in bank {after}."
    return None


def _against_clocks(found: Instruction, observed: Observed) -> str | None:
    if found.cycles is None or not observed.execution.instruction_set.habits.every_clock:
        return None
    if observed.clocks in found.cycles.all:
        return None
    counts = " or ".join(str(count) for count in sorted(found.cycles.all))
    return f"it takes {counts} clock cycles, but {observed.clocks} passed."


def _against_data(found: Instruction, observed: Observed, read: int) -> str | None:
    """Data accesses against those that the set lists."""
    if found.data is None:
        return None
    cycles = observed.execution.cycles
    dummy_reads = observed.execution.instruction_set.habits.dummy_reads
    left = list(found.data)
    for row in observed.rows if dummy_reads else observed.rows[read:]:
        kind = KINDS[cycles.kind[row]]
        kind = "read" if kind == "fetch" else kind
        match = _match(left, kind, observed, int(row))
        if match is not None:
            left.remove(match)
        elif kind == "write" and dummy_reads and _match(list(found.data), kind, observed, int(row)):
            pass  # the unchanged word is written first
        elif not (kind == "read" and dummy_reads):
            where = observed.hexadecimal(observed.address(row))
            return f"a {_NAMES[kind]} at {where} followed, which it does not do."
    if found.conditional or not left:
        return None
    missing = left[0]
    where = "" if missing.address is None else f" at {observed.hexadecimal(missing.address)}"
    return f"it does a {_NAMES[missing.kind]}{where}, which did not follow."


def _match(accesses: list[DataAccess], kind: str, observed: Observed, row: int) -> DataAccess | None:
    """The listed access that a cycle is; one with this very address before one with any."""
    cycles = observed.execution.cycles
    known, address = int(cycles.address_known[row]), observed.address(row)
    fitting = [
        access
        for access in accesses
        if access.kind == kind and (access.address is None or access.address & known == address & known)
    ]
    return min(fitting, key=lambda access: access.address is None) if fitting else None


def _second_step(
    expected: Instruction, seen: Instruction, observed: Observed
) -> tuple[str | None, str | None]:
    """Where one reading stops the processor: does it fetch the same address again?"""
    if observed.second is None or "stop" not in (expected.flow, seen.flow) or expected.flow == seen.flow:
        return None, None
    first, second = observed.address(observed.next_row), observed.address(observed.second)
    stopped = first == second
    if not stopped:
        went = f"it stops, but the processor went on to {observed.hexadecimal(second)}."
        return (went, None) if expected.flow == "stop" else (None, went)
    there = observed.execution.decoded(observed.next_row, seen=True)
    if there is None or there.successors is None or first in there.successors:
        return None, None
    again = f"the processor fetched {observed.hexadecimal(first)} again instead of executing it."
    return (None, again) if expected.flow == "stop" else (again, None)
