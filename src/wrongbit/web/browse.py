"""Looking around in a capture of any length: rows for a window of it, filters, searches, the next wrong word.

Pure functions over the arrays of a comparison, so that a million cycles are searched in one pass of numpy and
only the few hundred rows that a person sees are ever put into words.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.cycles import NO_TIME, UNSETTLED
from wrongbit.casework.wanted import not_read, parse_wanted
from wrongbit.casework.words import known_word
from wrongbit.compare.judge import is_reading
from wrongbit.compare.verdicts import AGREES, DIFFERS, NOT_KNOWN
from wrongbit.errors import UsageError
from wrongbit.instructions.consequence import Consequence
from wrongbit.instructions.decodings import SOME, decode_many
from wrongbit.instructions.execution import Execution
from wrongbit.instructions.flow import FlowEvidence
from wrongbit.job import Comparison, Job
from wrongbit.job import explain_word as explain_cycle
from wrongbit.machine.recipe import KINDS
from wrongbit.units import format_time

Numbers = NDArray[np.int64]
Words = NDArray[np.uint64]

What = Literal["address", "word seen", "word expected", "instruction"]
WHATS: tuple[What, ...] = get_args(What)
"""What can be searched for."""

VERDICT_NAMES: dict[int, str] = {DIFFERS: "differs", AGREES: "agrees", NOT_KNOWN: "not known"}
"""Verdicts in words."""


# -- rows --------------------------------------------------------------------------------------------------


def bit_text(expected: int, judged: int, seen: int, known: int, bits: int) -> str:
    """A word's bits for a strip, the highest first, one character each.

    ``0`` and ``1``: as they should be. ``a``: 1 was seen for 0; ``b``: 0 for 1. ``y`` and ``z``: 0 and 1 were
    seen, and what should be is not known. ``?``: not seen.

    >>> bit_text(0b1100, 0b1110, 0b1011, 0b1111, 5)
    '?1baz'
    """
    told = []
    for bit in reversed(range(bits)):
        level = seen >> bit & 1
        if not known >> bit & 1:
            told.append("?")
        elif not judged >> bit & 1:
            told.append("yz"[level])
        elif expected >> bit & 1 == level:
            told.append("01"[level])
        else:
            told.append("ba"[level])
    return "".join(told)


def lane_gaps(job: Job) -> tuple[int, ...]:
    """Bits above which a strip has a gap: where a lane ends, and at every byte.

    Args:
        job: The machine and the probe point.
    """
    memories = [chip for chip in job.memory_map.chips if chip.kind != "io"]
    owners = [
        tuple(chip.name for chip in memories if chip.lane_mask >> bit & 1)
        for bit in range(job.processor.word_bits)
    ]
    return tuple(
        bit for bit in range(job.processor.word_bits - 1) if owners[bit] != owners[bit + 1] or bit % 8 == 7
    )


@dataclass(frozen=True)
class Row:
    """A cycle in words.

    Args:
        cycle: Its number, from 0.
        time: After the first cycle; empty where the capture has none.
        kind: What it does.
        bank: Its bank; empty where the machine has none.
        address: In hexadecimal.
        expected: The word that should have been there; empty where nothing says.
        seen: The word that was.
        verdict: agrees, differs, not known; empty where a memory does not drive the bus.
        instruction: The one that begins here, by the words that were seen.
        instead: The one that should have begun here, where it is another.
        bits: See `bit_text`.
        unsettled: The data moved while it was taken.
    """

    cycle: int
    time: str
    kind: str
    bank: str
    address: str
    expected: str
    seen: str
    verdict: str
    instruction: str
    instead: str
    bits: str
    unsettled: bool


@dataclass(frozen=True)
class Mnemonics:
    """The instruction that begins in each cycle, by the words that were seen.

    Args:
        texts: Every different one.
        code: ``int32 (n,)`` index into ``texts``, -1 where none begins.
    """

    texts: tuple[str, ...]
    code: NDArray[np.int32]

    def at(self, cycle: int) -> str:
        """The instruction that begins in a cycle, or an empty text."""
        code = int(self.code[cycle])
        return self.texts[code] if code >= 0 else ""


def read_mnemonics(execution: Execution, progress: Callable[[int, int], None] | None = None) -> Mnemonics:
    """Decode every instruction of a capture, each different one once.

    Args:
        execution: The capture as instructions.
        progress: Told how many are decoded of how many.
    """
    code = np.full(len(execution.cycles), -1, np.int32)
    starts = execution.starts
    if not len(starts):
        return Mnemonics((), code)
    found = decode_many(execution, starts, progress=progress)
    numbers: dict[str, int] = {}
    own = [-1 if each is None else numbers.setdefault(each.text, len(numbers)) for each in found.instructions]
    code[starts] = np.array(own, np.int32)[found.code]
    return Mnemonics(tuple(numbers), code)


@dataclass(frozen=True)
class Browser:
    """A compared capture to look around in.

    Args:
        job: The machine and the probe point.
        comparison: Its cycles and verdicts.
        execution: The cycles as instructions; None where the machine file names no set.
        mnemonics: What begins where; None until it is decoded, or without a set.
    """

    job: Job
    comparison: Comparison
    execution: Execution | None = None
    mnemonics: Mnemonics | None = None

    def __len__(self) -> int:
        return len(self.comparison.cycles)

    @cached_property
    def reading(self) -> NDArray[np.bool_]:
        """``bool (n,)`` cycles in which a memory drives the bus."""
        return is_reading(self.comparison.cycles)

    @cached_property
    def wrong(self) -> Numbers:
        """Numbers of the cycles that differ, in order."""
        return np.flatnonzero(self.comparison.verdicts.verdict == DIFFERS)

    def rows(self, numbers: Sequence[int] | Numbers) -> list[Row]:
        """Cycles in words.

        Args:
            numbers: Which.
        """
        return [self.row(int(number)) for number in numbers]

    def row(self, cycle: int) -> Row:
        """A cycle in words."""
        cycles, verdicts = self.comparison.cycles, self.comparison.verdicts
        processor = self.job.processor
        bits, judged = processor.word_bits, int(verdicts.judged[cycle])
        seen, known = int(cycles.word[cycle]), int(cycles.known[cycle])
        expected, bank = int(verdicts.expected[cycle]), int(cycles.bank[cycle])
        instruction = "" if self.mnemonics is None else self.mnemonics.at(cycle)
        return Row(
            cycle=cycle,
            time=_moment(int(cycles.time_ps[cycle]), int(cycles.time_ps[0])),
            kind=KINDS[cycles.kind[cycle]].replace("_", " "),
            bank=("?" if bank < 0 else str(bank)) if self.job.memory_map.banked else "",
            address=known_word(
                int(cycles.address[cycle]), int(cycles.address_known[cycle]), processor.address_bits
            ),
            expected=known_word(expected, judged, bits) if judged else "",
            seen=known_word(seen, known, bits),
            verdict=VERDICT_NAMES[int(verdicts.verdict[cycle])] if self.reading[cycle] else "",
            instruction=instruction,
            instead=self._instead(cycle, instruction),
            bits=bit_text(expected, judged, seen, known, bits),
            unsettled=bool(cycles.flags[cycle] & UNSETTLED),
        )

    def _instead(self, cycle: int, seen: str) -> str:
        """What should have begun in a cycle, where one of the words soon after is wrong."""
        if self.execution is None or self.mnemonics is None or self.mnemonics.code[cycle] < 0:
            return ""
        soon = self.comparison.verdicts.verdict[cycle : cycle + SOME]
        if not (soon == DIFFERS).any():
            return ""
        found = self.execution.decoded(cycle, seen=False)
        return found.text if found is not None and found.text != seen else ""


def _moment(time_ps: int, first_ps: int) -> str:
    if time_ps == NO_TIME:
        return ""
    return format_time(time_ps - first_ps) if time_ps != first_ps else "0"


# -- a wrong word ------------------------------------------------------------------------------------------


def explain_word(browser: Browser, cycle: int) -> tuple[FlowEvidence, Consequence]:
    """On which word the processor acted in a cycle, and what followed, as `wrongbit.job.explain` has it.

    Args:
        browser: The capture, with its execution.
        cycle: A cycle that differs.
    """
    if browser.execution is None:
        raise ValueError("the capture is not read as instructions yet")
    return explain_cycle(browser.job, browser.execution, cycle)


# -- filters -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Listing:
    """The cycles that are listed, in order.

    Args:
        total: Cycles of the capture.
        chosen: Numbers of those that are listed; None: all.
    """

    total: int
    chosen: Numbers | None = None

    def __len__(self) -> int:
        return self.total if self.chosen is None else len(self.chosen)

    def numbers(self, first: int, count: int) -> Numbers:
        """Numbers of the cycles at some places; fewer at the end.

        >>> Listing(9, np.array([2, 5, 7])).numbers(1, 5).tolist()
        [5, 7]
        """
        first = max(0, min(first, len(self)))
        last = max(first, min(first + count, len(self)))
        if self.chosen is None:
            return np.arange(first, last, dtype=np.int64)
        return self.chosen[first:last]

    def place(self, cycle: int) -> int:
        """The place of a cycle, or of the next that is listed; of the last where none follows.

        >>> [Listing(9, np.array([2, 5, 7])).place(cycle) for cycle in (0, 5, 6, 8)]
        [0, 1, 2, 2]
        """
        found = cycle if self.chosen is None else int(np.searchsorted(self.chosen, cycle))
        return max(0, min(found, len(self) - 1))


def listing_of(
    comparison: Comparison, *, verdicts: Collection[int] = (), kinds: Collection[int] = ()
) -> Listing:
    """The cycles that pass a filter.

    Args:
        comparison: The capture.
        verdicts: Codes that are listed; none: all. *Not known* lists only cycles that could have been judged.
        kinds: Codes of kinds that are listed; none: all.
    """
    total = len(comparison.cycles)
    if not verdicts and not kinds:
        return Listing(total)
    chosen = np.ones(total, np.bool_)
    if verdicts:
        chosen &= np.isin(comparison.verdicts.verdict, np.array(sorted(verdicts), np.uint8))
        chosen &= is_reading(comparison.cycles)
    if kinds:
        chosen &= np.isin(comparison.cycles.kind, np.array(sorted(kinds), np.uint8))
    return Listing(total, np.flatnonzero(chosen))


# -- searches ----------------------------------------------------------------------------------------------


def search(browser: Browser, what: What, text: str) -> Numbers:
    """Numbers of all cycles with an address, a word or an instruction.

    Args:
        browser: The capture.
        what: What the text is.
        text: See `parse_wanted`; an instruction: a part of it, whatever its capitals and blanks.

    Raises:
        UsageError: The text cannot be read, or the machine file names no instruction set.
    """
    cycles, verdicts = browser.comparison.cycles, browser.comparison.verdicts
    if what == "instruction":
        return _instructions(browser, text)
    if what == "address":
        wanted = parse_wanted(text, browser.job.processor.address_bits, banked=True)
        found = wanted.among(cycles.address, cycles.address_known)
        if wanted.bank is not None:
            found &= cycles.bank == wanted.bank
        return np.flatnonzero(found)
    wanted = parse_wanted(text, browser.job.processor.word_bits)
    values, known = (
        (cycles.word, cycles.known) if what == "word seen" else (verdicts.expected, verdicts.judged)
    )
    return np.flatnonzero(wanted.among(values, known))


def _instructions(browser: Browser, text: str) -> Numbers:
    if browser.mnemonics is None:
        raise UsageError(
            "The instructions of this capture are not decoded.",
            "Give the processor the key instructions in the machine file, or wait until they are decoded.",
        )
    wanted = "".join(text.split()).casefold()
    if not wanted:
        raise not_read(text, "it is empty")
    codes = [
        number
        for number, each in enumerate(browser.mnemonics.texts)
        if wanted in "".join(each.split()).casefold()
    ]
    return np.flatnonzero(np.isin(browser.mnemonics.code, np.array(codes, np.int32)))


def step(numbers: Numbers, cycle: int, *, forward: bool) -> int | None:
    """The next number after a cycle, or the one before it; None where there is none.

    >>> numbers = np.array([3, 8])
    >>> step(numbers, 3, forward=True), step(numbers, 3, forward=False), step(numbers, 9, forward=False)
    (8, None, 8)
    """
    if forward:
        at = int(np.searchsorted(numbers, cycle, side="right"))
        return int(numbers[at]) if at < len(numbers) else None
    at = int(np.searchsorted(numbers, cycle, side="left")) - 1
    return int(numbers[at]) if at >= 0 else None
