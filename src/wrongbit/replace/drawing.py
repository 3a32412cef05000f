"""The adapter's drawing: old socket and new parts pin by pin, seen from above, with every wire.

The old socket is the outer frame, the new memory stands in its middle with the ground ends level, so that a
wire between pins that lie on each other is a straight line and every other one shows where it must go.
Latches, gates and buffers stand between, on the side of the pins that they serve. Supplies are labels.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Literal
from xml.sax.saxutils import escape

from wrongbit.replace.circuit import Circuit, Device, Net, Terminal, is_straight
from wrongbit.replace.fit import Plan
from wrongbit.replace.look import ACCENT, BODY, FACE, INK, PAPER, QUIET, WIRES
from wrongbit.replace.requirement import pin_use
from wrongbit.replace.router import Cell, Grid, Route, route_all

UNIT = 11
"""Pixels of a grid cell; pins are two cells apart."""

STUB = 2
BODY_COLUMNS = 12
TAG_COLUMNS = 4
"""Cells that a supply label takes beyond the stub."""

Side = Literal["left", "right"]


@dataclass(frozen=True)
class Placed:
    """A package on the grid.

    Args:
        device: The package.
        column: Left edge of its body, in cells.
        row: Row of its topmost pins, in cells.
        columns: Width of its body.
        turned: Turned by half a turn, notch down.
        outer: It is the frame: its pins point inward.
    """

    device: Device
    column: int
    row: int
    columns: int
    turned: bool = False
    outer: bool = False

    @property
    def height(self) -> int:
        """Rows from its topmost to its lowest pins."""
        return 2 * (_pin_rows(self.device) - 1)

    def side(self, pin: int) -> Side:
        """Side on which a pin is drawn."""
        first_half = pin <= _pin_rows(self.device)
        return "left" if first_half != self.turned else "right"

    def pin_row(self, pin: int) -> int:
        """Row of a pin."""
        count = _pin_rows(self.device)
        down = pin - 1 if pin <= count else 2 * count - pin
        return self.row + 2 * (count - 1 - down if self.turned else down)

    def edge(self, pin: int) -> Cell:
        """Where a pin leaves the body."""
        left = self.side(pin) == "left"
        return (self.column if left else self.column + self.columns), self.pin_row(pin)

    def outward(self, pin: int) -> int:
        """Direction in which a pin points: -1 to the left, 1 to the right."""
        return (-1 if self.side(pin) == "left" else 1) * (-1 if self.outer else 1)

    def end(self, pin: int) -> Cell:
        """Where a pin's stub ends and its wire begins."""
        column, row = self.edge(pin)
        return column + STUB * self.outward(pin), row


def _pin_rows(device: Device) -> int:
    return 1 if device.part == "jumper" else len(device.pins) // 2


@dataclass(frozen=True)
class Scene:
    """Everything placed and wired, ready to be drawn.

    Args:
        circuit: The wiring.
        placed: Packages by designator; the frame is the plug.
        routes: Wires.
        columns: Width of the grid.
        rows: Height of the grid.
    """

    circuit: Circuit
    placed: dict[str, Placed]
    routes: tuple[Route, ...]
    columns: int
    rows: int


# -- placing and routing -----------------------------------------------------------------------------------


def lay_out(circuit: Circuit) -> Scene:
    """Place the packages and route the wires, with wider channels until all of them find a way."""
    wires = sum(net.kind != "supply" for net in circuit.nets)
    for spread in range(8):
        channel = 8 + wires // 4 + 8 * (len(circuit.lanes) - 1) + 4 * spread
        placed, columns, rows = _place(circuit, channel)
        marks = _mark(circuit, placed)
        along_the_frame = {(column, row) for column in range(columns) for row in (0, 1, rows - 2, rows - 1)}
        grid = Grid(columns, rows, marks.blocked | along_the_frame, marks.reserved)
        nets = {name: cells for name, cells in marks.pins.items() if len(cells) > 1}
        routes = route_all(grid, nets)
        if routes is not None:
            return Scene(circuit, placed, routes, columns, rows)
    raise AssertionError("wide channels always leave a way")


def _place(circuit: Circuit, channel: int) -> tuple[dict[str, Placed], int, int]:
    """Packages in five columns: frame, parts, memories, parts, frame."""
    plug = circuit.devices[0]
    stacks: dict[Side, list[Device]] = {"left": [], "right": []}
    for device in circuit.devices:
        if device.part not in ("plug", "memory"):
            stacks[_home(circuit, device)].append(device)
    lane = TAG_COLUMNS + STUB
    column = STUB + channel
    places: list[Placed] = []
    top = 8 + channel // 4
    if stacks["left"]:
        places += _stack(circuit, stacks["left"], column + lane, top, "left")
        column += BODY_COLUMNS + 2 * lane + channel
    memories = list(circuit.of_part("memory"))
    heights = sum(2 * (_pin_rows(m) + 3) for m in memories) - 8
    shift = max(0, len(plug.pins) // 2 - _pin_rows(memories[0])) * 2
    for index, memory in enumerate(memories):
        row = top + shift + index * 2 * (_pin_rows(memory) + 3)
        places.append(Placed(memory, column + lane, row, BODY_COLUMNS))
    bottom = top + shift + heights
    column += BODY_COLUMNS + 2 * lane + channel
    if stacks["right"]:
        places += _stack(circuit, stacks["right"], column + lane, top, "right")
        column += BODY_COLUMNS + 2 * lane + channel
    lowest = max([bottom, *(place.row + place.height for place in places)])
    plug_row = bottom - 2 * (_pin_rows(plug) - 1)
    frame = Placed(plug, 0, plug_row, column + STUB, outer=True)
    placed = {place.device.ref: place for place in (frame, *places)}
    rows = lowest + 8 + channel // 4
    return placed, column + STUB + 1, rows


def _home(circuit: Circuit, device: Device) -> Side:
    """Side of the memory on which a part stands: that of most of the pins that it serves."""
    plug = circuit.devices[0]
    votes = 0
    for net in circuit.nets:
        if net.kind == "supply" or not any(terminal.ref == device.ref for terminal in net.terminals):
            continue
        for terminal in net.terminals:
            served = circuit.device(terminal.ref)
            if terminal.ref == plug.ref or (device.part == "jumper" and served.part == "memory"):
                votes += 1 if terminal.pin <= len(served.pins) // 2 else -1
    return "left" if votes >= 0 else "right"


def _stack(circuit: Circuit, devices: list[Device], column: int, top: int, side: Side) -> list[Placed]:
    places = []
    row = top
    for device in devices:
        turned = _is_turned(circuit, device, side)
        places.append(Placed(device, column, row, BODY_COLUMNS, turned))
        row += 2 * (_pin_rows(device) + 3)
    return places


def _is_turned(circuit: Circuit, device: Device, side: Side) -> bool:
    """Whether half a turn brings the pins that face the old socket to its side."""
    half = len(device.pins) // 2
    if device.part == "jumper":
        return side == "left"
    outward = 0
    for net in circuit.nets:
        if net.kind == "supply":
            continue
        faces_plug = any(circuit.device(terminal.ref).part == "plug" for terminal in net.terminals)
        for terminal in net.terminals:
            if terminal.ref == device.ref:
                outward += (1 if terminal.pin <= half else -1) * (1 if faces_plug else -1)
    return (outward < 0) == (side == "left")


@dataclass
class _Marks:
    """Cells under packages and labels, cells of one net alone, and where each net's pins begin."""

    blocked: set[Cell] = field(default_factory=set)
    reserved: dict[Cell, str] = field(default_factory=dict)
    pins: dict[str, list[Cell]] = field(default_factory=dict)


def _mark(circuit: Circuit, placed: dict[str, Placed]) -> _Marks:
    marks = _Marks()
    for place in placed.values():
        if not place.outer:
            marks.blocked |= _body_cells(place)
        for pin in _drawn_pins(place.device):
            net = circuit.net_at(place.device.ref, pin)
            column, row = place.edge(pin)
            step = place.outward(pin)
            wired = net is not None and net.kind != "supply"
            reach = STUB - 1 if wired else STUB + TAG_COLUMNS
            marks.blocked |= {(column + step * distance, row) for distance in range(reach + 1)}
            if wired and net is not None:
                marks.reserved[place.end(pin)] = net.name  # the wire may turn here at once
                marks.pins.setdefault(net.name, []).append(place.end(pin))
    return marks


def _drawn_pins(device: Device) -> Iterable[int]:
    return (1,) if device.part == "jumper" else range(1, len(device.pins) + 1)


def _body_cells(place: Placed) -> set[Cell]:
    columns = range(place.column, place.column + place.columns + 1)
    return {(column, row) for column in columns for row in range(place.row - 1, place.row + place.height + 2)}


# -- drawing -----------------------------------------------------------------------------------------------

_LEFT, _TOP, _BELOW = 112, 78, 142
"""Pixels around the grid: pin names of the frame, heading, legend."""


def drawing_svg(plan: Plan) -> str:
    """The adapter's drawing as SVG.

    Every pin of the old socket and of every part is there with its number and name. Wires have a colour and
    a dash by what they carry; a wire between pins that do not lie on each other is heavy.
    """
    scene = lay_out(plan.circuit)
    width = 2 * _LEFT + UNIT * (scene.columns - 1)
    height = _TOP + UNIT * scene.rows + _BELOW
    pieces = [
        *_heading(plan),
        f'<g transform="translate({_LEFT} {_TOP})">',
        *_frame(scene),
        *_wires(scene, heavy=_marks_moved(plan)),
        *(piece for place in scene.placed.values() for piece in _package(plan, scene, place)),
        "</g>",
        *_legend(plan, scene, _TOP + UNIT * scene.rows + 26),
    ]
    title = f"Wiring of the replacement for {plan.need.designator}: {plan.name}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" role="img" font-family="{FACE}" font-size="12" fill="{INK}">'
        f"<title>{escape(title)}</title><desc>{escape(_describe(plan))}</desc>"
        f'<rect width="{width}" height="{height}" fill="{PAPER}"/>' + "".join(pieces) + "</svg>\n"
    )


def _describe(plan: Plan) -> str:
    parts = ", ".join(f"{device.ref} {_title(plan, device)}" for device in plan.circuit.devices)
    return f"Seen from above. Parts: {parts}. The wiring table says the same in words."


def _title(plan: Plan, device: Device) -> str:
    if device.part == "memory":
        return plan.name
    if device.part == "plug":
        return f"plug in the socket of {plan.need.designator} ({device.number})"
    return device.number if device.part == "jumper" else f"74{plan.family}{device.number}"


def _text(x: float, y: float, text: str, anchor: str = "start", **attributes: str | float) -> str:
    extra = "".join(f' {key.replace("_", "-")}="{value}"' for key, value in attributes.items())
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}"{extra}>{escape(text)}</text>'


def _heading(plan: Plan) -> Iterator[str]:
    machine = f", {plan.need.machine}" if plan.need.machine else ""
    yield _text(24, 34, f"{plan.need.designator}{machine}", font_size=18, font_weight="bold")
    kind = "goes in as it is" if plan.drop_in else "adapter, seen from above"
    yield _text(24, 56, f"{plan.need.socket.name} → {plan.name}: {kind}", fill=QUIET)
    yield f'<rect x="0" y="0" width="6" height="66" fill="{ACCENT}"/>'


def _frame(scene: Scene) -> Iterator[str]:
    """The old socket as the outer frame."""
    frame = next(place for place in scene.placed.values() if place.outer)
    right = UNIT * frame.columns
    top, bottom = 0, UNIT * (scene.rows - 1)
    yield (
        f'<rect x="0" y="{top}" width="{right}" height="{bottom - top}" rx="4" fill="none" stroke="{INK}" '
        'stroke-width="1.6"/>'
    )
    middle = right / 2
    notch = f"M{middle - 14:g} {top} a14 12 0 0 0 28 0"
    yield f'<path d="{notch}" fill="none" stroke="{INK}" stroke-width="1.6"/>'
    yield _text(
        middle + 24, top + 16, f"{frame.device.ref}: socket of the old chip", font_size=11, fill=QUIET
    )


def _package(plan: Plan, scene: Scene, place: Placed) -> Iterator[str]:
    if not place.outer:
        yield from _body(place, _title(plan, place.device))
    for pin in _drawn_pins(place.device):
        yield from _pin(scene, place, pin)


def _body(place: Placed, title: str) -> Iterator[str]:
    x, y = UNIT * place.column, UNIT * (place.row - 1)
    width, height = UNIT * place.columns, UNIT * (place.height + 2)
    yield (
        f'<rect x="{x}" y="{y}" width="{width}" height="{height}" rx="3" fill="{BODY}" stroke="{INK}" '
        'stroke-width="1.4"/>'
    )
    middle = x + width / 2
    device = place.device
    if device.part == "jumper":
        yield _text(
            middle, y + 9, f"{device.ref}, {device.number}", "middle", font_size=9, font_weight="bold"
        )
        yield _text(middle, y + 19, "closed 0, open 1", "middle", font_size=9)
        return
    notch = y + height if place.turned else y
    sweep = 1 if place.turned else 0
    yield (
        f'<path d="M{middle - 9:g} {notch} a9 8 0 0 {sweep} 18 0" fill="{PAPER}" stroke="{INK}" '
        'stroke-width="1.4"/>'
    )
    centre = y + height / 2
    for text, shift, weight in ((device.ref, -10, "bold"), (title, 10, "normal")):
        yield (
            f'<text x="{middle + shift:g}" y="{centre:g}" text-anchor="middle" font-weight="{weight}" '
            f'dominant-baseline="central" transform="rotate(-90 {middle + shift:g} {centre:g})">'
            f"{escape(text)}</text>"
        )


def _pin(scene: Scene, place: Placed, pin: int) -> Iterator[str]:
    """Stub, number, name, and a supply label or the mark of an open pin."""
    column, row = place.edge(pin)
    x, y, step = UNIT * column, UNIT * row, place.outward(pin)
    end = x + UNIT * STUB * step
    name = place.device.pins[pin - 1]
    yield f'<path d="M{x} {y} H{end}" stroke="{INK}" stroke-width="1.2"/>'
    if place.device.part != "jumper":
        yield _text(x + UNIT * STUB * step / 2, y - 3, str(pin), "middle", font_size=8.5, fill=QUIET)
        inside = -5 * step
        anchor = "end" if inside < 0 else "start"
        yield _text(x + inside, y, name, anchor, dominant_baseline="central", font_size=11)
    net = scene.circuit.net_at(place.device.ref, pin)
    if net is None:
        yield f'<path d="M{end - 4} {y - 4} l8 8 m0 -8 l-8 8" stroke="{INK}" stroke-width="1.3"/>'
    elif net.kind == "supply":
        yield from _supply_tag(end, y, step, net)


def _supply_tag(x: float, y: float, step: int, net: Net) -> Iterator[str]:
    width = 30
    left = x if step > 0 else x - width
    filled = net.name == "VCC"
    yield (
        f'<rect x="{left:g}" y="{y - 7:g}" width="{width}" height="14" rx="2" '
        f'fill="{INK if filled else PAPER}" stroke="{INK}"/>'
    )
    colour = PAPER if filled else INK
    yield _text(
        left + width / 2, y, net.name, "middle", dominant_baseline="central", font_size=9.5, fill=colour
    )


def _marks_moved(plan: Plan) -> bool:
    """Whether heavy wires tell something: with a latch or several memories hardly any pin meets its like."""
    return plan.need.latch is None and len(plan.circuit.lanes) == 1


def _wires(scene: Scene, *, heavy: bool) -> Iterator[str]:
    kinds = {net.name: net for net in scene.circuit.nets}
    for route in scene.routes:
        net = kinds[route.net]
        colour, dash = WIRES[net.kind]
        weight = 2.4 if heavy and _is_moved(scene.circuit, net) else 1.3
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        lines = "".join(
            "M" + " L".join(f"{UNIT * column} {UNIT * row}" for column, row in path) for path in route.paths
        )
        yield (
            f'<path d="{lines}" fill="none" stroke="{colour}" stroke-width="{weight}"{dashes} '
            f'stroke-linejoin="round"><title>{escape(net.name)}</title></path>'
        )
        for column, row in route.joints:
            yield f'<circle cx="{UNIT * column}" cy="{UNIT * row}" r="3.2" fill="{colour}"/>'


def _is_moved(circuit: Circuit, net: Net) -> bool:
    """Whether the net joins an old pin and a memory pin that do not lie on each other."""
    plug = circuit.devices[0]
    old = [terminal.pin for terminal in net.terminals if terminal.ref == plug.ref]
    return any(
        not is_straight(len(plug.pins), len(circuit.device(terminal.ref).pins), pin, terminal.pin)
        for terminal in net.terminals
        if _is_memory(circuit, terminal)
        for pin in old
    )


def _is_memory(circuit: Circuit, terminal: Terminal) -> bool:
    return circuit.device(terminal.ref).part == "memory"


_KIND_NAMES = (("address", "address"), ("data", "data"), ("select", "select"), ("jumper", "jumper"))


def _legend(plan: Plan, scene: Scene, y: float) -> Iterator[str]:
    present = {net.kind for net in scene.circuit.nets}
    x = 24.0
    for kind, name in _KIND_NAMES:
        if kind in present:
            colour, dash = WIRES[kind]
            dashes = f' stroke-dasharray="{dash}"' if dash else ""
            yield f'<path d="M{x:g} {y:g} h44" stroke="{colour}" stroke-width="2"{dashes}/>'
            yield _text(x + 52, y, name, dominant_baseline="central")
            x += 130
    rows = [
        "dot: joined; wires that merely cross are not; ×: leave open",
        "IC seen from above, notch as drawn; 100 nF between VCC and GND of each IC, short leads",
    ]
    if _marks_moved(plan):
        rows.insert(0, "heavy wire: the two pins do not lie on each other")
    if any(pin_use(name).idle for name in plan.need.socket.pins):
        rows.append("old pins marked × carry nothing for the new chip: leave them out of the plug")
    if plan.status == "from memory":
        rows.append("rests on figures from memory: check the data sheet before you rely on it")
    for number, text in enumerate(rows, 1):
        yield _text(24, y + 10 + 19 * number, text, font_size=11, fill=QUIET)
