"""How rebuilt contents are shown: what came from where, how sure the bits are, what remains open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rich.text import Text

from wrongbit.casework.words import known_word
from wrongbit.cli.show import (
    ACCENT,
    QUIET,
    hex_word,
    indented,
    out,
    plain_table,
    show_notes,
)
from wrongbit.machine.model import Chip, Machine
from wrongbit.reading.constraints import Constraint
from wrongbit.reading.faded import Fading, say_fading
from wrongbit.reading.rebuild import CLASSES, LIKELY, PROVEN, SAID, UNKNOWN, Rebuilt, Shape
from wrongbit.reading.solve import LISTED, Part, Solved
from wrongbit.reading.sources import CODES, Source, bits_of

SHOWN = 8
"""Words that are listed of each sort; the map has all."""


@dataclass(frozen=True)
class Told:
    """What the page needs beside the result.

    Args:
        machine: The machine.
        chip: The chip.
        sources: Everything that says something.
        passes: Number of readings.
        undone: Faults that were taken back.
        written: What became of the files, in sentences.
    """

    machine: Machine
    chip: Chip
    sources: Sequence[Source]
    passes: int
    undone: Sequence[str]
    written: Sequence[str]

    @property
    def shape(self) -> Shape:
        """The chip's size."""
        order = self.machine.processor_of(self.chip.processor).byte_order
        return Shape(self.chip.words, self.chip.bits, order)

    def address(self, address: int) -> str:
        """An address of the chip with all its digits."""
        return "0x" + hex_word(address, max((self.chip.words - 1).bit_length(), 1))


def show_rebuilt(told: Told, rebuilt: Rebuilt) -> None:
    """Everything, for a person."""
    chip = told.chip
    out.print(
        Text(f"{told.machine.machine.name}, {chip.name}", "bold"),
        f"— {chip.words} words of {chip.bits} bits rebuilt",
    )
    out.print()
    _show_sources(told, rebuilt)
    _show_classes(rebuilt)
    _show_fading(rebuilt)
    if rebuilt.solved is not None:
        _show_checksums(told, rebuilt, rebuilt.solved)
    _show_unknown(told, rebuilt)
    _show_conflicts(told, rebuilt)
    out.print()
    show_notes(rebuilt.notes)
    for sentence in told.written:
        out.print(sentence, soft_wrap=True)


def _show_sources(told: Told, rebuilt: Rebuilt) -> None:
    table = plain_table(
        ("source", "left"),
        ("bits it gives", "right"),
        ("of these unsteady", "right"),
        ("contradicted", "right"),
    )
    against = _contradicted(rebuilt)
    for source in told.sources:
        table.add_row(*(str(each) for each in _source_row(told, source, against)))
    out.print(indented(table))
    for fault in told.undone:
        out.print(f"  Taken back from the readings: {fault}", soft_wrap=True)
    out.print()


def _source_row(told: Told, source: Source, against: NDArray[np.bool_]) -> tuple[str, int, int, int]:
    name = source.name
    if source.kind == "reading":
        name = f"{told.passes} readings" if told.passes > 1 else "1 reading"
    says = np.abs(source.odds) > SAID
    return (
        name,
        int(np.count_nonzero(says)),
        int(np.count_nonzero(source.wavers)),
        int(np.count_nonzero(says & against)),
    )


def _contradicted(rebuilt: Rebuilt) -> NDArray[np.bool_]:
    """``bool (words, bits)`` bits on which sources contradict each other."""
    result = np.zeros(rebuilt.classes.shape, np.bool_)
    if rebuilt.conflicts:
        masks = np.array([conflict.mask for conflict in rebuilt.conflicts], np.uint64)
        at = [conflict.address for conflict in rebuilt.conflicts]
        result[at] = bits_of(masks, rebuilt.contents.word_bits) == 1
    return result


def _show_classes(rebuilt: Rebuilt) -> None:
    total = rebuilt.classes.size
    table = plain_table(("", "left"), ("bits", "right"), ("share", "right"), ("what it means", "left"))
    means = {
        PROVEN: "wrong with a probability of 1 in 100 000 at most",
        LIKELY: "wrong with a probability of 1 in 100 at most",
        UNKNOWN: "neither level is sure enough",
    }
    for code in (PROVEN, LIKELY, UNKNOWN):
        count = rebuilt.count(code)
        style = ACCENT if code == UNKNOWN and count else None
        table.add_row(CLASSES[code], str(count), f"{count / total:.2%}", means[code], style=style)
    out.print(indented(table))


def _show_fading(rebuilt: Rebuilt) -> None:
    if rebuilt.fading is None:
        return
    out.print()
    title, *sentences = say_fading(rebuilt.fading)
    out.print(Text("Fading", "bold"), f"— {title}", soft_wrap=True)
    for sentence in sentences:
        out.print(f"  {sentence}", soft_wrap=True)


def _show_checksums(told: Told, rebuilt: Rebuilt, solved: Solved) -> None:
    out.print()
    settled = int(np.count_nonzero(solved.forced >= 0))
    tied = int(np.count_nonzero(solved.touched))
    head = f"{_bits(tied, 'unknown bit')} under them, {solved.say_count()}"
    if not tied:
        head = "the checksums contradict what is known" if solved.conflict else "every checksum holds"
    out.print(
        Text("Checksums", "bold"),
        f"— {head}" + (f", {_bits(settled, 'bit')} settled" if settled else "") + ".",
    )
    for part in solved.parts:
        for number in part.constraints:
            constraint = rebuilt.constraints[number]
            out.print(f"  {_verdict(part, number in solved.conflict):<12} {constraint.say()}", soft_wrap=True)
        if len(part.bits):
            out.print(Text(f"               {_say_part(part)}", QUIET), soft_wrap=True)
            _show_solutions(told, solved, part)
    if solved.conflict:
        out.print(Text("  " + _say_conflict(told, rebuilt, solved), ACCENT), soft_wrap=True)


def _verdict(part: Part, conflicting: bool) -> str:
    if part.count == 0:
        return "✗ cannot hold" if conflicting else "–"
    return "used" if len(part.bits) else "✓ holds"


def _say_part(part: Part) -> str:
    spare = f"; {part.spare:.0f} check bits to spare" if part.count else ""
    return f"{_bits(len(part.bits), 'unknown bit')}: {part.how}{spare}."


def _bits(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _show_solutions(told: Told, solved: Solved, part: Part) -> None:
    """The words of every solution, where there are few of few."""
    if part.count is None or not 1 < part.count <= LISTED:
        return
    words = _solution_words(told, solved, part)
    if len(words) > SHOWN:
        return
    for row in range(len(part.solutions)):
        told_words = ", ".join(f"{told.address(at)} bits {values[row]}" for at, values in words.items())
        out.print(Text(f"               solution {row + 1}: {told_words}", QUIET), soft_wrap=True)


def _solution_words(told: Told, solved: Solved, part: Part) -> dict[int, list[str]]:
    """For each word with unknown bits, what each solution makes of them."""
    word, bit = told.shape.places(solved.byte[part.bits], solved.bit[part.bits])
    result: dict[int, list[str]] = {}
    for address in np.unique(word):
        mine = np.flatnonzero(word == address)
        mine = mine[np.argsort(-bit[mine])]
        result[int(address)] = [
            " ".join(f"{bit[each]}={row[each]}" for each in mine) for row in part.solutions
        ]
    return result


def _say_conflict(told: Told, rebuilt: Rebuilt, solved: Solved) -> str:
    many = len(solved.conflict) > 1
    text = "These checksums contradict each other" if many else "The checksum contradicts the bits"
    text += " under them: " if many else " under it: "
    text += "a bit that was taken as known is wrong, or the rule is not this one. More passes, also at the "
    text += "lowest and the highest permitted supply voltage, may show more bits that waver."
    if rebuilt.flips:
        places = ", ".join(f"bit {bit} of {told.address(at)}" for at, bit in rebuilt.flips[:SHOWN])
        text += f" One wrong bit would explain it: {places}."
    return text


def _show_unknown(told: Told, rebuilt: Rebuilt) -> None:
    rows = np.flatnonzero((rebuilt.classes == UNKNOWN).any(axis=1))
    if not len(rows):
        return
    width = told.chip.bits
    out.print()
    out.print(Text("Unknown", "bold"), f"— bits in {len(rows)} words" + _more(len(rows)))
    table = plain_table(("address", "left"), ("known", "left"), ("unknown bits, likelier level", "left"))
    for at in rows[:SHOWN]:
        open_ = [bit for bit in reversed(range(width)) if rebuilt.classes[at, bit] == UNKNOWN]
        levels = ", ".join(
            f"{bit}: {int(rebuilt.guess[at]) >> bit & 1} ({rebuilt.confidence[at, bit]:.0%})"
            for bit in open_[:8]
        )
        word = known_word(int(rebuilt.contents.words[at]), int(rebuilt.contents.known[at]), width)
        table.add_row(told.address(int(at)), word, levels)
    out.print(indented(table))


def _show_conflicts(told: Told, rebuilt: Rebuilt) -> None:
    if not rebuilt.conflicts:
        return
    out.print()
    count = len(rebuilt.conflicts)
    out.print(Text("Contradictions", "bold"), f"— sources differ in {count} words" + _more(count))
    table = plain_table(("address", "left"), ("bits", "left"), ("who says what", "left"))
    for conflict in rebuilt.conflicts[:SHOWN]:
        bits = [bit for bit in reversed(range(told.chip.bits)) if conflict.mask >> bit & 1]
        says = [
            f"{name}: {''.join(str(word >> bit & 1) if given >> bit & 1 else '?' for bit in bits)}"
            for name, word, given in conflict.says
        ]
        table.add_row(told.address(conflict.address), ", ".join(map(str, bits)), "; ".join(says))
    out.print(indented(table))


def _more(count: int) -> str:
    return f", the first {SHOWN}:" if count > SHOWN else ":"


# -- for programs ------------------------------------------------------------------------------------------


def rebuilt_as_json(told: Told, rebuilt: Rebuilt) -> dict[str, Any]:
    """Everything, for programs."""
    width, against = told.chip.bits, _contradicted(rebuilt)
    unknown = np.flatnonzero((rebuilt.classes == UNKNOWN).any(axis=1))
    sources = [_source_row(told, source, against) for source in told.sources]
    return {
        "machine": told.machine.machine.name,
        "chip": told.chip.name,
        "words": told.chip.words,
        "bits": width,
        "complete": rebuilt.complete,
        "classes": {CLASSES[code]: rebuilt.count(code) for code in (PROVEN, LIKELY, UNKNOWN)},
        "sources": [
            {"name": name, "kind": source.kind, "bits": bits, "unsteady": unsteady, "contradicted": clash}
            for source, (name, bits, unsteady, clash) in zip(told.sources, sources, strict=True)
        ],
        "provenance": {
            name: int(np.count_nonzero(rebuilt.provenance & code)) for code, name in CODES.items()
        },
        "undone": list(told.undone),
        "checksums": None if rebuilt.solved is None else _solved_as_json(rebuilt.constraints, rebuilt.solved),
        "single_bits": [{"address": at, "bit": bit} for at, bit in rebuilt.flips],
        "unknown": [
            {
                "address": int(at),
                "word": hex_word(int(rebuilt.contents.words[at]), width),
                "known": hex_word(int(rebuilt.contents.known[at]), width),
                "likelier": hex_word(int(rebuilt.guess[at]), width),
            }
            for at in unknown
        ],
        "conflicts": [
            {
                "address": each.address,
                "bits": hex_word(each.mask, width),
                "says": [
                    {"source": name, "word": hex_word(word, width), "bits": hex_word(known, width)}
                    for name, word, known in each.says
                ],
            }
            for each in rebuilt.conflicts
        ],
        "fading": None if rebuilt.fading is None else _fading_as_json(rebuilt.fading),
        "notes": list(rebuilt.notes),
        "written": list(told.written),
    }


def _fading_as_json(fading: Fading) -> dict[str, Any]:
    expected, low, high = fading.faded
    found = fading.estimate
    return {
        "erased_level": fading.level,
        "wavering_bits": found.wavering,
        "steady_bits": found.steady,
        "steady_bits_faded": {"expected": found.faded, "low": found.low, "high": found.high},
        "weak_bits": fading.weak,
        "weak_bits_faded": {"expected": expected, "low": low, "high": high},
        "weak_bits_unknown": fading.open,
        "account": found.account,
        "seen_by_other_sources": None if found.witnessed is None else found.witnessed.programmed,
    }


def _solved_as_json(constraints: Sequence[Constraint], solved: Solved) -> dict[str, Any]:
    return {
        "constraints": [each.say() for each in constraints],
        "solutions": None if solved.count is None else str(solved.count),
        "log2_solutions": None if not np.isfinite(solved.log2_count) else solved.log2_count,
        "unknown_bits": len(solved.bit),
        "settled_bits": int(np.count_nonzero(solved.forced >= 0)),
        "conflict": [constraints[number].say() for number in solved.conflict],
        "parts": [
            {
                "constraints": list(part.constraints),
                "bits": len(part.bits),
                "solutions": None if part.count is None else str(part.count),
                "spare_check_bits": part.spare,
                "how": part.how,
            }
            for part in solved.parts
        ],
    }
