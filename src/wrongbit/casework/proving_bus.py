"""The words of one processor's bus before and after the repair: judged again, credited, waived, or open."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from wrongbit.case.entries import CaptureAdded, Entry, WordsWaived
from wrongbit.casework.proof import Credited, ProofLine, ProofVerdict, Uncovered, Waived, WaiverHint
from wrongbit.casework.unread import Astray, Passes, Place, Reader, credited_of, hints_of, say_words
from wrongbit.casework.words import bank_text, counted, listed
from wrongbit.errors import WrongbitError
from wrongbit.job import FIRST, Comparison, Job, Progress
from wrongbit.units import format_address

if TYPE_CHECKING:
    from wrongbit.casework.casework import Casework


@dataclass(frozen=True, eq=False)
class Seen:
    """A capture with what matters for a proof.

    Args:
        entry: Its line in the journal.
        detail: What it says.
        job: The machine at its point.
        comparison: Its cycles with verdicts.
    """

    entry: Entry
    detail: CaptureAdded
    job: Job
    comparison: Comparison

    @staticmethod
    def of(work: Casework, entry: Entry, detail: CaptureAdded, progress: Progress | None) -> Seen:
        """A capture of the case, compared."""
        comparison = work.comparison(entry, progress)
        return Seen(entry, detail, work.job(detail.point), comparison)

    @property
    def processor(self) -> str:
        """Whose bus it shows."""
        return self.job.processor.name

    @property
    def at_pins(self) -> bool:
        """Taken at the processor's own pins, through which everything must pass."""
        return not self.job.point.on and self.job.point.chip is None

    @property
    def judged_words(self) -> int:
        """How many words could be judged."""
        return self.comparison.summary.agrees + self.comparison.summary.differs

    @property
    def wrong_words(self) -> int:
        """How many of them differ."""
        return self.comparison.summary.differs

    def wrong(self) -> dict[Place, int]:
        """Bits that were wrong, by place."""
        return self._by_place(self.comparison.verdicts.wrong)

    def judged(self) -> dict[Place, int]:
        """Bits that were judged, by place."""
        return self._by_place(self.comparison.verdicts.judged)

    def _by_place(self, bits: np.ndarray[tuple[int], np.dtype[np.uint64]]) -> dict[Place, int]:
        rows = np.flatnonzero(bits)
        cycles = self.comparison.cycles
        table = np.stack([cycles.bank[rows].astype(np.int64), cycles.address[rows].astype(np.int64)], axis=1)
        if not len(rows):
            return {}
        places, index = np.unique(table, axis=0, return_inverse=True)
        union = np.zeros(len(places), np.uint64)
        np.bitwise_or.at(union, index.reshape(-1), bits[rows])
        return {
            (bank, address): mask
            for (bank, address), mask in zip(places.tolist(), union.tolist(), strict=True)
        }


@dataclass(frozen=True, eq=False)
class Bus:
    """One processor's bus before and after the repair.

    Args:
        work: The case.
        processor: Whose.
        before: Its captures before the repair.
        after: The fresh ones.
        passes: Readings of each chip.
    """

    work: Casework
    processor: str
    before: Sequence[Seen]
    after: Sequence[Seen]
    passes: Mapping[str, Passes]

    @property
    def wrong_ones(self) -> list[Seen]:
        """The captures before the repair that show a wrong word."""
        return [each for each in self.before if each.wrong_words]


@dataclass(eq=False)
class Told:
    """Words that nothing fresh has read, gathered over all processors."""

    uncovered: list[Uncovered] = field(default_factory=list)
    credited: list[Credited] = field(default_factory=list)
    waived: list[Waived] = field(default_factory=list)
    hints: list[WaiverHint] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def capture_notes(fresh: Sequence[Seen]) -> Iterator[str]:
    """What is to be checked of the fresh captures before they are believed."""
    for each in fresh:
        yield from (
            f"{each.detail.file.name}: {note}" for note in each.comparison.notes if note.startswith(FIRST)
        )


def capture_lines(bus: Bus, told: Told) -> list[ProofLine]:
    """The words of one processor's bus."""
    processor, after, wrong_ones = bus.processor, bus.after, bus.wrong_ones
    if not wrong_ones and not after:
        return []
    title = f"words read by {processor}"
    nothing = "no wrong word" if bus.before else "nothing captured"
    told_before = _told(wrong_ones) if wrong_ones else nothing
    if not after:
        told.uncovered += _uncovered(bus, _left(bus), {})
        says = "No fresh capture looks at this bus: take one and add it as proof."
        remedy = f"Capture the bus of {processor} on the repaired machine, from reset on."
        return [ProofLine("capture", title, told_before, "", "not covered", says, remedy)]
    told_after = _told(after)
    bad = [each for each in after if each.wrong_words]
    if bad:
        words = sum(each.wrong_words for each in bad)
        says = f"{counted(words, 'word')} still {'differs' if words == 1 else 'differ'}."
        remedy = (
            f"The fault on the bus of {processor} is not gone, or there is a second one: diagnose "
            f"{listed(tuple(dict.fromkeys(each.detail.file.name for each in bad)))}."
        )
        return [ProofLine("capture", title, told_before, told_after, "not proved", says, remedy)]
    places = len({place for each in wrong_ones for place in each.wrong()})
    verdict, says, remedy = _unread(bus, places, told)
    lines = [ProofLine("capture", title, told_before, told_after, verdict, says, remedy)]
    most = max((each.judged_words for each in wrong_ones), default=0)
    total = sum(each.judged_words for each in after)
    enough = total >= most and total > 0
    says = "As many words were judged." if enough else "Too few words were judged: capture for longer."
    remedy = "" if enough else f"Capture {processor} for longer: {most} words were judged before."
    verdict = "proved" if enough else "not covered"
    title = f"words judged on the bus of {processor}"
    lines.append(ProofLine("capture", title, str(most), str(total), verdict, says, remedy))
    return lines


def _unread(bus: Bus, places: int, told: Told) -> tuple[ProofVerdict, str, str]:
    """What became of the words that were wrong where none is wrong now: verdict, sentence, remedy."""
    left = _left(bus)
    fresh = [each.comparison for each in bus.after]
    job = bus.after[0].job
    reader = Reader(job, bus.passes, fresh)
    verdicts = {place: reader.verdict(place, bits) for place, bits in left.items()}
    credited = {place: chips for place, (chips, _) in verdicts.items() if chips}
    waived = {place: entry for place, entry in _waivers(bus, told).items() if place in left.keys() - credited}
    open_ = {place: bits for place, bits in left.items() if place not in credited and place not in waived}
    told.credited += credited_of(job, credited)
    told.waived += _waived(job, waived)
    told.uncovered += _uncovered(bus, open_, {place: why for place, (_, why) in verdicts.items()})
    if open_:
        told.hints += hints_of(job, open_, _runs(bus), fresh)
    apart = [f"{len(credited)} seen right by a reader only"] if credited else []
    apart += [f"{len(waived)} waived"] if waived else []
    rest = f" ({listed(tuple(apart))})" if apart else ""
    addresses = counted(places, "address", "addresses")
    if open_:
        number = counted(len(open_), "address", "addresses")
        return (
            "not covered",
            f"{number} of {places} that were wrong were not judged again{rest}.",
            _what_is_left(bus.processor, _to_read(reader, open_, verdicts)),
        )
    if apart:
        again = places - len(credited) - len(waived)
        says = f"{again} of {addresses} that were wrong were judged again and agree; {listed(tuple(apart))}."
        return ("waived" if waived else "proved"), says, ""
    if not places:
        return "proved", "No word was wrong, and none is.", ""
    return "proved", f"All {addresses} that were wrong were judged again and agree.", ""


def _to_read(
    reader: Reader, open_: Mapping[Place, int], verdicts: Mapping[Place, tuple[tuple[str, ...], str]]
) -> tuple[str, ...]:
    """ROMs of which a fresh reading could still tell something of words that are open."""
    names = (
        chip.name
        for place, bits in open_.items()
        if not verdicts[place][1]
        for chip in reader.chips_of(place, bits)
    )
    return tuple(dict.fromkeys(names))


def _what_is_left(processor: str, chips: tuple[str, ...]) -> str:
    read = f", or read {listed(chips)} afresh in a reader" if chips else ""
    return (
        f"Let the machine do more of what it is for while you capture {processor}{read}; what the sound "
        "program never reads, waive with your reason."
    )


def _left(bus: Bus) -> dict[Place, int]:
    """Wrong bits of each place that no fresh capture has judged at the same point or at the pins."""
    left: dict[Place, int] = {}
    for point in dict.fromkeys(each.detail.point for each in bus.wrong_ones):
        judged: dict[Place, int] = {}
        for each in bus.after:
            if each.at_pins or each.detail.point == point:
                for place, mask in each.judged().items():
                    judged[place] = judged.get(place, 0) | mask
        for each in bus.wrong_ones:
            for place, mask in each.wrong().items() if each.detail.point == point else ():
                if bits := mask & ~judged.get(place, 0):
                    left[place] = left.get(place, 0) | bits
    return left


def _uncovered(bus: Bus, left: Mapping[Place, int], why_not: Mapping[Place, str]) -> Iterator[Uncovered]:
    """The places that are open."""
    for (bank, address), bits in left.items():
        why = why_not.get((bank, address), "")
        says = _where(bus.wrong_ones[0].job, bank, address) + (f" ({why})." if why else ".")
        yield Uncovered(bus.processor, bank, address, bits, says, why)


def _where(job: Job, bank: int, address: int) -> str:
    at = format_address(address, job.processor.address_bits)
    return f"{job.processor.name}: the word at {at}{bank_text(job, bank)} was wrong and was not judged again"


def _waivers(bus: Bus, told: Told) -> dict[Place, Entry]:
    """The newest waiver of each place; one older than a capture that shows the place wrong does not count."""
    newest: dict[Place, int] = {}
    for each in bus.wrong_ones:
        newest |= {place: max(each.entry.number, newest.get(place, 0)) for place in each.wrong()}
    found: dict[Place, Entry] = {}
    for entry, waived in bus.work.case.of_kind(WordsWaived):
        if waived.processor != bus.processor:
            continue
        places = [(waived.bank, address) for address in waived.addresses]
        outdated = [place for place in places if newest.get(place, 0) > entry.number]
        found |= {place: entry for place in places if place not in outdated}
        if outdated:
            told.notes.append(
                f"Entry {entry.number} waives {counted(len(outdated), 'word')} that a later capture shows "
                "wrong: it does not count for them."
            )
    return found


def _waived(job: Job, waived: Mapping[Place, Entry]) -> Iterator[Waived]:
    """Waived words, those of an entry together."""
    groups: dict[int, tuple[Entry, list[Place]]] = {}
    for place, entry in sorted(waived.items(), key=lambda each: each[0]):
        groups.setdefault(entry.number, (entry, []))[1].append(place)
    for number, (entry, places) in sorted(groups.items()):
        assert isinstance(entry.detail, WordsWaived)
        bank, addresses, why = places[0][0], tuple(address for _, address in places), entry.detail.why
        says = (
            f"{say_words(job, bank, addresses)}: waived, not proved, by {entry.by} on {entry.at:%Y-%m-%d} "
            f"(entry {number}): {why.rstrip('.')}."
        )
        at = entry.at.isoformat()
        yield Waived(job.processor.name, bank, addresses, number, entry.by, at, why, says)


def _runs(bus: Bus) -> dict[Place, list[Astray | None]]:
    """The faulty runs in which each place was wrong."""
    found: dict[Place, list[Astray | None]] = {}
    for each in bus.wrong_ones:
        try:
            run = Astray.of(each.detail.file.name, each.comparison, bus.work.execution(each.entry))
        except WrongbitError:  # no instruction set, or a capture without fetches that can be followed
            run = None
        for place in each.wrong():
            found.setdefault(place, []).append(run)
    return found


def _told(seen: Sequence[Seen]) -> str:
    """Captures in a few words."""
    wrong, judged = sum(each.wrong_words for each in seen), sum(each.judged_words for each in seen)
    return f"{wrong} of {judged} differ" if wrong else f"none of {judged} differs"
