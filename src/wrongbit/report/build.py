"""The content of a report, gathered once from a case."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from wrongbit import __version__
from wrongbit.bringup.advice import cautions as bench_cautions
from wrongbit.bus.cycles import Cycles
from wrongbit.capture.capture import Capture
from wrongbit.case.entries import CaptureAdded, Entry, MachineSeen
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.casework.described import object_lines, object_of
from wrongbit.casework.proof import Proof
from wrongbit.casework.witnesses import withdrawing
from wrongbit.casework.words import counted, diagnosis_conclusion, listed, weighing_conclusion
from wrongbit.casework.work_done import unaccounted, workers
from wrongbit.diagnose.planning import Proposal
from wrongbit.diagnose.suspects import Weighing
from wrongbit.errors import CaseError, WrongbitError
from wrongbit.job import Explanation, Progress
from wrongbit.machine.model import Machine
from wrongbit.replace.fit import Choice, Fitting
from wrongbit.report.content import Paragraph, Report, Section
from wrongbit.report.sections.captures import capture_section, not_known, reader_notes
from wrongbit.report.sections.chips import (
    from_memory,
    readings_section,
    readings_told,
    rebuilt_section,
    rebuilt_told,
    replacement_section,
)
from wrongbit.report.sections.closing import (
    day_and_time,
    evidence_section,
    files_section,
    journal_section,
    proof_section,
    questions_section,
    signatures_section,
    work_sections,
)
from wrongbit.report.sections.faults import best
from wrongbit.report.sections.machine import cautions_section, ladder_section, machine_section
from wrongbit.report.sections.suspects import next_section, suspects_section
from wrongbit.report.sections.words import absent

AROUND = 2
"""Cycles before and after the first wrong one whose samples are drawn."""

MOST_SAMPLES = 20_000
"""Samples around a cycle that are drawn at most."""


@dataclass(frozen=True)
class ChipChoices:
    """What a person says of one chip that neither the machine file nor the journal has.

    Args:
        checksums: What its bytes obey, as ``wrongbit rebuild --checksum`` takes it.
        shape: Type number whose pins it has.
        selects: ``NAME=LEVEL`` texts.
        latched_by: ``SIGNAL EDGE`` text.
        memory: The only memory that is to replace it.
    """

    checksums: tuple[str, ...] = ()
    shape: str | None = None
    selects: tuple[str, ...] = ()
    latched_by: str | None = None
    memory: str | None = None


NO_CHOICES = ChipChoices()


@dataclass(frozen=True)
class Gathered:
    """A section with what it adds to others.

    Args:
        section: The section.
        told: What it comes to, for the summary.
        unknown: What was not known, for the open questions.
        notes: Of a capture, what it is called and what its reader noted.
    """

    section: Section
    told: str = ""
    unknown: tuple[str, ...] = ()
    notes: tuple[str, tuple[str, ...]] | None = None


def _nothing(title: str, text: str) -> Gathered:
    """A section of which nothing could be made, or nothing was done."""
    return Gathered(Section(title, (absent(text),)))


def check_originals(case: Case, progress: Progress | None = None) -> None:
    """Hash every original again: a report vouches for them.

    Raises:
        CaseError: One is missing or was changed, or the journal is damaged.
    """
    troubles = [each for each in case.verify(progress) if each.kind != "stray file"]
    if troubles:
        raise CaseError(
            "The case is not as it was kept, so that no report is written of it: "
            f"{counted(len(troubles), 'trouble')}.",
            troubles[0].remedy,
            file=str(case.folder),
            notes=tuple(f"{each.path}: {each.message}" if each.path else each.message for each in troubles),
        )


def build_report(
    work: Casework,
    progress: Progress | None = None,
    *,
    made_at: datetime | None = None,
    choices: Mapping[str, ChipChoices] | None = None,
) -> Report:
    """Everything that a case tells, as a report.

    Args:
        work: The case.
        progress: Told how far the reading of a capture is.
        made_at: The date on it; left out: now.
        choices: By chip; a chip named here has its replacement planned even if it was not found bad.

    Raises:
        WrongbitError: The case or its machine file cannot be used. What is wrong with a single capture or
            chip stands in the report instead.
    """
    at = made_at or datetime.now(UTC)
    machine = work.machine
    captures = [*_capture_sections(work, progress)]
    noted = [each.notes for each in captures if each.notes is not None]
    weighing, proposals = _weighing(work, progress)
    chips = [*_chip_sections(work, machine, weighing, choices or {}, progress)]
    gathered = (*captures, *chips)
    proof = _proof(work, progress)
    # Looked at last: computing adds findings to the journal.
    overview = work.overview(progress)
    everything = work.case.entries(withdrawn=True)
    counting = work.case.entries()
    described, people = object_of(counting), workers(counting)
    sections = (
        machine_section(machine),
        cautions_section(_cautions(machine)),
        ladder_section(work.ladder(), machine),
        evidence_section(counting),
        *(each.section for each in captures),
        *([reader_notes(noted)] if noted else []),
        suspects_section(weighing),
        next_section(machine, proposals, weighing),
        *(each.section for each in chips),
        *work_sections(counting),
        proof_section(proof),
        questions_section(
            (
                *overview.questions,
                *(text for each in gathered for text in each.unknown),
                *unaccounted(counting),
            )
        ),
        journal_section(everything),
        files_section(everything, _beside(work, machine)),
        signatures_section(people, described.owner or ""),
    )
    return Report(
        title=machine.machine.name,
        subtitle="Report on the search for its fault, and on its repair",
        facts=_facts(work, everything, people, at),
        summary=tuple(_summary(work, weighing, [each.told for each in gathered if each.told], proof)),
        sections=sections,
        made_at=at,
        version=__version__,
        object_facts=object_lines(described),
    )


def _weighing(
    work: Casework, progress: Progress | None
) -> tuple[Weighing | str | None, tuple[Proposal, ...]]:
    """The suspects and what to measure next; a text: why they cannot be weighed."""
    try:
        return work.weighing(progress), work.proposals(progress)
    except WrongbitError as error:
        return str(error), ()


def _facts(
    work: Casework, entries: Sequence[Entry], workers: Sequence[str], at: datetime
) -> tuple[tuple[str, str], ...]:
    people = list(dict.fromkeys((*(each.by for each in entries if each.by), *workers)))
    facts = [("Case", work.case.name), ("Made", day_and_time(at)), ("By", f"wrongbit {__version__}")]
    if entries:
        facts.append(
            ("Journal", f"{counted(len(entries), 'entry', 'entries')}, last {day_and_time(entries[-1].at)}")
        )
    if people:
        facts.append(("Worked on by", listed(people)))
    seen = [each.detail.file for each in entries if isinstance(each.detail, MachineSeen)]
    if seen:
        facts.append(("Machine file", f"{seen[-1].name}, SHA-256 {seen[-1].sha256}"))
    return tuple(facts)


def _cautions(machine: Machine) -> tuple[str, ...]:
    return (*machine.machine.cautions, *(bench_cautions(machine) if machine.rail else ()))


def _summary(
    work: Casework, weighing: Weighing | str | None, captured: Sequence[str], proof: Proof | str
) -> Iterator[Paragraph]:
    """What it comes to, for who reads no further."""
    if isinstance(weighing, Weighing) and weighing.labels:
        yield Paragraph(weighing_conclusion(weighing), "conclusion")
    yield from (Paragraph(told) for told in dict.fromkeys(captured))
    if not work.captures():
        yield absent("No capture was taken yet, so that nothing is known of the bus.")
    if isinstance(proof, Proof) and (proof.captures_after or proof.readings_after):
        yield Paragraph(f"Proof of the repair: {proof.sentence}", "conclusion")
    else:
        yield absent("The repair has not been proved by a fresh capture or reading.")


# -- captures ----------------------------------------------------------------------------------------------


def _capture_sections(work: Casework, progress: Progress | None) -> Iterator[Gathered]:
    """A section for every capture."""
    for entry, detail in work.captures():
        title = f"Capture {detail.file.name} at {detail.point} (entry {entry.number})"
        try:
            yield _capture(work, entry, detail, title, progress)
        except WrongbitError as error:
            withdraw = withdrawing(work.case.folder, entry.number)
            yield _nothing(
                title, f"Nothing could be made of it: {error} To take it out of the case: {withdraw}"
            )


def _capture(
    work: Casework, entry: Entry, detail: CaptureAdded, title: str, progress: Progress | None
) -> Gathered:
    job = work.job(detail.point)
    diagnosis = work.diagnosis(entry, progress)
    explanation: Explanation | str
    try:
        explanation = work.explanation(entry)
    except WrongbitError as error:
        explanation = str(error)
    findings = diagnosis.findings
    row = diagnosis.comparison.summary.first_wrong
    window = None
    if row is not None and job.point.mode != "cycles":
        window = _window(work, entry, diagnosis.comparison.cycles, row)
    told = ""
    if findings.observations and findings.fault_seen:
        where = diagnosis_conclusion(job, diagnosis)
        blamed = "" if diagnosis.blames_nobody and not diagnosis.check_first else f"{best(diagnosis)} "
        told = f"{detail.file.name} at {detail.point}: {blamed}{where}"
    section = capture_section(title, job, diagnosis, explanation, window)
    name = f"{detail.file.name} at {detail.point}"
    unknown = not_known(detail.file.name, job, diagnosis.comparison)
    return Gathered(section, told, unknown, (name, diagnosis.comparison.notes))


def _window(work: Casework, entry: Entry, cycles: Cycles, row: int) -> Capture | None:
    """Samples around a cycle."""
    sample = cycles.sample
    before, after = max(row - AROUND - 1, 0), min(row + AROUND, len(cycles) - 1)
    first, last = int(sample[before]) if row > AROUND else 0, int(sample[after])
    if last - first > MOST_SAMPLES:
        first, last = int(sample[row]) - MOST_SAMPLES // 2, int(sample[row]) + MOST_SAMPLES // 2
    try:
        return work.samples(entry, max(first, 0), last)
    except WrongbitError:
        return None


# -- chips -------------------------------------------------------------------------------------------------


def _chip_sections(
    work: Casework,
    machine: Machine,
    weighing: Weighing | str | None,
    choices: Mapping[str, ChipChoices],
    progress: Progress | None,
) -> Iterator[Gathered]:
    """Readings and rebuilt contents of what was read, and replacements.

    A replacement is planned for what was found bad, for a ROM under suspicion, and for what was asked for.
    """
    read = list(dict.fromkeys(detail.chip for _, detail in work.readings()))
    if not read:
        yield _nothing("Chips out of circuit", "No chip was read, rebuilt or replaced.")
    bad: list[str] = []
    for name in read:
        try:
            found = work.examination(name)
            bad += [name] if found.fault_seen else []
            yield Gathered(readings_section(found), readings_told(found))
        except WrongbitError as error:
            yield _nothing(f"Readings of {name}", f"Nothing could be made of them: {error}")
            continue
        try:
            told = work.rebuilding(name, checksums=choices.get(name, NO_CHOICES).checksums, progress=progress)
            chip = next(each for each in machine.chip if each.name == name)
            says = rebuilt_told(chip, told.rebuilt)
            unknown = () if told.rebuilt.complete else (says,)
            yield Gathered(rebuilt_section(chip, told.rebuilt, told.undone), says, unknown)
        except WrongbitError as error:
            yield _nothing(f"Rebuilt contents of {name}", f"Not rebuilt: {error}")
    suspected: tuple[str, ...] = ()
    if isinstance(weighing, Weighing) and weighing.labels and weighing.fault_seen:
        suspected = weighing.top()
    roms = {chip.name for chip in machine.chip if chip.kind == "rom"}
    for name in dict.fromkeys((*bad, *(part for part in suspected if part in roms), *choices)):
        try:
            found_plans = _fitting(work, name, choices.get(name, NO_CHOICES))
            yield Gathered(replacement_section(name, found_plans), unknown=from_memory(name, found_plans))
        except WrongbitError as error:
            yield Gathered(replacement_section(name, str(error)))


def _fitting(work: Casework, chip: str, chosen: ChipChoices) -> Fitting:
    return work.fitting(
        chip,
        shape=chosen.shape,
        selects=chosen.selects,
        latched_by=chosen.latched_by,
        choice=None if chosen.memory is None else Choice(memory=chosen.memory),
    )


def _proof(work: Casework, progress: Progress | None) -> Proof | str:
    """The proof as it stands; a text: why there can be none."""
    try:
        return work.proof(progress=progress)
    except WrongbitError as error:
        return str(error)


def _beside(work: Casework, machine: Machine) -> list[tuple[str, str, int]]:
    """Images and listings beside the machine file, by name, hash and size, as far as they are there."""
    folder = work.case.machine_file.parent
    names = [chip.image.file for chip in machine.chip if chip.image is not None]
    names += [each.file for each in machine.listing]
    found = []
    for name in dict.fromkeys(names):
        path = folder / name
        if Path(name).is_absolute() or folder not in path.parents or not path.is_file():
            continue  # what was added to the case is among its originals
        data = path.read_bytes()
        found.append((name, hashlib.sha256(data).hexdigest(), len(data)))
    return found
