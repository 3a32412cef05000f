"""The stand-in's circuit as parts and nets, from which wiring text and drawing are made."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from wrongbit.bringup.levels import SERIES_RESISTOR
from wrongbit.bringup.series import engineering
from wrongbit.bringup.timer555 import LARGEST_FILM_CAPACITOR, Choice

PartKind = Literal["timer", "resistor", "capacitor", "diode", "inverter", "button"]

TRIGGER_RESISTOR, TRIGGER_CAPACITOR = 10e3, 10e-9
"""Ohms and farads that hold a monostable's trigger low for a moment after power-on, and after the button."""

TRIGGER_TIME = 0.4055 * TRIGGER_RESISTOR * TRIGGER_CAPACITOR
"""Seconds until the trigger has risen to a third of the supply: ln(3/2) · R · C."""


@dataclass(frozen=True)
class Part:
    """One part.

    Args:
        ref: Designator.
        kind: What it is.
        value: As it is bought.
        note: What it is for.
    """

    ref: str
    kind: PartKind
    value: str
    note: str = ""


@dataclass(frozen=True)
class Circuit:
    """Parts and what joins them.

    Args:
        parts: In the order of their designators.
        nets: Name = terminals such as ``U1.8``; ``OUT`` and the supplies are terminals without a part.
    """

    parts: tuple[Part, ...]
    nets: dict[str, tuple[str, ...]]


PIN_NAMES = {1: "GND", 2: "TRG", 3: "OUT", 4: "/RST", 5: "CV", 6: "THR", 7: "DIS", 8: "VCC"}
"""Pins of the 555, eight-pin package. Source: its data sheets; from memory, not checked."""


def circuit_of(choice: Choice, family: str = "bipolar") -> Circuit:
    """The circuit of a choice.

    Args:
        choice: Parts that were chosen.
        family: bipolar or cmos.
    """
    return Circuit(tuple(_parts(choice, family)), _nets(choice))


def _parts(choice: Choice, family: str) -> Iterator[Part]:
    single = choice.kind == "monostable"
    yield Part("U1", "timer", "555" if family == "bipolar" else "555 (CMOS)", "timer, 8 pins")
    if choice.inverted:
        yield Part("U2", "inverter", "74HCT04", "inverts; pin 14 to +5 V, pin 7 and unused inputs to GND")
    yield Part("R1", "resistor", engineering(choice.ra, "Ω"), "timing")
    if not single:
        yield Part("R2", "resistor", engineering(choice.rb, "Ω"), "timing")
    yield Part("R3", "resistor", engineering(SERIES_RESISTOR, "Ω"), "holds the current down")
    if single:
        yield Part("R4", "resistor", engineering(TRIGGER_RESISTOR, "Ω"), "trigger")
    film = choice.c <= LARGEST_FILM_CAPACITOR
    how = "timing; film or C0G" if film else "timing; electrolytic, plus upward"
    yield Part("C1", "capacitor", engineering(choice.c, "F"), how)
    yield Part("C2", "capacitor", "10 nF", "keeps noise from the threshold")
    yield Part("C3", "capacitor", "100 nF", "ceramic, across the supply pins")
    if single:
        yield Part("C4", "capacitor", engineering(TRIGGER_CAPACITOR, "F"), "triggers once at power-on")
        yield Part("S1", "button", "push-button", "gives another pulse when let go")
    if choice.kind == "astable with a diode":
        yield Part("D1", "diode", "small-signal silicon, 1N4148 type", "charging current passes R2 by")


def _nets(choice: Choice) -> dict[str, tuple[str, ...]]:
    single, diode = choice.kind == "monostable", choice.kind == "astable with a diode"
    nets: dict[str, tuple[str, ...]] = {
        "+5 V": ("+5 V", "U1.8", "U1.4", "R1.1", "C3.1"),
        "GND": ("GND", "U1.1", "C1.2", "C2.2", "C3.2"),
        "CV": ("U1.5", "C2.1"),
    }
    if single:
        nets["+5 V"] += ("R4.1",)
        nets["GND"] += ("C4.2", "S1.2")
        nets["TIME"] = ("U1.6", "U1.7", "R1.2", "C1.1")
        nets["TRG"] = ("U1.2", "R4.2", "C4.1", "S1.1")
    else:
        nets["DIS"] = ("U1.7", "R1.2", "R2.1", *(("D1.A",) if diode else ()))
        nets["TIME"] = ("U1.6", "U1.2", "R2.2", "C1.1", *(("D1.K",) if diode else ()))
    if choice.inverted:
        nets["Q"] = ("U1.3", "U2.1")
        nets["/Q"] = ("U2.2", "R3.1")
    else:
        nets["Q"] = ("U1.3", "R3.1")
    nets["OUT"] = ("R3.2", "OUT")
    return nets


def wiring_lines(circuit: Circuit) -> tuple[str, ...]:
    """One line a net, to be ticked off with the iron in hand."""
    width = max(len(name) for name in circuit.nets)
    return tuple(
        f"{name:<{width}}  {' – '.join(_terminal(each) for each in terminals if each != name)}"
        for name, terminals in circuit.nets.items()
    )


def _terminal(name: str) -> str:
    """A terminal with its pin's name where it is one of the timer's."""
    part, _, pin = name.partition(".")
    if part == "U1" and pin:
        return f"U1 pin {pin} ({PIN_NAMES[int(pin)]})"
    return f"U2 pin {pin}" if part == "U2" else name
