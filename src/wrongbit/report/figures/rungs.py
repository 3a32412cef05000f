"""The bring-up ladder as a picture: rung below rung in the order in which to look, each with its mark."""

from __future__ import annotations

from collections.abc import Iterator

from wrongbit.bringup.ladder import Ladder, Rung
from wrongbit.report.figures.svg import document, path, shortened, text
from wrongbit.report.theme import Theme

ROW, TOP, LEFT = 30, 62, 30
COLUMNS = (62, 250, 440, 580)
"""Where a rung's name, its limits, the measured value and the outcome begin."""

MARKS = {"within": "✓", "outside": "▲", "not measured": "·"}


def ladder_figure(ladder: Ladder, theme: Theme, *, width: int = 860) -> str:
    """The ladder as SVG.

    Args:
        ladder: Judged rungs.
        theme: Colours.
        width: Pixels in all.
    """
    title = f"Bring-up ladder: {ladder.machine}"
    shapes = [text(LEFT - 8, 28, shortened(title, width - 40, 15), theme.ink, size=15, bold=True)]
    for x, head in zip(COLUMNS, ("rung", "should be", "measured", ""), strict=True):
        shapes.append(text(x, TOP - 12, head, theme.quiet, size=11))
    failed = ladder.first_outside
    for number, rung in enumerate(ladder.rungs):
        shapes += _rung(rung, rung is failed, number, len(ladder.rungs), width, theme)
    height = TOP + ROW * len(ladder.rungs) + 16
    return document(width, height, shapes, theme, title=title, description=_describe(ladder))


def _describe(ladder: Ladder) -> str:
    told = (
        f"{ladder.count('within')} steps within limits, {ladder.count('outside')} outside, "
        f"{ladder.count('not measured')} not measured."
    )
    failed = ladder.first_outside
    if failed is None:
        return told
    return (
        f"{told} The first that fails: {failed.title}, should be {failed.wanted}, {failed.off or 'is not'}."
    )


def _rung(rung: Rung, first: bool, number: int, count: int, width: int, theme: Theme) -> Iterator[str]:
    """The rail with its mark, and what the rung says."""
    y = TOP + ROW * number + ROW / 2
    above = y - ROW / 2 if number else y
    below = y + ROW / 2 if number + 1 < count else y
    yield path(f"M{LEFT} {above:g}V{below:g}", stroke=theme.edge, weight=2, dash=_dash(rung))
    yield from _mark(rung, y, theme)
    colour = theme.accent_text if rung.verdict == "outside" else theme.ink
    limits = rung.wanted + (" *" if rung.assumed else "")
    outcome = rung.off or rung.note or ("" if rung.verdict == "within" else rung.verdict)
    if first:
        outcome = f"first that fails{': ' + outcome if outcome != 'outside' else ''}"
    for x, end, told, heavy in (
        (COLUMNS[0], COLUMNS[1], rung.title, True),
        (COLUMNS[1], COLUMNS[2], limits, False),
        (COLUMNS[2], COLUMNS[3], rung.measured or "–", rung.verdict == "outside"),
        (COLUMNS[3], width - 12, outcome, first),
    ):
        quiet = rung.verdict == "not measured" and x != COLUMNS[0]
        shown = shortened(told, end - x - 8)
        yield text(
            x,
            y + 4,
            shown,
            theme.quiet if quiet else colour,
            bold=heavy,
            title=told if shown != told else "",
        )


def _dash(rung: Rung) -> str:
    return "3 4" if rung.verdict == "not measured" else ""


def _mark(rung: Rung, y: float, theme: Theme) -> Iterator[str]:
    """A tick, a triangle or an empty ring."""
    if rung.verdict == "within":
        yield (
            f'<circle cx="{LEFT}" cy="{y:g}" r="9" fill="{theme.paper}" stroke="{theme.agrees}" '
            'stroke-width="2"/>'
        )
        yield path(f"M{LEFT - 4} {y:g}l3 4l6 -8", stroke=theme.agrees, weight=2.2)
    elif rung.verdict == "outside":
        yield path(f"M{LEFT - 11} {y + 9:g}h22l-11 -19z", fill=theme.tint, stroke=theme.accent, weight=2.2)
        yield path(f"M{LEFT} {y - 3:g}v6m0 3v1.6", stroke=theme.ink, weight=1.8)
    else:
        yield (
            f'<circle cx="{LEFT}" cy="{y:g}" r="7" fill="{theme.paper}" stroke="{theme.unknown}" '
            'stroke-width="1.6" stroke-dasharray="2 2"/>'
        )
