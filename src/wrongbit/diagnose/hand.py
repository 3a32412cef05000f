"""Measurements by hand, and how probable each outcome is under each suspect.

The probabilities below are **choices of ours, no source**: they say how far a careful person trusts each act.
None is 0 or 1, so that a slip of the hand never rules anything out for good.

A chip that is read outside the board shows what is wrong within it and nothing of its socket, its buffers or
its joints. A sound chip reads "bad" in three cases of a hundred, for a dirty pin in the reader, a wrong type
chosen, or a reference of another version; a bad one reads "good" in five, and in forty where what is wrong
depends on speed, supply or warmth, which a reader gives it otherwise than the board does.
"""

from __future__ import annotations

from dataclasses import dataclass

from wrongbit.diagnose.structure import Hypothesis, Structure

OUTCOMES: dict[str, tuple[str, ...]] = {
    "swapped": ("cured", "different", "same"),
    "reseated": ("cured", "different", "same"),
    "reclipped": ("cured", "different", "same"),
    "reading": ("bad", "good"),
    "continuity": ("open", "good"),
    "short": ("found", "none"),
    "activity": ("none", "active"),
}
"""Kind of measurement = its outcomes.

``swapped``: a known good part was put in its place; ``reseated``: it was pulled and put back; ``reclipped``:
the probe leads were changed. ``reading``: the chip was read out of circuit and compared. ``continuity``:
resistance through the part, on the line. ``short``: resistance from the line to supply, ground and
neighbours, power off. ``activity``: does the pin move?
"""

MEANING = {
    "swapped": "swap {part} for a known good one",
    "reseated": "pull {part} and put it back",
    "reclipped": "change the leads at {part}",
    "reading": "read {part} out of circuit and compare",
    "continuity": "measure through {part}{line}, power off",
    "short": "look for a short at {part}{line}, power off",
    "activity": "look for activity behind {part}{line}",
}

_TABLE: dict[tuple[str, str], tuple[float, ...]] = {
    ("swapped", "itself"): (0.93, 0.03, 0.04),
    ("swapped", "its socket"): (0.25, 0.05, 0.70),
    ("swapped", "apart"): (0.02, 0.02, 0.96),
    ("reseated", "a contact of it"): (0.60, 0.10, 0.30),
    ("reseated", "apart"): (0.02, 0.02, 0.96),
    ("reclipped", "itself"): (0.90, 0.05, 0.05),
    ("reclipped", "apart"): (0.02, 0.02, 0.96),
    ("reading", "itself"): (0.95, 0.05),
    ("reading", "itself, at times"): (0.60, 0.40),
    ("reading", "apart"): (0.03, 0.97),
    ("continuity", "itself"): (0.92, 0.08),
    ("continuity", "now and then"): (0.50, 0.50),
    ("continuity", "apart"): (0.02, 0.98),
    ("short", "itself"): (0.85, 0.15),
    ("short", "an output on the line"): (0.35, 0.65),
    ("short", "apart"): (0.03, 0.97),
    ("activity", "itself"): (0.95, 0.05),
    ("activity", "apart"): (0.04, 0.96),
}
"""(Kind, what the suspect has to do with it) = probability of each outcome, in the order of `OUTCOMES`."""


MARGINAL = frozenset(("slow data", "weak column", "lost charge"))
"""Families of faults within a chip that a reader need not show."""


@dataclass(frozen=True)
class Measurement:
    """Something done by hand.

    Args:
        kind: One of `OUTCOMES`.
        part: Part, chip or, for ``reclipped``, probe point.
        line: Line as the processor numbers it; -1 where all are meant.
        carries: What the line carries; empty where it does not matter.
        outcome: What was found; empty while it is only planned.
        note: For people.
    """

    kind: str
    part: str
    line: int = -1
    carries: str = ""
    outcome: str = ""
    note: str = ""

    def say(self) -> str:
        """What is to be done, or was."""
        letter = {"data": "D", "address": "A", "select": "A"}.get(self.carries, "line ")
        line = f" on {letter}{self.line}" if self.line >= 0 else ""
        text = MEANING[self.kind].format(part=self.part, line=line)
        return f"{text}: {self.outcome}" if self.outcome else text


def chances(measurement: Measurement, hypothesis: Hypothesis, structure: Structure) -> tuple[float, ...]:
    """Probability of each outcome of ``OUTCOMES[measurement.kind]`` when this is wrong."""
    return _TABLE[measurement.kind, relation(measurement, hypothesis, structure)]


def relation(measurement: Measurement, hypothesis: Hypothesis, structure: Structure) -> str:
    """What a suspect has to do with a measurement, as `_TABLE` names it."""
    here = measurement.part == hypothesis.part
    line = measurement.line < 0 or measurement.line in (hypothesis.line, hypothesis.other)
    line = line and measurement.carries in ("", hypothesis.carries)
    match measurement.kind:
        case "swapped":
            if here:
                return "itself"
            return "its socket" if _socket_of(hypothesis, measurement.part, structure) else "apart"
        case "reseated":
            contact = hypothesis.is_open
            held = here or _socket_of(hypothesis, measurement.part, structure)
            return "a contact of it" if held and contact and hypothesis.carries != "inside" else "apart"
        case "reclipped":
            return "itself" if hypothesis.part == f"lead of {measurement.part}" else "apart"
        case "reading":
            if not (here and hypothesis.carries == "inside"):
                return "apart"
            marginal = hypothesis.fault is not None and hypothesis.fault.model in MARGINAL
            return "itself, at times" if marginal else "itself"
        case "continuity":
            conducting = hypothesis.part in structure.parts and structure.passive(hypothesis.part)
            if not (here and hypothesis.is_open and conducting and line):
                return "apart"
            return "now and then" if hypothesis.what == "loose" else "itself"
        case "short":
            return _short(measurement, hypothesis, structure, line)
        case _:
            dead = hypothesis.what in ("stuck at 0", "stuck at 1", "silent")
            silent = hypothesis.what == "silent" and hypothesis.carries == "data"
            on_line = silent or measurement.line == hypothesis.line
            seen = dead and on_line and structure.shows_behind(hypothesis, measurement.part)
            return "itself" if seen and measurement.carries in ("", hypothesis.carries) else "apart"


def _short(measurement: Measurement, hypothesis: Hypothesis, structure: Structure, line: bool) -> str:
    """A resistance to ground is that of the whole net, whichever of its parts is touched."""
    if not (hypothesis.is_short and line and structure.shares_net(hypothesis, measurement.part)):
        return "apart"
    return "itself" if structure.passive(hypothesis.part) else "an output on the line"


def _socket_of(hypothesis: Hypothesis, chip: str, structure: Structure) -> bool:
    """The suspect is an open contact of the socket that a chip sits in."""
    part = structure.parts.get(hypothesis.part)
    if part is None or part.kind != "socket" or not hypothesis.is_open:
        return False
    return part.name in structure.sockets.get(chip, ())
