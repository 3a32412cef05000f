"""The same question where fetches run ahead of execution (8086, 8088, 68000): only jumps show themselves.

Words are fetched in order until a jump is executed; what was fetched ahead is then thrown away. So the
verdict rests on where a run of fetches breaks off and where it goes on, and is "can't tell" wherever the
queue may hide the cause.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.cycles import KIND_CODE
from wrongbit.instructions.execution import Execution
from wrongbit.instructions.flow import Acted, FlowEvidence, conclude, same_instruction
from wrongbit.instructions.instruction import Instruction

_FETCH, _ACKNOWLEDGE = KIND_CODE["fetch"], KIND_CODE["acknowledge"]
LONGEST_WALK = 200
"""Instructions that are followed from the beginning of a run of fetches."""
_LEAVES = ("jump", "call", "return", "indirect", "stop")


@dataclass(frozen=True)
class Run:
    """Fetches at one address after the other.

    Args:
        rows: Their cycles.
        begin: Address of the first unit that was wanted.
        end: Address after the last unit.
        next_row: Cycle with which the next run begins, None where the capture ends.
    """

    rows: NDArray[np.intp]
    begin: int
    end: int
    next_row: int | None


def prefetched_evidence(execution: Execution, row: int) -> FlowEvidence:
    """On which word a processor with a prefetch queue acted.

    Args:
        execution: The capture and what should have been in it.
        row: A cycle whose word differs from what should have been there.
    """

    def cannot(
        reason: str, expected: Instruction | None = None, seen: Instruction | None = None
    ) -> FlowEvidence:
        start = None if expected is None and seen is None else row
        return FlowEvidence(row, start, expected, seen, None, None, "can't tell", (reason,))

    if not execution.marked:
        return cannot("The capture does not tell fetches from other reads: connect the status leads.")
    if execution.cycles.kind[row] != _FETCH:
        return cannot("The word was read as data: what the processor does next does not show it.")
    if (
        execution.word_address(int(execution.cycles.address[row]))
        < execution.instruction_set.habits.reset_reads
    ):
        return _reset_evidence(execution, row)
    run = run_of(execution, row)
    right = _instruction_at(execution, run, row, seen=False)
    wrong = _instruction_at(execution, run, row, seen=True)
    if right is None or wrong is None:
        return cannot("Where the instruction with this word begins cannot be found.")
    (expected, earlier), (seen, earlier_seen) = right, wrong
    if any(each.flow in _LEAVES and not each.conditional for each in earlier):
        return cannot(
            "The word was fetched ahead, behind a jump; it was probably never executed.", expected, seen
        )
    if same_instruction(expected, seen):
        return cannot(f"Both words mean the same to this processor: {seen.text}.", expected, seen)
    if run.next_row is None:
        return cannot("The capture ends before the fetches break off.", expected, seen)
    if (execution.cycles.kind[run.rows[0] : run.next_row + 1] == _ACKNOWLEDGE).any():
        return cannot("An interrupt was taken meanwhile.", expected, seen)
    went = _begin(execution, run.next_row)
    elsewhere = [each for each in (*earlier, *earlier_seen) if each.flow != "next"]
    against = [
        _against(execution, run, each, went, elsewhere, seen=by_seen)
        for by_seen, each in ((False, expected), (True, seen))
    ]
    acted: Acted
    acted, reasons = conclude(expected, seen, against[0], against[1])
    return FlowEvidence(row, row, expected, seen, run.next_row, went, acted, reasons)


def _reset_evidence(execution: Execution, row: int) -> FlowEvidence:
    """What is read after reset: the stack pointer, which leads nowhere, and where to begin, which does."""
    run = run_of(execution, row)
    half, end = (execution.instruction_set.habits.reset_reads // part for part in (2, 1))
    digits = -(-execution.processor.address_bits // 4)

    def led(seen: bool) -> Instruction | None:
        fetch = execution.fetcher(run.rows, seen=seen)
        units = [fetch(address) for address in range(half, end, execution.instruction_set.habits.step)]
        known = [unit for unit in units if unit is not None]
        if len(known) < len(units):
            return None
        bits = execution.instruction_set.habits.unit_bits
        target = sum(unit << bits * place for place, unit in enumerate(reversed(known)))
        target &= (1 << execution.instruction_set.habits.address_bits) - 1
        return Instruction(half, tuple(known), end, f"begin at {target:0{digits}X}", "jump", (target,))

    if execution.word_address(int(execution.cycles.address[row])) < half:
        reason = (
            "The word is part of the stack pointer that the processor loads after reset: where it goes next "
            "does not show it."
        )
        return FlowEvidence(row, None, None, None, None, None, "can't tell", (reason,))
    expected, seen = led(False), led(True)
    went = None if run.next_row is None else _begin(execution, run.next_row)
    if expected is None or seen is None or went is None:
        reason = "The address at which to begin, or the fetch that follows it, is not wholly in the capture."
        return FlowEvidence(row, None, expected, seen, run.next_row, went, "can't tell", (reason,))
    there = f"but the first fetch was at {went:0{digits}X}."
    against = [
        None if went in targets else f"it leads to {targets[0]:0{digits}X}, {there}"
        for targets in (each.targets or (-1,) for each in (expected, seen))
    ]
    acted, reasons = conclude(expected, seen, against[0], against[1])
    return FlowEvidence(row, int(run.rows[0]), expected, seen, run.next_row, went, acted, reasons)


def run_of(execution: Execution, row: int) -> Run:
    """The run of fetches that a cycle belongs to."""
    fetches, begins = execution.fetches, execution.run_begins
    at = int(fetches.searchsorted(row))
    after = int(begins.searchsorted(at, side="right"))
    first = int(begins[after - 1])
    end = int(begins[after]) if after < len(begins) else len(fetches)
    last = execution.word_address(int(execution.cycles.address[fetches[end - 1]]))
    return Run(
        fetches[first:end],
        _begin(execution, int(fetches[first])),
        last + execution.word_step,
        int(fetches[end]) if end < len(fetches) else None,
    )


def _begin(execution: Execution, row: int) -> int:
    """Address of the first unit that a fetch wanted: an odd one leaves the lower byte of its word alone."""
    address = execution.word_address(int(execution.cycles.address[row]))
    habits = execution.instruction_set.habits
    if execution.processor.word_bits > habits.unit_bits:
        while execution.seen_unit(row, address) is None and address < execution.cycles.address[row] + 4:
            address += habits.step
    return address


def _instruction_at(
    execution: Execution, run: Run, row: int, *, seen: bool
) -> tuple[Instruction, list[Instruction]] | None:
    """The instruction that a word of the run is part of, and those before it in the run."""
    fetch = execution.fetcher(run.rows, seen=seen)
    low = execution.word_address(int(execution.cycles.address[row]))
    wrong = [
        address
        for address in range(low, low + max(execution.processor.word_bits // 8, 1))
        if execution.seen_unit(row, address) != execution.expected_unit(row, address)
    ]
    target = wrong[0] if wrong else low
    earlier: list[Instruction] = []
    address = run.begin
    for _ in range(LONGEST_WALK):
        found = execution.instruction_set.decode(fetch, address)
        if found is None or address > target:
            return None
        if found.following > target:
            return found, earlier
        earlier.append(found)
        address = found.following
    return None


def _against(
    execution: Execution,
    run: Run,
    found: Instruction,
    went: int,
    elsewhere: list[Instruction],
    *,
    seen: bool,
) -> str | None:
    """What the capture has against one reading; None where the queue may hide the cause."""
    if found.flow == "unknown" or not found.documented:
        return None
    ahead = execution.instruction_set.habits.ahead
    word = max(execution.processor.word_bits // 8, 1)
    digits = -(-execution.processor.address_bits // 4)
    if found.flow in _LEAVES and not found.conditional:
        if run.end > found.following + ahead + word:
            return f"it leaves this place, but fetches went on to {run.end - 1:0{digits}X}, past the queue."
        if found.targets and went not in found.targets and not elsewhere:
            leads = " or ".join(f"{target:0{digits}X}" for target in found.targets)
            return f"it leads to {leads}, but fetches went on at {went:0{digits}X}."
        return None
    if found.flow == "branch" and went in (found.targets or ()):
        return None
    if run.end > found.following + ahead + word or elsewhere:
        return None  # whatever broke off the run came after it, or may have come before it
    fetch = execution.fetcher(run.rows, seen=seen)
    address = found.following
    while address < run.end:
        later = execution.instruction_set.decode(fetch, address)
        if later is None or later.flow != "next":
            return None
        address = later.following
    return f"it goes on, but fetches broke off at {run.end:0{digits}X} and nothing there leads elsewhere."
