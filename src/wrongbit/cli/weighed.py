"""How the weighed faults are shown: the likeliest with its ties, what speaks for it, what would tell more."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.text import Text

from wrongbit.casework.words import diagnosis_conclusion
from wrongbit.cli.compared import comparison_as_json, other_notes, show_comparison
from wrongbit.cli.show import ACCENT, QUIET, hex_word, out, show_notes
from wrongbit.diagnose.setup import Mistake
from wrongbit.faults.findings import Finding, Findings
from wrongbit.job import Diagnosis, Job

SHOWN = 6
"""Further explanations that are listed after the best group."""
TIES_SHOWN = 8
"""Explanations of the best group that are listed; JSON has them all."""
MISTAKES_SHOWN, NOTICEABLE = 3, 0.001
"""Mistakes at clips and machine file that are listed though they are no contenders, and their least odds."""


def show_diagnosis(job: Job, diagnosis: Diagnosis) -> None:
    """Comparison, then the faults behind it."""
    show_comparison(job, diagnosis.comparison)
    findings = diagnosis.findings
    if findings.observations:
        out.print()
        _show_findings(job, diagnosis)
    out.print()
    show_notes(other_notes(diagnosis.comparison.notes))


def _show_findings(job: Job, diagnosis: Diagnosis) -> None:
    """What explains the wrong words, or that nothing is wrong."""
    findings = diagnosis.findings
    if not findings.fault_seen:
        out.print(Text(findings.remark(), "bold"), soft_wrap=True)
        return
    first = diagnosis.check_first
    if first:
        _check_first(first)
    out.print(Text("What explains it", "bold"))
    out.print()
    for mistake in first[:SHOWN]:
        _mistake(mistake, "?")
    _explanations(findings)
    for mistake in diagnosis.mistakes[len(first) :][:MISTAKES_SHOWN]:
        if mistake.probability >= NOTICEABLE:
            _mistake(mistake, " ")
    out.print()
    out.print(f"  {findings.remark()}", soft_wrap=True)
    for separation in findings.separations[:SHOWN]:
        other = findings.findings[separation.other]
        out.print(f"  To tell it from “{other.say()}”: {separation.say()}", soft_wrap=True)
    out.print()
    out.print(Text.assemble(("→ ", ACCENT), (diagnosis_conclusion(job, diagnosis), "bold")), soft_wrap=True)
    out.print(
        Text(
            f"  {findings.weighed()}",
            QUIET,
        ),
        soft_wrap=True,
    )


def _check_first(first: Sequence[Mistake]) -> None:
    """What may be wrong outside the machine, which is found in a minute."""
    for mistake in first[:SHOWN]:
        out.print(mistake.told_by(), soft_wrap=True)
    for advice in dict.fromkeys(mistake.advice() for mistake in first):
        out.print(Text.assemble(("→ ", ACCENT), (advice, "bold")), soft_wrap=True)
    out.print()


def _mistake(mistake: Mistake, mark: str) -> None:
    """A mistake among the explanations."""
    style = ACCENT if mark.strip() else ""
    out.print(
        Text.assemble((f"  {mark} {_percent(mistake.probability):>8}  ", style), mistake.say()),
        soft_wrap=True,
    )
    place = "at the clips" if mistake.where == "clips" else "in the machine file"
    besides = "and a fault of the machine" if mistake.faults else "not a fault of the machine"
    out.print(Text(f"              a mistake {place}, {besides}", QUIET), soft_wrap=True)


def _explanations(findings: Findings) -> None:
    """The best group, marked, then what comes after it."""
    ties = set(findings.groups[0])
    shown = findings.groups[0][:TIES_SHOWN]
    after = [index for index in range(len(findings.findings)) if index not in ties][:SHOWN]
    for place, index in enumerate([*shown, *after]):
        if place == len(shown) < len(ties):
            _more(len(ties) - len(shown))
        finding = findings.findings[index]
        best = index in ties
        mark = ("=" if len(ties) > 1 else "▶") if best else " "
        out.print(
            Text.assemble(
                (f"  {mark} {_percent(finding.probability):>8}  ", ACCENT if best else ""),
                (finding.say() if finding.faults else "No fault: noise only.", "bold" if best else ""),
            ),
            soft_wrap=True,
        )
        left = (
            f"; {finding.unexplained} judged bits are otherwise than it says" if finding.unexplained else ""
        )
        out.print(
            Text(
                f"              explains {finding.explained} of {findings.wrong_bits} wrong bits{left}", QUIET
            ),
            soft_wrap=True,
        )

    if not after and len(shown) < len(ties):
        _more(len(ties) - len(shown))


def _more(count: int) -> None:
    out.print(Text(f"  =           … and {count} more of the same odds or less; --json lists them.", QUIET))


def _percent(probability: float) -> str:
    if probability > 0.9995:
        return "> 99.9 %"
    return f"{probability:.1%}" if probability >= 0.001 else "< 0.1 %"


def diagnosis_as_json(job: Job, diagnosis: Diagnosis) -> dict[str, Any]:
    """A diagnosis for programs."""
    findings = diagnosis.findings
    return {
        **comparison_as_json(job, diagnosis.comparison),
        "fault_seen": findings.fault_seen,
        "fits": findings.fits,
        "remark": findings.remark(),
        "set_up_doubtful": diagnosis.set_up_doubtful,
        "clips": [{"says": lead.say(), "advice": lead.advice()} for lead in diagnosis.clips],
        "mistakes": [
            {
                "family": mistake.family,
                "where": mistake.where,
                "says": mistake.say(),
                "advice": mistake.advice(),
                "probability": mistake.probability,
                "check_first": mistake in diagnosis.check_first,
                "faults": [{"model": fault.model, **fault.parameters()} for fault in mistake.faults],
            }
            for mistake in diagnosis.mistakes
        ],
        "conclusion": diagnosis_conclusion(job, diagnosis) if findings.fault_seen else findings.remark(),
        "noise": findings.noise,
        "observations": findings.observations,
        "wrong_observations": findings.wrong_observations,
        "wrong_bits_observed": findings.wrong_bits,
        "considered": findings.considered,
        "findings": [finding_as_json(finding) for finding in findings.findings],
        "ties": [list(group) for group in findings.groups],
        "separations": [
            {
                "from": separation.other,
                "bank": separation.bank,
                "address": hex_word(separation.address, job.processor.address_bits),
                "write": separation.write,
                "predicted_by_first": hex_word(separation.first, job.processor.word_bits),
                "predicted_by_other": hex_word(separation.second, job.processor.word_bits),
            }
            for separation in findings.separations
        ],
    }


def finding_as_json(finding: Finding) -> dict[str, Any]:
    """One explanation for programs."""
    return {
        "model": finding.model,
        "parts": list(finding.parts),
        "faults": [{"model": fault.model, **fault.parameters()} for fault in finding.faults],
        "says": finding.say(),
        "probability": finding.probability,
        "explained": finding.explained,
        "unexplained": finding.unexplained,
    }
