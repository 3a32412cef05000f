"""The proof: what was wrong before is looked for in fresh captures and readings, and judged by the same bars.

A word that was wrong is proved where its wrong bits were judged again at the same address of the same
processor's bus, in a capture at the same probe point or at the processor's own pins, through which all must
pass, and no word of the fresh captures differs. What nothing fresh has read is credited to a fresh reading of
its chip (`wrongbit.casework.unread`), or waived by a person, or open. Choices of ours, no source: fresh
captures together judge at least as many words as the wrong capture that judged the most; a chip that was read
wrong is read again in at least as many passes as were wrong, `PASSES` at most.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

import numpy as np

from wrongbit.bringup.ladder import Ladder
from wrongbit.case.entries import (
    CaptureAdded,
    Entry,
    EvidenceRows,
    FindingRecorded,
    ReadingAdded,
    ReferenceAdded,
    ValueAdded,
    WordsWaived,
)
from wrongbit.casework.inputs import compared, is_programmed, is_proof, loaded_reading
from wrongbit.casework.keys import key_of
from wrongbit.casework.proof import Proof, ProofLine, ProofVerdict
from wrongbit.casework.proving_bus import Bus, Seen, Told, capture_lines, capture_notes
from wrongbit.casework.unread import Passes
from wrongbit.casework.witnesses import left_out, withdrawing
from wrongbit.casework.words import counted, listed
from wrongbit.errors import CaptureError, UsageError
from wrongbit.image.contents import Contents
from wrongbit.job import Progress

if TYPE_CHECKING:
    from wrongbit.casework.casework import Casework

FORM = 2
"""Of a proof that is kept; raised when its meaning changes."""

PASSES = 3
"""Passes of a reading that are enough, however many were wrong before."""


def prove(
    work: Casework,
    captures: Sequence[Entry] | None,
    readings: Sequence[Entry] | None,
    progress: Progress | None,
) -> Proof:
    """See `Casework.proof`."""
    seen, not_counted = _all_seen(work, captures or (), progress)
    reads = [_Read.of(work, entry, detail) for entry, detail in work.readings()]
    fresh = _chosen(seen, captures)
    fresh_reads = _chosen_reads(reads, readings)
    before = [each for each in seen if each not in fresh]
    reads_before = [each for each in reads if each not in fresh_reads]
    lines: list[ProofLine] = []
    told = Told()
    for processor in work.machine.processor:
        own = [each for each in before if each.processor == processor.name]
        again = [each for each in fresh if each.processor == processor.name]
        bus = Bus(work, processor.name, own, again, _passes_of(reads_before, fresh_reads))
        lines += capture_lines(bus, told)
    lines += _ladder_lines(
        work, [each.entry for each in fresh] + [each.entry for each in fresh_reads], progress
    )
    for name in dict.fromkeys(each.chip for each in reads):
        mine = [each for each in reads_before if each.chip == name]
        new = [each for each in fresh_reads if each.chip == name]
        lines += _reading_lines(work, name, mine, new)
    numbers = (
        tuple(each.entry.number for each in fresh),
        tuple(each.entry.number for each in fresh_reads),
    )
    verdict = _verdict(lines)
    return Proof(
        machine=work.machine.machine.name,
        lines=tuple(lines),
        uncovered=tuple(sorted(told.uncovered, key=lambda each: (each.processor, each.bank, each.address))),
        verdict=verdict,
        sentence=_sentence(lines, verdict, fresh, fresh_reads, told),
        captures_before=tuple(each.entry.number for each in before),
        captures_after=numbers[0],
        readings_before=tuple(each.entry.number for each in reads_before),
        readings_after=numbers[1],
        files_before=_files(before, reads_before),
        files_after=_files(fresh, fresh_reads),
        key=work.proof_key(*numbers),
        credited=tuple(told.credited),
        waived=tuple(told.waived),
        hints=tuple(told.hints),
        notes=(*capture_notes(fresh), *told.notes, *not_counted),
        looked_at=tuple(dict.fromkeys(each.processor for each in fresh)),
    )


# -- what was seen -----------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Read:
    """A reading with what matters for a proof.

    Args:
        entry: Its line in the journal.
        chip: Of which chip.
        name: Its file.
        note: A person's.
        wrong: Bits that differ from what the chip should hold.
        judged: Bits that could be compared.
        known: Bits of what it should hold that are known at all.
        contents: What it holds.
    """

    entry: Entry
    chip: str
    name: str
    note: str
    wrong: int
    judged: int
    known: int
    contents: Contents

    @staticmethod
    def of(work: Casework, entry: Entry, detail: ReadingAdded) -> _Read:
        should = work.reference(detail.chip)
        read = loaded_reading(work.machine, work.original(detail.file), detail)
        wrong, judged = compared(should, read.contents)
        known = int(np.bitwise_count(should.known).sum())
        return _Read(entry, detail.chip, detail.file.name, detail.note, wrong, judged, known, read.contents)


def _passes_of(before: Sequence[_Read], after: Sequence[_Read]) -> dict[str, Passes]:
    """Contents that were read, by chip."""
    return {
        name: Passes(
            tuple(each.contents for each in before if each.chip == name),
            tuple(each.contents for each in after if each.chip == name),
        )
        for name in dict.fromkeys(each.chip for each in (*before, *after))
    }


def _chosen(seen: Sequence[Seen], asked: Sequence[Entry] | None) -> list[Seen]:
    """The fresh captures: those asked for, or on each bus the newest since the last wrong one."""
    if asked is not None:
        numbers = {entry.number for entry in asked}
        _all_there(numbers, {each.entry.number for each in seen}, "capture")
        return [each for each in seen if each.entry.number in numbers]
    fresh: list[int] = []
    for processor in dict.fromkeys(each.processor for each in seen):
        fresh += _newest(
            [
                _Candidate(each.entry.number, is_proof(each.detail.note), each.wrong_words > 0)
                for each in seen
                if each.processor == processor
            ]
        )
    return [each for each in seen if each.entry.number in fresh]


def _chosen_reads(reads: Sequence[_Read], asked: Sequence[Entry] | None) -> list[_Read]:
    """The same of readings, chip by chip."""
    if asked is not None:
        numbers = {entry.number for entry in asked}
        _all_there(numbers, {each.entry.number for each in reads}, "reading")
        return [each for each in reads if each.entry.number in numbers]
    fresh: list[int] = []
    for name in dict.fromkeys(each.chip for each in reads):
        fresh += _newest(
            [
                _Candidate(each.entry.number, is_proof(each.note), each.wrong > 0)
                for each in reads
                if each.chip == name
            ]
        )
    return [each for each in reads if each.entry.number in fresh]


@dataclass(frozen=True)
class _Candidate:
    """What may be fresh.

    Args:
        number: Of its entry.
        noted: As proof.
        wrong: It is not as it should be.
    """

    number: int
    noted: bool
    wrong: bool


def _newest(candidates: Sequence[_Candidate]) -> list[int]:
    """Of one bus or chip: what came after everything wrong, those noted as proof where there are any.

    Proof that is older than the fault proves nothing. Where the very last that is noted as proof is wrong
    itself, it is what the proof is about.
    """
    last = max((each.number for each in candidates if each.wrong and not each.noted), default=0)
    later = [each for each in candidates if each.number > last]
    noted = [each for each in later if each.noted]
    failed = max((each.number for each in noted if each.wrong), default=0)
    if noted:
        return [each.number for each in noted if each.number > failed] or [noted[-1].number]
    return [each.number for each in later] if last else []


def _all_there(asked: set[int], there: set[int], what: str) -> None:
    missing = sorted(asked - there)
    if missing:
        raise UsageError(
            f"Entry {missing[0]} is no {what} that counts.", f"Choose a {what} that was not withdrawn."
        )


def _all_seen(
    work: Casework, asked: Sequence[Entry], progress: Progress | None
) -> tuple[list[Seen], list[str]]:
    """Every capture that can be read, and in words which cannot; one that is to prove something must be."""
    seen, not_counted = [], []
    named = {each.number for each in asked}
    for entry, detail in work.captures():
        try:
            seen.append(Seen.of(work, entry, detail, progress))
        except CaptureError as error:
            if entry.number in named or is_proof(detail.note):
                error.notes += (f"To take it out of the case: {withdrawing(work.case.folder, entry.number)}",)
                raise
            not_counted.append(left_out(work.case.folder, entry, error))
    return seen, not_counted


def _files(seen: Sequence[Seen], reads: Sequence[_Read]) -> tuple[str, ...]:
    """What was looked at, for people."""
    captures = [f"{each.detail.file.name} at {each.detail.point}" for each in seen]
    return (*captures, *(f"{each.name} of {each.chip}" for each in reads))


# -- ladder ------------------------------------------------------------------------------------------------


def _ladder_lines(work: Casework, fresh: Sequence[Entry], progress: Progress | None) -> list[ProofLine]:
    """Rungs that failed at some time, and rungs that fail now."""
    machine = work.machine
    if not (machine.rail or machine.clock or machine.input):
        return []
    entries = work.case.entries()
    begin = min((entry.number for entry in fresh), default=None)
    now = work.ladder_of(entries, progress)
    failed = _failures(work, entries, progress)
    lines = []
    for rung in now.rungs:
        then = failed.get(rung.title)
        if then is None and rung.verdict != "outside":
            continue
        before = then[1] if then is not None else ""
        if rung.verdict == "within":
            says = f"It is within limits: {rung.wanted}."
            lines.append(ProofLine("ladder", rung.title, before, rung.measured, "proved", says))
        elif rung.verdict == "outside" and begin is not None and then is not None and then[0] < begin:
            says = "It was outside its limits and was not measured again."
            remedy = f"Measure {rung.title} again, and enter it."
            lines.append(ProofLine("ladder", rung.title, before, "", "not covered", says, remedy))
        elif rung.verdict == "outside":
            says = f"It should be {rung.wanted}."
            remedy = f"Put {rung.title} right first: what is captured without it tells little."
            lines.append(ProofLine("ladder", rung.title, before, rung.measured, "not proved", says, remedy))
        else:
            says = rung.note or "It was outside its limits, and the newest value does not tell."
            remedy = f"Measure {rung.title} again, and enter it."
            lines.append(ProofLine("ladder", rung.title, before, rung.measured, "not covered", says, remedy))
    return lines


def _failures(
    work: Casework, entries: Sequence[Entry], progress: Progress | None
) -> dict[str, tuple[int, str]]:
    """Title of each rung that was ever outside = the last entry that showed it so, and what it showed."""
    found: dict[str, tuple[int, str]] = {}
    for entry in entries:
        if isinstance(entry.detail, (ValueAdded, CaptureAdded)):
            alone: Ladder = work.ladder_of([entry], progress)
            for rung in alone.rungs:
                if rung.verdict == "outside":
                    found[rung.title] = (entry.number, rung.measured)
    return found


# -- readings ----------------------------------------------------------------------------------------------


def _reading_lines(
    work: Casework, chip: str, before: Sequence[_Read], after: Sequence[_Read]
) -> list[ProofLine]:
    """The readings of one chip or its replacement."""
    wrong = [each for each in before if each.wrong]
    if not wrong and not after:
        return []
    title = f"{chip} in a reader"
    told_before = _passes(before) if before else "not read"
    if not after:
        says = "The chip, or its replacement, was not read again."
        remedy = f"Read {chip}, or what replaces it, {counted(min(len(wrong), PASSES), 'time')} in a reader."
        return [ProofLine("reading", title, told_before, "", "not covered", says, remedy)]
    told_after = _passes(after)
    need = min(max(len(wrong), 1), PASSES)
    if not after[0].known:
        says = "Nothing is known of what it should hold."
        remedy = f"Add a reference of {chip}: an image or a listing."
        return [ProofLine("reading", title, told_before, told_after, "not covered", says, remedy)]
    if any(each.wrong for each in after):
        says = "A fresh pass is not what it should be."
        remedy = f"Clean the pins of {chip} and read it again; if it stays so, program or replace it again."
        return [ProofLine("reading", title, told_before, told_after, "not proved", says, remedy)]
    remedy = ""
    if any(each.judged < each.known for each in after):
        says = "A fresh pass does not show every bit that is known."
        remedy = f"Read all of {chip}, with every pin in contact."
        verdict: ProofVerdict = "not covered"
    elif len(after) < need:
        says = f"{counted(len(after), 'pass is', 'passes are')} too few: read it {need} times."
        remedy = f"Read {chip} {need} times in a reader."
        verdict = "not covered"
    else:
        says = f"{counted(len(after), 'pass', 'passes')}, every bit as it should be."
        verdict = "proved"
    lines = [ProofLine("reading", title, told_before, told_after, verdict, says, remedy)]
    return lines + _image_lines(work, chip, after)


def _passes(reads: Sequence[_Read]) -> str:
    wrong = [each.wrong for each in reads if each.wrong]
    passes = counted(len(reads), "pass", "passes")
    if not wrong:
        return f"{passes}, no bit differs"
    span = str(min(wrong)) if min(wrong) == max(wrong) else f"{min(wrong)} to {max(wrong)}"
    return f"{passes}, {len(wrong)} of them with {span} wrong bits"


def _image_lines(work: Casework, chip: str, after: Sequence[_Read]) -> list[ProofLine]:
    """The image file that the replacement was programmed with, where one was added."""
    references = [each for _, each in work.case.of_kind(ReferenceAdded)]
    images = [each for each in references if each.kind == "image" and each.chip == chip]
    if not images:
        return []
    image = next((each for each in reversed(images) if is_programmed(each.note)), images[-1])
    as_read = ReadingAdded(chip, image.file, image.format)
    written = loaded_reading(work.machine, work.original(image.file), as_read).contents
    differ = 0
    for each in after:
        assert isinstance(each.entry.detail, ReadingAdded)
        read = loaded_reading(work.machine, work.original(each.entry.detail.file), each.entry.detail).contents
        differ += int(np.bitwise_count((written.words ^ read.words) & written.known & read.known).sum())
    title = f"{chip}'s image file"
    if differ:
        says = "What was read back is not what the file holds."
        remedy = f"Program {chip} again from {image.file.name}, and read it back."
        return [
            ProofLine("image", title, image.file.name, f"{differ} bits differ", "not proved", says, remedy)
        ]
    says = "What was read back is what the file holds, bit for bit."
    return [ProofLine("image", title, image.file.name, "equal", "proved", says)]


# -- the whole ---------------------------------------------------------------------------------------------


def _verdict(lines: Sequence[ProofLine]) -> ProofVerdict:
    found = {line.verdict for line in lines}
    order: tuple[ProofVerdict, ...] = ("not proved", "not covered", "waived")
    return next((each for each in order if each in found), "proved" if found else "not covered")


def _sentence(
    lines: Sequence[ProofLine],
    verdict: ProofVerdict,
    fresh: Sequence[Seen],
    reads: Sequence[_Read],
    told: Told,
) -> str:
    if not lines:
        return "There is nothing to prove: nothing was wrong, and nothing fresh was added."
    if not fresh and not reads:
        return "Nothing fresh is in the case: add a capture or readings whose note begins with 'proof'."
    bad = [line.title for line in lines if line.verdict == verdict]
    credited = sum(len(each.addresses) for each in told.credited)
    by_reader = f" {counted(credited, 'word was', 'words were')} seen by a reader, not by the machine."
    if verdict in ("proved", "waived"):
        words = sum(len(each.addresses) for each in told.waived)
        but = (
            f", but for {counted(words, 'word')} that nothing fresh has read and a person has waived"
            if words
            else ""
        )
        says = f"Everything that was wrong before was looked at again and is as it should be{but}."
        return says + (by_reader if credited else "")
    if verdict == "not proved":
        return f"The repair is not proved: {listed(tuple(bad))}."
    return f"Not everything that was wrong was looked at again: {listed(tuple(bad))}."


def proof_finding(work: Casework, proof: Proof) -> FindingRecorded:
    """A proof as the journal keeps it."""
    numbers = {*proof.captures_before, *proof.captures_after, *proof.readings_before, *proof.readings_after}
    evidence = []
    for entry in work.case.entries():
        if entry.number in numbers and isinstance(entry.detail, (CaptureAdded, ReadingAdded)):
            after = entry.number in (*proof.captures_after, *proof.readings_after)
            says = f"{entry.detail.file.name}, {'after' if after else 'before'} the repair"
            evidence.append(EvidenceRows(entry.detail.file.sha256, (), says))
    return FindingRecorded(
        "proof", proof.key, f"{proof.verdict}: {proof.sentence}", asdict(proof), tuple(evidence)
    )


def key_of_proof(
    work: Casework, captures_after: Sequence[int], readings_after: Sequence[int], state: Sequence[object]
) -> str:
    """Key of a proof: the machine, everything captured, read and measured, and what counts as fresh."""
    inputs = [
        [each.number, asdict(each.detail)]
        for each in work.case.entries()
        if isinstance(each.detail, (CaptureAdded, ReadingAdded, ValueAdded, ReferenceAdded, WordsWaived))
    ]
    return key_of("proof", FORM, list(state), inputs, list(captures_after), list(readings_after))
