"""The board map: paths as rails from chip to processor, with the suspects' share of doubt on each part.

Chips stand on the left, processors on the right; arrow heads tell which way a signal runs. A part that
several paths of a kind share is one tall box across their rails. What is carried is told by colour, dash and
heading; doubt by a number, a bar and the thickness of the frame, so that nothing hangs on colour alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from xml.sax.saxutils import escape, quoteattr

from wrongbit.diagnose.entropy import doubt_text
from wrongbit.diagnose.structure import Structure
from wrongbit.diagnose.suspects import Weighing
from wrongbit.machine.model import Point

PAPER, INK, QUIET, ACCENT, BODY = "#faf8f3", "#1d1f24", "#6b6f76", "#d55e00", "#efece3"

RAILS: dict[str, tuple[str, str]] = {
    "data": ("#007a5a", ""),
    "address": ("#0072b2", "9 4"),
    "select": ("#8a5a00", "3 3"),
    "bank": ("#8a5a00", "1 4"),
    "enable": ("#7b4a91", "9 3 2 3"),
}
"""What a path carries = colour of its rail and dash; hues of Okabe and Ito's palette (2008), darkened for
thin lines on paper. In the order in which they are drawn."""

FACE = "'JetBrains Mono', 'IBM Plex Mono', 'DejaVu Sans Mono', Consolas, Menlo, monospace"
"""Faces that tell 0 from O and 1 from l."""

ROW, COLUMN, BOX, LEFT, TOP = 50, 150, 92, 40, 84
GAP = 176
"""Between the chips and the first part; the names of the paths stand there."""

NOTE = 27
"""Characters of a path's name that the gap has room for; who points at the arrow head reads it whole."""

LEGEND_LINE = 22
"""Pixels from one line of the legend to the next."""

END = 118
"""Width of the boxes of chips and processors."""


@dataclass(frozen=True)
class _Rail:
    """A path on the map: its number, its row, and its parts from left to right."""

    path: int
    y: int
    parts: tuple[str, ...]


def board_map(weighing: Weighing) -> str:
    """The map as SVG text.

    Args:
        weighing: What is known; without any observation the shares are those of failure rates alone.
    """
    structure = weighing.structure
    columns = _columns(structure)
    sections: list[tuple[str, list[_Rail]]] = []
    y = TOP
    for carries in RAILS:
        rails = []
        for number, path in enumerate(structure.machine.path):
            if path.carries == carries:
                parts = path.through if carries == "data" else path.through[::-1]
                rails.append(_Rail(number, y + 40, parts))
                y += ROW
        if rails:
            sections.append((carries, rails))
            y += 46
    width = LEFT + END + GAP + COLUMN * (max(columns.values(), default=-1) + 1) + END + LEFT
    shapes = [shape for section in sections for shape in _section(weighing, *section, columns, width)]
    lines = 1 + _legend_places(weighing, width)[-1][1]
    height = y + 46 + LEGEND_LINE * (lines - 1)
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" '
            f'height="{height}" role="img" aria-label={quoteattr(_title(weighing))}>',
            f"<title>{escape(_title(weighing))}</title>",
            f'<rect width="{width}" height="{height}" fill="{PAPER}"/>',
            _text(LEFT, 34, _title(weighing), size=17, bold=True),
            _text(LEFT, 56, _subtitle(weighing), size=12, colour=QUIET),
            *shapes,
            *_legend(weighing, y + 24, width),
            "</svg>",
            "",
        ]
    )


def _title(weighing: Weighing) -> str:
    return f"Board map: {weighing.structure.machine.machine.name}"


def _subtitle(weighing: Weighing) -> str:
    top = weighing.suspects()[:3] if weighing.explanations else ()
    shares = ", ".join(f"{each.part} {each.share:.0%}" for each in top)
    return f"Doubt after {len(weighing.labels)} measurements: {doubt_text(weighing.doubt)}. {shares}"


def _columns(structure: Structure) -> dict[str, int]:
    """A column for each part, such that it lies to the right of all parts nearer to the chips."""
    ways = [path.through if path.carries == "data" else path.through[::-1] for path in structure.machine.path]
    columns = {name: 0 for way in ways for name in way}
    for _ in range(len(columns)):
        for way in ways:
            for left, right in pairwise(way):
                columns[right] = max(columns[right], columns[left] + 1)
        if max(columns.values(), default=0) > len(columns):
            break
    return {name: min(column, len(columns)) for name, column in columns.items()}


# Sections ------------------------------------------------------------------------------------------


def _section(
    weighing: Weighing, carries: str, rails: Sequence[_Rail], columns: dict[str, int], width: int
) -> Iterator[str]:
    """All paths that carry one kind of signal."""
    structure = weighing.structure
    colour, dash = RAILS[carries]
    right = width - LEFT - END
    yield _text(LEFT, rails[0].y - 30, carries, size=13, bold=True, colour=colour)
    for rail in rails:
        yield (
            f'<line x1="{LEFT + END}" y1="{rail.y}" x2="{right}" y2="{rail.y}" stroke="{colour}" '
            f'stroke-width="3" stroke-dasharray="{dash}"/>'
        )
        tip = right - 4 if carries == "data" else LEFT + END + 4
        back = -11 if carries == "data" else 11
        yield (
            f'<path d="M{tip} {rail.y} l{back} -6 v12 z" fill="{colour}">'
            f"<title>{escape(structure.machine.path[rail.path].name)}</title></path>"
        )
        bits = structure.bits[rail.path]
        label = structure.machine.path[rail.path].name
        note = f"{label} {_span(bits)}" if bits else label
        fits = note if len(note) <= NOTE else note[: NOTE - 1].rstrip() + "…"
        yield _text(LEFT + END + 8, rail.y - 8, fits, size=10, colour=colour)
    yield from _ends(weighing, carries, rails, right)
    for name in dict.fromkeys(part for rail in rails for part in rail.parts):
        for first, last in _runs([rail for rail in rails if name in rail.parts], rails):
            x = LEFT + END + GAP + COLUMN * columns[name]
            yield from _box(
                weighing, name, _share(weighing, name, carries), x, first.y - 21, last.y + 21, BOX
            )
    for rail in rails:
        yield from _probes(weighing, carries, rail, columns, right)


def _span(bits: Sequence[int]) -> str:
    return (
        f"{bits[0]}..{bits[-1]}"
        if len(bits) > 1 and len(bits) == bits[-1] - bits[0] + 1
        else ",".join(map(str, bits))
    )


def _runs(own: Sequence[_Rail], rails: Sequence[_Rail]) -> Iterator[tuple[_Rail, _Rail]]:
    """Neighbouring rails among those that a part is on, as (first, last)."""
    order = {rail.path: number for number, rail in enumerate(rails)}
    start = previous = own[0]
    for rail in own[1:]:
        if order[rail.path] != order[previous.path] + 1:
            yield start, previous
            start = rail
        previous = rail
    yield start, previous


def _ends(weighing: Weighing, carries: str, rails: Sequence[_Rail], right: int) -> Iterator[str]:
    """Chips on the left, processors on the right."""
    structure = weighing.structure
    for rail in rails:
        path = structure.machine.path[rail.path]
        chips = ", ".join(path.chips)
        share = sum(_share(weighing, chip, "inside") for chip in path.chips) if carries == "data" else None
        yield from _box(weighing, chips, share, LEFT, rail.y - 21, rail.y + 21, END)

    by_end: dict[str, list[_Rail]] = {}
    for rail in rails:
        by_end.setdefault(", ".join(structure.processors[rail.path]), []).append(rail)
    for ends, own in by_end.items():
        for first, last in _runs(own, rails):
            yield from _box(weighing, ends, None, right, first.y - 21, last.y + 21, END)


def _share(weighing: Weighing, part: str, carries: str) -> float:
    """Share of the doubt that lies on a part's signals of this kind."""
    return float(
        sum(
            share
            for share, each in zip(weighing.shares.tolist(), weighing.explanations, strict=True)
            if any(fault.part == part and fault.carries == carries for fault in each.faults)
        )
    )


def _box(
    weighing: Weighing, name: str, share: float | None, x: float, top: float, bottom: float, width: float
) -> Iterator[str]:
    """A part with its share of doubt as number and bar."""
    tied = any(each == name or each in name.split(", ") for each in weighing.top()) and bool(
        share and share >= 0.01
    )
    edge, thick = (ACCENT, 3) if tied else (INK, 1.2)
    middle = (top + bottom) / 2
    several = name.split(", ")
    shown = name if len(name) <= 13 else f"{several[0]} … {several[-1]}"
    yield (
        f'<rect x="{x}" y="{top}" width="{width}" height="{bottom - top}" rx="3" fill="{BODY}" '
        f'stroke="{edge}" stroke-width="{thick}"><title>{escape(name)}</title></rect>'
    )
    if share is None:
        yield _text(x + width / 2, middle + 5, shown, size=13, bold=True, middle=True)
        return
    yield _text(x + width / 2, middle - 3, shown, size=13, bold=True, middle=True)
    number = f"{share:.0%}" if share >= 0.005 else "–"
    yield _text(
        x + width / 2,
        middle + 13,
        f"{'▲ ' if tied else ''}{number}",
        size=12,
        middle=True,
        colour=ACCENT if tied else INK,
    )
    if share >= 0.005:
        bar = f"{width * min(share, 1):.1f}"
        yield f'<rect x="{x}" y="{bottom - 4}" width="{bar}" height="4" fill="{ACCENT}"/>'


# Probe points --------------------------------------------------------------------------------------


def _probes(
    weighing: Weighing, carries: str, rail: _Rail, columns: dict[str, int], right: int
) -> Iterator[str]:
    """Where probe points touch a rail: a cross where a capture showed wrong words, else a ring."""
    structure = weighing.structure
    if carries not in ("data", "address"):
        return
    chips = set(structure.machine.path[rail.path].chips)
    looks: dict[str, bool] = {}
    for look in weighing.looks:
        if look.chips_judged & chips:
            looks[look.point.name] = looks.get(look.point.name, False) or bool(look.chips_wrong & chips)
    seen: set[object] = set()
    for point in sorted(structure.machine.point, key=lambda each: each.name not in looks):
        position = structure.position(rail.path, point)
        named = [p.name for p in structure.machine.path if p.carries == "data" and p.name in point.on]
        path = structure.machine.path[rail.path]
        if position is None or (named and path.name not in point.on) or (position, bool(point.on)) in seen:
            continue
        seen.add((position, bool(point.on)))
        x = _probe_x(rail, position, carries, columns, right)
        yield _probe(x, rail.y, point, looks.get(point.name))


def _probe_x(rail: _Rail, position: int, carries: str, columns: dict[str, int], right: int) -> float:
    """Just behind the part, in the direction of the signal."""
    from_left = position if carries == "data" else len(rail.parts) - position
    if carries == "data":
        if from_left == 0:
            return LEFT + END + 14
        if from_left == len(rail.parts):
            return right - 26
        return LEFT + END + GAP + COLUMN * columns[rail.parts[from_left - 1]] + BOX + 14
    if from_left == 0:
        return LEFT + END + 26
    if from_left == len(rail.parts):
        return right - 14
    return LEFT + END + GAP + COLUMN * columns[rail.parts[from_left]] - 14


def _probe(x: float, y: float, point: Point, wrong: bool | None) -> str:
    about = "not captured yet" if wrong is None else "wrong words seen" if wrong else "no wrong word seen"
    title = f"<title>{escape(point.name)}: {about}</title>"
    if wrong is None:
        ring = f'cx="{x}" cy="{y}" r="5" fill="{PAPER}" stroke="{INK}" stroke-width="1.4"'
        return f"<circle {ring}>{title}</circle>"
    if wrong:
        return (
            f'<g><circle cx="{x}" cy="{y}" r="7" fill="{PAPER}" stroke="{ACCENT}" stroke-width="2"/>'
            f'<path d="M{x - 4} {y - 4} l8 8 m0 -8 l-8 8" stroke="{ACCENT}" stroke-width="2.4"/>{title}</g>'
        )
    return (
        f'<g><circle cx="{x}" cy="{y}" r="7" fill="{PAPER}" stroke="{INK}" stroke-width="2"/>'
        f'<path d="M{x - 3.5} {y} l3 3.5 l5 -7" fill="none" stroke="{INK}" stroke-width="2"/>{title}</g>'
    )


LEGEND: tuple[tuple[bool | None, str], ...] = (
    (None, "probe point"),
    (True, "captured: wrong words"),
    (False, "captured: all right"),
)
"""What the marks of probe points mean."""

SHARES = "▲ suspected; bar and number: share of the doubt"

LETTER = 6.8
"""Width of a letter of the legend, with some to spare for other faces: 11 pixels high, 0.6 as wide."""


def _legend_places(weighing: Weighing, width: float) -> list[tuple[float, int, bool | None, str]]:
    """Each entry of the legend as (x, line, mark, text), on as many lines as the map is narrow."""
    entries = [(mark, text, 22) for mark, text in LEGEND] if weighing.structure.machine.point else []
    places: list[tuple[float, int, bool | None, str]] = []
    x, line = float(LEFT), 0
    for mark, text, before in [*entries, (None, SHARES, 0)]:
        needed = before + LETTER * len(text)
        if places and x + needed > width - LEFT / 2:
            x, line = float(LEFT), line + 1
        places.append((x, line, mark, text))
        x += needed + 18
    return places


def _legend(weighing: Weighing, y: float, width: float) -> Iterator[str]:
    """What the marks mean."""
    for x, line, mark, text in _legend_places(weighing, width):
        here = y + line * LEGEND_LINE
        if text == SHARES:
            yield _text(x, here, text, size=11, colour=QUIET)
            continue
        yield _probe(x + 8, here - 4, weighing.structure.machine.point[0], mark)
        yield _text(x + 22, here, text, size=11, colour=QUIET)


def _text(
    x: float, y: float, text: str, *, size: int, bold: bool = False, middle: bool = False, colour: str = INK
) -> str:
    weight = ' font-weight="bold"' if bold else ""
    anchor = ' text-anchor="middle"' if middle else ""
    return (
        f'<text x="{x:g}" y="{y:g}" font-family="{FACE}" font-size="{size}"{weight}{anchor} '
        f'fill="{colour}">{escape(text)}</text>'
    )
