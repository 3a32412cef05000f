"""What is computed of a case: from its machine file and its journal, kept by key, recorded with evidence.

A result is found by its key, a hash over everything that went in and the version of wrongbit; nothing is ever
looked up by name or date alone. So a changed machine file, a changed image, a withdrawn capture or a new
version makes the old result unfindable, not merely old.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from copy import copy
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from wrongbit.bringup.advice import next_step
from wrongbit.bringup.ladder import Ladder, Measured, judge, rungs_of
from wrongbit.bringup.measured import read_measured
from wrongbit.bringup.seen import Values, entries_in, signal_of
from wrongbit.bus.cycles import Cycles
from wrongbit.bus.recipes import bus_widths, recipe_names
from wrongbit.capture.capture import Capture
from wrongbit.capture.formats import open_samples
from wrongbit.capture.source import SampleSource
from wrongbit.capture.store import StoredSource, file_hash, open_stored, store_capture
from wrongbit.case.entries import (
    CaptureAdded,
    Entry,
    FindingRecorded,
    MeasurementAdded,
    ReadingAdded,
    ReferenceAdded,
    Stored,
    ValueAdded,
)
from wrongbit.casework.glance import overview_of
from wrongbit.casework.inputs import (
    Added,
    CaseLike,
    Snapshot,
    is_programmed,
    is_proof,
    loaded_reading,
    measurements_of,
    readings_compared,
    with_references,
)
from wrongbit.casework.kept import keep, load_cycles, load_values, save_cycles, save_values
from wrongbit.casework.keys import file_names, files_hash, key_of
from wrongbit.casework.lines import bare_chip
from wrongbit.casework.memory import Memory, halves, telling
from wrongbit.casework.overview import ChipLine, Overview
from wrongbit.casework.plans import bus_times, machine_requirement
from wrongbit.casework.proof import Proof
from wrongbit.casework.proving import key_of_proof, proof_finding, prove
from wrongbit.casework.records import (
    Recordable,
    chip_finding,
    compare_finding,
    diagnose_finding,
    explain_finding,
    fit_finding,
    ladder_finding,
    rebuild_finding,
    suspects_finding,
)
from wrongbit.casework.references import references_of
from wrongbit.casework.sources import ChipSources, Rebuilding
from wrongbit.casework.start_up import measure_source, start_up_entries
from wrongbit.casework.windows import window
from wrongbit.casework.witnesses import left_out, witnesses
from wrongbit.compare.build import build_memory_map
from wrongbit.compare.memory_map import ChipMap
from wrongbit.compare.verdicts import DIFFERS
from wrongbit.diagnose.looks import Look
from wrongbit.diagnose.planning import Proposal, proposals
from wrongbit.diagnose.structure import Structure
from wrongbit.diagnose.suspects import Weighing, weigh_suspects
from wrongbit.errors import CaptureError, CaseError, UsageError, WrongbitError
from wrongbit.faults.evidence import gather_evidence
from wrongbit.instructions.execution import Execution
from wrongbit.job import (
    DEFAULT_NOISE,
    FIRST,
    Comparison,
    Diagnosis,
    Explanation,
    Job,
    Progress,
    compare_cycles,
    diagnose,
    explain,
    job_of,
    open_execution,
    read_capture,
    read_samples,
)
from wrongbit.machine.load import load_machine
from wrongbit.machine.lookup import point_named, rom_named
from wrongbit.machine.model import Machine, Point
from wrongbit.reading.examine import Examination, examine
from wrongbit.reading.readings import Reading, load_reading
from wrongbit.reading.rebuild import Rebuilt
from wrongbit.reading.sources import Source, combine, from_contents
from wrongbit.reading.stack import READ_NOISE
from wrongbit.replace.fit import Choice, Fitting, fit

FORMAT = 5
"""Of what is kept in derived/ and of a finding's result; raised when their meaning changes."""

T = TypeVar("T")


@dataclass(frozen=True)
class _State:
    """The machine as it is now.

    Args:
        key: Hash of the machine file's text and of the added references.
        machine: Loaded, with the added references.
    """

    key: str
    machine: Machine


class Casework:
    """Everything that is computed of a case. May be used from several threads.

    Args:
        case: The case, open.
        noise: Probability that a bit is read wrong for no other reason, above 0 and below 0.5.

    Raises:
        UsageError: The noise rate cannot be.
    """

    def __init__(self, case: CaseLike, *, noise: float = DEFAULT_NOISE) -> None:
        if not 0 < noise < 0.5:
            raise UsageError(f"The noise rate is {noise}.", "Give a number above 0 and below 0.5.")
        self.case: CaseLike = case
        self.noise = noise
        self._large, self._small = Memory(4), Memory(64)
        self._unwritten = Memory(256)

    def at_once(self) -> Casework:
        """The same work on the case as it is now: its journal is read once, however much is asked of it."""
        frozen = copy(self)
        frozen.case = Snapshot(self.case)
        return frozen

    # -- the machine ----------------------------------------------------------------------------------------

    @property
    def machine(self) -> Machine:
        """The machine file as it is now, with the references that were added to the case.

        Raises:
            MachineFileError: It cannot be used. An image that is not there is told by `job`.
        """
        return self._state().machine

    def _state(self) -> _State:
        file = self.case.machine_file
        added = []
        for _, reference in self.case.of_kind(ReferenceAdded):
            with suppress(CaseError):  # an original that is missing is for 'verify' to tell
                added.append(Added(reference, self.case.path_of(reference.file)))
        told = [[each.reference.chip, each.reference.kind, each.reference.format, each.reference.file.sha256,
                 is_programmed(each.reference.note)] for each in added]  # fmt: skip

        def load() -> Machine:
            return load_machine(file, require_files=False, recipe_names=recipe_names())

        text, plain = self._steady(self._small, lambda: key_of("file", _text_hash(file)), load)
        # Whether a named image is there decides whether an added one counts.
        there = [name for name in file_names(plain) if (file.parent / name).is_file()]
        key = key_of("machine", text, told, there)
        machine = self._small.get(key, lambda: with_references(plain, file.parent, added))
        return _State(key, machine)

    def _steady(self, kept: Memory, key: Callable[[], str], compute: Callable[[], T]) -> tuple[str, T]:
        """A result with its key; computed again where what went into the key changed meanwhile.

        Else it would be kept under the key of what was there before, and believed when that comes back.
        """
        while True:
            before = key()
            found: T | None = kept.find(before)
            if found is None:
                found = compute()
                if key() != before:
                    continue
            return before, kept.get(before, lambda made=found: made)  # type: ignore[misc]

    @property
    def _frozen(self) -> Casework:
        """The same with a journal that stays as it is now."""
        return self if isinstance(self.case, Snapshot) else self.at_once()

    def _images(self, machine: Machine) -> list[list[str]]:
        """Hashes of the files beside the machine file that it names; added ones are in the state's key."""
        names = [name for name in file_names(machine) if not Path(name).is_absolute()]
        return files_hash(self.case.machine_file.parent, names)

    def job_of(self, entry: Entry) -> Job:
        """The same, at a capture's own probe point."""
        return self.job(_capture_of(entry).point)

    def job(self, point: str) -> Job:
        """The machine with its references, seen from a probe point.

        Raises:
            WrongbitError: The machine file, a reference or the point cannot be used.
        """
        return self._job(point)[1]

    def _job(self, point: str) -> tuple[str, Job]:

        def build() -> Job:
            machine = self.machine
            if any(told.startswith("not readable") for _, told in self._images(machine)):
                load_machine(self.case.machine_file, recipe_names=recipe_names())  # tells what is missing
            return job_of(machine, self.case.machine_file, point=point)

        return self._steady(self._small, lambda: self._job_key(point), build)

    def _job_key(self, point: str) -> str:
        state = self._state()
        return key_of("job", state.key, self._images(state.machine), point)

    # -- captures -------------------------------------------------------------------------------------------

    def captures(self, *, proof: bool | None = None) -> tuple[tuple[Entry, CaptureAdded], ...]:
        """Captures that count, oldest first.

        Args:
            proof: Only those that were taken to prove a repair, or only the others; None: all.
        """
        found = self.case.of_kind(CaptureAdded)
        return tuple(each for each in found if proof is None or is_proof(each[1].note) == proof)

    def comparison(self, entry: Entry, progress: Progress | None = None) -> Comparison:
        """A capture's cycles with their verdicts; the cycles come from derived/ where they are there.

        Raises:
            WrongbitError: The capture, the machine file or a reference cannot be used.
        """
        detail = _capture_of(entry)
        job_key, job = self._job(detail.point)
        key = key_of("compare", FORMAT, job_key, detail.file.sha256)

        def compute() -> Comparison:
            cycles, notes = self._cycles(detail, job, progress)
            return compare_cycles(job, cycles, notes)

        found = self._large.get(key, compute)
        self._record("compare", key, lambda: compare_finding(job, found, detail))
        return found

    def cycles(self, entry: Entry, progress: Progress | None = None) -> tuple[Cycles, tuple[str, ...]]:
        """A capture's bus cycles, from derived/ where they are there, with what a person should know.

        Raises:
            WrongbitError: As `comparison`.
        """
        detail = _capture_of(entry)
        return self._cycles(detail, self.job(detail.point), progress)

    @contextmanager
    def capture_file(self, entry: Entry) -> Iterator[Path]:
        """A capture's original; errors about it call it what the person called it.

        Raises:
            WrongbitError: It is not there, or not as it was.
        """
        detail = _capture_of(entry)
        with _as_named(detail.file, self.original(detail.file)) as path:
            yield path

    def diagnosis(self, entry: Entry, progress: Progress | None = None) -> Diagnosis:
        """A capture with the faults that may be behind it.

        Raises:
            WrongbitError: As `comparison`.
        """
        detail, work = _capture_of(entry), self._frozen

        def compute() -> tuple[Job, Diagnosis]:
            job = work.job(detail.point)
            return job, diagnose(job, work.comparison(entry, progress), noise=self.noise)

        key, (job, found) = self._steady(self._large, lambda: work.diagnosis_key(detail), compute)
        self._record("diagnose", key, lambda: diagnose_finding(job, found, entry, detail))
        return found

    def diagnosis_key(self, detail: CaptureAdded) -> str:
        """Key of a capture's diagnosis."""
        return key_of("diagnose", FORMAT, self._job_key(detail.point), detail.file.sha256, self.noise)

    def explanation(self, entry: Entry, cycle: int | None = None) -> Explanation:
        """On which words the processor acted, and what became of it.

        Args:
            entry: A capture.
            cycle: Which cycle; None: the first wrong word of an instruction.

        Raises:
            WrongbitError: As `comparison`; or the machine file names no instruction set, or there is no such
                cycle.
        """
        detail, work = _capture_of(entry), self._frozen
        key, found = self._steady(
            self._large,
            lambda: key_of("explain", FORMAT, work._job_key(detail.point), detail.file.sha256, cycle),
            lambda: explain(work.job(detail.point), work.comparison(entry), cycle, work.execution(entry)),
        )
        if cycle is None:
            self._record("explain", key, lambda: explain_finding(found, detail))
        return found

    def execution(self, entry: Entry) -> Execution:
        """A capture's cycles as instructions; where they begin is found once, however many are explained.

        Raises:
            WrongbitError: As `comparison`; or the machine file names no instruction set.
        """
        detail, work = _capture_of(entry), self._frozen
        return self._steady(
            self._large,
            lambda: key_of("execution", FORMAT, work._job_key(detail.point), detail.file.sha256),
            lambda: open_execution(work.job(detail.point), work.comparison(entry)),
        )[1]

    def _cycles(
        self, detail: CaptureAdded, job: Job, progress: Progress | None
    ) -> tuple[Cycles, tuple[str, ...]]:
        """Cycles and notes, kept or rebuilt."""
        chips = [[chip.name, chip.kind, [region.bank for region in chip.regions]]
                 for chip in job.memory_map.chips]  # fmt: skip
        about = (job.point.model_dump(mode="json"), job.processor.model_dump(mode="json"), chips)
        # Addresses that are recovered from the words depend on what the chips should hold.
        by = "" if job.point.address_trusted else self._job_key(job.point.name)
        key = key_of("cycles", FORMAT, detail.file.sha256, by, *about)
        place = self._derived(detail.file, f"cycles-{key[:24]}.parquet")
        found = None if place is None else load_cycles(place, key)
        if found is None:
            if job.point.mode == "cycles" or job.point.chip is not None:
                with _as_named(detail.file, self.original(detail.file)) as path:
                    found = read_capture(job, path, progress)
            else:
                pack, read = halves(progress)
                found = self._use_samples(
                    detail, job.point, pack, lambda source: _own_notes(job, source, detail, read)
                )
            if place is not None:
                kept, where = found, place
                keep(lambda: save_cycles(where, key, *kept))
        return found

    # -- samples --------------------------------------------------------------------------------------------

    def samples(self, entry: Entry, first: int, last: int) -> Capture:
        """Samples around a cycle, read from the packed capture without reading all of it.

        Args:
            entry: A capture of samples.
            first: Number of the first sample wanted; below 0 is taken as 0.
            last: Number of the last.

        Raises:
            UsageError: The capture has whole cycles, or no such samples.
            WrongbitError: As `comparison`.
        """
        detail = _capture_of(entry)
        point = point_named(self.machine, detail.point)
        if point.mode == "cycles":
            raise UsageError(
                f"Captures at {point.name} hold whole bus cycles: there are no samples within one.",
                "Look at a capture in timing or state mode.",
            )
        found = self._use_samples(detail, point, None, lambda source: window(source, first, last))
        return replace(found, source=detail.file.name)

    def _use_samples(
        self,
        detail: CaptureAdded,
        point: Point,
        progress: Progress | None,
        use: Callable[[SampleSource], T],
    ) -> T:
        """Do something with the packed samples; pack them first where that is not done, or was damaged."""
        machine = self.machine
        widths: dict[str, int] = {**bus_widths(machine.processor_of(point.processor))}
        widths |= {signal_of(each): 1 for each in start_up_entries(machine) if signal_of(each) not in widths}
        key = key_of("samples", FORMAT, detail.file.sha256, point.model_dump(mode="json"), widths)
        place = self._derived(detail.file, f"samples-{key[:24]}.parquet")
        if place is not None:
            with suppress(CaptureError):
                return use(_packed(place, point, detail))
        with _as_named(detail.file, self.original(detail.file)) as original:
            return use(self._pack(detail, point, widths, place, original, progress))

    def _pack(
        self,
        detail: CaptureAdded,
        point: Point,
        widths: dict[str, int],
        place: Path | None,
        original: Path,
        progress: Progress | None,
    ) -> SampleSource:
        """The samples, packed where that can be kept."""
        source = open_samples(original, point, widths)
        if place is not None:
            try:
                store_capture(telling(source, progress), place, source_hash=detail.file.sha256)
                return _packed(place, point, detail)
            except CaptureError as error:
                if error.file != str(place):
                    raise
        return open_samples(original, point, widths)

    def _derived(self, stored: Stored, name: str) -> Path | None:
        """A place in derived/ for what was computed of an original; None where nothing can be kept."""
        return self._place(f"{stored.sha256[:2]}/{stored.sha256}/{name}")

    def _place(self, name: str) -> Path | None:
        try:
            return self.case.derived(name)
        except CaseError:
            return None

    def original(self, stored: Stored) -> Path:
        """An original's file, which is looked at once whether it is what was added.

        Raises:
            CaseError: It is missing, or not what was added.
        """
        path = self.case.path_of(stored)
        about = path.stat()
        marks = (about.st_mtime_ns, about.st_ctime_ns, about.st_size, about.st_ino)
        found = self._small.get(key_of("original", str(path), *marks), lambda: file_hash(path))
        if found != stored.sha256:
            raise CaseError(
                f"The original of {stored.name!r} is not what was added: its hash is {found[:12]}…, "
                f"{stored.sha256[:12]}… is in the journal.",
                "Put the file back with 'wrongbit verify FOLDER --restore FILE', or from a copy of the case.",
                file=str(path),
            )
        return path

    # -- start-up -------------------------------------------------------------------------------------------

    def ladder(self, progress: Progress | None = None, more: Values | None = None) -> Ladder:
        """Rails, clock, reset and start-up inputs, by the newest value of each, by hand or from a capture.

        Args:
            progress: Told how far the reading of a capture is.
            more: Values that are not in the case and count before those that are.

        Raises:
            WrongbitError: The machine file cannot be used.
        """
        work = self._frozen
        while True:
            key, machine = work.ladder_key(), work.machine
            found = work.ladder_of(work.case.entries(), progress, more)
            if work.ladder_key() == key:
                break
        if more:
            return found
        stored = [each.file for _, each in work.captures()]
        self._record("ladder", key, lambda: ladder_finding(found, next_step(found, machine), stored))
        return found

    def ladder_key(self) -> str:
        """Key of the ladder."""
        told = [
            [each.number, each.detail.text]
            if isinstance(each.detail, ValueAdded)
            else [each.number, each.detail.point, each.detail.file.sha256, each.detail.file.name]
            for each in self.case.entries()
            if isinstance(each.detail, (ValueAdded, CaptureAdded))
        ]
        return key_of("ladder", FORMAT, self._state().key, told)

    def ladder_of(
        self, entries: Sequence[Entry], progress: Progress | None = None, more: Values | None = None
    ) -> Ladder:
        """The same by some entries only, and by values that are in no entry."""
        machine = self.machine
        rungs = rungs_of(machine)
        values: Values = {}
        for entry in entries if rungs else ():
            if isinstance(entry.detail, ValueAdded):
                with suppress(WrongbitError):  # of a rung that the machine file has no longer
                    values |= read_measured([entry.detail.text], (), rungs)
            elif isinstance(entry.detail, CaptureAdded):
                with suppress(WrongbitError):  # told at the capture itself
                    found = self._start_up(entry.detail, progress)
                    values |= {at: each for at, each in found.items() if not each.why_not or at not in values}
        return judge(machine, values | (more or {}))

    def _start_up(self, detail: CaptureAdded, progress: Progress | None) -> Values:
        """What a capture shows of clocks and inputs; nothing where it has none of them."""
        machine = self.machine
        point = point_named(machine, detail.point)
        if point.mode != "timing" or not start_up_entries(machine):
            return {}
        entries = [each.model_dump(mode="json") for each in start_up_entries(machine)]
        key = key_of("start-up", FORMAT, detail.file.sha256, point.model_dump(mode="json"), entries)
        place = self._derived(detail.file, f"start-up-{key[:24]}.json")

        def compute() -> Values:
            kept = None if place is None else load_values(place, key)
            if kept is not None:
                return {(name, quantity): Measured(**each) for name, quantity, each in kept}
            found = self._use_samples(
                detail,
                point,
                progress,
                lambda source: (
                    measure_source(machine, source, f"{detail.file.name}, {point.name}", None)
                    if entries_in(machine, source.layout)
                    else {}
                ),
            )
            if place is not None:
                where, values = place, [[*at, asdict(each)] for at, each in found.items()]
                keep(lambda: save_values(where, key, values))
            return found

        return self._small.get(key, compute)

    # -- suspects -------------------------------------------------------------------------------------------

    def weighing(self, progress: Progress | None = None) -> Weighing | None:
        """The suspects, by everything but what was taken to prove a repair; None without paths.

        Raises:
            WrongbitError: A capture, the machine file or a reference cannot be used.
        """
        return None if not self.machine.path else self._weighed(progress)[0]

    def weighing_notes(self, progress: Progress | None = None) -> tuple[str, ...]:
        """What the readers want a person to know, and what did not count."""
        return () if not self.machine.path else self._weighed(progress)[1]

    def proposals(self, progress: Progress | None = None) -> tuple[Proposal, ...]:
        """What to measure next, the most telling first; nothing without paths.

        Raises:
            WrongbitError: As `weighing`.
        """
        if not self.machine.path:
            return ()
        key, found = self._weighed_by_key(progress)
        return self._proposed(key, found[0])

    def weighing_key(self) -> str:
        """Key of the suspects."""
        state = self._state()
        captures = [[each.point, each.file.sha256, each.file.name] for _, each in self._witness_captures()]
        readings = [[each.chip, each.file.sha256, each.format] for _, each in self.readings(proof=False)]
        by_hand = [asdict(each) for _, each in self.case.of_kind(MeasurementAdded)]
        images = self._images(state.machine)
        return key_of("suspects", FORMAT, state.key, images, captures, readings, by_hand, self.noise)

    def _weighed(self, progress: Progress | None) -> tuple[Weighing, tuple[str, ...]]:
        return self._weighed_by_key(progress)[1]

    def _weighed_by_key(self, progress: Progress | None) -> tuple[str, tuple[Weighing, tuple[str, ...]]]:
        work = self._frozen
        key, found = self._steady(self._small, work.weighing_key, lambda: work._weigh(progress))
        self._record(
            "suspects",
            key,
            lambda: suspects_finding(found[0], work._proposed(key, found[0]), work._witnesses(), found[1]),
        )
        return key, found

    def _proposed(self, key: str, weighing: Weighing) -> tuple[Proposal, ...]:
        return self._small.get(key_of("proposals", key), lambda: proposals(weighing))

    def _witnesses(self) -> list[Stored]:
        """The originals that the suspects were weighed by."""
        captures = [each.file for _, each in self._witness_captures()]
        return captures + [each.file for _, each in self.readings(proof=False)]

    def _witness_captures(self) -> tuple[tuple[Entry, CaptureAdded], ...]:
        """Captures but those of a proof; one that was added twice at a point is one witness, not two."""
        return witnesses(self.captures(proof=False))

    def _weigh(self, progress: Progress | None) -> tuple[Weighing, tuple[str, ...]]:
        machine, folder = self.machine, self.case.machine_file.parent
        structure = Structure(machine)
        looks, notes = [], []
        for entry, detail in self._witness_captures():
            try:
                job, comparison = self.job(detail.point), self.comparison(entry, progress)
            except CaptureError as error:
                notes.append(left_out(self.case.folder, entry, error))
                continue
            evidence = gather_evidence(comparison.cycles, comparison.verdicts)
            label = f"{detail.file.name} at {detail.point}"
            seen = structure.chips_seen(job.point)
            looks.append(Look.of(job.point, label, evidence, job.memory_map, self.noise, seen))
            own = list(comparison.notes)
            if (comparison.verdicts.verdict == DIFFERS).any():
                # The suspects take the capture as it is: they are worth nothing while it is not.
                first = self.diagnosis(entry, progress).check_first
                own = [f"{FIRST}{label}: {each.say()}" for each in first if each.faults][:1] + own
            notes += [note for note in own if note not in notes]
        by_hand, told = measurements_of(structure, folder, self.case.of_kind(MeasurementAdded))
        readings: dict[str, list[tuple[Path, ReadingAdded]]] = {}
        for _, reading in self.readings(proof=False):
            readings.setdefault(reading.chip, []).append((self.original(reading.file), reading))
        read, more = readings_compared(machine, folder, readings)
        return weigh_suspects(structure, looks, [*by_hand, *read]), (*notes, *told, *more)

    # -- chips ----------------------------------------------------------------------------------------------

    def readings(
        self, chip: str | None = None, *, proof: bool | None = None
    ) -> tuple[tuple[Entry, ReadingAdded], ...]:
        """Readings that count, oldest first.

        Args:
            chip: Only of this one.
            proof: Only those that were taken to prove a repair, or only the others; None: all.
        """
        return tuple(
            (entry, each)
            for entry, each in self.case.of_kind(ReadingAdded)
            if (chip is None or each.chip == chip) and (proof is None or is_proof(each.note) == proof)
        )

    def examination(self, chip: str, *, proof: bool = False, noise: float = READ_NOISE) -> Examination:
        """All readings of a chip, from every side.

        Args:
            chip: Reference designator of a ROM.
            proof: Those that were taken to prove a repair, in place of all others.
            noise: Probability that a sound bit is read wrong in one pass.

        Raises:
            UsageError: There is no such ROM, or nothing was read from it.
            WrongbitError: A reading or a reference cannot be used.
        """
        work = self._frozen
        if noise != READ_NOISE:
            return work._examine(chip, proof=proof, noise=noise)
        key, found = self._steady(
            self._large,
            lambda: work.examination_key(chip, proof=proof),
            lambda: work._examine(chip, proof=proof, noise=noise),
        )
        if not proof:
            self._record(
                "chip", key, lambda: chip_finding(work.bare_chip(chip), found, work._read_hashes(chip))
            )
        return found

    def _read_hashes(self, chip: str) -> list[Stored]:
        return [each.file for _, each in self.readings(chip, proof=False)]

    def examination_key(self, chip: str, *, proof: bool = False) -> str:
        """Key of what a chip's readings tell."""
        state = self._state()
        readings = [[each.file.sha256, each.file.name, each.format, dict(each.conditions)]
                    for _, each in self.readings(chip, proof=proof)]  # fmt: skip
        twins = [each.file.sha256 for each in self._references("twin", chip)]
        return key_of("chip", FORMAT, state.key, self._images(state.machine), chip, readings, twins, proof)

    def _references(self, kind: str, chip: str) -> list[ReferenceAdded]:
        found = [each for _, each in self.case.of_kind(ReferenceAdded)]
        return [
            each
            for each in found
            if each.kind == kind and each.chip in (chip, "") and not is_programmed(each.note)
        ]

    def _examine(self, name: str, *, proof: bool, noise: float) -> Examination:
        machine, folder = self.machine, self.case.machine_file.parent
        chip = rom_named(machine, name)
        given = self.readings(name, proof=proof)
        if not given:
            raise UsageError(
                f"Nothing was read from {name} yet.", "Read it several times and add the files to the case."
            )
        passes = [loaded_reading(machine, self.original(each.file), each) for _, each in given]
        alone, others, _ = references_of(machine, chip, folder)
        order = machine.processor_of(chip.processor).byte_order
        twin = None
        twins = self._references("twin", name)
        if twins and not proof:
            path = self.original(twins[-1].file)
            twin = Reading(
                load_reading(path, chip.words, chip.bits, byte_order=order), name=twins[-1].file.name
            )
        return examine(
            passes, alone, others=others, twin=twin, chip_type=chip.type, byte_order=order, noise=noise
        )

    def reference(self, chip: str) -> ChipMap:
        """A ROM on its board with what it should hold.

        Raises:
            UsageError: There is no such ROM.
            ImageError: Its reference cannot be used.
        """
        machine = self.machine
        return references_of(machine, rom_named(machine, chip), self.case.machine_file.parent)[0]

    def bare_chip(self, name: str) -> ChipLine:
        """A chip's line without what its readings tell."""
        machine = self.machine
        chip = next(each for each in machine.chip if each.name == name)
        processor = machine.processor_of(chip.processor)
        key = key_of("references", self._state().key, self._images(machine), processor.name)

        def known() -> dict[str, bool]:
            place = self._place(f"machine/references-{key[:24]}.json")
            kept = None if place is None else load_values(place, key)
            if kept is not None:
                return dict(kept)
            try:
                found = build_memory_map(machine, processor, self.case.machine_file.parent)
            except WrongbitError:
                return {}
            told = {each.name: bool(each.known.any()) for each in found.chips}
            if place is not None:
                keep(lambda: save_values(place, key, told))
            return told

        has_reference = self._small.get(key, known).get(name, False)
        return bare_chip(chip, machine, len(self.readings(name, proof=False)), has_reference=has_reference)

    def rebuilt(
        self,
        chip: str,
        *,
        checksums: Sequence[str] = (),
        undo: Sequence[str] = (),
        progress: Progress | None = None,
    ) -> Rebuilt:
        """A chip's contents from everything in the case: readings, twins, listings, added images, captures.

        Args:
            chip: Reference designator of a ROM.
            checksums: What the bytes obey, as ``wrongbit rebuild --checksum`` takes it.
            undo: Faults of the readings to take back; ``none``: look for none.
            progress: Told how far the reading of captures is.

        Raises:
            UsageError: There is no such ROM, or nothing to rebuild it from.
            WrongbitError: A file cannot be used.
        """
        return self.rebuilding(chip, checksums=checksums, undo=undo, progress=progress).rebuilt

    def rebuilding(
        self,
        chip: str,
        *,
        checksums: Sequence[str] = (),
        undo: Sequence[str] = (),
        progress: Progress | None = None,
    ) -> Rebuilding:
        """The same with the sources and the faults that were taken back."""
        work = self._frozen

        def key_now() -> str:
            captures = [[each.point, each.file.sha256] for _, each in work._witness_captures()]
            asked = [list(checksums), list(undo)]
            return key_of("rebuild", work.examination_key(chip), work._state().key, captures, *asked)

        key, found = self._steady(
            self._large, key_now, lambda: work._rebuild(chip, checksums, undo, progress)
        )
        self._record("rebuild", key, lambda: rebuild_finding(chip, found, work._read_hashes(chip)))
        return found

    def _rebuild(
        self, name: str, checksums: Sequence[str], undo: Sequence[str], progress: Progress | None
    ) -> Rebuilding:
        machine = self.machine
        work = ChipSources(machine, self.case.machine_file, rom_named(machine, name), READ_NOISE)
        others = work.twins([self.original(each.file) for each in self._references("twin", name)])
        others += work.listings([self.original(each.file) for each in self._references("listing", name)])
        for each in self._references("image", name):
            as_read = ReadingAdded(name, each.file, each.format)
            image = loaded_reading(machine, self.original(each.file), as_read)
            others.append(from_contents(image.contents, "reference", f"reference {each.file.name}"))
        own = self._own_references(work)
        others += own
        if not (combine(own, (work.chip.words, work.chip.bits)) != 0).all():
            # Captures show the chip with its fault in place: beside a whole image they would only confirm it.
            others += self._bus_sources(work, progress)
        readings = [loaded_reading(machine, self.original(each.file), each)
                    for _, each in self.readings(name, proof=False)]  # fmt: skip
        if not readings and not others:
            raise UsageError(
                f"There is nothing to rebuild {name} from.",
                "Add a reading of it, a twin, a listing, or a capture in which it was read.",
            )
        return work.rebuilt(readings, others, checksums, undo)

    def _own_references(self, work: ChipSources) -> list[Source]:
        """The machine file's image and listings, whole or torn.

        Without them a fault's words would pass for contents.
        """
        folder = self.case.machine_file.parent
        added = {each.file.sha256 for _, each in self.case.of_kind(ReferenceAdded)}

        def is_own(name: str) -> bool:
            """The file is there, and was not added to the case as well: it would count twice."""
            file = folder / name
            return not Path(name).is_absolute() and file.is_file() and file_hash(file) not in added

        return [*work.own_image(is_own), *work.own_listings(is_own)]

    def _bus_sources(self, work: ChipSources, progress: Progress | None) -> list[Source]:
        """The captures at the processor's own pins, as one source."""
        parts, names = [], []
        for entry, detail in self._witness_captures():
            point = point_named(self.machine, detail.point)
            own = self.machine.processor_of(point.processor).name == work.processor.name
            if not own or point.chip is not None or not point.address_trusted:
                continue
            job = Job(self.machine, self.case.machine_file, work.processor, point, work.map())
            try:
                parts.append(self._cycles(detail, job, progress)[0])
            except CaptureError as error:
                work.notes.append(left_out(self.case.folder, entry, error))
                continue
            names.append(detail.file.name)
        return [work.bus(parts, names)] if parts else []

    def fitting(
        self,
        chip: str,
        *,
        shape: str | None = None,
        selects: Sequence[str] = (),
        latched_by: str | None = None,
        choice: Choice | None = None,
        images: int | None = None,
        capture: Entry | None = None,
    ) -> Fitting:
        """Memories that can still be bought for a chip's place.

        Args:
            chip: Reference designator.
            shape: Type number whose pins it has, where the machine file does not tell.
            selects: ``NAME=LEVEL`` texts.
            latched_by: ``SIGNAL EDGE`` text.
            choice: What may be tried; None: everything.
            images: Number of contents to choose from.
            capture: In timing mode, to take bus times from.

        Raises:
            WrongbitError: An option, the machine file or the capture cannot be used.
        """
        machine = self.machine
        need = machine_requirement(machine, chip, shape, selects, latched_by)
        if capture is not None:
            detail = _capture_of(capture)
            point = point_named(machine, detail.point)
            times = self._use_samples(detail, point, None, lambda source: bus_times(machine, point, source))
            need = replace(need, times=times.over(need.times))
        if images is not None:
            need = replace(need, images=images)
        chosen = choice or Choice()
        found = fit(need, chosen)
        taken = None if capture is None else _capture_of(capture).file.sha256
        asked = [chip, shape, list(selects), latched_by, repr(chosen), images, taken]
        self._record("fit", key_of("fit", FORMAT, self._state().key, asked), lambda: fit_finding(chip, found))
        return found

    # -- at a glance ----------------------------------------------------------------------------------------

    def overview(self, progress: Progress | None = None, *, compute: bool = True) -> Overview:
        """The case at a glance.

        Args:
            progress: Told how far the reading of a capture is.
            compute: Compute what is not recorded; else it is left out, and ``up_to_date`` is False.

        Raises:
            MachineFileError: The machine file cannot be used.
        """
        return overview_of(self.at_once(), progress, compute=compute)

    def proof(
        self,
        captures: Sequence[Entry] | None = None,
        readings: Sequence[Entry] | None = None,
        progress: Progress | None = None,
    ) -> Proof:
        """Whether everything that was wrong before is looked at again and right now.

        Args:
            captures: The fresh captures; None: those noted as proof, or the newest since the last wrong one.
            readings: The fresh readings; None: likewise.
            progress: Told how far the reading of a capture is.

        Raises:
            WrongbitError: A file cannot be used.
        """
        work = self._frozen
        while True:  # what was computed while something changed is not known under the key of either
            before = work.proof_key((), ())
            found = prove(work, captures, readings, progress)
            if work.proof_key((), ()) == before:
                break
        if self.case.finding("proof", found.key) is None:
            recorded = proof_finding(work, found)
            plain = json.loads(json.dumps(recorded.result))
            with suppress(CaseError):  # a case that may only be read
                self.case.add(replace(recorded, result=plain))
        return found

    def proof_key(self, captures_after: Sequence[int], readings_after: Sequence[int]) -> str:
        """Key of a proof with these fresh entries."""
        state = self._state()
        told = [FORMAT, state.key, self._images(state.machine)]
        return key_of_proof(self, captures_after, readings_after, told)

    # -- recording ------------------------------------------------------------------------------------------

    def recorded(self, what: str, key: str) -> dict[str, Any] | None:
        """The result with this key as JSON values, from the journal, or from memory where none is kept."""
        found = self.case.finding(what, key)
        if found is not None:
            return dict(found.result)
        kept: dict[str, Any] | None = self._unwritten.find(f"{what} {key}")
        return kept

    def _record(self, what: str, key: str, make: Callable[[], Recordable]) -> None:
        """Write a result into the journal unless it is there; one that may only be read is left as it is."""
        name = f"{what} {key}"
        if self._unwritten.find(name) is not None or self.case.finding(what, key) is not None:
            return
        says, result, evidence = make()
        plain = json.loads(json.dumps(result))
        try:
            self.case.add(FindingRecorded(what, key, says, plain, evidence))
        except CaseError:
            self._unwritten.put(name, plain)


def _capture_of(entry: Entry) -> CaptureAdded:
    if not isinstance(entry.detail, CaptureAdded):
        raise UsageError(f"Entry {entry.number} of the journal is no capture.", "Choose one that is.")
    return entry.detail


def _own_notes(
    job: Job, source: SampleSource, detail: CaptureAdded, progress: Progress | None
) -> tuple[Cycles, tuple[str, ...]]:
    """Cycles with what the original's reader had to tell; that it was packed since is nobody's business."""
    cycles, notes = read_samples(job, source, detail.file.name, progress)
    return cycles, notes[1:] if isinstance(source, StoredSource) else notes


@contextmanager
def _as_named(stored: Stored, path: Path) -> Iterator[Path]:
    """Errors about an original call it what the person called it, not its place in the store."""
    try:
        yield path
    except WrongbitError as error:
        if error.file == str(path):
            error.file = stored.name
        raise


def _text_hash(file: Path) -> str:
    """Hash of the machine file; an empty text where it cannot be read, which loading it tells better."""
    try:
        return hashlib.sha256(file.read_bytes()).hexdigest()
    except OSError:
        return ""


def _packed(place: Path, point: Point, detail: CaptureAdded) -> StoredSource:
    """The packed samples.

    Raises:
        CaptureError: They are not there, damaged, or of another original.
    """
    source = open_stored(place, point)
    if source.source_hash != detail.file.sha256:
        raise CaptureError("It was made of another file.", "It is made anew.", file=str(place))
    return source
