"""What there is and what is left: evidence with hashes, the proof, open questions, the journal."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from wrongbit.case.entries import (
    CaptureAdded,
    Entry,
    MeasurementAdded,
    NoteAdded,
    ReadingAdded,
    ReferenceAdded,
    Stored,
    ValueAdded,
)
from wrongbit.casework.proof import Proof, still_to_judge
from wrongbit.casework.said import say_entry
from wrongbit.casework.words import counted
from wrongbit.casework.work_done import action_text, done_by, in_time_order
from wrongbit.report.content import Block, Column, Heading, Listed, Paragraph, Section, Signatures, Table
from wrongbit.report.sections.words import absent, bytes_text

SHORT = 12
"""Digits of a hash where it only points at the table that has it whole."""

MOST_SIGNERS = 8
"""People who did work for whom a line is drawn."""

UNCOVERED_SHOWN = 20
"""Words that were not looked at again and are listed one by one."""

JOURNAL_SHOWN = 400
"""Entries of the journal that are printed, the newest."""


def day_and_time(at: datetime) -> str:
    """A moment with its offset from UTC.

    >>> from datetime import timezone
    >>> day_and_time(datetime(2024, 5, 1, 13, 7, 9, tzinfo=timezone.utc))
    '2024-05-01 13:07:09 +0000'
    """
    return f"{at:%Y-%m-%d %H:%M:%S %z}".rstrip()


# -- evidence ----------------------------------------------------------------------------------------------


def evidence_section(entries: Sequence[Entry]) -> Section:
    """Everything that was brought to the case and counts.

    Args:
        entries: The journal without what was withdrawn.
    """
    blocks: list[Block] = [
        *_captures(entries),
        *_readings(entries),
        *_references(entries),
        *_by_hand(entries),
    ]
    notes = [(each, each.detail) for each in entries if isinstance(each.detail, NoteAdded)]
    if notes:
        rows = tuple(
            (str(each.number), day_and_time(each.at), each.by, detail.text) for each, detail in notes
        )
        columns = (
            Column("entry", "number"),
            Column("when", share=0.9),
            Column("who"),
            Column("note", share=2),
        )
        blocks += [Heading("Notes"), Table(columns, rows, "Notes, in the words of who wrote them.")]
    return Section("Evidence", tuple(blocks))


def _captures(entries: Sequence[Entry]) -> list[Block]:
    found = [(each, each.detail) for each in entries if isinstance(each.detail, CaptureAdded)]
    if not found:
        return [absent("No capture was taken.")]
    rows = tuple(
        (
            str(each.number), detail.point, detail.file.name, day_and_time(each.at),
            detail.file.sha256[:SHORT], detail.note or "–",
        )
        for each, detail in found
    )  # fmt: skip
    columns = (
        Column("entry", "number"), Column("probe point"), Column("file", share=1), Column("added", share=0.8),
        Column("SHA-256", "word"), Column("note", share=1),
    )  # fmt: skip
    return [Table(columns, rows, "Captures; hashes are whole in the section on files.")]


def _readings(entries: Sequence[Entry]) -> list[Block]:
    found = [(each, each.detail) for each in entries if isinstance(each.detail, ReadingAdded)]
    if not found:
        return [absent("No chip was read out of circuit.")]
    rows = tuple(
        (
            str(each.number), detail.chip, detail.file.name, day_and_time(each.at),
            detail.file.sha256[:SHORT],
            ", ".join(f"{name} {value}" for name, value in detail.conditions.items()) or "–",
            detail.note or "–",
        )
        for each, detail in found
    )  # fmt: skip
    columns = (
        Column("entry", "number"), Column("chip"), Column("file", share=1), Column("added", share=0.8),
        Column("SHA-256", "word"), Column("conditions", share=0.8), Column("note", share=0.8),
    )  # fmt: skip
    return [Table(columns, rows, "Readings of chips, one pass each.")]


def _references(entries: Sequence[Entry]) -> list[Block]:
    found = [(each, each.detail) for each in entries if isinstance(each.detail, ReferenceAdded)]
    if not found:
        return []
    rows = tuple(
        (
            str(each.number), detail.kind, detail.chip or "–", detail.file.name, detail.file.sha256[:SHORT],
            detail.note or "–",
        )
        for each, detail in found
    )  # fmt: skip
    columns = (
        Column("entry", "number"), Column("kind"), Column("chip"), Column("file", share=1),
        Column("SHA-256", "word"), Column("note", share=1),
    )  # fmt: skip
    return [Table(columns, rows, "References that were added to those of the machine file.")]


def _by_hand(entries: Sequence[Entry]) -> list[Block]:
    rows = []
    for each in entries:
        detail = each.detail
        if isinstance(detail, MeasurementAdded):
            told = f"{detail.kind} {detail.part} {detail.line}".strip()
            rows.append(
                (str(each.number), day_and_time(each.at), told, detail.outcome or "–", detail.note or "–")
            )
        elif isinstance(detail, ValueAdded):
            name, sign, value = detail.text.partition("=")
            shown = value.strip() if sign else "–"
            rows.append((str(each.number), day_and_time(each.at), name.strip(), shown, detail.note or "–"))
    if not rows:
        return [absent("Nothing was measured by hand.")]
    columns = (
        Column("entry", "number"), Column("when", share=0.8), Column("what", share=1),
        Column("found", share=0.7), Column("note", share=1),
    )  # fmt: skip
    return [Table(columns, tuple(rows), "Measured by hand.")]


# -- work ----------------------------------------------------------------------------------------------


def work_sections(entries: Sequence[Entry]) -> tuple[Section, ...]:
    """What was done to the object, in time order; no section where nothing was done.

    Args:
        entries: The journal without what was withdrawn.
    """
    done = in_time_order(entries)
    if not done:
        return ()
    rows = tuple(
        (
            str(entry.number), made.date, done_by(entry, made),
            action_text(made) + (f". {made.note}" if made.note else ""),
            made.old or "–", made.new or "–", made.reversible or "–", made.kept or "–",
        )
        for entry, made in done
    )  # fmt: skip
    columns = (
        Column("entry", "number"), Column("date", "date"), Column("who", share=0.8),
        Column("what", share=1.7), Column("came out", share=0.9), Column("went in", share=0.9),
        Column("reversible"), Column("old part is kept", share=1.1),
    )  # fmt: skip
    told = [number for number in range(len(columns)) if any(row[number] != "–" for row in rows)]
    table = Table(
        tuple(columns[number] for number in told),
        tuple(tuple(row[number] for number in told) for row in rows),
        "What was done to the object, in the order of time; parts by their markings.",
    )
    return (Section("What was done", (table,)),)


def signatures_section(workers: Sequence[str], owner: str) -> Section:
    """Lines to sign on paper: who did the work, who checked it, who takes the object back.

    Args:
        workers: Who did something to the object.
        owner: Owner or institution; empty where it is not known.
    """
    who = [("Work done by", name) for name in workers[:MOST_SIGNERS]] or [("Examined by", "")]
    who += [("Checked by", "")]
    who += [(f"For the owner, {owner}", "")] if owner else []
    return Section("Signatures", (Signatures(tuple(who)),))


# -- proof -------------------------------------------------------------------------------------------------


def proof_section(proof: Proof | str) -> Section:
    """Before and after the repair.

    Args:
        proof: As it stands; a text: why there can be none.
    """
    title = "Proof of the repair"
    if isinstance(proof, str):
        return Section(title, (absent(f"Not proved: {proof}"),))
    if not (proof.captures_after or proof.readings_after):
        text = "Not proved: no fresh capture and no fresh reading was compared with what was wrong."
        left = still_to_judge(proof)
        return Section(title, (absent(text), *((Paragraph(left),) if left else ())))
    rows = tuple(
        (line.title, line.before or "–", line.after or "–", line.verdict, line.says) for line in proof.lines
    )
    columns = (
        Column("what", share=1), Column("before", share=1), Column("after", share=1), Column("verdict"),
        Column("why", share=1.4),
    )  # fmt: skip
    marked = frozenset(number for number, line in enumerate(proof.lines) if line.verdict == "not proved")
    blocks: list[Block] = [Paragraph(proof.sentence, "conclusion")]
    blocks.append(Table(columns, rows, "The case's own bars, before and after the repair.", marked))
    if proof.remedies:
        blocks += [Heading("What is left to do"), Listed(proof.remedies)]
    if proof.credited:
        blocks.append(Heading("Seen right by a reader, not by the machine"))
        blocks.append(Listed(tuple(each.sentence for each in proof.credited)))
    if proof.waived:
        blocks.append(Heading("Waived, not proved"))
        blocks.append(Listed(tuple(each.sentence for each in proof.waived)))
    if summary := still_to_judge(proof):
        blocks.append(Paragraph(summary))
    elif proof.uncovered:
        told = tuple(each.sentence for each in proof.uncovered[:UNCOVERED_SHOWN])
        more = len(proof.uncovered) - len(told)
        blocks += [Heading("Wrong before and not looked at again"), Listed(told)]
        if more:
            blocks.append(Paragraph(f"And {more} more."))
    if proof.notes:
        blocks += [Heading("Notes on the fresh captures and the waivers"), Listed(proof.notes)]
    return Section(title, tuple(blocks))


# -- what is open ------------------------------------------------------------------------------------------


def questions_section(questions: Sequence[str]) -> Section:
    """What nobody knows yet."""
    title = "Open questions and what was not known"
    if not questions:
        return Section(title, (Paragraph("Nothing that the case knows of is open."),))
    return Section(title, (Listed(tuple(questions)),))


# -- journal and files -------------------------------------------------------------------------------------


def journal_section(entries: Sequence[Entry]) -> Section:
    """The journal as it stands, what was withdrawn marked as such.

    Args:
        entries: All of them, oldest first.
    """
    rows, marked = [], set()
    shown = entries[-JOURNAL_SHOWN:]
    for number, each in enumerate(shown):
        told = say_entry(each)
        if each.withdrawn_by is not None:
            told += f" (withdrawn by entry {each.withdrawn_by})"
            marked.add(number)
        rows.append((str(each.number), day_and_time(each.at), each.by, each.version, told))
    columns = (
        Column("entry", "number"), Column("when", share=0.9), Column("who", share=0.5), Column("version"),
        Column("what", share=2.2),
    )  # fmt: skip
    caption = "The case's journal, oldest first; an entry is never changed or deleted."
    if len(shown) < len(entries):
        caption += f" The newest {len(shown)} of {len(entries)} entries."
    return Section("Journal", (Table(columns, tuple(rows), caption, frozenset(marked)),))


def files_section(entries: Sequence[Entry], beside: Sequence[tuple[str, str, int]]) -> Section:
    """Every original with its hash, so that another person can tell that it is the same file.

    Args:
        entries: All of the journal.
        beside: (name, SHA-256, bytes) of the files beside the machine file that it names.
    """
    stored: dict[tuple[str, str], Stored] = {}
    for each in entries:
        file = getattr(each.detail, "file", None)
        if isinstance(file, Stored):
            stored.setdefault((file.sha256, file.name), file)
    rows = [(file.name, bytes_text(file.byte_count), file.sha256) for file in stored.values()]
    rows += [(name, bytes_text(size), digest) for name, digest, size in beside]
    if not rows:
        return Section("Files", (absent("The case has no file."),))
    columns = (Column("file", share=1), Column("size", "number"), Column("SHA-256", "word", 2.2))
    caption = (
        f"{counted(len(rows), 'file')} with their SHA-256 (FIPS 180-4); originals are kept byte for byte."
    )
    return Section("Files", (Table(columns, tuple(rows), caption),))
