"""The level drawing: signals and buses of a window of samples, the cycle that is looked at marked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.capture.capture import Capture
from wrongbit.compare.verdicts import DIFFERS
from wrongbit.job import Comparison
from wrongbit.report.figures.svg import (
    ADVANCE,
    document,
    hatching,
    path,
    rectangle,
    shortened,
    text,
    width_of,
)
from wrongbit.report.theme import Theme
from wrongbit.units import format_time

LABELS, EDGE, LINE, SWING, TOP = 132, 12, 34, 20, 34
"""Pixels: the names' column, the margin, a line's height, the height of a level, what stands above."""

MOST_STEPS = 4000
"""Changes of a line that are drawn one by one; beyond, a stretch with several is a solid bar."""


@dataclass(frozen=True)
class Marked:
    """Samples that are marked, such as those of one cycle.

    Args:
        first: Number of the first sample, as the whole capture counts.
        last: Number of the last; the same for a single sample.
        label: What it is.
        wrong: Something differs there: it gets the accent, and a notch.
    """

    first: int
    last: int
    label: str = ""
    wrong: bool = False


def level_drawing(
    window: Capture,
    theme: Theme,
    *,
    lines: Sequence[str] | None = None,
    first: int | None = None,
    last: int | None = None,
    marks: Sequence[Marked] = (),
    width: int = 860,
    title: str = "Levels around the cycle",
) -> str:
    """Levels of signals, values of buses.

    Args:
        window: Samples; their numbers are those of the whole capture (``first_sample``).
        theme: Colours.
        lines: Signals and buses, from the top; left out: single signals, then buses.
        first: Number of the first sample drawn; left out: the window's first.
        last: Number of the last; left out: the window's last.
        marks: What is marked.
        width: Pixels in all.
        title: What it is, for who cannot see it.

    Raises:
        KeyError: The capture has no line of this name.
    """
    begin = window.first_sample if first is None else max(first, window.first_sample)
    stop = window.first_sample + len(window) - 1
    stop = stop if last is None else min(last, stop)
    names = line_names(window) if lines is None else tuple(lines)
    rows = slice(begin - window.first_sample, max(stop, begin - 1) - window.first_sample + 1)
    view = _View(window, rows, begin, stop, width)
    height = TOP + LINE * len(names) + 44
    shapes = [*_marks(view, marks, len(names), theme)]
    for number, name in enumerate(names):
        shapes += _line(view, name, TOP + LINE * number + 7, theme)
    shapes += _axis(view, TOP + LINE * len(names) + 8, theme)
    told = f"Samples {begin} to {stop} of {', '.join(names)}."
    for mark in marks:
        told += f" Marked: {mark.label or 'samples'} {mark.first}"
        told += f" to {mark.last}." if mark.last > mark.first else "."
    return document(width, height, shapes, theme, title=title, description=told)


def cycle_mark(comparison: Comparison, row: int) -> Marked:
    """The samples of one cycle: from behind those of the cycle before it to the one that its data is from.

    Args:
        comparison: The cycles and their verdicts.
        row: Which cycle.
    """
    sample = comparison.cycles.sample
    first = int(sample[row - 1]) + 1 if row else 0
    wrong = bool(comparison.verdicts.verdict[row] == DIFFERS)
    return Marked(min(first, int(sample[row])), int(sample[row]), f"cycle {row}", wrong)


def line_names(window: Capture) -> tuple[str, ...]:
    """What is drawn where nobody says otherwise: single signals, then buses with two bits or more."""
    buses = {name: bits for name, bits in window.layout.buses.items() if sum(bit >= 0 for bit in bits) > 1}
    taken = {bit for bits in buses.values() for bit in bits}
    single = [name for name, position in window.layout.signals.items() if position not in taken]
    return (*single, *buses)


@dataclass(frozen=True)
class _View:
    """The samples that are drawn, and where each stands."""

    window: Capture
    rows: slice
    first: int
    last: int
    width: int

    @property
    def count(self) -> int:
        return max(self.last - self.first + 1, 0)

    @property
    def right(self) -> float:
        return self.width - EDGE

    def x(self, sample: float) -> float:
        """Left edge of a sample."""
        left = EDGE + LABELS
        return left + (self.right - left) * (sample - self.first) / max(self.count, 1)

    def bit(self, position: int) -> tuple[NDArray[np.uint64], NDArray[np.bool_]]:
        """A position's levels, and where they are not known."""
        if position < 0:
            return np.zeros(self.count, np.uint64), np.ones(self.count, np.bool_)
        plane, place = divmod(position, 64)
        one, shift = np.uint64(1), np.uint64(place)
        levels = (self.window.planes[plane][self.rows] >> shift) & one
        unknown = self.window.unknown[plane]
        if unknown is None:
            return levels, np.zeros(len(levels), np.bool_)
        return levels, ((unknown[self.rows] >> shift) & one) != 0


def _line(view: _View, name: str, y: float, theme: Theme) -> Iterator[str]:
    positions = view.window.layout.bits_of(name)
    shown = name if len(positions) == 1 else f"{name} [{len(positions) - 1}:0]"
    fits = shortened(shown, LABELS - 8)
    more = shown if fits != shown else ""
    yield text(EDGE, y + SWING - 4, fits, theme.ink, bold=True, title=more)
    if view.count:
        yield from (_signal if len(positions) == 1 else _bus)(view, positions, y, theme)


def _runs(*columns: NDArray[np.generic]) -> NDArray[np.intp]:
    """Where a run of samples with the same values begins, and the end."""
    edges = np.zeros(len(columns[0]), np.bool_)
    for column in columns:
        edges[1:] |= column[1:] != column[:-1]
    return np.concatenate([[0], np.flatnonzero(edges), [len(edges)]])


def _signal(view: _View, positions: Sequence[int], y: float, theme: Theme) -> Iterator[str]:
    levels, unknown = view.bit(positions[0])
    cuts = _runs(levels, unknown)
    if len(cuts) > MOST_STEPS:
        yield from _crowd(view, cuts, y, theme)
        return
    steps: list[str] = []
    pen_down = False
    for start, end in zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True):
        left, right = view.x(view.first + start), view.x(view.first + end)
        if unknown[start]:
            yield path(hatching(left, y, right - left, SWING), stroke=theme.unknown, weight=0.8)
            yield rectangle(left, y, right - left, SWING, stroke=theme.unknown, dash="2 2")
            pen_down = False
            continue
        level = y if levels[start] else y + SWING
        steps.append(f"{f'V{level:g}' if pen_down else f'M{left:.2f} {level:g}'}H{right:.2f}")
        pen_down = True
    if steps:
        yield path("".join(steps), stroke=theme.ink, weight=1.5)


def _bus(view: _View, positions: Sequence[int], y: float, theme: Theme) -> Iterator[str]:
    values = np.zeros(view.count, np.uint64)
    known = np.zeros(view.count, np.uint64)
    for bit, position in enumerate(positions[:64]):
        levels, unknown = view.bit(position)
        values |= levels << np.uint64(bit)
        known |= (~unknown).astype(np.uint64) << np.uint64(bit)
    cuts = _runs(values, known)
    if len(cuts) > MOST_STEPS:
        yield from _crowd(view, cuts, y, theme)
        return
    for start, end in zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True):
        left, right = view.x(view.first + start), view.x(view.first + end)
        told = _value(int(values[start]), int(known[start]), min(len(positions), 64))
        yield from _cell(left, right, y, told, bool(known[start]), theme)


def _value(value: int, known: int, bits: int) -> str:
    """In hexadecimal; a digit with any unknown bit is a question mark."""
    digits = []
    for shift in reversed(range(0, bits, 4)):
        need = (1 << min(4, bits - shift)) - 1
        digits.append(f"{value >> shift & need:X}" if known >> shift & need == need else "?")
    return "".join(digits)


def _cell(left: float, right: float, y: float, told: str, known: bool, theme: Theme) -> Iterator[str]:
    """One value of a bus: a lozenge with the value in it where there is room."""
    slant = min(4.0, (right - left) / 2)
    outline = (
        f"M{left:.2f} {y + SWING / 2:g}L{left + slant:.2f} {y:g}H{right - slant:.2f}L{right:.2f} "
        f"{y + SWING / 2:g}L{right - slant:.2f} {y + SWING:g}H{left + slant:.2f}z"
    )
    yield path(
        outline, stroke=theme.ink if known else theme.unknown, fill=theme.raised, weight=1.2, title=told
    )
    if not known:
        inner = right - left - 2 * slant
        yield path(hatching(left + slant, y, inner, SWING), stroke=theme.unknown, weight=0.8)
        return
    size = 11.0
    if len(told) * ADVANCE * size + 6 <= right - left:
        yield text((left + right) / 2, y + SWING - 6, told, theme.ink, size=size, anchor="middle")


def _crowd(view: _View, cuts: NDArray[np.intp], y: float, theme: Theme) -> Iterator[str]:
    """Too many changes to draw: how many there are in each stretch of the width, as a bar's height."""
    counts, _ = np.histogram(cuts[1:-1], bins=400, range=(0, view.count))
    tall = counts / max(counts.max(), 1) * SWING
    left, step = view.x(view.first), (view.right - view.x(view.first)) / 400
    steps = [
        f"M{left + place * step:.2f} {y + SWING:g}v{-rise:.1f}h{step:.2f}v{rise:.1f}z"
        for place, rise in enumerate(tall.tolist())
        if rise
    ]
    yield path("".join(steps), fill=theme.edge, title=f"{len(cuts) - 2} changes: zoom in to see them")


def _marks(view: _View, marks: Sequence[Marked], lines: int, theme: Theme) -> Iterator[str]:
    """Bands behind the lines, each with a head that tells what it is."""
    bottom = TOP + LINE * lines
    for mark in marks:
        if mark.last < view.first or mark.first > view.last:
            continue
        left = view.x(max(mark.first, view.first))
        right = view.x(min(mark.last, view.last) + 1)
        colour = theme.accent if mark.wrong else theme.edge
        yield rectangle(left, TOP, right - left, bottom - TOP, fill=theme.tint if mark.wrong else theme.body)
        dash = "" if mark.wrong else "5 3"
        for x in (left, right):
            yield path(f"M{x:.2f} {TOP:g}V{bottom:g}", stroke=colour, weight=1.3, dash=dash)
        middle = (left + right) / 2
        if mark.wrong:
            yield path(f"M{middle - 6:.2f} {TOP - 9:g}h12l-6 9z", fill=colour)
        label = shortened(mark.label, view.width - 2 * EDGE, 11)
        half = len(label) * ADVANCE * 11 / 2
        x = min(max(middle, EDGE + half), view.right - half)
        yield text(
            x,
            TOP - 14,
            label,
            theme.accent_text if mark.wrong else theme.ink,
            size=11,
            anchor="middle",
            bold=True,
        )


def _axis(view: _View, y: float, theme: Theme) -> Iterator[str]:
    """Sample numbers, and the time after the first sample drawn where the capture has any."""
    if not view.count:
        yield text(EDGE + LABELS, y + 10, "no sample", theme.quiet)
        return
    yield path(f"M{view.x(view.first):.2f} {y:g}H{view.right:.2f}", stroke=theme.edge)
    times = view.window.times.at(np.arange(view.rows.start, view.rows.stop, dtype=np.int64))
    yield text(EDGE, y + 17, "sample", theme.quiet, size=11)
    if times is not None:
        yield text(EDGE, y + 32, "time", theme.quiet, size=11)
    for sample in _ticks(view):
        x = view.x(sample + 0.5)
        yield path(f"M{x:.2f} {y:g}v5", stroke=theme.edge)
        yield text(x, y + 17, str(sample), theme.quiet, size=11, anchor="middle")
        if times is not None:
            after = int(times[sample - view.first] - times[0])
            told = format_time(after) if after else "0"
            half = width_of(told, 11) / 2
            yield text(min(x, view.right - half), y + 32, told, theme.quiet, size=11, anchor="middle")


def _ticks(view: _View) -> list[int]:
    """At most six round sample numbers."""
    step = 1
    while view.count / step > 6:
        step = step * 5 // 2 if str(step)[0] == "2" else step * 2
    first = -(-view.first // step) * step
    return list(range(first, view.last + 1, step))
