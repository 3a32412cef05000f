"""The bit strip: one cell a bit, grouped by lane, expected above and seen below, differing cells notched."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from wrongbit.bits import mask_of
from wrongbit.job import Comparison, Job
from wrongbit.report.figures.svg import document, hatching, path, rectangle, text, width_of
from wrongbit.report.theme import Theme

CELL, ROW, GAP, LABELS, EDGE = 26, 28, 12, 92, 12
"""Pixels: a cell's width and height, the gap between lanes, the labels' column, the margin."""

NOTCH = 7
"""Depth and half the width of the notch that marks a differing cell."""


@dataclass(frozen=True)
class Lane:
    """The bits of a word that one chip feeds.

    Args:
        name: The chip.
        bits: Word bits, in any order.
    """

    name: str
    bits: tuple[int, ...]


@dataclass(frozen=True)
class StripWord:
    """A word beside the one that should have been there.

    Args:
        word_bits: Width.
        expected: The word that should have been there.
        expected_known: A 1 for each bit of it that is known.
        seen: The word that was.
        seen_known: A 1 for each bit of it that is known.
        lanes: Who feeds which bits; the rest is drawn in bytes without a name.
    """

    word_bits: int
    expected: int
    expected_known: int
    seen: int
    seen_known: int
    lanes: tuple[Lane, ...] = field(default=())

    @property
    def wrong(self) -> int:
        """Bits that are known on both sides and differ."""
        return (self.expected ^ self.seen) & self.expected_known & self.seen_known

    def say(self) -> str:
        """The strip in words.

        >>> StripWord(8, 0x0F, 0xFF, 0x0B, 0x7F, (Lane("U7", tuple(range(8))),)).say()
        'expected 0F, seen ?B; bit 2 differs (U7: 0 for 1); bit 7 was not known'
        """
        told = [f"expected {_hex(self.expected, self.expected_known, self.word_bits)}"]
        told[0] += f", seen {_hex(self.seen, self.seen_known, self.word_bits)}"
        for bit in reversed(range(self.word_bits)):
            if self.wrong >> bit & 1:
                lane = next((f"{lane.name}: " for lane in self.lanes if bit in lane.bits), "")
                levels = f"{self.seen >> bit & 1} for {self.expected >> bit & 1}"
                told.append(f"bit {bit} differs ({lane}{levels})")
        both = self.expected_known & self.seen_known
        open_ = [bit for bit in range(self.word_bits) if not both >> bit & 1]
        if open_:
            names = ", ".join(map(str, open_))
            told.append(
                f"bit{'s' if len(open_) > 1 else ''} {names} {'were' if open_[1:] else 'was'} not known"
            )
        return "; ".join(told)


def _hex(value: int, known: int, bits: int) -> str:
    digits = []
    for shift in reversed(range(0, bits, 4)):
        need = mask_of(range(shift, min(shift + 4, bits))) >> shift
        digits.append(f"{value >> shift & need:X}" if known >> shift & need == need else "?")
    return "".join(digits)


def strip_word(job: Job, comparison: Comparison, row: int) -> StripWord:
    """A cycle's word as a strip, with the lanes of the chips that answer there.

    Args:
        job: The machine and the probe point.
        comparison: The cycles and their verdicts.
        row: Which cycle.
    """
    cycles, verdicts = comparison.cycles, comparison.verdicts
    at = slice(row, row + 1)
    judged = int(verdicts.judged[row])
    lanes = tuple(
        Lane(chip.name, chip.lane)
        for chip in job.memory_map.chips
        if chip.lane_mask & judged and bool(chip.selected(cycles.bank[at], cycles.address[at])[0])
    )
    return StripWord(
        job.processor.word_bits,
        int(verdicts.expected[row]),
        judged,
        int(cycles.word[row]),
        int(cycles.known[row]),
        lanes,
    )


def bit_strip(word: StripWord, theme: Theme, *, title: str = "Bit strip") -> str:
    """The strip as SVG.

    Args:
        word: The word.
        theme: Colours.
        title: What it is, for who cannot see it.
    """
    groups = _groups(word)
    width = EDGE + LABELS + sum(len(bits) * CELL + GAP for _, bits in groups) - GAP + EDGE
    shapes: list[str] = []
    for label, y in (("bit", 46), ("expected", 72), ("seen", 72 + ROW + 6)):
        shapes.append(text(EDGE, y, label, theme.quiet))
    x = float(EDGE + LABELS)
    for name, bits in groups:
        shapes += _group(word, name, bits, x, theme)
        x += len(bits) * CELL + GAP
    shapes += _key(word, theme)
    return document(width, 150 if _keyed(word) else 126, shapes, theme, title=title, description=word.say())


def _groups(word: StripWord) -> list[tuple[str, list[int]]]:
    """Runs of bits from the highest down that one chip feeds; others end at every byte."""
    owner = {bit: lane.name for lane in word.lanes for bit in lane.bits}
    groups: list[tuple[str, list[int]]] = []
    for bit in reversed(range(word.word_bits)):
        name = owner.get(bit, "")
        if not groups or groups[-1][0] != name or (not name and bit % 8 == 7):
            groups.append((name, []))
        groups[-1][1].append(bit)
    return groups


def _group(word: StripWord, name: str, bits: Sequence[int], x: float, theme: Theme) -> Iterator[str]:
    if name:
        yield text(x, 18, name, theme.ink, bold=True)
        yield path(f"M{x:g} 26h{len(bits) * CELL}", stroke=theme.edge, weight=1.5)
    for place, bit in enumerate(bits):
        left = x + place * CELL
        wrong = bool(word.wrong >> bit & 1)
        yield text(
            left + CELL / 2,
            46,
            str(bit),
            theme.accent_text if wrong else theme.quiet,
            size=11,
            anchor="middle",
            bold=wrong,
        )
        expected = _level(word.expected, word.expected_known, bit)
        seen = _level(word.seen, word.seen_known, bit)
        yield from _cell(left, 53, expected, False, False, theme)
        yield from _cell(left, 53 + ROW + 6, seen, wrong, True, theme)


def _level(value: int, known: int, bit: int) -> str:
    return str(value >> bit & 1) if known >> bit & 1 else "?"


def _cell(x: float, y: float, level: str, wrong: bool, lower: bool, theme: Theme) -> Iterator[str]:
    """One bit. A wrong one has a heavy frame whose upper edge is notched, pointing at what was expected."""
    middle = x + CELL / 2
    if wrong:
        steps = (
            f"M{x + 1:g} {y:g}H{middle - NOTCH:g}L{middle:g} {y - NOTCH:g}L{middle + NOTCH:g} {y:g}"
            f"H{x + CELL - 1:g}V{y + ROW:g}H{x + 1:g}z"
        )
        yield path(steps, stroke=theme.accent, fill=theme.tint, weight=2)
        yield text(middle, y + 19, level, theme.ink, size=14, anchor="middle", bold=True)
        return
    yield rectangle(x + 1, y, CELL - 2, ROW, fill=theme.raised if lower else theme.body, stroke=theme.edge)
    if level == "?":
        yield path(hatching(x + 1, y, CELL - 2, ROW), stroke=theme.unknown, weight=0.8)
        yield rectangle(x + 7, y + 6, CELL - 14, ROW - 12, fill=theme.paper)
    yield text(middle, y + 19, level, theme.quiet if level == "?" else theme.ink, size=14, anchor="middle")


def _keyed(word: StripWord) -> bool:
    whole = (1 << word.word_bits) - 1
    return bool(word.wrong) or (word.expected_known & word.seen_known & whole) != whole


def _key(word: StripWord, theme: Theme) -> Iterator[str]:
    if not _keyed(word):
        return
    x, y = float(EDGE + LABELS), 142
    whole = (1 << word.word_bits) - 1
    entries = []
    if word.wrong:
        entries.append((True, "differs"))
    if word.expected_known & word.seen_known & whole != whole:
        entries.append((False, "not known"))
    for wrong, name in entries:
        if wrong:
            yield path(
                f"M{x:g} {y - 2:g}h3l4 -5l4 5h3v5h-14z", stroke=theme.accent, fill=theme.tint, weight=1.5
            )
        else:
            yield rectangle(x, y - 8, 14, 11, fill=theme.raised, stroke=theme.edge)
            yield path(hatching(x, y - 8, 14, 11, 4), stroke=theme.unknown, weight=0.8)
        yield text(x + 20, y + 2, name, theme.quiet, size=11)
        x += 34 + width_of(name, 11)
