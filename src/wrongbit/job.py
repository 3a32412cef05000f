"""The main job as plain functions: open a machine and a capture, rebuild, compare, weigh the faults.

Both the command line and the demo call these, so that a demo proves what a user's own files go through.
Files are opened here; nothing is printed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence, Set
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from itertools import islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wrongbit.align.addresses import recover_on_bus
from wrongbit.align.leads import LeadFinding
from wrongbit.bus.cycles import KIND_CODE, Cycles
from wrongbit.bus.nothing import explain_losses, explain_nothing
from wrongbit.bus.rebuild import Rebuilder
from wrongbit.bus.recipes import bus_widths, recipe_names, resolve_recipe
from wrongbit.bus.rows import cycles_from_rows, row_widths, with_tied_lines
from wrongbit.capture.formats import open_samples, read_cycle_rows
from wrongbit.capture.source import SampleSource
from wrongbit.compare.build import build_memory_map
from wrongbit.compare.doubt import FEW, set_up_doubtful
from wrongbit.compare.judge import judge
from wrongbit.compare.memory_map import MemoryMap
from wrongbit.compare.seen import say_never_seen
from wrongbit.compare.strobes import leave_floating_bytes
from wrongbit.compare.summary import Summary, summarise
from wrongbit.compare.verdicts import DIFFERS, Verdicts
from wrongbit.diagnose.setup import Acted, Mistake, contenders, weigh_together
from wrongbit.errors import CaptureError, UsageError, WrongbitError
from wrongbit.faults.evidence import Evidence, gather_evidence
from wrongbit.faults.findings import Findings
from wrongbit.faults.noise import DEFAULT_RATE
from wrongbit.faults.posterior import weigh
from wrongbit.faults.rows import Rows
from wrongbit.instructions.consequence import Consequence, Place, consequence
from wrongbit.instructions.execution import Execution
from wrongbit.instructions.flow import FlowEvidence, flow_evidence, instruction_words
from wrongbit.instructions.loops import Loop, find_loops
from wrongbit.instructions.sets import instruction_set
from wrongbit.machine.load import load_machine
from wrongbit.machine.lookup import point_named
from wrongbit.machine.model import Machine, Point, Processor
from wrongbit.machine.recipe import parse_part

Progress = Callable[[int, int], None]
"""Called now and then with the bytes done and the bytes in all."""

DEFAULT_NOISE = DEFAULT_RATE
"""Probability that a bit is read wrong for no other reason, where nobody says otherwise."""


FIRST = "Check this first: "
"""Begins a note that is told before any result: what follows may rest on a capture that misses something."""


@dataclass(frozen=True)
class Job:
    """A machine with what its memories should hold, seen from one probe point.

    Args:
        machine: The machine file.
        machine_file: Where it lies.
        processor: Whose bus is looked at.
        point: Where the capture was taken.
        memory_map: The chips on that bus with their reference.
    """

    machine: Machine
    machine_file: Path
    processor: Processor
    point: Point
    memory_map: MemoryMap


@dataclass(frozen=True)
class Comparison:
    """A capture's cycles with their verdicts and counts.

    Args:
        cycles: Every bus cycle.
        verdicts: One for each cycle.
        summary: Counts.
        notes: What the readers want a person to know.
    """

    cycles: Cycles
    verdicts: Verdicts
    summary: Summary
    notes: tuple[str, ...]

    @property
    def nothing_judged(self) -> bool:
        """No read could be judged, so that the capture says nothing about the machine, good or bad."""
        return not self.summary.agrees and not self.summary.differs


def open_job(machine_file: Path, *, point: str | None = None) -> Job:
    """Load a machine file with its reference contents.

    Args:
        machine_file: The TOML file.
        point: Name of the probe point; may be left out where there is only one.

    Raises:
        MachineFileError: The file cannot be used.
        ImageError: A reference file cannot be used.
        UsageError: The probe point is not there, or must be named.
    """
    machine = load_machine(machine_file, recipe_names=recipe_names())
    return job_of(machine, machine_file, point=point)


def job_of(machine: Machine, machine_file: Path, *, point: str | None = None) -> Job:
    """The same of a machine that is loaded already.

    Args:
        machine: The machine.
        machine_file: Where its file lies, beside the references.
        point: Name of the probe point; may be left out where there is only one.

    Raises:
        ImageError: A reference file cannot be used.
        UsageError: The probe point is not there, or must be named.
    """
    chosen = point_named(machine, point)
    processor = machine.processor_of(chosen.processor)
    memory_map = build_memory_map(machine, processor, machine_file.parent)
    return Job(machine, machine_file, processor, chosen, memory_map)


def read_capture(
    job: Job, capture: Path, progress: Progress | None = None, *, recover: bool = True
) -> tuple[Cycles, tuple[str, ...]]:
    """A capture's bus cycles, with what the reader wants a person to know.

    Args:
        job: The machine and the probe point.
        capture: CSV, VCD or typed text.
        progress: Told how far the reading is.
        recover: Recover the addresses from the words where the machine file says that those of this probe
            point are not to be relied on; if not, they are given as they were captured.

    Raises:
        CaptureError: The file cannot be used, or holds no bus cycle, or addresses cannot be recovered.
        UsageError: The probe point is on a chip, where there are no bus cycles.
    """
    if job.point.chip is not None:
        raise UsageError(
            f"The probe point {job.point.name!r} is on the outputs of {job.point.chip}: what was captured "
            "there are words, not bus cycles.",
            "Use 'wrongbit recover', which finds the address of each word.",
        )
    if job.point.mode == "cycles":
        rows = read_cycle_rows(capture, job.point, row_widths(job.processor))
        notes = rows.notes
        if rows.unread_status is not None and rows.unread_status.any():
            # Taken for reads, writes and idle cycles would accuse sound chips.
            count = int(rows.unread_status.sum())
            notes += (
                f"{count} of {len(rows.kind)} rows have such a text; taken as idle, they are not judged.",
            )
            rows = replace(rows, kind=np.where(rows.unread_status, KIND_CODE["idle"], rows.kind))
        if (rows.kind < 0).any():
            missing = int((rows.kind < 0).sum())
            notes += (f"{missing} of {len(rows.kind)} rows have no status; taken as reads.",)
        cycles = with_tied_lines(cycles_from_rows(rows, job.processor), job.point)
        if rows.bank is None:
            cycles, notes = _without_bank(job, cycles), notes + _bank_note(job, set(), ())
        return _with_addresses(job, cycles, notes, str(capture)) if recover else (cycles, notes)
    source = open_samples(capture, job.point, bus_widths(job.processor))
    return read_samples(job, source, str(capture), progress, recover=recover)


def read_samples(
    job: Job, source: SampleSource, file: str, progress: Progress | None = None, *, recover: bool = True
) -> tuple[Cycles, tuple[str, ...]]:
    """The bus cycles of samples that are open already, with what a person should know.

    Args:
        job: The machine and the probe point; its mode is not 'cycles'.
        source: The samples.
        file: What errors call them.
        progress: Told how far the reading is.
        recover: As in `read_capture`.

    Raises:
        CaptureError: The samples cannot be used, or hold no bus cycle, or addresses cannot be recovered.
    """
    rebuilder = Rebuilder(job.processor, job.point)
    cycles = rebuilder.read_all(source, progress)
    if not len(cycles):
        raise CaptureError(
            "No bus cycle could be found in this capture.",
            "Check the clips on the signals that never moved and the columns at the probe point.",
            file=file,
            notes=explain_nothing(rebuilder, source.chunks()),
        )
    losses = explain_losses(rebuilder, cycles)
    notes = (*(FIRST + each for each in losses), *source.notes, *rebuilder.notes)
    if rebuilder.reads_changes and job.point.skew is None:
        notes += (
            "A list of changes is read with no allowance for channels that are late. If it comes from an "
            "instrument and not from a simulation, give the probe point a skew, such as '10 ns'.",
        )
    signals = {parse_part(part)[0] for part in rebuilder.recipe.bank}
    if not signals:
        cycles = _without_bank(job, cycles)
    notes += _bank_note(job, signals, rebuilder.unseen_bank)
    return _with_addresses(job, cycles, notes, file) if recover else (cycles, notes)


SURE = 0.95
"""Least probability of a recovered address at which its word is judged. A choice."""


def _with_addresses(
    job: Job, cycles: Cycles, notes: tuple[str, ...], file: str
) -> tuple[Cycles, tuple[str, ...]]:
    """Addresses recovered from the words, where those that were captured are not to be relied on.

    Cycles whose address is not found for sure have none; their words are not judged.
    """
    if job.point.address_trusted:
        return cycles, notes
    found, rows, bank, address = recover_on_bus(cycles, job.memory_map)
    if not len(rows) or not found.fits:
        raise CaptureError(
            f"The machine file says that the addresses at {job.point.name!r} are not to be relied on, and "
            "the words do not follow each other as in any ROM of it, so that none can be recovered.",
            "Check the data clips with 'wrongbit leads' and the references, or capture the address and take "
            "'address_trusted = false' out.",
            file=file,
        )
    sure = (found.confidence >= SURE) & ~found.elsewhere
    at = rows[sure]
    whole = np.uint64((1 << job.processor.address_bits) - 1)
    banks, addresses, known = cycles.bank.copy(), np.zeros_like(cycles.address), np.zeros_like(cycles.address)
    banks[at], addresses[at], known[at] = bank[sure], address[sure], whole
    told = (
        f"The addresses are recovered from the words, as the machine file says that those at "
        f"{job.point.name!r} are not to be relied on: {len(at)} of {len(rows)} reads; the others, among them "
        "those of RAM and of single constants, are not judged."
    )
    return replace(cycles, bank=banks, address=addresses, address_known=known), (*notes, told)


def _has_banks(job: Job) -> bool:
    """Some chip answers in another bank than 0, so that the bank must be seen."""
    return any(region.bank for chip in job.memory_map.chips for region in chip.regions)


def _without_bank(job: Job, cycles: Cycles) -> Cycles:
    """The cycles of a capture that has no bank: it is not known, where the machine has banks."""
    return replace(cycles, bank=np.full(len(cycles), -1, np.int32)) if _has_banks(job) else cycles


def _bank_note(job: Job, signals: Set[str], unseen: Sequence[str]) -> tuple[str, ...]:
    """That the bank is not seen, so that what depends on it is not judged.

    Args:
        job: The machine.
        signals: What the bank number is made of; nothing where the capture has no bank.
        unseen: Of these, what the capture lacks.
    """
    if not _has_banks(job):
        return ()
    if signals <= set(unseen):
        return (
            "The capture does not show the bank: only chips that answer in every bank are judged, reads of "
            "the others are not known.",
        )
    if unseen:
        names = ", ".join(map(repr, unseen))
        return (
            f"The capture does not show {names}, so that no bank number is known: only chips that answer in "
            "every bank are judged, reads of the others are not known.",
        )
    return ()


def compare_capture(job: Job, capture: Path, progress: Progress | None = None) -> Comparison:
    """Rebuild a capture's cycles and judge each of them.

    Args:
        job: The machine and the probe point.
        capture: CSV, VCD or typed text.
        progress: Told how far the reading is.
    """
    cycles, notes = read_capture(job, capture, progress)
    return compare_cycles(job, cycles, notes)


def compare_cycles(job: Job, cycles: Cycles, notes: Sequence[str]) -> Comparison:
    """Judge cycles that are rebuilt already.

    Args:
        job: The machine and the probe point.
        cycles: From `read_capture`.
        notes: Likewise.
    """
    verdicts, halves, left = leave_floating_bytes(cycles, judge(cycles, job.memory_map))
    summary = summarise(cycles, verdicts, job.memory_map)
    unseen = say_never_seen(cycles, job.memory_map)
    first = [note for note in notes if note.startswith(FIRST)]
    rest = [note for note in notes if not note.startswith(FIRST)]
    unseen = (*unseen, *_say_unstrobed(job, halves, left))
    told = (*(FIRST + each for each in unseen), *first, *job.memory_map.notes, *rest)
    return Comparison(cycles, verdicts, summary, told)


def _say_unstrobed(job: Job, reads: int, left: bool) -> tuple[str, ...]:
    """What the missing columns of byte strobes may feign, and how to map them."""
    if not reads:
        return ()
    strobes = [name for name in row_widths(job.processor) if name not in ("address", "word")]
    told = f"{'Of the data reads' if left else 'Of the reads'} {reads} differ in one byte only"
    were = ", which was not judged" if left else ""
    return (
        f"{told}{were}. No column has {' and '.join(strobes)}: the byte that a byte read does not ask for "
        "floats, and looks like this in a sound machine. Export these lines, and map their column under "
        f'\'columns\' of {job.point.name!r}: "COLUMN" = "{" ".join(strobes)}", first digit first.',
    )


@dataclass(frozen=True)
class Diagnosis:
    """A comparison with the faults that may be behind it.

    Args:
        comparison: The cycles and their verdicts.
        evidence: The unique observations that were weighed.
        findings: Faults by posterior odds, ties as ties.
        clips: Mistakes at the probe's clips that cannot be told from the best explanation: with them a sound
            machine would show the same words, or a machine with the fault that goes with the mistake.
        mistakes: Mistakes at the clips or in the machine file, alone or together with a fault of the machine,
            likeliest first; their odds and those of the findings sum to 1.
    """

    comparison: Comparison
    evidence: Evidence
    findings: Findings
    clips: tuple[LeadFinding, ...] = ()
    mistakes: tuple[Mistake, ...] = ()

    @property
    def check_first(self) -> tuple[Mistake, ...]:
        """Mistakes that cannot be told from the best explanation: they are checked in a minute."""
        return contenders(self.findings, self.mistakes)

    @property
    def set_up_doubtful(self) -> bool:
        """Whether a mistake in machine file or clips is as likely as a fault.

        It is where nothing explains the words, none agrees, or few do on few lines: a file that gives a
        chip's outputs in the wrong order makes most of its words wrong. That is found in a minute.
        """
        summary = self.comparison.summary
        nothing_agrees = summary.agrees == 0 and summary.differs >= FEW
        doubt = not self.findings.fits or nothing_agrees or set_up_doubtful(summary)
        return self.findings.fault_seen and doubt

    @property
    def blames_nobody(self) -> bool:
        """Whether few words agree and few lines are right, so that the set-up alone is to be looked at.

        A fault may fit all the same: one that leads every read to where nothing is known explains whatever
        was captured.
        """
        return self.findings.fault_seen and set_up_doubtful(self.comparison.summary)


def diagnose(job: Job, comparison: Comparison, *, noise: float = DEFAULT_NOISE) -> Diagnosis:
    """Weigh all faults, and mistakes at the clips and in the machine file, in the light of a comparison.

    Args:
        job: The machine and the probe point.
        comparison: From `compare_capture`.
        noise: Probability that a bit is read wrong for no other reason, above 0 and below 0.5.
    """
    evidence = gather_evidence(comparison.cycles, comparison.verdicts)
    findings = weigh(evidence, job.memory_map, noise=noise)
    findings, mistakes = weigh_together(
        findings,
        Rows.of(evidence, job.memory_map),
        comparison.cycles,
        shared_bus=resolve_recipe(job.processor).held == "address",
        acted=_acted(job, comparison) if findings.fault_seen else None,
        acted_on=lambda cycles, verdicts: _acted(job, replace(comparison, cycles=cycles, verdicts=verdicts)),
    )
    leads = (each.lead for each in contenders(findings, mistakes) if each.lead is not None)
    clips = tuple(dict.fromkeys(leads))
    return Diagnosis(comparison, evidence, findings, clips, mistakes)


ACTED_ON = 24
"""Wrong instruction words that are looked at to tell clips from machine, the earliest first."""


def _acted(job: Job, comparison: Comparison) -> Acted | None:
    """On which words the processor acted, where its instructions are known."""
    try:
        execution = open_execution(job, comparison)
    except WrongbitError:
        return None
    words = islice(instruction_words(execution, _wrong(comparison)), ACTED_ON)
    verdicts = [flow_evidence(execution, row).acted for row in words]
    return Acted(verdicts.count("wrong word"), verdicts.count("right word"))


WORDS_EXPLAINED = 2000
"""Wrong instruction words that are looked at one by one, the earliest first."""


@dataclass(frozen=True)
class Explanation:
    """On which words the processor acted, and what became of it.

    Args:
        comparison: The cycles and their verdicts.
        execution: The cycles as instructions.
        evidence: Of the cycle that was asked for, or of the first wrong instruction word; None where no word
            is wrong.
        consequence: What followed the cycle of ``evidence``.
    """

    comparison: Comparison
    execution: Execution
    evidence: FlowEvidence | None
    consequence: Consequence

    # What follows is of the whole capture, and computed when it is asked for.

    @cached_property
    def all_evidence(self) -> tuple[FlowEvidence, ...]:
        """Of every wrong instruction word, up to `WORDS_EXPLAINED`."""
        words = instruction_words(self.execution, _wrong(self.comparison))
        return tuple(flow_evidence(self.execution, row) for row in islice(words, WORDS_EXPLAINED))

    @cached_property
    def loops(self) -> tuple[Loop, ...]:
        """Loops that the processor went round."""
        return find_loops(self.execution)


def explain(
    job: Job, comparison: Comparison, cycle: int | None = None, execution: Execution | None = None
) -> Explanation:
    """Decode the expected and the seen word of a cycle and tell from what followed which one was acted on.

    Args:
        job: The machine and the probe point.
        comparison: From `compare_capture`.
        cycle: Which cycle; left out: the first wrong word that is part of an instruction, or where there is
            none the first wrong word.
        execution: From `open_execution`, of the same; left out: it is opened.

    Raises:
        MachineFileError: The instruction set cannot be used.
        UsageError: The machine file names no instruction set, or there is no such cycle.
    """
    execution = open_execution(job, comparison) if execution is None else execution
    if cycle is not None and not 0 <= cycle < len(comparison.cycles):
        raise UsageError(
            f"There is no cycle {cycle}: this capture has {len(comparison.cycles)}, counted from 0.",
            "Name a cycle that 'wrongbit cycles' lists.",
        )
    if cycle is None:
        wrong = _wrong(comparison)
        cycle = next(instruction_words(execution, wrong), int(wrong[0]) if len(wrong) else None)
    if cycle is None:
        return Explanation(comparison, execution, None, Consequence(()))
    evidence, followed = explain_word(job, execution, cycle)
    differs = comparison.verdicts.verdict[cycle] == DIFFERS
    return Explanation(comparison, execution, evidence, followed if differs else Consequence(()))


def explain_word(job: Job, execution: Execution, cycle: int) -> tuple[FlowEvidence, Consequence]:
    """On which word the processor acted in a cycle, and what followed.

    Args:
        job: The machine and the probe point.
        execution: From `open_execution`.
        cycle: A cycle that differs.
    """
    evidence = flow_evidence(execution, cycle)
    return evidence, consequence(execution, evidence, lambda bank, address: _place(job, bank, address))


def _wrong(comparison: Comparison) -> NDArray[np.intp]:
    """``intp (k,)`` cycles that differ, in order."""
    return np.flatnonzero(comparison.verdicts.verdict == DIFFERS)


_LOOKED_UP = 1 << 14
"""Words of the reference that are kept for the decoders, which ask for them one by one."""


def open_execution(job: Job, comparison: Comparison) -> Execution:
    """A comparison's cycles as instructions.

    Raises:
        MachineFileError: The instruction set cannot be used.
        UsageError: The machine file names no instruction set, or the addresses are not to be relied on.
    """
    if not job.point.address_trusted:
        raise UsageError(
            f"The addresses at {job.point.name!r} are not to be relied on, and without them the program "
            "cannot be followed.",
            "Capture the address as well, and take 'address_trusted = false' out of the machine file.",
        )
    found = instruction_set(job.processor, job.machine_file.parent, str(job.machine_file))
    if found is None:
        raise UsageError(
            f"{job.machine.machine.name} does not say which instructions {job.processor.name} has.",
            "Give the processor the key instructions: a built-in set, or 'table:FILE' "
            "(docs/instructions.md tells how to write one).",
        )
    verdicts = comparison.verdicts

    @lru_cache(_LOOKED_UP)
    def reference(bank: int, address: int) -> tuple[int, int]:
        word, known = job.memory_map.expected(np.array([bank], np.int32), np.array([address], np.uint64))
        return int(word[0]), int(known[0])

    return Execution(comparison.cycles, job.processor, found, verdicts.expected, verdicts.judged, reference)


def _place(job: Job, bank: int, address: int) -> Place | None:
    """The kind of chip that answers at an address; memories come before ports, whose space may be another."""
    banks, addresses = np.array([bank], np.int32), np.array([address], np.uint64)
    kinds = {chip.kind for chip in job.memory_map.chips if chip.selected(banks, addresses)[0]}
    order: tuple[Place, ...] = ("rom", "ram", "io")
    return next((kind for kind in order if kind in kinds), None)
