"""Words that were wrong and that no fresh capture has read again: what a reader saw of them, and why they may
stay unread.

A fresh reading of a word's chip counts for it where every fresh pass holds the word's wrong bits as they
should be, where the reader had not read them right before the repair, too (then it cannot see this fault),
and where a fresh capture judged the same bits of the same chip at some other address. Even so it is a
reader that saw the word, not the machine. Choices of ours, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice

import numpy as np

from wrongbit.bits import gather_bits
from wrongbit.casework.proof import Credited, WaiverHint
from wrongbit.casework.waivers import span_text
from wrongbit.casework.words import bank_text, counted, listed
from wrongbit.compare.judge import is_reading
from wrongbit.compare.memory_map import ChipMap
from wrongbit.compare.verdicts import DIFFERS
from wrongbit.image.contents import Contents
from wrongbit.instructions.execution import Execution
from wrongbit.instructions.flow import flow_evidence, instruction_words
from wrongbit.job import Comparison, Job
from wrongbit.units import format_address

Place = tuple[int, int]
"""Bank and address."""

LOOKED_AT = 400
"""Wrong instruction words among which the first is sought that the processor acted on."""


def say_words(job: Job, bank: int, addresses: Sequence[int]) -> str:
    """Words by number and place: ``U1: 2 words, 0x0040 to 0x0043``."""
    bits = job.processor.address_bits
    return (
        f"{job.processor.name}: {counted(len(addresses), 'word')}{bank_text(job, bank)}, "
        f"{span_text(addresses, bits)}"
    )


# -- by a reader -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Passes:
    """Readings of one chip.

    Args:
        before: Contents by each pass before the repair.
        after: By each fresh pass.
    """

    before: tuple[Contents, ...] = ()
    after: tuple[Contents, ...] = ()


class Reader:
    """What fresh readings say of words on one processor's bus.

    Args:
        job: The machine, seen from a point of that bus.
        passes: By chip.
        fresh: The fresh captures of that bus.
    """

    def __init__(self, job: Job, passes: Mapping[str, Passes], fresh: Sequence[Comparison]) -> None:
        self._job = job
        self._passes = passes
        self._lines = {
            chip.name: _lines_judged(chip, fresh) for chip in job.memory_map.roms if chip.name in passes
        }

    def chips_of(self, place: Place, bits: int) -> tuple[ChipMap, ...]:
        """The ROMs that should have put these bits on the bus; nothing where other chips take part in it."""
        bank, address = np.array([place[0]], np.int32), np.array([place[1]], np.uint64)
        here = [chip for chip in self._job.memory_map.chips if chip.lane_mask & bits]
        here = [chip for chip in here if chip.selected(bank, address)[0]]
        covered = 0
        for chip in here:
            covered |= chip.lane_mask
        roms = all(chip.kind == "rom" for chip in here)
        return tuple(here) if roms and bits & ~covered == 0 else ()

    def verdict(self, place: Place, bits: int) -> tuple[tuple[str, ...], str]:
        """Chips in which the reader saw a word right, and where it does not count for it, why not.

        Both are empty where nothing fresh was read that could tell.
        """
        chips = self.chips_of(place, bits)
        if not chips or any(not self._passes.get(chip.name, Passes()).after for chip in chips):
            return (), ""
        for chip in chips:
            if why_not := self._why_not(chip, place[1], bits & chip.lane_mask):
                return (), why_not
        return tuple(chip.name for chip in chips), ""

    def _why_not(self, chip: ChipMap, address: int, bits: int) -> str:
        passes = self._passes[chip.name]
        cell = int(chip.chip_address(np.array([address], np.uint64))[0])
        outputs = int(gather_bits(np.array([bits], np.uint64), chip.lane)[0])
        if any(_right(chip, each, cell, outputs) is not True for each in passes.after):
            return f"a fresh pass of {chip.name} does not hold it as it should be"
        if passes.before and all(_right(chip, each, cell, outputs) for each in passes.before):
            return f"the reader read it right in {chip.name} before the repair, too, so that it cannot tell"
        if bits & ~self._lines[chip.name]:
            return f"no fresh capture judged these bits of {chip.name} at any other address"
        return ""


def _right(chip: ChipMap, read: Contents, cell: int, outputs: int) -> bool | None:
    """Whether a pass holds some bits of a word as they should be; None where it does not show them all."""
    known = int(chip.known[cell]) & int(read.known[cell])
    if outputs & ~known:
        return None
    return (int(chip.contents[cell]) ^ int(read.words[cell])) & outputs == 0


def _lines_judged(chip: ChipMap, fresh: Sequence[Comparison]) -> int:
    """Bits of the word that fresh captures judged in reads of this chip."""
    seen = 0
    for each in fresh:
        cycles, judged = each.cycles, each.verdicts.judged
        rows = np.flatnonzero(judged & np.uint64(chip.lane_mask))
        rows = rows[chip.selected(cycles.bank[rows], cycles.address[rows])]
        seen |= int(np.bitwise_or.reduce(judged[rows])) if len(rows) else 0
    return seen


def credited_of(job: Job, seen: Mapping[Place, tuple[str, ...]]) -> Iterator[Credited]:
    """Words that a reader saw right, those of the same chips and bank together."""
    groups: dict[tuple[int, tuple[str, ...]], list[int]] = {}
    for (bank, address), chips in sorted(seen.items()):
        groups.setdefault((bank, chips), []).append(address)
    for (bank, chips), addresses in groups.items():
        says = (
            f"{say_words(job, bank, addresses)}: the reader, not the machine, saw them right in "
            f"{listed(chips)}; a fault between chip and processor would not show in them."
        )
        yield Credited(job.processor.name, bank, tuple(addresses), chips, says)


# -- why they may stay unread ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Astray:
    """A faulty run, and from where on it was not that of the sound program.

    Args:
        file: The capture's file.
        comparison: Its cycles with their verdicts.
        row: Cycle of the first wrong word that the processor acted on.
    """

    file: str
    comparison: Comparison
    row: int

    @staticmethod
    def of(file: str, comparison: Comparison, execution: Execution) -> Astray | None:
        """None where nothing shows that the processor acted on a wrong word."""
        wrong = np.flatnonzero(comparison.verdicts.verdict == DIFFERS)
        for row in islice(instruction_words(execution, wrong), LOOKED_AT):
            if flow_evidence(execution, row).acted == "wrong word":
                return Astray(file, comparison, row)
        return None


def first_reads(comparison: Comparison) -> dict[Place, int]:
    """The cycle in which each place was read first."""
    cycles = comparison.cycles
    rows = np.flatnonzero(is_reading(cycles))
    if not len(rows):
        return {}
    table = np.stack([cycles.bank[rows].astype(np.int64), cycles.address[rows].astype(np.int64)], axis=1)
    places, first = np.unique(table, axis=0, return_index=True)
    return {
        (bank, address): int(rows[at])
        for (bank, address), at in zip(places.tolist(), first.tolist(), strict=True)
    }


def hints_of(
    job: Job,
    unread: Iterable[Place],
    runs: Mapping[Place, Sequence[Astray | None]],
    fresh: Sequence[Comparison],
) -> Iterator[WaiverHint]:
    """Words that were read only once the processor had gone astray, and that no fresh capture reads.

    Args:
        job: The machine, seen from a point of this bus.
        unread: Places that are open.
        runs: For each, the faulty runs in which it was wrong; None for one that cannot be followed.
        fresh: The fresh captures of this bus.
    """
    read_now = set().union(*(first_reads(each) for each in fresh)) if fresh else set()
    judged = sum(each.summary.agrees + each.summary.differs for each in fresh)
    firsts: dict[int, dict[Place, int]] = {}

    def cause(place: Place) -> Astray | None:
        found = runs.get(place, ())
        for each in found:
            if each is None:
                return None
            first = firsts.setdefault(id(each), first_reads(each.comparison))
            if first.get(place, -1) <= each.row:
                return None
        return found[-1] if found and place not in read_now else None

    group: list[int] = []
    key: tuple[object, ...] | None = None
    last: tuple[int, Astray] | None = None
    for place in sorted(unread):
        found = cause(place)
        now = None if found is None else (place[0], id(found), _answering(job, place))
        if now != key and group and last is not None:
            yield _hint(job, last[0], group, last[1], judged)
            group = []
        key = now
        if found is not None:
            group.append(place[1])
            last = (place[0], found)
    if group and last is not None:
        yield _hint(job, last[0], group, last[1], judged)


def _answering(job: Job, place: Place) -> tuple[str, ...]:
    bank, address = np.array([place[0]], np.int32), np.array([place[1]], np.uint64)
    return tuple(chip.name for chip in job.memory_map.chips if chip.selected(bank, address)[0])


def _hint(job: Job, bank: int, addresses: Sequence[int], run: Astray, judged: int) -> WaiverHint:
    bits = job.processor.address_bits
    began = format_address(int(run.comparison.cycles.address[run.row]), bits)
    why = (
        f"Read in {run.file} only after {job.processor.name} had acted on a wrong word (cycle {run.row}, "
        f"{began}), and not by the repaired machine while {judged} words were judged."
    )
    ends = dict.fromkeys(format_address(each, bits) for each in (addresses[0], addresses[-1]))
    where = ("" if bank < 0 or not job.memory_map.banked else f"{bank}:") + "..".join(ends)
    says = f"{say_words(job, bank, addresses)}: perhaps only the program gone astray read this."
    return WaiverHint(job.processor.name, bank, tuple(addresses), where, why, says)
