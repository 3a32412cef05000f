"""What may be behind a capture's wrong words: faults of the machine, and mistakes in the set-up."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

from wrongbit.casework.words import counted, diagnosis_conclusion, share_text
from wrongbit.diagnose.setup import Mistake
from wrongbit.faults.findings import Findings
from wrongbit.job import Diagnosis, Job
from wrongbit.report.content import Block, Column, Figure, Heading, Paragraph, Table
from wrongbit.report.figures import finding_odds, odds_bars

SHOWN = 8
"""Explanations that are listed."""

NOTICEABLE = 0.001
"""Least odds of a mistake that is listed though it is no contender."""


def fault_blocks(job: Job, diagnosis: Diagnosis) -> Iterator[Block]:
    """Faults by odds beside mistakes of the set-up, and what to look at."""
    findings = diagnosis.findings
    if not findings.observations:
        return
    yield Heading("What explains it")
    if not findings.fault_seen:
        yield Paragraph(findings.remark(), "conclusion")
        return
    first = diagnosis.check_first
    yield Paragraph(diagnosis_conclusion(job, diagnosis), "conclusion")
    for mistake in first[:SHOWN]:
        yield Paragraph(mistake.told_by())
    yield from (Paragraph(text) for text in dict.fromkeys(mistake.advice() for mistake in first))
    yield _table(findings, _listed(diagnosis))
    yield Figure(
        partial(
            odds_bars, finding_odds(findings, _listed(diagnosis), len(first)), title="Odds of the faults"
        ),
        "Odds of faults and of mistakes in the set-up; ▲ marks the best and what cannot be told from it.",
    )
    yield Paragraph(findings.remark())
    for separation in findings.separations[:3]:
        other = findings.findings[separation.other]
        yield Paragraph(f"To tell the best from “{other.say()}”: {separation.say()}")
    yield Paragraph(
        findings.weighed(),
        "note",
    )


def _listed(diagnosis: Diagnosis) -> tuple[Mistake, ...]:
    """Mistakes that are shown: contenders first, then what is likely enough to be named."""
    first = diagnosis.check_first
    rest = diagnosis.mistakes[len(first) :]
    return (*first[:SHOWN], *(each for each in rest[:3] if each.probability >= NOTICEABLE))


def _table(findings: Findings, mistakes: Sequence[Mistake]) -> Table:
    ties = list(findings.groups[0])
    order = ties + [number for number in range(len(findings.findings)) if number not in set(ties)]
    rows = []
    for place, number in enumerate(order[:SHOWN]):
        each = findings.findings[number]
        mark = ("best, tied" if len(ties) > 1 else "best") if place < len(ties) else ""
        says = each.say() if each.faults else "No fault: noise only."
        of = f"{each.explained} of {findings.wrong_bits}"
        rows.append((mark, share_text(each.probability), says, of, str(each.unexplained)))
    marked = frozenset(range(min(len(ties), len(rows))))
    for mistake in mistakes:
        besides = "and a fault of the machine" if mistake.faults else "not in the machine"
        says = f"{mistake.say()} (in the {mistake.where}, {besides})"
        rows.append(("set-up", share_text(mistake.probability), says, "–", "–"))
    columns = (
        Column(""), Column("odds", "number"), Column("fault or mistake", share=1),
        Column("explains", "number"), Column("left over", "number"),
    )  # fmt: skip
    more = len(order) - min(len(order), SHOWN)
    caption = "Faults by their odds, with the wrong bits that each explains and those it leaves over."
    if mistakes:
        caption += " Mistakes at the clips or in the machine file compete with them."
    if more:
        caption += f" {more} more faults are as likely as the last or less."
    return Table(columns, tuple(rows), caption, marked)


def best(diagnosis: Diagnosis) -> str:
    """The likeliest fault with its odds and how many are tied with it, or a mistake that is likelier."""
    findings = diagnosis.findings
    first = diagnosis.check_first
    if first and first[0].probability > findings.best.probability:
        return f"{first[0].say().rstrip('.')} ({share_text(first[0].probability)})."
    told = f"{findings.best.say().rstrip('.')} ({share_text(findings.best.probability)})"
    others = len(findings.ties) - 1
    if others:
        return f"{told}, or {counted(others, 'other fault')} that cannot be told from it."
    return f"{told}."
