"""What to do about the first rung that fails, and what to mind while measuring.

All of it is common practice, no source, but for the levels at which a logic analyser should switch (the
families' waveform drawings measure at 1.3 V and 1.5 V).
"""

from __future__ import annotations

from wrongbit.bringup.ladder import Ladder, Rung
from wrongbit.machine.model import Machine

CAUTIONS: tuple[str, ...] = (
    "Mains and capacitors: switch off and pull the plug before opening the case; discharge the supply's "
    "capacitors through a resistor and measure that they are empty. Follow the local codes where you work, "
    "and leave mains work to those who are licensed for it.",
    "Measure with one hand, the meter's ground lead fixed first: a probe that slips between two pins on a "
    "live board destroys more than the fault did.",
)

PICTURE_TUBE = (
    "If there is a picture tube: its anode holds many kilovolts for hours and its neck breaks "
    "easily; keep away from it, or have somebody discharge it who knows how."
)

_ADVICE: dict[tuple[str, str, str], str] = {
    ("rail", "voltage", "low"): (
        "Switch off. Measure the resistance from the rail to ground both ways, feel for a part that "
        "grows hot, then look at regulator, fuse, connector and the capacitors across the rail; a "
        "shorted tantalum capacitor is the usual one. Measure again at the chip: what is lost on the "
        "way is a bad contact."
    ),
    ("rail", "voltage", "high"): (
        "Switch off at once: every chip on this rail is in danger. Pull what can be pulled, and repair "
        "the regulator or its sense line with a resistor as load before the board gets power again."
    ),
    ("rail", "ripple", "high"): (
        "Look at the supply's smoothing capacitors and at the regulator's input: when it sags to the "
        "regulator's limit in each half-wave, the rail follows. Measure with the oscilloscope's ground "
        "spring at the chip, bandwidth 20 MHz."
    ),
    ("clock", "frequency", "stuck"): (
        "Measure the supply and ground of the oscillator, then its crystal; a crystal pin with a 1:1 "
        "probe on it often stops, so look behind the first gate. If the oscillator runs, follow the "
        "clock from stage to stage to the last one that moves."
    ),
    ("clock", "frequency", "low"): (
        "Look at the divider stages and at what loads the oscillator; if the crystal is marked for "
        "another frequency, the machine file may be wrong."
    ),
    ("clock", "frequency", "high"): (
        "Look for a crystal on an overtone and for noise counted as edges: sample faster, and set the "
        "analyser's threshold to 1.4 V for TTL."
    ),
    ("clock", "duty", ""): (
        "Look at the divider that makes the phases, at a pull-up of the clock line and at the threshold"
        " of the analyser: a slow edge shifts the duty."
    ),
    ("clock", "jitter", "high"): ("Look at the oscillator's supply decoupling and at ripple on its rail."),
    ("reset", "ended", ""): (
        "Find what holds it: disconnect the parts that drive it one at a time (power monitor, watchdog,"
        " push-button, reset capacitor), and measure the capacitor's voltage while it charges."
    ),
    ("reset", "low", "low"): (
        "The reset is too short: measure its capacitor and resistor; a capacitor that has lost its "
        "capacity gives a short reset."
    ),
    ("reset", "high", "low"): (
        "The reset is too short: measure its capacitor and resistor; a capacitor that has lost its "
        "capacity gives a short reset."
    ),
}

_INPUT = (
    "Measure at its source{source} and follow it to here. If the source is missing or must stay"
    " disconnected, a stand-in signal can take its place: wrongbit standin MACHINE --input "
    "{name}"
)
_LEVEL = (
    "A level between low and high has two outputs against each other, a missing pull-up, or a broken ground "
    "behind it: disconnect what drives the line, one part at a time."
)
_PULSES = (
    "Look at the place of the first one with an oscilloscope: a glitch points to a bad contact "
    "or to noise, a missing pulse to the divider or the source."
)


_CARRIES = ("voltage", "frequency", "ended")
"""Quantities without which nothing below them can be right."""


def direction(rung: Rung) -> str:
    """On which side a rung fails: low, high, or stuck.

    A value that does not tell a side (a state) has none.
    """
    if rung.measured.startswith("never moves"):
        return "stuck"
    return "low" if rung.outside_by < 0 else "high"


def advice(rung: Rung, machine: Machine) -> str:
    """What to do about a rung that fails."""
    if rung.key.endswith("pulses"):
        return _PULSES
    for side in (direction(rung), ""):
        found = _ADVICE.get((rung.group, rung.key, side))
        if found is not None:
            return found
    if rung.key.endswith("level"):
        return _LEVEL
    source = next((each.comes_from for each in machine.input if each.name == rung.name), "")
    return _INPUT.format(source=f" ({source})" if source else "", name=_quoted(rung.name))


def _quoted(name: str) -> str:
    return f"'{name}'" if " " in name else name


def next_step(ladder: Ladder, machine: Machine) -> str:
    """The one thing to do next."""
    failed, open_rung = ladder.first_outside, ladder.first_unmeasured
    if not ladder.rungs:
        return (
            "The machine file names no rail, clock or start-up input: add [[rail]], [[clock]] and [[input]]."
        )
    if failed is None:
        if open_rung is None:
            return "All steps hold. Go on to the bus: capture from reset, and have the capture diagnosed."
        return f"Measure {open_rung.title}{_at(open_rung)} next: it should be {open_rung.wanted}."
    above = ladder.rungs[: ladder.rungs.index(failed)]
    first = next((each for each in above if each.verdict == "not measured" and each.key in _CARRIES), None)
    if first is not None and first.group != failed.group:
        return (
            f"Before {failed.name} is blamed, measure {first.title}{_at(first)}: it should be "
            f"{first.wanted}. {advice(failed, machine)}"
        )
    return advice(failed, machine)


def _at(rung: Rung) -> str:
    return f" at {rung.test_point}" if rung.test_point else ""


def probe_notes(ladder: Ladder) -> tuple[str, ...]:
    """What to mind while measuring, for the groups that the machine has."""
    groups = {rung.group for rung in ladder.rungs}
    notes = []
    if "rail" in groups:
        notes.append(
            "A meter shows the mean of a rail; ripple and dropouts need an oscilloscope, coupled to "
            "a.c., with a ground lead of a few centimetres. Measure at the chips, not at the supply."
        )
    if "clock" in groups:
        notes.append(
            "A probe loads what it touches: a 1:1 probe with its cable is about 100 pF, a 10:1 probe 10"
            " to 15 pF. A crystal may stop or start when it is touched; clip on behind its first gate."
        )
    if groups - {"rail"}:
        notes.append(
            "A logic analyser sees two levels only. Set its threshold to 1.4 V for TTL and to half the "
            "supply for CMOS, and look once with an oscilloscope at the levels themselves."
        )
    return tuple(notes)


def cautions(machine: Machine) -> tuple[str, ...]:
    """The machine's own cautions, then those that always hold."""
    own = machine.machine.cautions
    tube = () if any("picture tube" in each.casefold() for each in own) else (PICTURE_TUBE,)
    return (*own, *CAUTIONS, *tube)
