"""One chip out of circuit: its readings, what is wrong with it, its rebuilt contents, its replacement."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from functools import partial

import fastcrc
import numpy as np

from wrongbit.casework.words import counted, known_word, listed, share_text
from wrongbit.machine.model import Chip
from wrongbit.reading.examine import Examination
from wrongbit.reading.faded import say_fading
from wrongbit.reading.intervals import Rate
from wrongbit.reading.rebuild import CLASSES, LIKELY, PROVEN, UNKNOWN, Rebuilt, Shape
from wrongbit.reading.weighed import Weighed
from wrongbit.replace.fit import Fitting, Plan
from wrongbit.replace.programmer import setting_text
from wrongbit.replace.wiring import cautions, jumper_table, parts_list, plan_notes, wiring_table
from wrongbit.report.content import Block, Column, Figure, Heading, Listed, Paragraph, Section, Table
from wrongbit.report.figures import chip_map, odds_bars, pattern_odds, replacement_drawing
from wrongbit.report.sections.words import absent
from wrongbit.units import format_bits, format_word

SHOWN = 8
"""Explanations that are listed."""

WORDS_SHOWN = 40
"""Words with unknown bits that are listed; the contents themselves are not printed."""

CONFLICTS_SHOWN = 15
"""Words with contradicting sources that are listed."""

MOST_BAD = 0.2
"""Share of bad cells beyond which a map tells nothing."""

READER_CAUTION = (
    "Switch the reader off before a chip goes in or comes out, check which way round pin 1 is, and work on "
    "an earthed mat with a wrist strap."
)
"""Common practice, no source."""

_MEANS = {
    PROVEN: "wrong with a probability of 1 in 100 000 at most",
    LIKELY: "wrong with a probability of 1 in 100 at most",
    UNKNOWN: "neither level is sure enough",
}


# -- readings ----------------------------------------------------------------------------------------------


def readings_told(found: Examination) -> str:
    """What the readings come to, in a sentence or two."""
    name, passes = found.chip.name, counted(len(found.readings), "pass", "passes")
    weighed, cells = found.weighed, found.stability.cells
    if weighed is not None and weighed.fault_seen:
        others = f", or {counted(weighed.ties - 1, 'other fault')}" if weighed.ties > 1 else ""
        odds = share_text(weighed.best.probability)
        told = f"{weighed.wrong_cells} of {weighed.judged_cells} bits were read wrong"
        return f"{name} in the reader, {passes}: {told}. {weighed.best.says.rstrip('.')} ({odds}{others})."
    if cells.count:
        return f"{name} in the reader, {passes}: {cells.count} of {cells.total} cells waver."
    if weighed is None:
        return f"{name} in the reader, {passes}: nothing says what it should hold."
    return f"{name} in the reader, {passes}: as it should be."


def readings_section(found: Examination) -> Section:
    """What several passes of a chip tell."""
    blocks: list[Block] = [Paragraph(READER_CAUTION, "caution"), _passes(found), _stability(found)]
    blocks += (Paragraph(each.say()) for each in found.dependences)
    if found.weighed is None:
        blocks.append(absent("Not compared: nothing says what this chip should hold."))
    else:
        blocks += _pattern(found.weighed)
    told = [each.says for each in found.structure.remarks if each.suspicious]
    if told:
        blocks += [Heading("The contents by themselves"), Listed(tuple(told))]
    if found.twin is not None:
        blocks += _twin(found)
    blocks += _map(found)
    return Section(f"Readings of {found.chip.name}", tuple(blocks))


def _passes(found: Examination) -> Table:
    judged = "wrong words" if found.wrong is not None else "not as the majority"
    rows = tuple(
        (str(number), reading.name, str(count), reading.conditions.say() or "–")
        for number, (reading, count) in enumerate(zip(found.readings, found.by_pass, strict=True), 1)
    )
    columns = (
        Column("pass", "number"), Column("file", share=1), Column(judged, "number"),
        Column("conditions", share=1),
    )  # fmt: skip
    size = f"{len(found.chip.contents)} words of {counted(len(found.chip.lane), 'bit')}"
    return Table(columns, rows, f"Passes in the reader; {size} each.")


def _stability(found: Examination) -> Paragraph:
    stable = found.stability
    if stable.passes == 1:
        return Paragraph(
            "One pass tells nothing about how stable the chip is: it is to be read several times."
        )
    if not stable.cells.count:
        return Paragraph(
            f"All {stable.passes} passes are the same, bit for bit. A cell that wavers in up to "
            f"{Rate(0, stable.passes).exact[1]:.0%} of the reads may still hide, at 95 %."
        )
    low, high = stable.cells.exact
    outputs = [f"D{each.output}: {each.cells.count}" for each in stable.outputs if each.cells.count]
    return Paragraph(
        f"{stable.cells.count} of {stable.cells.total} cells waver, in {stable.words.count} words: "
        f"{100 * stable.cells.value:.3g} % ({100 * low:.3g} to {100 * high:.3g} %, exact interval at 95 %). "
        f"By output: {', '.join(outputs)}."
    )


def _pattern(weighed: Weighed) -> Iterator[Block]:
    yield Heading("What explains it")
    if not weighed.fault_seen:
        yield Paragraph(f"No fault seen. {weighed.remark()}", "conclusion")
        return
    yield Paragraph(
        f"{weighed.wrong_cells} of {weighed.judged_cells} bits were read wrong, in {weighed.wrong_words} "
        f"words; {weighed.always_wrong} of them in every pass. {weighed.rises} read 1 for 0, "
        f"{weighed.wrong_cells - weighed.rises} read 0 for 1."
    )
    rows = tuple(
        (
            (("best, tied" if weighed.ties > 1 else "best") if place < weighed.ties else ""),
            share_text(each.probability),
            each.says,
            str(each.unexplained),
        )
        for place, each in enumerate(weighed.patterns[:SHOWN])
    )
    columns = (Column(""), Column("odds", "number"), Column("fault", share=1), Column("left over", "number"))
    marked = frozenset(range(min(weighed.ties, len(rows))))
    yield Table(columns, rows, "Faults by their odds, with the bits that each leaves unexplained.", marked)
    yield Figure(
        partial(odds_bars, pattern_odds(weighed), title="Odds of the chip's faults"),
        "Odds of the chip's faults; ▲ marks the best and what cannot be told from it.",
    )
    yield Paragraph(weighed.remark())
    for advice in dict.fromkeys(each.advice for each in weighed.patterns[: weighed.ties] if each.advice):
        yield Paragraph(advice, "conclusion")


def _twin(found: Examination) -> Iterator[Block]:
    twin = found.twin
    assert twin is not None
    yield Heading("Beside the twin")
    if not twin.words:
        yield Paragraph(f"The majority of the passes is the same as {twin.name}.")
    else:
        yield Paragraph(
            f"{twin.words} words differ from {twin.name}, the first at 0x{twin.first:X}: {twin.rises} bits "
            f"are 1 here and 0 there, {twin.falls} the other way."
        )
    if twin.against_reference is not None:
        count = twin.against_reference
        told = "agrees with" if not count else f"differs in {counted(count, 'word')} from"
        yield Paragraph(f"The twin itself {told} the reference.")


def _map(found: Examination) -> Iterator[Block]:
    """The array, where any place of it is bad and the bad ones are few enough to show something."""
    bad = found.stability.cells.count
    if found.always_wrong is not None:
        bad += int(np.bitwise_count(found.always_wrong).sum())
    if not bad:
        return
    yield Heading("Chip map")
    if bad > MOST_BAD * found.stability.cells.total:
        yield absent("Not drawn: so many cells are bad that a map would show nothing.")
        return
    yield Figure(
        partial(_draw_map, found),
        "The chip's cells by the rows and columns of its own array: a bar is wrong in every pass, a slanted "
        "stroke wavers.",
    )
    places = [f"{place.say()[:1].upper()}{place.say()[1:]}." for place in found.gathering.places[:3]]
    yield Listed(tuple(places)) if places else Paragraph("The bad cells gather in no row or column.")


def _draw_map(found: Examination, theme: object) -> str:
    from wrongbit.report.theme import Theme

    assert isinstance(theme, Theme)
    return chip_map(found, theme, title=f"Chip map: {found.chip.name}")


# -- rebuilt contents --------------------------------------------------------------------------------------


def rebuilt_told(chip: Chip, rebuilt: Rebuilt) -> str:
    """How far the contents are rebuilt, in a sentence."""
    open_ = rebuilt.count(UNKNOWN)
    if rebuilt.solved is not None and rebuilt.solved.conflict:
        return f"The contents of {chip.name} are rebuilt, but a checksum contradicts them."
    if open_:
        return f"The contents of {chip.name} are rebuilt but for {counted(open_, 'bit')} that nothing tells."
    return f"The contents of {chip.name} are rebuilt whole; {rebuilt.count(PROVEN)} of its bits are proven."


def rebuilt_section(chip: Chip, rebuilt: Rebuilt, undone: tuple[str, ...] = ()) -> Section:
    """Contents rebuilt from everything that the case has.

    Args:
        chip: The chip.
        rebuilt: Its contents with what is known of every bit.
        undone: Faults that were taken back from the readings, in sentences.
    """
    total = rebuilt.classes.size
    blocks: list[Block] = []
    rows = tuple(
        (CLASSES[code], str(rebuilt.count(code)), f"{rebuilt.count(code) / total:.2%}", _MEANS[code])
        for code in (PROVEN, LIKELY, UNKNOWN)
    )
    columns = (
        Column("class"), Column("bits", "number"), Column("share", "number"),
        Column("what it means", share=1),
    )  # fmt: skip
    blocks.append(Table(columns, rows, f"The {total} bits of {chip.name} by how sure they are."))
    blocks += (Paragraph(f"Taken back from the readings: {fault}") for fault in undone)
    if rebuilt.fading is not None:
        blocks.append(Paragraph("Fading: " + " ".join(say_fading(rebuilt.fading))))
    blocks += _checksums(rebuilt)
    blocks += _unknown(chip, rebuilt)
    if rebuilt.conflicts:
        blocks.append(_conflicts(chip, rebuilt))
    blocks.append(_fingerprint(chip, rebuilt))
    blocks += (Paragraph(f"Note: {note}", "note") for note in rebuilt.notes)
    return Section(f"Rebuilt contents of {chip.name}", tuple(blocks))


def _checksums(rebuilt: Rebuilt) -> Iterator[Block]:
    solved = rebuilt.solved
    if solved is None:
        yield absent("No checksum was used: none is known, or none was given.")
        return
    yield Paragraph(f"Checksums: {solved.say_count()}.")
    told = []
    for part in solved.parts:
        for number in part.constraints:
            verdict = "used" if len(part.bits) else "holds"
            if part.count == 0:
                verdict = "cannot hold" if number in solved.conflict else "not judged"
            told.append(f"{verdict}: {rebuilt.constraints[number].say()}")
    yield Listed(tuple(told))


def _unknown(chip: Chip, rebuilt: Rebuilt) -> Iterator[Block]:
    rows = np.flatnonzero((rebuilt.classes == UNKNOWN).any(axis=1)).tolist()
    if not rows:
        yield Paragraph("Every bit is at least likely; none was filled in without a source.", "conclusion")
        return
    yield Paragraph(
        f"{counted(len(rows), 'word')} have bits that nothing tells; they are left open.", "conclusion"
    )
    digits = max((chip.words - 1).bit_length(), 1)
    told = []
    for at in rows[:WORDS_SHOWN]:
        open_ = [bit for bit in reversed(range(chip.bits)) if rebuilt.classes[at, bit] == UNKNOWN]
        levels = ", ".join(
            f"{bit}: {int(rebuilt.guess[at]) >> bit & 1} ({rebuilt.confidence[at, bit]:.0%})"
            for bit in open_[:8]
        )
        word = known_word(int(rebuilt.contents.words[at]), int(rebuilt.contents.known[at]), chip.bits)
        told.append((format_word(at, digits), word, levels))
    columns = (
        Column("address", "word"),
        Column("known", "word"),
        Column("unknown bits, likelier level", "word", 1),
    )
    more = f" The first {WORDS_SHOWN} of {len(rows)}." if len(rows) > WORDS_SHOWN else ""
    yield Table(columns, tuple(told), f"Words with unknown bits.{more}")


def _conflicts(chip: Chip, rebuilt: Rebuilt) -> Table:
    digits = max((chip.words - 1).bit_length(), 1)
    rows = []
    for conflict in rebuilt.conflicts[:CONFLICTS_SHOWN]:
        bits = [bit for bit in reversed(range(chip.bits)) if conflict.mask >> bit & 1]
        says = [
            f"{name}: {''.join(str(word >> bit & 1) if given >> bit & 1 else '?' for bit in bits)}"
            for name, word, given in conflict.says
        ]
        rows.append((format_word(conflict.address, digits), format_bits(tuple(bits)), "; ".join(says)))
    columns = (Column("address", "word"), Column("bits", "word"), Column("who says what", share=1))
    count = len(rebuilt.conflicts)
    more = f" The first {len(rows)} of them." if count > len(rows) else ""
    return Table(columns, tuple(rows), f"Sources contradict each other in {counted(count, 'word')}.{more}")


def _fingerprint(chip: Chip, rebuilt: Rebuilt) -> Block:
    if rebuilt.count(UNKNOWN):
        return absent("No checksum of the contents is given, since some bits are unknown.")
    shape = Shape(chip.words, chip.bits)
    table = (rebuilt.contents.words[:, None] >> np.arange(chip.bits, dtype=np.uint64)) & np.uint64(1)
    data = np.packbits(table.astype(bool), axis=1, bitorder="little").tobytes()
    assert len(data) == shape.byte_count
    rows = (
        ("CRC-32", f"{fastcrc.crc32.iso_hdlc(data):08X}"),
        ("SHA-256", hashlib.sha256(data).hexdigest()),
    )
    caption = (
        f"Checksums of the rebuilt contents, {counted(len(data), 'byte')}, the lower byte of a word first."
    )
    return Table((Column("sum"), Column("value", "word", 1)), rows, caption)


# -- replacement -------------------------------------------------------------------------------------------


def replacement_section(chip: str, fitting: Fitting | str) -> Section:
    """A memory that can still be bought for the chip's place.

    Args:
        chip: Reference designator.
        fitting: What fits, or why nothing was planned.
    """
    title = f"Replacement for {chip}"
    if isinstance(fitting, str):
        return Section(title, (absent(f"Not planned: {fitting}"),))
    if not fitting.plans:
        told = tuple(f"{each.memory}: {'; '.join(each.reasons)}." for each in fitting.refused[:5])
        return Section(title, (Paragraph("No memory of the catalogue fits.", "conclusion"), Listed(told)))
    return Section(title, tuple(_plan(fitting.plans[0], fitting)))


def from_memory(chip: str, fitting: Fitting) -> tuple[str, ...]:
    """That a plan rests on figures that nobody has checked, in a sentence."""
    if not fitting.plans or fitting.plans[0].status != "from memory":
        return ()
    return (f"The replacement for {chip} rests on figures from memory: check the data sheets.",)


def _plan(plan: Plan, fitting: Fitting) -> Iterator[Block]:
    how = "goes into the socket as it is" if plan.drop_in else "goes onto an adapter"
    logic = sorted({
        f"74{plan.family}{each.number}"
        for each in plan.circuit.devices
        if each.part in ("latch", "gate", "buffer")
    })  # fmt: skip
    parts = f", with {listed(logic)}" if logic else ""
    yield Paragraph(
        f"{plan.name} {plan.verdict} instead of {plan.need.socket.name}: it {how}{parts}.", "conclusion"
    )
    yield from (Paragraph(text, "caution") for text in cautions(plan))
    yield _timing(plan)
    if not plan.drop_in:
        yield Figure(
            partial(replacement_drawing, plan),
            "The replacement seen from above: the old socket is the outer frame.",
            wide=True,
        )
        yield _wiring(plan)
    rows = tuple(
        (str(line.count), line.what, " ".join(line.refs) or "–", line.note or "–")
        for line in parts_list(plan)
    )
    columns = (
        Column("count", "number"),
        Column("part", share=1.4),
        Column("for", share=1),
        Column("note", share=1),
    )
    yield Table(columns, rows, "Parts.")
    if plan.circuit.jumpers:
        yield Listed(
            tuple(
                f"Contents {each.image + 1} at {each.offset:04X}: {setting_text(each)}."
                for each in jumper_table(plan)
            )
        )
    notes = plan_notes(plan)
    if notes:
        yield Listed(notes)
    others = ", ".join(each.name for each in fitting.plans[1:6])
    if others:
        yield Paragraph(f"Other memories that fit: {others}.")


def _timing(plan: Plan) -> Table:
    rows, marked = [], set()
    for number, budget in enumerate(plan.timing):
        there = "?" if budget.available_ps is None else f"{budget.available_ps / 1000:.1f}"
        margin = "?" if budget.margin_ps is None else f"{budget.margin_ps / 1000:.1f}"
        percent = "–" if budget.margin_percent is None else f"{budget.margin_percent:.0f} %"
        figures = f"{budget.missing} not stated" if budget.missing else str(budget.status)
        if budget.fits is False:
            marked.add(number)
            margin += " ▲"
        rows.append((budget.edge, there, f"{budget.needed_ps / 1000:.1f}", margin, percent, figures))
    columns = (
        Column("edge", share=2), Column("there is", "number"), Column("needed", "number"),
        Column("margin", "number"), Column("", "number"), Column("figures", share=1),
    )  # fmt: skip
    caption = "Worst-case timing in nanoseconds; figures: how well the weakest one is known."
    return Table(columns, tuple(rows), caption, frozenset(marked))


def _wiring(plan: Plan) -> Table:
    """The wiring table; without the column of what lies between where nothing does."""
    wires = wiring_table(plan)
    between = any(wire.through for wire in wires)
    rows = []
    for wire in wires:
        through = ("\n".join(wire.through) or "–",) if between else ()
        moved = "→ moved" if wire.moved else ""
        rows.append((wire.signal, wire.old or "–", *through, wire.new or "–", moved, wire.note or "–"))
    columns = [Column("signal", "word"), Column("old pin", "word")]
    columns += [Column("through", "word", 1.2)] if between else []
    columns += [Column("new pin", "word"), Column(""), Column("note", share=1)]
    caption = "Wiring; moved: the two pins do not lie on each other."
    return Table(tuple(columns), tuple(rows), caption)
