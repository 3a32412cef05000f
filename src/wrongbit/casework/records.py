"""What the journal keeps of a result: a sentence, JSON values, and the evidence that it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from wrongbit.bringup.ladder import Ladder
from wrongbit.case.entries import CaptureAdded, Entry, EvidenceRows, Stored
from wrongbit.casework.lines import (
    bare_capture,
    capture_line,
    chip_line,
    confirmation_lines,
    first_wrong,
    proposal_lines,
    rung_lines,
    suspect_lines,
)
from wrongbit.casework.overview import ChipLine
from wrongbit.casework.sources import Rebuilding
from wrongbit.casework.words import counted, differing, weighing_conclusion
from wrongbit.diagnose.planning import Proposal
from wrongbit.diagnose.suspects import Weighing
from wrongbit.job import Comparison, Diagnosis, Explanation, Job
from wrongbit.reading.examine import Examination
from wrongbit.replace.fit import Fitting

Recordable = tuple[str, dict[str, Any], tuple[EvidenceRows, ...]]
"""Sentence, JSON values, evidence."""

EVIDENCE_ROWS = 50
"""Rows that are named as evidence: the first ones."""


def _wrong_rows(comparison: Comparison, detail: CaptureAdded) -> tuple[EvidenceRows, ...]:
    rows = differing(comparison, EVIDENCE_ROWS)
    says = "samples or rows from which the first wrong words were taken" if rows else "all of it agrees"
    return (EvidenceRows(detail.file.sha256, rows, says),)


def compare_finding(job: Job, found: Comparison, detail: CaptureAdded) -> Recordable:
    """A comparison."""
    summary = found.summary
    word = first_wrong(job, found)
    says = (
        f"{detail.file.name} at {detail.point}: {summary.agrees} words agree, {summary.differs} differ, "
        f"{summary.not_known} not known."
    )
    result = {
        "cycles": summary.cycles,
        "reading": summary.reading,
        "agrees": summary.agrees,
        "differs": summary.differs,
        "not_known": summary.not_known,
        "judged_share": summary.judged_share,
        "first_wrong": None if word is None else asdict(word),
    }
    return says, result, _wrong_rows(found, detail)


def diagnose_finding(job: Job, found: Diagnosis, entry: Entry, detail: CaptureAdded) -> Recordable:
    """A diagnosis, as the overview shows it."""
    line = capture_line(bare_capture(entry, detail), job, found)
    says = f"{detail.file.name} at {detail.point}: "
    if not found.findings.fault_seen:
        says += found.findings.remark()
    else:
        ties = len(found.findings.groups[0])
        says += found.findings.best.say()
        says += f" ({counted(ties - 1, 'explanation')} more cannot be told from it.)" if ties > 1 else ""
    return says, {"line": asdict(line)}, _wrong_rows(found.comparison, detail)


def explain_finding(found: Explanation, detail: CaptureAdded) -> Recordable:
    """Which word the processor acted on."""
    evidence = found.evidence
    if evidence is None:
        says = f"{detail.file.name} at {detail.point}: no word of an instruction is wrong."
        return says, {"cycle": None}, (EvidenceRows(detail.file.sha256),)
    cycle = evidence.row
    sample = int(found.comparison.cycles.sample[cycle])
    says = f"{detail.file.name} at {detail.point}, cycle {cycle}: {evidence.acted}."
    result = {"cycle": cycle, "acted": evidence.acted, "reasons": list(evidence.reasons)}
    return says, result, (EvidenceRows(detail.file.sha256, (sample,), "the word that was explained"),)


def suspects_finding(
    weighing: Weighing, found: Sequence[Proposal], stored: Sequence[Stored], notes: Sequence[str]
) -> Recordable:
    """Suspects, and what to measure next."""
    told = weighing_conclusion(weighing)
    result = {
        "suspects": [asdict(each) for each in suspect_lines(weighing)],
        "doubt": weighing.doubt,
        "conclusion": told,
        "fault_seen": weighing.fault_seen,
        "proposals": [asdict(each) for each in proposal_lines(weighing.structure.machine, found)],
        "confirmations": [asdict(each) for each in confirmation_lines(weighing)],
        "notes": list(notes),
    }
    return told, result, tuple(EvidenceRows(each.sha256, (), each.name) for each in stored)


def ladder_finding(found: Ladder, told: str, stored: Sequence[Stored]) -> Recordable:
    """The bring-up ladder."""
    first = found.first_outside
    says = (
        f"First step that fails: {first.title}, {first.measured or first.note}; it should be {first.wanted}."
        if first is not None
        else f"{found.count('within')} steps within limits, {found.count('not measured')} not measured."
    )
    result = {"rungs": [asdict(each) for each in rung_lines(found)], "next": told}
    return says, result, tuple(EvidenceRows(each.sha256, (), each.name) for each in stored)


def chip_finding(line: ChipLine, found: Examination, stored: Sequence[Stored]) -> Recordable:
    """What readings of a chip tell."""
    told = chip_line(line, found)
    wrong: tuple[int, ...] = ()
    if found.wrong is not None:
        wrong = tuple(int(word) for word in np.flatnonzero(found.wrong)[:EVIDENCE_ROWS])
    evidence = tuple(
        EvidenceRows(each.sha256, wrong, "words that were read wrong in some pass" if wrong else each.name)
        for each in stored
    )
    return f"{told.name}: {told.sentence}", {"line": asdict(told)}, evidence


def rebuild_finding(chip: str, found: Rebuilding, stored: Sequence[Stored]) -> Recordable:
    """Rebuilt contents."""
    rebuilt = found.rebuilt
    says = f"{chip}: rebuilt from {', '.join(source.name for source in found.sources)}; "
    says += "no bit is unknown." if rebuilt.complete else "it is not complete."
    result = {
        "chip": chip,
        "complete": rebuilt.complete,
        "sources": [source.name for source in found.sources],
        "undone": list(found.undone),
        "notes": list(rebuilt.notes),
    }
    return says, result, tuple(EvidenceRows(each.sha256, (), each.name) for each in stored)


def fit_finding(chip: str, found: Fitting) -> Recordable:
    """Memories for a chip's place. It rests on the machine file, which the key has."""
    names = [plan.name for plan in found.plans]
    says = f"{chip}: {names[0]} {found.plans[0].verdict}." if names else f"{chip}: no memory fits."
    result = {
        "chip": chip,
        "plans": [
            {"name": plan.name, "verdict": plan.verdict, "drop_in": plan.drop_in} for plan in found.plans
        ],
        "refused": [{"memory": each.memory, "reasons": list(each.reasons)} for each in found.refused],
    }
    return says, result, ()
