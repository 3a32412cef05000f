"""One capture: what could be judged, the first wrong word, what the processor did, what may be behind it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

import numpy as np

from wrongbit.capture.capture import Capture
from wrongbit.casework.words import answering, bank_text, known_word, listed, word_sentence
from wrongbit.compare.verdicts import AGREES, DIFFERS
from wrongbit.instructions.flow import FlowEvidence
from wrongbit.instructions.instruction import Instruction
from wrongbit.job import FIRST, Comparison, Diagnosis, Explanation, Job
from wrongbit.machine.recipe import KINDS
from wrongbit.report.content import Block, Column, Figure, Heading, Listed, Paragraph, Section, Table
from wrongbit.report.figures import (
    bit_counts,
    bit_strip,
    capture_strip,
    condense,
    cycle_mark,
    level_drawing,
    line_counts,
    strip_word,
)
from wrongbit.report.sections.faults import fault_blocks
from wrongbit.report.sections.words import absent, moment
from wrongbit.units import format_word

CONTEXT = 3
"""Cycles shown before and after the first wrong one."""

ACTED = {
    "wrong word": "The processor acted on the wrong word: it received what the probe saw.",
    "right word": "The processor acted on the right word: look at the probe, its clip, or the far side.",
    "can't tell": "What followed does not tell on which word the processor acted.",
}


def capture_section(
    title: str,
    job: Job,
    diagnosis: Diagnosis,
    explanation: Explanation | str,
    window: Capture | None,
) -> Section:
    """Everything about one capture.

    Args:
        title: Which capture.
        job: The machine and the probe point.
        diagnosis: What was weighed, with the comparison.
        explanation: What the processor did, or why that cannot be told.
        window: Samples around the first wrong word; None where there are none.

    What the readers noted is told of all captures at once, by `reader_notes`; what the result may rest on
    stays here.
    """
    comparison = diagnosis.comparison
    blocks = [*_judged(job, comparison)]
    row = comparison.summary.first_wrong
    if row is None:
        blocks.append(_nothing_wrong(comparison))
    else:
        blocks += _first_wrong(job, comparison, row, window)
        blocks += _counts(comparison)
        blocks += _flow(job, explanation)
        blocks += fault_blocks(job, diagnosis)
    blocks += (Paragraph(f"Note: {note}", "note") for note in comparison.notes if note.startswith(FIRST))
    return Section(title, tuple(blocks))


def reader_notes(notes: Sequence[tuple[str, Sequence[str]]]) -> Section:
    """What the readers noted of all captures, each note once with the captures that it is about.

    Args:
        notes: Of each capture its name and its notes.
    """
    about: dict[str, list[str]] = {}
    for name, own in notes:
        for note in own:
            if not note.startswith(FIRST):
                about.setdefault(note, []).append(name)
    told = tuple(
        f"{'All captures' if len(notes) > 1 and len(names) == len(notes) else listed(names)}: {note}"
        for note, names in about.items()
    )
    return Section("How the captures were read", (Listed(told) if told else absent("Nothing was noted."),))


# -- what could be judged ----------------------------------------------------------------------------------


def _judged(job: Job, comparison: Comparison) -> Iterator[Block]:
    summary = comparison.summary
    yield Paragraph(
        f"{summary.cycles} bus cycles of {job.processor.name}, {summary.reading} of them reads. "
        f"{summary.judged_share:.1%} of these could be judged: {summary.agrees} agree with what should have "
        f"been there, {summary.differs} differ, {summary.not_known} are not known."
    )
    if summary.not_known:
        reasons = "; ".join(f"{count}: {reason}" for count, reason in summary.unjudged.reasons())
        yield Paragraph(f"Not known because: {reasons}.", "note")
    unjudged = unjudged_chips(job, comparison)
    if unjudged:
        yield Paragraph(
            f"No word of {listed(unjudged, 'or')} was read that could be judged: a fault there would not "
            "show.",
            "note",
        )
    yield Figure(
        partial(capture_strip, condense(comparison.verdicts.verdict)),
        "The whole capture from left to right: the share of cycles that agree, that differ, and that could "
        "not be judged.",
    )


def unjudged_chips(job: Job, comparison: Comparison) -> tuple[str, ...]:
    """ROMs that have a reference and of which this capture could judge no word."""
    judged = {count.name for count in comparison.summary.chips if count.judged}
    return tuple(
        chip.name
        for chip in job.memory_map.chips
        if chip.kind == "rom" and chip.name not in judged and bool(np.any(chip.known))
    )


def not_known(file: str, job: Job, comparison: Comparison) -> tuple[str, ...]:
    """What a capture leaves open, in sentences."""
    told = []
    summary = comparison.summary
    if summary.not_known:
        reasons = "; ".join(f"{count}: {reason}" for count, reason in summary.unjudged.reasons())
        told.append(
            f"{file}: {summary.not_known} of {summary.reading} reads could not be judged ({reasons})."
        )
    unjudged = unjudged_chips(job, comparison)
    if unjudged:
        told.append(f"{file}: no word of {listed(unjudged, 'or')} was read that could be judged.")
    return tuple(told)


def _nothing_wrong(comparison: Comparison) -> Paragraph:
    if comparison.summary.agrees:
        return Paragraph(
            "Every word that could be judged agrees with what should have been there.", "conclusion"
        )
    return absent("No word could be judged: nothing says what should have been at the addresses seen.")


# -- the first wrong word ----------------------------------------------------------------------------------


def _first_wrong(job: Job, comparison: Comparison, row: int, window: Capture | None) -> Iterator[Block]:
    yield Heading("First wrong word")
    yield Paragraph(word_sentence(job, comparison, row), "conclusion")
    yield Figure(
        partial(bit_strip, strip_word(job, comparison, row), title="The first wrong word, bit by bit"),
        "The first wrong word bit by bit: expected above, seen below; a bit that differs is notched.",
    )
    yield _around(job, comparison, row)
    if window is not None and len(window):
        marks = [cycle_mark(comparison, row)]
        yield Figure(
            lambda theme: level_drawing(window, theme, marks=marks),
            f"Levels around cycle {row}, as the instrument recorded them.",
        )


def _around(job: Job, comparison: Comparison, row: int) -> Table:
    cycles, verdicts = comparison.cycles, comparison.verdicts
    begun, word_bits = int(cycles.time_ps[0]), job.processor.word_bits
    first = max(row - CONTEXT, 0)
    rows, marked = [], set()
    for at in range(first, min(row + CONTEXT + 1, len(cycles))):
        judged = int(verdicts.judged[at])
        if verdicts.verdict[at] == DIFFERS:
            marked.add(at - first)
        address = known_word(
            int(cycles.address[at]), int(cycles.address_known[at]), job.processor.address_bits
        )
        rows.append(
            (
                str(at),
                moment(int(cycles.time_ps[at]), begun),
                KINDS[cycles.kind[at]],
                address + bank_text(job, int(cycles.bank[at])),
                known_word(int(verdicts.expected[at]), judged, word_bits) if judged else "–",
                known_word(int(cycles.word[at]), int(cycles.known[at]), word_bits),
                {AGREES: "agrees", DIFFERS: "differs ▲"}.get(int(verdicts.verdict[at]), "not known"),
                listed(answering(job, comparison, at)) or "–",
            )
        )
    columns = (
        Column("cycle", "number"), Column("time", "number"), Column("kind"), Column("address", "word", 1),
        Column("expected", "word"), Column("seen", "word"), Column("verdict"), Column("chips", share=1),
    )  # fmt: skip
    return Table(columns, tuple(rows), "The cycles around it.", frozenset(marked))


def _counts(comparison: Comparison) -> Iterator[Block]:
    summary = comparison.summary
    yield Heading("All wrong words")
    bad = {count.name for count in summary.chips if count.wrong}
    rows = tuple(
        (
            str(count.bit),
            listed([name for name in count.chips if name in bad]) or "–",
            str(count.wrong),
            str(count.read_as_one),
            str(count.read_as_zero),
            str(count.judged),
        )
        for count in summary.bits
        if count.wrong
    )
    columns = (
        Column("bit", "number"), Column("chip", share=1), Column("wrong", "number"),
        Column("read 1 for 0", "number"), Column("read 0 for 1", "number"), Column("judged", "number"),
    )  # fmt: skip
    yield Table(columns, rows, "Bits of the word that were wrong, and in how many cycles.")
    yield Figure(partial(bit_counts, summary), "Wrong cycles by bit of the word.")
    chips = tuple(
        (each.name, str(each.wrong), str(each.judged), str(each.wrong_addresses), str(each.held))
        for each in summary.chips
    )
    heads = (
        Column("chip", share=1), Column("wrong reads", "number"), Column("of judged", "number"),
        Column("wrong addresses", "number"), Column("as if not driven", "number"),
    )  # fmt: skip
    yield Table(
        heads,
        chips,
        "Reads of each chip. As if not driven: the word is what lines that nobody drives would still show.",
    )
    yield Figure(
        partial(line_counts, summary),
        "Share of the judged words that were wrong, with each address line at 1 (up) and at 0 (down).",
    )


# -- what the processor did --------------------------------------------------------------------------------


def _flow(job: Job, explanation: Explanation | str) -> Iterator[Block]:
    yield Heading("What the processor made of it")
    if isinstance(explanation, str):
        yield absent(f"Not told: {explanation}")
        return
    evidence = explanation.evidence
    if evidence is None:
        yield absent("No wrong word is part of an instruction.")
        return
    if evidence.expected is not None or evidence.seen is not None:
        yield _side_by_side(job, explanation, evidence)
    yield Paragraph(ACTED[evidence.acted], "conclusion")
    for reason in evidence.reasons:
        yield Paragraph(reason)
    if explanation.consequence.events:
        yield Paragraph(f"What followed: {explanation.consequence.text}")
    yield from _tally(explanation, evidence)


def _side_by_side(job: Job, explanation: Explanation, evidence: FlowEvidence) -> Table:
    both = (evidence.expected, evidence.seen)
    unit = explanation.execution.instruction_set.habits.unit_bits
    bits = job.processor.address_bits

    def words(found: Instruction | None) -> str:
        if found is None:
            return "–"
        told = " ".join(format_word(word, unit) for word in found.words)
        return f"{format_word(found.address, bits)}: {told}"

    rows = [
        ("instruction", *("not known" if each is None else each.text for each in both)),
        ("words", *(words(each) for each in both)),
        ("leads to", *(_leads(each, bits) for each in both)),
    ]
    if evidence.went is not None:
        went = format_word(evidence.went, bits)
        fits = [each is not None and evidence.went in (each.successors or ()) for each in both]
        rows.append(("it went to", *(f"{went} ✓" if fit else went for fit in fits)))
    columns = (Column(f"cycle {evidence.row}"), Column("expected", "word", 1), Column("seen", "word", 1))
    return Table(columns, tuple(rows), "The instruction by the expected and by the seen word.")


def _leads(found: Instruction | None, bits: int) -> str:
    """Where an instruction leads, in words."""
    if found is None:
        return "–"
    if found.successors is None:
        return {"return": "where the stack says", "indirect": "where a register says"}.get(
            found.flow, "not known"
        )
    names = [
        format_word(address, bits)
        + (" in another bank" if found.bank_change and address != found.following else "")
        for address in sorted(found.successors)
    ]
    return " or ".join(names) + (" (stops)" if found.flow == "stop" else "")


def _tally(explanation: Explanation, evidence: FlowEvidence) -> Iterator[Block]:
    every = explanation.all_evidence
    if not every or (len(every) == 1 and every[0].row == evidence.row):
        return
    counts = {verdict: sum(each.acted == verdict for each in every) for verdict in ACTED}
    untold = counts["can't tell"]
    yield Paragraph(
        f"Of {len(every)} wrong words of instructions it acted on the wrong one in {counts['wrong word']}, "
        f"on the right one in {counts['right word']}; {untold} do not tell."
    )
