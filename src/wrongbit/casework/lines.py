"""From results to the overview's lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from wrongbit.bringup.ladder import Ladder
from wrongbit.case.entries import CaptureAdded, Entry
from wrongbit.casework.inputs import is_proof
from wrongbit.casework.overview import (
    CaptureLine,
    ChipLine,
    ChipState,
    ConfirmationLine,
    FoundFault,
    OutcomeLine,
    ProposalLine,
    RungLine,
    SuspectLine,
    WrongWord,
)
from wrongbit.casework.words import (
    counted,
    part_kind,
    sentence,
    share_text,
    trigger_text,
    word_sentence,
    wrong_chips,
)
from wrongbit.diagnose.confirm import confirmations
from wrongbit.diagnose.hand import OUTCOMES
from wrongbit.diagnose.planning import Proposal
from wrongbit.diagnose.suspects import Weighing
from wrongbit.faults.findings import Findings
from wrongbit.job import Comparison, Diagnosis, Job
from wrongbit.machine.model import Chip, Machine
from wrongbit.reading.examine import Examination

SHOWN = 8
"""Findings, suspects and proposals in an overview."""


def rung_lines(ladder: Ladder) -> tuple[RungLine, ...]:
    """The ladder."""
    return tuple(
        RungLine(
            group=rung.group,
            name=rung.name,
            key=rung.key,
            title=rung.title,
            wanted=rung.wanted,
            measured=rung.measured,
            verdict=rung.verdict,
            off=rung.off if rung.verdict == "outside" else "",
            test_point=rung.test_point,
            source=rung.source,
            note=rung.note,
            assumed=rung.assumed,
        )
        for rung in ladder.rungs
    )


# -- captures ----------------------------------------------------------------------------------------------


def bare_capture(entry: Entry, detail: CaptureAdded, *, problem: str = "") -> CaptureLine:
    """A capture of which nothing was computed."""
    return CaptureLine(
        entry=entry.number,
        file=detail.file.name,
        sha256=detail.file.sha256,
        point=detail.point,
        note=detail.note,
        at=entry.at.isoformat(),
        proof=is_proof(detail.note),
        problem=problem,
    )


def capture_line(line: CaptureLine, job: Job, diagnosis: Diagnosis) -> CaptureLine:
    """A capture with what was found."""
    comparison, findings = diagnosis.comparison, diagnosis.findings
    summary = comparison.summary
    return replace(
        line,
        mode=job.point.mode,
        cycles=summary.cycles,
        reading=summary.reading,
        agrees=summary.agrees,
        differs=summary.differs,
        not_known=summary.not_known,
        judged_share=summary.judged_share,
        first_wrong=first_wrong(job, comparison),
        findings=_found(findings),
        tied=len(findings.groups[0]) > 1,
        fault_seen=findings.fault_seen,
        remark=findings.remark(),
        check_first=tuple(each.say() for each in diagnosis.check_first),
        notes=comparison.notes,
    )


def first_wrong(job: Job, comparison: Comparison) -> WrongWord | None:
    """The first wrong word, or None."""
    row = comparison.summary.first_wrong
    return None if row is None else wrong_word(job, comparison, row)


def wrong_word(job: Job, comparison: Comparison, row: int) -> WrongWord:
    """One cycle's word beside the one that should have been there."""
    cycles, verdicts = comparison.cycles, comparison.verdicts
    chips = wrong_chips(job, comparison, row)
    lanes = {chip.name: tuple(chip.lane) for chip in job.memory_map.chips}
    return WrongWord(
        cycle=row,
        bank=int(cycles.bank[row]),
        address=int(cycles.address[row]),
        expected=int(verdicts.expected[row]),
        seen=int(cycles.word[row]),
        mask=int(verdicts.wrong[row]),
        judged=int(verdicts.judged[row]),
        word_bits=job.processor.word_bits,
        address_bits=job.processor.address_bits,
        chips=chips,
        lanes=tuple(lanes[name] for name in chips),
        sentence=word_sentence(job, comparison, row),
    )


def _found(findings: Findings) -> tuple[FoundFault, ...]:
    if not findings.fault_seen:
        return ()
    ties = set(findings.groups[0]) if len(findings.groups[0]) > 1 else set()
    order = [*findings.groups[0], *(k for k in range(len(findings.findings)) if k not in findings.groups[0])]
    return tuple(
        FoundFault(each.say(), each.probability, each.parts, number in ties)
        for number in order[:SHOWN]
        for each in [findings.findings[number]]
    )


# -- suspects ----------------------------------------------------------------------------------------------


def suspect_lines(weighing: Weighing) -> tuple[SuspectLine, ...]:
    """Parts by falling suspicion."""
    top = weighing.top()
    return tuple(
        SuspectLine(
            part=each.part,
            kind=part_kind(weighing, each.part),
            share=each.share,
            prior=each.prior,
            way=each.ways[0][0] if each.ways else "",
            tied=each.part in top,
        )
        for each in weighing.suspects()[:SHOWN]
    )


def proposal_lines(machine: Machine, found: Sequence[Proposal]) -> tuple[ProposalLine, ...]:
    """What to measure next."""
    return tuple(_proposal(machine, each) for each in found[:SHOWN])


def confirmation_lines(weighing: Weighing) -> tuple[ConfirmationLine, ...]:
    """What would make sure of the part that the odds have decided for."""
    return tuple(
        ConfirmationLine(each.part, f"{each.text}.", each.confirms, each.clears, each.minutes)
        for each in confirmations(weighing)
    )


def _proposal(machine: Machine, proposal: Proposal) -> ProposalLine:
    asked = proposal.measurement
    line = carries = ""
    if asked is not None and asked.line >= 0:
        line = f"{'D' if asked.carries == 'data' else 'A'}{asked.line}"
        carries = asked.carries
    return ProposalLine(
        kind=proposal.kind,
        place=proposal.place,
        sentence=sentence(proposal.text),
        minutes=proposal.minutes,
        risk=proposal.risk,
        gain=proposal.gain,
        remaining=proposal.remaining,
        setting=trigger_text(machine, proposal),
        line=line,
        carries=carries,
        outcomes=tuple(
            OutcomeLine(
                each.text,
                each.share,
                ", ".join(f"{name} {share_text(share)}" for name, share in each.parts),
            )
            for each in proposal.outcomes
        ),
        can_be=() if asked is None else OUTCOMES[asked.kind],
    )


# -- chips -------------------------------------------------------------------------------------------------


def bare_chip(
    chip: Chip, machine: Machine, readings: int, *, has_reference: bool, problem: str = ""
) -> ChipLine:
    """A chip of which no reading was examined."""
    state: ChipState = "not usable" if problem else "not read"
    told = problem
    if not problem:
        told = "Nothing was read from it." if chip.kind == "rom" else "Only ROMs are read in a reader."
    return ChipLine(
        name=chip.name,
        type=chip.type,
        kind=chip.kind,
        processor=machine.processor_of(chip.processor).name,
        words=chip.words,
        bits=chip.bits,
        has_reference=has_reference,
        readings=readings,
        state=state,
        sentence=told,
    )


def chip_line(line: ChipLine, found: Examination) -> ChipLine:
    """A chip with what its readings tell."""
    passes = counted(len(found.readings), "pass", "passes")
    weighed, cells = found.weighed, found.stability.cells
    if weighed is not None and weighed.fault_seen:
        told = f"{passes}: {weighed.wrong_cells} of {weighed.judged_cells} bits were read wrong. "
        return replace(line, state="bad", sentence=f"{told}{sentence(weighed.best.says.rstrip('.'))}")
    if cells.count:
        told = f"{passes}: {cells.count} of {cells.total} bits waver."
        return replace(line, state="wavers", sentence=told)
    if weighed is None:
        told = f"{passes}, all the same; nothing is known of what it should hold."
        return replace(line, state="not compared", sentence=told)
    return replace(line, state="good", sentence=f"{passes}: every bit is as it should be.")
