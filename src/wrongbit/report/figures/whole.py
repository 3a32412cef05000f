"""The capture strip: a whole capture of any length in one bar, so that one sees where it differs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from wrongbit.compare.verdicts import AGREES, DIFFERS
from wrongbit.report.figures.svg import document, path, rectangle, text, width_of
from wrongbit.report.theme import Theme

LEAST = 5.0
"""Pixels that a column's differing share takes at least: one wrong cycle among thousands must be seen."""


@dataclass(frozen=True)
class Condensed:
    """Verdicts gathered into columns.

    Args:
        starts: ``int64 (columns + 1,)`` first cycle of each column, and the end.
        agrees: ``float64 (columns,)`` share of its cycles that agree.
        differs: ``float64 (columns,)`` share that differ.
        first_wrong: The first differing cycle, or None.
    """

    starts: NDArray[np.int64]
    agrees: NDArray[np.float64]
    differs: NDArray[np.float64]
    first_wrong: int | None

    @property
    def columns(self) -> int:
        """How many."""
        return len(self.agrees)

    def column_of(self, cycle: int) -> int:
        """The column in which a cycle lies."""
        return int(np.searchsorted(self.starts, cycle, side="right")) - 1


def condense(
    verdict: NDArray[np.uint8], columns: int = 600, *, first: int = 0, last: int | None = None
) -> Condensed:
    """Gather verdicts into columns of as nearly as possible equal length.

    Args:
        verdict: ``uint8 (n,)`` of `wrongbit.compare.verdicts.Verdicts`.
        columns: At most so many; fewer where there are fewer cycles.
        first: First cycle.
        last: The cycle after the last; left out: to the end.
    """
    end = len(verdict) if last is None else min(last, len(verdict))
    first = max(0, min(first, end))
    count = min(columns, end - first)
    starts = first + np.arange(count + 1, dtype=np.int64) * (end - first) // max(count, 1)
    if not count:
        return Condensed(starts, np.empty(0), np.empty(0), None)
    part = verdict[first:end]
    size = np.diff(starts)
    shares = [
        np.add.reduceat(part == code, starts[:-1] - first, dtype=np.int64) / size
        for code in (AGREES, DIFFERS)
    ]
    wrong = part == DIFFERS
    at = int(np.argmax(wrong))
    return Condensed(starts, shares[0], shares[1], first + at if wrong[at] else None)


def capture_strip(
    condensed: Condensed,
    theme: Theme,
    *,
    width: int = 760,
    height: int = 34,
    mark: int | None = None,
    title: str = "The whole capture",
) -> str:
    """A capture as one bar: agreeing below, differing above it, the rest not judged.

    Args:
        condensed: From `condense`.
        theme: Colours.
        width: Pixels in all.
        height: Pixels of the bar.
        mark: A cycle to be marked beside the first wrong one, such as the one that is looked at.
        title: What it is, for who cannot see it.
    """
    left, top = 12.0, 40.0
    across = (width - 2 * left) / max(condensed.columns, 1)
    shapes = [rectangle(left, top, width - 2 * left, height, fill=theme.body)]
    shapes += _columns(condensed, left, top, across, height, theme)
    shapes.append(rectangle(left, top, width - 2 * left, height, stroke=theme.edge))
    shapes += _marks(condensed, left, top, width, height, mark, theme)
    shapes += _key(left, top + height + 38, theme)
    return document(width, top + height + 48, shapes, theme, title=title, description=_describe(condensed))


def _describe(condensed: Condensed) -> str:
    if not condensed.columns:
        return "There is no cycle."
    size = np.diff(condensed.starts)
    differs = round(float((condensed.differs * size).sum()))
    agrees = round(float((condensed.agrees * size).sum()))
    told = f"Cycles {condensed.starts[0]} to {condensed.starts[-1] - 1}: {agrees} agree, {differs} differ, "
    told += f"{int(size.sum()) - agrees - differs} not judged."
    return told + (
        "" if condensed.first_wrong is None else f" The first wrong one is {condensed.first_wrong}."
    )


def _columns(
    condensed: Condensed, left: float, top: float, across: float, height: float, theme: Theme
) -> Iterator[str]:
    """Runs of like columns as one shape each, so that a long sound stretch stays small."""
    good = np.round(condensed.agrees * height, 1)
    bad = np.round(condensed.differs * height, 1)
    bad = np.where(condensed.differs > 0, np.maximum(bad, LEAST), 0.0)
    good = np.minimum(good, height - bad)
    for heights, base, colour in ((good, 0.0, theme.agrees), (bad, None, theme.accent)):
        steps, strokes = [], []
        for begin, end in _runs(heights, good):
            tall = heights[begin]
            if not tall:
                continue
            x, wide = left + begin * across, (end - begin) * across
            bottom = top + height - (good[begin] if base is None else 0.0)
            steps.append(f"M{x:.2f} {bottom:.1f}h{wide:.2f}v{-tall:.1f}h{-wide:.2f}z")
            if base is None:
                strokes.append(f"M{x + wide / 2:.2f} {top - 1.5:.1f}v-5")
        if steps:
            yield path("".join(steps), fill=colour)
        if strokes:
            yield path("".join(strokes), stroke=theme.accent, weight=1)


def _runs(heights: NDArray[np.float64], base: NDArray[np.float64]) -> Iterator[tuple[int, int]]:
    if not len(heights):
        return
    both = np.stack([heights, base])
    edges = np.flatnonzero((np.diff(both, axis=1) != 0).any(axis=0)) + 1
    cuts = [0, *edges.tolist(), len(heights)]
    yield from pairwise(cuts)


def _marks(
    condensed: Condensed, left: float, top: float, width: float, height: float, mark: int | None, theme: Theme
) -> Iterator[str]:
    """First and last cycle below, the first wrong one above with a notch, and the one that is looked at."""
    if not condensed.columns:
        yield text(width / 2, top + height / 2 + 4, "no cycle", theme.quiet, anchor="middle")
        return
    begin, end = int(condensed.starts[0]), int(condensed.starts[-1])

    def x_of(cycle: int) -> float:
        return left + (width - 2 * left) * (cycle - begin + 0.5) / (end - begin)

    below = top + height + 16
    yield text(left, below, f"cycle {begin}", theme.quiet, size=11)
    yield text(width - left, below, str(end - 1), theme.quiet, size=11, anchor="end")
    if condensed.first_wrong is not None:
        x = x_of(condensed.first_wrong)
        yield path(f"M{x - 6:.2f} {top - 17:g}h12l-6 9z", fill=theme.accent)
        yield text(
            *_beside(x, width, 10, top - 9),
            f"first wrong: cycle {condensed.first_wrong}",
            theme.accent_text,
            size=11,
            anchor="start" if x < width / 2 else "end",
            bold=True,
        )
    if mark is not None and begin <= mark < end:
        x = x_of(mark)
        yield path(f"M{x:.2f} {top - 3:g}V{top + height + 3:g}", stroke=theme.ink, weight=2)
        yield path(f"M{x - 5:.2f} {top + height + 8:g}h10l-5 -7z", fill=theme.ink)


def _beside(x: float, width: float, gap: float, y: float) -> tuple[float, float]:
    return (x + gap if x < width / 2 else x - gap), y


def _key(x: float, y: float, theme: Theme) -> Iterator[str]:
    for colour, name in (
        (theme.accent, "differ (ticked above)"),
        (theme.agrees, "agree"),
        ("", "not judged"),
    ):
        yield rectangle(x, y - 9, 14, 11, fill=colour or theme.body, stroke="none" if colour else theme.edge)
        yield text(x + 20, y, name, theme.quiet, size=11)
        x += 36 + width_of(name, 11)
