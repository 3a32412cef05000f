"""What would confirm a part before it is unsoldered or replaced, once the odds have decided for it.

The next measurement is chosen to tell suspects apart; where one of them is left, none tells more, and yet a
joint that is unsoldered, or a chip that nobody makes any more, deserves a second look by another way. What is
done is common practice at the bench, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from wrongbit.diagnose.hand import Measurement
from wrongbit.diagnose.planning import CAPTURE_EFFORT, effort_of
from wrongbit.diagnose.structure import Hypothesis, Structure
from wrongbit.diagnose.suspects import Weighing
from wrongbit.machine.model import Chip, Part

CAUTION = (
    "Before a part is pulled or an ohmmeter put on: switch off, pull the plug, discharge and measure the "
    "supply's capacitors; take static charge off yourself; follow the safety rules that apply where you work."
)
"""Stands with every such list."""

DECIDED = 0.9
"""Share of the doubt from which on a part that stands alone is what is going to be mended."""


@dataclass(frozen=True)
class Confirmation:
    """One way to make sure of a part.

    Args:
        part: The part that is to be made sure of.
        text: What to do.
        confirms: What is then seen if it is the part.
        clears: What it is if that is not seen.
        minutes: Effort.
        risk: Probability that it spoils something.
        measurement: What to enter afterwards, its outcome open; None where it is a capture.
    """

    part: str
    text: str
    confirms: str
    clears: str
    minutes: float
    risk: float
    measurement: Measurement | None = None


def decided_part(weighing: Weighing) -> str:
    """The part that the odds have decided for; empty while there is none, or where it takes two faults."""
    if not weighing.fault_seen or not weighing.explained:
        return ""
    top, first = weighing.top(), weighing.suspects()[0]
    if len(top) != 1 or first.share < DECIDED or " and " in first.part:
        return ""
    return first.part


def confirmations(weighing: Weighing) -> tuple[Confirmation, ...]:
    """What would confirm the part that the odds have decided for and was not done yet, the easiest first.

    Nothing while the odds are open: then the next measurement says what to do.
    """
    part = decided_part(weighing)
    if not part:
        return ()
    groups, names = weighing.groups
    likely = max(
        (number for number, group in enumerate(groups.tolist()) if names[group] == part),
        key=lambda number: float(weighing.shares[number]),
    )
    hypothesis = weighing.explanations[likely].faults[0]
    done = {(each.kind, each.part) for each in weighing.measurements}
    found = [
        replace(each, part=part)  # a measurement may be at its socket
        for each in _ways(weighing.structure, hypothesis)
        if each.measurement is None or (each.measurement.kind, each.measurement.part) not in done
    ]
    return tuple(sorted(found, key=lambda each: (each.minutes, each.risk)))


def confirmed_by(weighing: Weighing) -> tuple[str, ...]:
    """Measurements by hand that have confirmed the part already."""
    part = decided_part(weighing)
    good = {"cured", "bad", "open", "found", "none"}
    return tuple(
        each.say()
        for each in weighing.measurements
        if part
        and each.part == part
        and each.outcome in good
        and (each.kind, each.outcome) != ("short", "none")
    )


def _ways(structure: Structure, hypothesis: Hypothesis) -> Iterator[Confirmation]:
    name = hypothesis.part
    if name in structure.chips:
        yield from _of_chip(structure, hypothesis, structure.chips[name])
    elif name in structure.parts:
        part = structure.parts[name]
        of_kind = _of_passive if structure.passive(name) else _of_device
        yield from of_kind(structure, hypothesis, part)
    elif name.startswith("lead of "):
        yield _by_hand(
            structure,
            Measurement("reclipped", name.removeprefix("lead of ")),
            "The words come right with the lead on another clip.",
            "The line itself is wrong: weigh again with 'same' entered.",
        )


def _of_chip(structure: Structure, hypothesis: Hypothesis, chip: Chip) -> Iterator[Confirmation]:
    sockets = structure.sockets.get(chip.name, ())
    around = f"socket {sockets[0]}, tracks or the enable" if sockets else "joints, tracks or the enable"
    if chip.kind == "rom" and sockets:
        yield _by_hand(
            structure,
            Measurement("reading", chip.name),
            "In the reader it differs from the reference as well, each time alike.",
            f"It reads as it should: look at {around}. Only a fault of speed or supply may still hide in it.",
            f"Take {chip.name} out, read it three times and compare",
        )
    if sockets:
        yield _by_hand(
            structure,
            Measurement("reseated", sockets[0]),
            "Nothing changes: it is no contact.",
            f"It runs: a contact of {sockets[0]}, and {chip.name} is good.",
            f"Pull {chip.name}, look at its pins, put it back and capture again",
        )
    else:
        minutes, risk = CAPTURE_EFFORT
        yield Confirmation(
            chip.name,
            f"Clip on the pins of {chip.name} itself, address and outputs, and capture",
            "With the right address at its pins and its enable active, its outputs are wrong.",
            f"Its outputs are right, or its address or enable are not: look at {around}.",
            minutes,
            risk,
        )
        yield _by_hand(
            structure,
            Measurement("continuity", chip.name),
            "Under an ohm from each pin to the next part on its line: joints and tracks are good.",
            "An open joint or track: mend that, and leave the chip where it is.",
            f"With an ohmmeter and power off, measure from the pins of {chip.name} on",
            kept=False,
        )
    twin = _twin(structure, chip)
    if twin:
        yield _by_hand(
            structure,
            Measurement("swapped", chip.name),
            f"The wrong bits move to those of {twin}.",
            f"They stay where they were: look at {around}.",
            f"Exchange {chip.name} and {twin}, which are alike, and capture again",
        )
    else:
        yield _by_hand(
            structure,
            Measurement("swapped", chip.name),
            "It is cured.",
            f"It is the same with another chip: look at {around}.",
            f"Put a known good chip in the place of {chip.name} and capture again"
            + ("" if sockets else "; this needs unsoldering, so it comes last"),
        )


def _of_passive(structure: Structure, hypothesis: Hypothesis, part: Part) -> Iterator[Confirmation]:
    where = _line_text(hypothesis)
    if hypothesis.is_short:
        yield _by_hand(
            structure,
            Measurement("short", part.name, hypothesis.line, hypothesis.carries),
            "A few ohms to supply, ground or a neighbour, and it goes when the line is parted there.",
            "No short with power off: a driver on the line holds it. Look at the outputs on it.",
            f"With an ohmmeter and power off, look for a short at {part.name}{where}",
        )
    else:
        yield _by_hand(
            structure,
            Measurement("continuity", part.name, hypothesis.line, hypothesis.carries),
            "Open, or it comes and goes when the part is moved.",
            "Under an ohm however it is moved: it is not this contact.",
            f"With an ohmmeter and power off, measure through {part.name}{where}, and move it gently",
        )
    if part.kind in ("socket", "connector"):
        yield _by_hand(
            structure,
            Measurement("reseated", part.name),
            "It runs, or other words are wrong: a contact.",
            "The same: a contact need not come right by that. Measure it.",
            f"Pull what sits in {part.name}, look at the contacts, put it back, and capture again",
        )


def _of_device(structure: Structure, hypothesis: Hypothesis, part: Part) -> Iterator[Confirmation]:
    where = _line_text(hypothesis)
    minutes, risk = CAPTURE_EFFORT
    yield Confirmation(
        part.name,
        f"Look at input and output pin of {part.name}{where} at once, and at its enable",
        "The input is right, it is enabled, and the output is wrong.",
        "The input is wrong already: look further back. Or it is not enabled: look at what should do that.",
        minutes,
        risk,
    )
    if hypothesis.what != "open":
        yield _by_hand(
            structure,
            Measurement("short", part.name, hypothesis.line, hypothesis.carries),
            "No short: the output itself is stuck.",
            "A short that stays with the output pin free: it lies on the line.",
            f"With an ohmmeter and power off, look for a short at the output of {part.name}{where}",
        )
    others = [
        each.name
        for each in structure.machine.part
        if each.name != part.name
        and (each.kind, each.type, each.pins) == (part.kind, part.type, part.pins)
        and each.socketed
    ]
    with_what = (
        f"exchange it with {others[0]}, which is alike" if others else "put a known good one in its place"
    )
    if part.socketed:
        yield _by_hand(
            structure,
            Measurement("swapped", part.name),
            "The fault is cured, or moves with the part.",
            "The same: it is not the part.",
            f"Pull {part.name}, {with_what}, and capture again",
        )


def _twin(structure: Structure, chip: Chip) -> str:
    """Another RAM of the same kind, both in sockets, to exchange it with; ROMs hold other words."""
    if chip.kind != "ram" or not structure.sockets.get(chip.name):
        return ""
    alike = (
        each.name
        for each in structure.chips.values()
        if each.name != chip.name
        and (each.kind, each.type, each.words, each.bits) == (chip.kind, chip.type, chip.words, chip.bits)
        and structure.sockets.get(each.name)
    )
    return next(alike, "")


def _line_text(hypothesis: Hypothesis) -> str:
    letter = {"data": "D", "address": "A", "select": "A"}.get(hypothesis.carries, "")
    lines = [line for line in (hypothesis.line, hypothesis.other) if line >= 0]
    return f" on {' and '.join(f'{letter}{line}' for line in lines)}" if letter and lines else ""


def _by_hand(
    structure: Structure,
    measurement: Measurement,
    confirms: str,
    clears: str,
    text: str = "",
    *,
    kept: bool = True,
) -> Confirmation:
    """A measurement by hand; one that the machine file has no place for is not entered (``kept``)."""
    minutes, risk = effort_of(structure, measurement)
    text = text or f"{measurement.say()[:1].upper()}{measurement.say()[1:]}"
    return Confirmation(
        measurement.part, text, confirms, clears, minutes, risk, measurement if kept else None
    )
