"""The chip map as an SVG file: the array by its own row and column lines, so that a dead row is a row.

Colours are Okabe and Ito's, told apart by colour-blind readers too; a wrong place is also crossed out and a
wavering one struck once, and what was not judged is ruled, so that nothing hangs on colour alone.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np

from wrongbit.errors import UsageError
from wrongbit.reading.array import NOT_JUDGED, UNSTABLE, WRONG, ChipPicture
from wrongbit.units import format_bits

PAPER, INK, FAINT, GROUND = "#fbf9f4", "#23211d", "#8a857a", "#e9e5da"
ACCENT, WAVER, UNKNOWN = "#d55e00", "#0072b2", "#8a857a"
SIDE, GAP, LEFT, TOP = 520, 6, 74, 76
FACE = "font-family=\"'DejaVu Sans Mono','Liberation Mono',monospace\""

MOST = 128
"""Rows and columns that a picture shows one by one; beyond, several share a place."""


def chip_map_svg(drawn: ChipPicture, title: str, caption: str) -> str:
    """The picture of a chip's array.

    Args:
        drawn: From `wrongbit.reading.array.picture`.
        title: First line.
        caption: Line below it.
    """
    height, outputs, across = drawn.states.shape
    block = max((SIDE - GAP * (outputs - 1)) / outputs, 16.0)
    cell_w, cell_h = block / across, SIDE / height
    width = LEFT + outputs * block + (outputs - 1) * GAP + 24
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {TOP + SIDE + 104}" '
        f'width="{width:.0f}" height="{TOP + SIDE + 104}" role="img">',
        f"<title>{escape(title)}</title><desc>{escape(caption)}</desc>",
        f'<rect width="100%" height="100%" fill="{PAPER}"/>',
        _text(LEFT, 26, title, 15, INK, weight="bold"),
        _text(LEFT, 45, caption, 11, FAINT),
    ]
    for output in range(outputs):
        left = LEFT + output * (block + GAP)
        parts.append(_text(left + block / 2, TOP - 8, f"D{output}", 11, INK, anchor="middle"))
        parts.append(f'<rect x="{left:.2f}" y="{TOP}" width="{block:.2f}" height="{SIDE}" fill="{GROUND}"/>')
        parts += _marks(drawn.states[:, output], left, cell_w, cell_h)
    parts += _rows(drawn, height, cell_h)
    parts += _key(drawn, TOP + SIDE + 26)
    return "\n".join([*parts, "</svg>", ""])


def _text(
    x: float, y: float, text: str, size: int, colour: str, *, anchor: str = "start", weight: str = "normal"
) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" fill="{colour}" text-anchor="{anchor}" '
        f'font-weight="{weight}" {FACE}>{escape(text)}</text>'
    )


def _marks(states: np.typing.NDArray[np.uint8], left: float, cell_w: float, cell_h: float) -> list[str]:
    """One path a state: runs of equal places in a row are one bar."""
    parts = []
    for state, colour in ((NOT_JUDGED, UNKNOWN), (UNSTABLE, WAVER), (WRONG, ACCENT)):
        bars, strokes = [], []
        ruled = state == NOT_JUDGED
        for row in np.flatnonzero((states == state).any(axis=1)).tolist():
            edges = np.flatnonzero(np.diff(np.concatenate([[False], states[row] == state, [False]])))
            for first, end in zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True):
                x, y, w = left + first * cell_w, TOP + row * cell_h, (end - first) * cell_w
                if ruled:
                    strokes.append(f"M{x:.2f} {y + cell_h / 2:.2f}h{w:.2f}")
                    continue
                bars.append(f"M{x:.2f} {y:.2f}h{w:.2f}v{cell_h:.2f}h{-w:.2f}z")
                if state == UNSTABLE:
                    strokes.append(f"M{x:.2f} {y + cell_h:.2f}L{x + w:.2f} {y:.2f}")
                if state == WRONG:
                    strokes.append(f"M{x:.2f} {y + cell_h / 2:.2f}h{w:.2f}")
        if bars:
            parts.append(f'<path d="{"".join(bars)}" fill="{colour}"/>')
        if strokes:
            thin = max(min(cell_w, cell_h) / 5, 0.3)
            pen = colour if ruled else PAPER
            parts.append(f'<path d="{"".join(strokes)}" stroke="{pen}" stroke-width="{thin:.2f}"/>')
    return parts


def _rows(drawn: ChipPicture, height: int, cell_h: float) -> list[str]:
    """Row numbers at the left, at most sixteen."""
    step = max(height // 16, 1)
    return [
        _text(
            LEFT - 8,
            TOP + row * cell_h + max(cell_h / 2, 3) + 3,
            str(row * drawn.rows_each),
            10,
            FAINT,
            anchor="end",
        )
        for row in range(0, height, step)
    ]


def _key(drawn: ChipPicture, y: float) -> list[str]:
    """What the marks and the directions mean."""
    rows, columns = (format_bits(lines) or "none" for lines in (drawn.geometry.rows, drawn.geometry.columns))
    from_where = "machine file" if drawn.geometry.declared else "taken here for the map"
    shares = []
    if drawn.rows_each > 1 or drawn.columns_each > 1:
        shares = [
            f"One place stands for {drawn.rows_each} rows x {drawn.columns_each} columns; the worst shows."
        ]
    parts = []
    x = float(LEFT)
    for colour, name in (
        (GROUND, "good"),
        (ACCENT, "wrong in every pass"),
        (WAVER, "wavers"),
        (UNKNOWN, "not judged"),
    ):
        ground = GROUND if colour == UNKNOWN else colour
        parts.append(f'<rect x="{x}" y="{y - 10}" width="14" height="12" fill="{ground}"/>')
        if colour == UNKNOWN:
            parts.append(f'<path d="M{x} {y - 8}h14m-14 4h14m-14 4h14" stroke="{colour}" stroke-width="1"/>')
        if colour == ACCENT:
            parts.append(f'<path d="M{x} {y - 4}h14" stroke="{PAPER}" stroke-width="2"/>')
        if colour == WAVER:
            parts.append(f'<path d="M{x} {y + 2}L{x + 14} {y - 10}" stroke="{PAPER}" stroke-width="2"/>')
        parts.append(_text(x + 20, y, name, 11, INK))
        x += 34 + 7.2 * len(name) + 12
    text = f"Down: rows by A {rows}. Across, for each output: columns by A {columns} ({from_where})."
    parts += [_text(LEFT, y + 22 + 18 * at, line, 11, FAINT) for at, line in enumerate([text, *shares])]
    return parts


def write_svg(path: Path, svg: str) -> None:
    """Write a picture, whole or not at all.

    Raises:
        UsageError: The name does not end in .svg, or the file cannot be written.
    """
    if path.suffix.lower() != ".svg":
        raise UsageError(f"{path.name} does not end in .svg.", "Give the picture a name that does.")
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    except OSError as error:
        raise UsageError(f"{path} cannot be written: {error.strerror}.", "Choose another place.") from None
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(svg)
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise UsageError(f"{path} cannot be written: {error.strerror}.", "Choose another place.") from None
