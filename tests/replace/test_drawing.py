"""The drawing: every pin is in it, and its wires join exactly what the nets join."""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree

import pytest

from replace.builders import latched, requirement
from wrongbit.replace.drawing import Scene, drawing_svg, lay_out
from wrongbit.replace.fit import Choice, Plan, fit
from wrongbit.replace.requirement import Requirement
from wrongbit.replace.router import Cell, Grid, route_all

SVG = "{http://www.w3.org/2000/svg}"

CASES: dict[str, tuple[Requirement, str, dict[str, Any]]] = {
    "2332 to 2732A": (requirement("2332", {"CS1": "low", "CS2": "high"}), "2732A", {}),
    "27256 to 28C256": (requirement("27256"), "28C256", {}),
    "latched, 573": (latched(), "27C512", {}),
    "latched, 373, closing on the rising edge": (latched(closes="rising"), "27C512", {"latch": "373"}),
    "jumpers and decoder": (
        requirement("2316", {"CS1": "low", "CS2": "high", "CS3": "low"}, images=4), "27C64", {},
    ),
    "buffer": (requirement("2332", {"CS1": "low", "CS2": "high"}), "39SF040", {"buffer": "245"}),
    "two memories": (requirement("27C1024"), "27C512", {}),
    "16 bits wide": (requirement("27C1024"), "27C4096", {"buffer": "244"}),
}  # fmt: skip


@cache
def plan(case: str) -> Plan:
    need, memory, choice = CASES[case]
    return fit(need, Choice(memory=memory, **choice)).best


@cache
def scene_of(case: str) -> Scene:
    return lay_out(plan(case).circuit)


@cache
def drawn(case: str) -> ElementTree.Element:
    return ElementTree.fromstring(drawing_svg(plan(case)))


def cells_of(path: tuple[Cell, ...]) -> list[Cell]:
    """All cells that a wire's corner points enclose."""
    cells = [path[0]]
    for (c0, r0), (c1, r1) in pairwise(path):
        steps = max(abs(c1 - c0), abs(r1 - r0))
        cells += [(c0 + (c1 - c0) * k // steps, r0 + (r1 - r0) * k // steps) for k in range(1, steps + 1)]
    return cells


def check_wires(scene: Scene) -> None:
    """Follow the drawn wires as an eye does: touching ends and dots join, crossings do not."""
    ends = {net.name: set() for net in scene.circuit.nets if net.kind != "supply"}
    for net in scene.circuit.nets:
        for terminal in net.terminals:
            drawn_pin = scene.circuit.device(terminal.ref).part != "jumper" or terminal.pin == 1
            if net.kind != "supply" and drawn_pin:
                ends[net.name].add(scene.placed[terminal.ref].end(terminal.pin))
    pieces: dict[tuple[Cell, Cell], str] = {}
    for route in scene.routes:
        reached = {cell for path in route.paths for cell in cells_of(path)}
        assert ends[route.net] <= reached, f"{route.net} misses a pin"
        joined = set(cells_of(route.paths[0]))
        for path in route.paths[1:]:
            assert joined & {path[0], path[-1]}, f"{route.net} falls apart"
            joined |= set(cells_of(path))
        for path in route.paths:
            cells = cells_of(path)
            for one, other in pairwise(cells):
                step = (min(one, other), max(one, other))
                assert pieces.setdefault(step, route.net) == route.net, "two nets share a wire"
        corners = {cell for path in route.paths for cell in path}
        for other in scene.routes:
            if other.net != route.net:
                assert not corners & {c for p in other.paths for c in cells_of(p)}, (
                    "a corner touches another net"
                )
    assert {route.net for route in scene.routes} == {name for name, cells in ends.items() if len(cells) > 1}


@pytest.mark.parametrize("case", CASES)
def test_the_wires_join_what_the_nets_join(case: str) -> None:
    check_wires(scene_of(case))


@pytest.mark.parametrize("case", CASES)
def test_no_wire_runs_through_a_package(case: str) -> None:
    scene = scene_of(case)
    for place in scene.placed.values():
        if not place.outer:
            inside = {
                (column, row)
                for column in range(place.column, place.column + place.columns + 1)
                for row in range(place.row, place.row + place.height + 1)
            }
            for route in scene.routes:
                assert not inside & {cell for path in route.paths for cell in cells_of(path)}


@pytest.mark.parametrize("case", CASES)
def test_packages_do_not_overlap(case: str) -> None:
    scene = scene_of(case)
    taken: set[Cell] = set()
    for place in scene.placed.values():
        if not place.outer:
            mine = {
                (column, row)
                for column in range(place.column, place.column + place.columns + 1)
                for row in range(place.row - 1, place.row + place.height + 2)
            }
            assert not mine & taken
            taken |= mine


@pytest.mark.parametrize("case", CASES)
def test_every_pin_is_drawn_with_number_and_name(case: str) -> None:
    made = plan(case)
    root = drawn(case)
    texts = [each.text for each in root.iter(f"{SVG}text")]
    for device in made.circuit.devices:
        if device.part != "jumper":
            for pin, name in enumerate(device.pins, 1):
                assert texts.count(str(pin)) >= 1
                assert texts.count(name) >= device.pins.count(name)
    numbers = [text for text in texts if text is not None and text.isdigit()]
    assert len(numbers) == sum(len(d.pins) for d in made.circuit.devices if d.part != "jumper")


def test_kinds_of_wire_differ_by_dash_as_well_as_by_colour() -> None:
    root = drawn("jumpers and decoder")
    looks = {
        (p.get("stroke"), p.get("stroke-dasharray"))
        for p in root.iter(f"{SVG}path")
        if p.find(f"{SVG}title") is not None
    }
    assert len(looks) == 4
    assert len({dash for _, dash in looks}) == 4


def test_a_moved_pin_is_a_heavy_wire() -> None:
    root = drawn("27256 to 28C256")
    heavy = []
    for path in root.iter(f"{SVG}path"):
        title = path.find(f"{SVG}title")
        if title is not None and float(path.get("stroke-width", "0")) > 2:
            heavy.append(title.text)
    assert heavy == ["A14"]


def test_a_person_who_cannot_see_it_is_told() -> None:
    root = drawn("2332 to 2732A")
    assert root.findtext(f"{SVG}title") == "Wiring of the replacement for U7: 2732A-45"
    assert "IC2 74HCT04" in (root.findtext(f"{SVG}desc") or "")


def test_names_are_escaped() -> None:
    need = requirement("27256", designator="U<7>", machine='A & "B"')
    root = ElementTree.fromstring(drawing_svg(fit(need, Choice(memory="28C256")).best))
    assert 'U<7>, A & "B"' in [each.text for each in root.iter(f"{SVG}text")]


# -- the router alone --------------------------------------------------------------------------------------


def test_a_straight_line_where_there_is_one() -> None:
    routes = route_all(Grid(10, 3), {"a": [(0, 1), (9, 1)]})
    assert routes is not None
    assert routes[0].paths == (((9, 1), (0, 1)),)


def test_a_wall_is_gone_around_and_a_closed_one_refused() -> None:
    wall = {(5, row) for row in range(1, 5)}
    routes = route_all(Grid(10, 5, blocked=wall), {"a": [(0, 2), (9, 2)]})
    assert routes is not None
    assert (5, 0) in cells_of(routes[0].paths[0])
    assert route_all(Grid(10, 5, blocked=wall | {(5, 0)}), {"a": [(0, 2), (9, 2)]}) is None


def test_crossings_are_straight_and_joints_are_marked() -> None:
    routes = route_all(
        Grid(11, 11), {"across": [(0, 5), (10, 5)], "down": [(5, 0), (5, 10)], "t": [(0, 2), (4, 2), (2, 9)]}
    )
    assert routes is not None
    by_name = {route.net: route for route in routes}
    assert by_name["across"].joints == by_name["down"].joints == ()
    assert len(by_name["t"].joints) == 1
