"""The drawing: its wires, followed by the eye's rules, join what the nets join; every part is in it."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from bringup.test_timer555 import wanted
from wrongbit.bringup.circuit import Circuit, circuit_of, wiring_lines
from wrongbit.bringup.schematic import HEIGHT, WIDTH, schematic_svg
from wrongbit.bringup.timer555 import Choice, Tolerances, Wanted, choices

SVG = "{http://www.w3.org/2000/svg}"

WISHES = {
    "astable": wanted("50 us", "low", "10 ms"),
    "astable with a diode": wanted("2 ms", "high", "10 ms"),
    "monostable": wanted("100 ms", "high"),
}
CASES = [(kind, inverted) for kind in WISHES for inverted in (False, True)]


def drawn(kind: str, inverted: bool) -> tuple[Circuit, Choice, Wanted, ElementTree.Element]:
    wish = WISHES[kind]
    choice = next(each for each in choices(wish, Tolerances()) if each.kind == kind)
    choice = replace(choice, inverted=inverted)
    circuit = circuit_of(choice)
    return circuit, choice, wish, ElementTree.fromstring(schematic_svg(circuit, choice, wish, "a < b & c"))


@pytest.mark.parametrize(("kind", "inverted"), CASES)
def test_wires_join_what_the_nets_join(kind: str, inverted: bool) -> None:
    circuit, _, _, root = drawn(kind, inverted)
    wires = [
        [(int(x), int(y)) for x, y in (corner.split(",") for corner in each.attrib["points"].split())]
        for each in root.iter(f"{SVG}polyline")
        if each.attrib.get("class") == "wire"
    ]
    places = {
        each.attrib["data-terminal"]: (int(each.attrib["cx"]), int(each.attrib["cy"]))
        for each in root.iter(f"{SVG}circle")
        if each.attrib.get("class") == "terminal"
    }

    def cells(wire: list[tuple[int, int]]) -> set[tuple[int, int]]:
        found = set()
        for (x0, y0), (x1, y1) in pairwise(wire):
            assert x0 == x1 or y0 == y1
            found |= {
                (x, y)
                for x in range(min(x0, x1), max(x0, x1) + 1)
                for y in range(min(y0, y1), max(y0, y1) + 1)
            }
        return found

    runs = [cells(wire) for wire in wires]
    group = list(range(len(wires)))
    for one, wire in enumerate(wires):
        for other, run in enumerate(runs):
            # An end that lies on another wire joins it; wires that merely cross do not.
            if wire[0] in run or wire[-1] in run:
                old, new = group[other], group[one]
                group = [new if each == old else each for each in group]
    joined: dict[int, set[str]] = {}
    for name, place in places.items():
        owners = {group[index] for index, run in enumerate(runs) if place in run}
        assert len(owners) == 1, name
        joined.setdefault(owners.pop(), set()).add(name)
    assert sorted(map(sorted, joined.values())) == sorted(sorted(each) for each in circuit.nets.values())


@pytest.mark.parametrize(("kind", "inverted"), CASES)
def test_every_part_is_named_and_every_terminal_wired_once(kind: str, inverted: bool) -> None:
    circuit, _, _, root = drawn(kind, inverted)
    said = [each.text for each in root.iter(f"{SVG}text")]
    for part in circuit.parts:
        if part.kind != "timer":
            assert part.ref in said
        if part.kind in ("resistor", "capacitor"):
            assert part.value in said
    terminals = [each for net in circuit.nets.values() for each in net]
    assert len(terminals) == len(set(terminals))
    assert {f"U1.{pin}" for pin in range(1, 9)} <= set(terminals)
    two_ended = {part.ref for part in circuit.parts} - {"U1"}
    assert all(sum(each.startswith(f"{ref}.") for each in terminals) == 2 for ref in two_ended)
    assert len(wiring_lines(circuit)) == len(circuit.nets)


@pytest.mark.parametrize(("kind", "inverted"), CASES)
def test_texts_stay_on_the_paper(kind: str, inverted: bool) -> None:
    """A letter of the face is 0.6 of its size wide; common practice, no source."""
    _, _, _, root = drawn(kind, inverted)
    for each in root.iter(f"{SVG}text"):
        width = 0.6 * float(each.attrib["font-size"]) * len(each.text or "")
        x = float(each.attrib["x"])
        left = {"start": x, "middle": x - width / 2, "end": x - width}[each.attrib["text-anchor"]]
        assert left >= 0, each.text
        assert left + width <= WIDTH, each.text
        assert 0 < float(each.attrib["y"]) < HEIGHT
    assert root.find(f"{SVG}title") is not None
