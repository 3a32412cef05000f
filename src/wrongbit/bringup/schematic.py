"""The stand-in's circuit diagram and its signal, as SVG.

Everything has its place by hand; a test follows the wires and finds that they join what the nets join.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from xml.sax.saxutils import escape

from wrongbit.bringup.circuit import PIN_NAMES, Circuit, Part
from wrongbit.bringup.timer555 import Choice, Wanted
from wrongbit.units import format_time

PAPER, INK, QUIET, ACCENT, BODY = "#faf8f3", "#1d1f24", "#5d6168", "#b84a00", "#efece3"
"""Paper-light ground, dark ink, one accent."""

FACE = "'JetBrains Mono', 'IBM Plex Mono', 'DejaVu Sans Mono', Consolas, Menlo, monospace"

WIDTH, HEIGHT = 840, 660
TOP, BOTTOM = 90, 470
"""Heights of the supply and of ground."""

Point = tuple[int, int]

_BOX = (350, 180, 150, 190)
"""The timer: left, top, width, height."""

_PINS: dict[str, Point] = {
    "7": (330, 210), "6": (330, 270), "2": (330, 330), "3": (520, 270),
    "8": (390, 160), "4": (460, 160), "1": (390, 390), "5": (460, 390),
}  # fmt: skip

_OUTPUT = 270


@dataclass(frozen=True)
class Placed:
    """A part of two ends: where each of them is."""

    first: Point
    second: Point


@dataclass(frozen=True)
class Scene:
    """Terminals and wires.

    Args:
        terminals: Terminal = place.
        wires: Net and the corner points of one wire of it.
        parts: Designator = its two ends.
    """

    terminals: dict[str, Point]
    wires: tuple[tuple[str, tuple[Point, ...]], ...]
    parts: dict[str, Placed]


def lay_out(choice: Choice) -> Scene:
    """Places of all terminals and wires of a circuit."""
    terminals = {f"U1.{pin}": place for pin, place in _PINS.items()}
    parts = {"C2": Placed((460, 415), (460, 430)), "C3": Placed((780, 375), (780, 390))}
    wires: list[tuple[str, tuple[Point, ...]]] = [
        ("+5 V", ((60, TOP), (780, TOP), (780, 375))),
        ("+5 V", ((390, TOP), (390, 160))),
        ("+5 V", ((460, TOP), (460, 160))),
        ("GND", ((60, BOTTOM), (780, BOTTOM), (780, 390))),
        ("GND", ((390, 390), (390, BOTTOM))),
        ("CV", ((460, 390), (460, 415))),
        ("GND", ((460, 430), (460, BOTTOM))),
        ("+5 V", ((210, TOP), (210, 120))),
        ("GND", ((210, 415), (210, BOTTOM))),
    ]
    parts["R1"] = Placed((210, 120), (210, 180))
    parts["C1"] = Placed((210, 400), (210, 415))
    more = _single(parts) if choice.kind == "monostable" else _train(choice, parts)
    wires += [*more, *_output(choice, parts, terminals)]
    for ref, placed in parts.items():
        ends = ("A", "K") if ref == "D1" else ("1", "2")
        terminals[f"{ref}.{ends[0]}"], terminals[f"{ref}.{ends[1]}"] = placed.first, placed.second
    terminals |= {"+5 V": (60, TOP), "GND": (60, BOTTOM)}
    return Scene(terminals, tuple(wires), parts)


def _train(choice: Choice, parts: dict[str, Placed]) -> Iterator[tuple[str, tuple[Point, ...]]]:
    parts["R2"] = Placed((210, 240), (210, 300))
    yield "DIS", ((210, 180), (210, 240))
    yield "DIS", ((210, 210), (330, 210))
    yield "TIME", ((210, 300), (210, 400))
    yield "TIME", ((210, 330), (330, 330))
    yield "TIME", ((330, 270), (300, 270), (300, 330))
    if choice.kind == "astable with a diode":
        parts["D1"] = Placed((130, 255), (130, 285))
        yield "DIS", ((210, 210), (130, 210), (130, 255))
        yield "TIME", ((210, 330), (130, 330), (130, 285))


def _single(parts: dict[str, Placed]) -> Iterator[tuple[str, tuple[Point, ...]]]:
    parts["R4"] = Placed((120, 120), (120, 180))
    parts["C4"] = Placed((120, 400), (120, 415))
    parts["S1"] = Placed((50, 390), (50, 425))
    yield "TIME", ((210, 180), (210, 400))
    yield "TIME", ((210, 210), (330, 210))
    yield "TIME", ((330, 270), (300, 270), (300, 210))
    yield "+5 V", ((120, TOP), (120, 120))
    yield "TRG", ((120, 180), (120, 400))
    yield "TRG", ((330, 330), (120, 330))
    yield "TRG", ((120, 330), (50, 330), (50, 390))
    yield "GND", ((120, 415), (120, BOTTOM))
    yield "GND", ((50, 425), (50, BOTTOM), (60, BOTTOM))


def _output(
    choice: Choice, parts: dict[str, Placed], terminals: dict[str, Point]
) -> Iterator[tuple[str, tuple[Point, ...]]]:
    parts["R3"] = Placed((640, _OUTPUT), (700, _OUTPUT))
    terminals["OUT"] = (740, _OUTPUT)
    yield "OUT", ((700, _OUTPUT), (740, _OUTPUT))
    if choice.inverted:
        terminals["U2.1"], terminals["U2.2"] = (550, _OUTPUT), (610, _OUTPUT)
        yield "Q", ((520, _OUTPUT), (550, _OUTPUT))
        yield "/Q", ((610, _OUTPUT), (640, _OUTPUT))
    else:
        yield "Q", ((520, _OUTPUT), (640, _OUTPUT))


# -- drawing -----------------------------------------------------------------------------------------------


def schematic_svg(circuit: Circuit, choice: Choice, wanted: Wanted, title: str) -> str:
    """The drawing.

    Args:
        circuit: Parts with their values.
        choice: What was chosen.
        wanted: The signal, drawn below.
        title: Heading.
    """
    scene = lay_out(choice)
    values = {part.ref: part for part in circuit.parts}
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" '
        f'height="{HEIGHT}" role="img" aria-label="{escape(title, {chr(34): "&quot;"})}">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="{PAPER}"/>',
        f'<g font-family="{FACE}" font-size="13" fill="{INK}" stroke-linecap="round">',
        _text(30, 36, title, size=17, weight="bold"),
        *_wires(scene),
        *_timer(),
        *(line for ref, placed in scene.parts.items() for line in _part(values[ref], placed)),
        *(_inverter() if choice.inverted else ()),
        *_labels(),
        *_terminals(scene),
        *_signal(wanted),
        "</g>",
        "</svg>",
    ]
    return "\n".join(lines) + "\n"


def _text(
    x: int,
    y: int,
    text: str,
    *,
    size: int = 13,
    anchor: str = "start",
    fill: str = INK,
    weight: str = "normal",
) -> str:
    return (
        f'<text x="{x}" y="{y}" font-size="{size}" text-anchor="{anchor}" fill="{fill}" '
        f'font-weight="{weight}">{escape(text)}</text>'
    )


def _line(points: tuple[Point, ...], *, stroke: str = INK, width: float = 1.6, extra: str = "") -> str:
    corners = " ".join(f"{x},{y}" for x, y in points)
    return f'<polyline points="{corners}" fill="none" stroke="{stroke}" stroke-width="{width}"{extra}/>'


def _wires(scene: Scene) -> Iterator[str]:
    for net, points in scene.wires:
        yield _line(points, extra=f' class="wire" data-net="{escape(net)}"')
    for x, y in _junctions(scene):
        yield f'<circle cx="{x}" cy="{y}" r="3.4" fill="{INK}"/>'


def _junctions(scene: Scene) -> list[Point]:
    """Where three ways meet: a dot tells a joint from a crossing."""
    ends = {point for _, points in scene.wires for point in (points[0], points[-1])}

    def ways(points: tuple[Point, ...], at: Point) -> int:
        return touches(points, at) * (1 if at in (points[0], points[-1]) else 2)

    return sorted(point for point in ends if sum(ways(points, point) for _, points in scene.wires) > 2)


def touches(points: tuple[Point, ...], at: Point) -> bool:
    """Whether a wire passes a place.

    >>> touches(((0, 0), (10, 0), (10, 5)), (10, 3)), touches(((0, 0), (10, 0)), (5, 1))
    (True, False)
    """
    return any(
        min(x0, x1) <= at[0] <= max(x0, x1) and min(y0, y1) <= at[1] <= max(y0, y1)
        for (x0, y0), (x1, y1) in pairwise(points)
    )


def _terminals(scene: Scene) -> Iterator[str]:
    for name, (x, y) in scene.terminals.items():
        yield (
            f'<circle class="terminal" data-terminal="{escape(name)}" cx="{x}" cy="{y}" r="1" fill="{INK}"/>'
        )


def _timer() -> Iterator[str]:
    x, y, width, height = _BOX
    yield (
        f'<rect x="{x}" y="{y}" width="{width}" height="{height}" rx="3" fill="{BODY}" stroke="{INK}" '
        'stroke-width="2"/>'
    )
    yield _text(x + width // 2, y + height // 2 + 6, "U1  555", size=16, anchor="middle", weight="bold")
    for pin, (px, py) in _PINS.items():
        name = PIN_NAMES[int(pin)]
        if pin in "762":
            yield _line(((px, py), (x, py)))
            yield _text(x + 7, py + 4, name)
            yield _text(px + 2, py - 5, pin, size=11, fill=QUIET)
        elif pin == "3":
            yield _line(((x + width, py), (px, py)))
            yield _text(x + width - 7, py + 4, name, anchor="end")
            yield _text(px - 14, py - 5, pin, size=11, fill=QUIET)
        else:
            above = py < y
            yield _line(((px, py), (px, y if above else y + height)))
            yield _text(px, y + 18 if above else y + height - 8, name, anchor="middle")
            yield _text(px + 5, py + 8 if above else py - 1, pin, size=11, fill=QUIET)


def _part(part: Part, placed: Placed) -> Iterator[str]:
    draw = {"resistor": _resistor, "capacitor": _capacitor, "diode": _diode, "button": _button}[part.kind]
    yield from draw(part, placed)


def _value(part: Part) -> str:
    return "1N4148" if part.kind == "diode" else "" if part.kind == "button" else part.value


def _beside(part: Part, x: int, y: int) -> Iterator[str]:
    yield _text(x, y - 2, part.ref, weight="bold")
    yield _text(x, y + 14, _value(part), fill=ACCENT)


def _resistor(part: Part, placed: Placed) -> Iterator[str]:
    (x0, y0), (x1, y1) = placed.first, placed.second
    if x0 == x1:
        yield _rectangle(x0 - 8, y0, 16, y1 - y0)
        yield from _beside(part, x0 + 15, (y0 + y1) // 2)
    else:
        yield _rectangle(x0, y0 - 8, x1 - x0, 16)
        yield _text((x0 + x1) // 2, y0 - 30, part.ref, anchor="middle", weight="bold")
        yield _text((x0 + x1) // 2, y0 - 14, part.value, anchor="middle", fill=ACCENT)


def _rectangle(x: int, y: int, width: int, height: int) -> str:
    return (
        f'<rect x="{x}" y="{y}" width="{width}" height="{height}" fill="{PAPER}" stroke="{INK}" '
        'stroke-width="1.8"/>'
    )


def _capacitor(part: Part, placed: Placed) -> Iterator[str]:
    (x, y0), (_, y1) = placed.first, placed.second
    middle = (y0 + y1) // 2
    for end, plate in ((y0, middle - 4), (y1, middle + 4)):
        yield _line(((x, end), (x, plate)))
        yield _line(((x - 14, plate), (x + 14, plate)), width=2.6)
    if part.ref == "C3":
        yield _text(x - 20, middle - 2, part.ref, anchor="end", weight="bold")
        yield _text(x - 20, middle + 14, part.value, anchor="end", fill=ACCENT)
    else:
        yield from _beside(part, x + 20, middle)


def _diode(part: Part, placed: Placed) -> Iterator[str]:
    (x, y0), (_, y1) = placed.first, placed.second
    yield (
        f'<polygon points="{x - 12},{y0} {x + 12},{y0} {x},{y1}" fill="{BODY}" stroke="{INK}" '
        'stroke-width="1.8"/>'
    )
    yield _line(((x - 12, y1), (x + 12, y1)), width=2.6)
    yield _text(x - 18, (y0 + y1) // 2 - 2, part.ref, anchor="end", weight="bold")
    yield _text(x - 18, (y0 + y1) // 2 + 14, _value(part), anchor="end", fill=ACCENT)


def _button(part: Part, placed: Placed) -> Iterator[str]:
    (x, y0), (_, y1) = placed.first, placed.second
    yield _line(((x + 12, y0 + 2), (x, y1)), width=2.2)
    yield f'<circle cx="{x}" cy="{y0}" r="3" fill="{PAPER}" stroke="{INK}" stroke-width="1.6"/>'
    yield f'<circle cx="{x}" cy="{y1}" r="3" fill="{PAPER}" stroke="{INK}" stroke-width="1.6"/>'
    yield _text(x - 10, (y0 + y1) // 2 + 4, part.ref, anchor="end", weight="bold")


def _inverter() -> Iterator[str]:
    y = _OUTPUT
    yield (
        f'<polygon points="550,{y - 22} 550,{y + 22} 598,{y}" fill="{BODY}" stroke="{INK}" stroke-width="2"/>'
    )
    yield f'<circle cx="604" cy="{y}" r="6" fill="{PAPER}" stroke="{INK}" stroke-width="2"/>'
    yield _text(575, y - 46, "U2", anchor="middle", weight="bold")
    yield _text(575, y - 30, "74HCT04", anchor="middle", fill=ACCENT)
    yield _text(546, y - 5, "1", size=11, fill=QUIET, anchor="end")
    yield _text(614, y - 5, "2", size=11, fill=QUIET)


def _labels() -> Iterator[str]:
    yield _text(60, TOP - 10, "+5 V of the machine", weight="bold")
    yield _text(70, BOTTOM + 22, "GND of the machine", weight="bold")
    yield _text(735, _OUTPUT + 24, "OUT", anchor="middle", weight="bold")
    yield f'<circle cx="740" cy="{_OUTPUT}" r="4.5" fill="{PAPER}" stroke="{INK}" stroke-width="1.8"/>'


def _signal(wanted: Wanted) -> Iterator[str]:
    """Two pulses of the wanted train, or the single one, with their sizes; narrow ones are drawn wider."""
    low, high, left, right = 600, 555, 150, 760
    rest, pulse = (high, low) if wanted.level == "low" else (low, high)
    single = wanted.period is None
    share = 0.45 if single else min(max(wanted.pulse_seconds / wanted.period_seconds, 0.12), 0.88)
    step = 260
    wide = round(share * step)
    starts = [left + 60] if single else [left + 60, left + 60 + step]
    points: list[Point] = [(left, pulse if single else rest)]
    if single:
        points += [(starts[0] + wide, pulse), (starts[0] + wide, rest)]
    else:
        for start in starts:
            points += [(start, rest), (start, pulse), (start + wide, pulse), (start + wide, rest)]
    points.append((right, rest))
    yield _text(30, (low + high) // 2 + 4, "OUT", weight="bold")
    yield _text(30, (low + high) // 2 + 22, "not to scale", size=11, fill=QUIET)
    yield _line(tuple(points), stroke=ACCENT, width=2.4)
    pulse_text = format_time(wanted.pulse_seconds * 1e12)
    begin = left if single else starts[0]
    yield from _size(begin, starts[0] + wide, low + 18, pulse_text)
    if not single:
        yield from _size(starts[0], starts[1], low + 42, format_time(wanted.period_seconds * 1e12))


def _size(first: int, last: int, y: int, text: str) -> Iterator[str]:
    yield _line(((first, y), (last, y)), stroke=QUIET, width=1.0)
    for x in (first, last):
        yield _line(((x, y - 5), (x, y + 5)), stroke=QUIET, width=1.0)
    yield _text(last + 10, y + 4, text)
