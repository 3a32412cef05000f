"""The bring-up ladder: rails, clocks, reset and start-up inputs, judged in the order in which to look.

A rung is one quantity of one of them with its limits. Each is within, outside (and by how much), or not
measured; the first one outside is where the repair goes on, whatever the rungs below it show.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from wrongbit.machine.limits import Limits, Quantity, format_value, parse_limits
from wrongbit.machine.model import Clock, Machine, StartInput

Group = Literal["rail", "clock", "reset", "input"]
Key = Literal[
    "voltage", "ripple", "frequency", "duty", "jitter", "period", "low", "high", "low level", "high level",
    "ended", "missing pulses", "short pulses",
]  # fmt: skip
Verdict = Literal["within", "outside", "not measured"]

QUANTITY: dict[Key, Quantity | Literal["count", "state"]] = {
    "voltage": "voltage",
    "ripple": "voltage",
    "frequency": "frequency",
    "duty": "share",
    "jitter": "time",
    "period": "time",
    "low": "time",
    "high": "time",
    "low level": "voltage",
    "high level": "voltage",
    "ended": "state",
    "missing pulses": "count",
    "short pulses": "count",
}
"""What a rung's value is; a state is 1 for yes and 0 for no."""

FAMILY_LEVELS: dict[str, tuple[str, str]] = {
    "ttl": ("at most 0.8 V", "at least 2 V"),
    "cmos5": ("at most 1.5 V", "at least 3.5 V"),
}
"""Low and high level that an input takes. TTL: the family's data sheets. CMOS at 5 V: 30 % and 70 % of the
supply, the HC family's data sheets; from memory, not checked."""


@dataclass(frozen=True)
class Measured:
    """What was measured of one rung.

    Args:
        least: The lowest value seen, in the rung's base unit.
        most: The highest; None: it may go on.
        source: Where it comes from, for people.
        allowance: By how much each may be off.
        stuck: The signal never moves, which no limit allows.
        says: What the instrument showed, where numbers do not tell it.
        why_not: Why nothing could be measured; then there are no numbers.
    """

    least: float = 0.0
    most: float | None = 0.0
    source: str = "by hand"
    allowance: float = 0.0
    stuck: bool = False
    says: str = ""
    why_not: str = ""


@dataclass(frozen=True)
class Rung:
    """One quantity with its limits, and what came out.

    Args:
        group: rail, clock, reset or input.
        name: Name in the machine file.
        key: Which quantity of it.
        limits: Limits in the base unit; of counts and states in plain numbers.
        assumed: The limits are not in the machine file but follow from the input's family.
        test_point: Where to measure.
        verdict: What came out.
        measured: The measured value, for people; empty where there is none.
        outside_by: By how much it is outside, signed, in the base unit; 0 where it is not.
        source: Where the value comes from.
        note: What else to know.
    """

    group: Group
    name: str
    key: Key
    limits: Limits
    assumed: bool = False
    test_point: str = ""
    verdict: Verdict = "not measured"
    measured: str = ""
    outside_by: float = 0.0
    source: str = ""
    note: str = ""

    @property
    def title(self) -> str:
        """What it is called, as a measurement by hand names it."""
        return f"{self.name} {self.key}"

    @property
    def wanted(self) -> str:
        """The limits, for people."""
        kind = QUANTITY[self.key]
        if kind == "state":
            return "yes"
        return "none" if kind == "count" else str(self.limits)

    @property
    def off(self) -> str:
        """By how much it is outside, for people."""
        kind = QUANTITY[self.key]
        if not self.outside_by or kind == "state" or kind == "count":
            return ""
        size = format_value(abs(self.outside_by), kind)
        if kind == "time":
            return f"{size} too {'short' if self.outside_by < 0 else 'long'}"
        return f"{size} too {'low' if self.outside_by < 0 else 'high'}"


@dataclass(frozen=True)
class Ladder:
    """All rungs of a machine, judged.

    Args:
        machine: Name of the machine.
        rungs: In the order in which to look.
    """

    machine: str
    rungs: tuple[Rung, ...]

    @property
    def first_outside(self) -> Rung | None:
        """The first rung that fails."""
        return next((rung for rung in self.rungs if rung.verdict == "outside"), None)

    @property
    def first_unmeasured(self) -> Rung | None:
        """The first rung that nobody has measured."""
        return next((rung for rung in self.rungs if rung.verdict == "not measured"), None)

    def count(self, verdict: Verdict) -> int:
        """Number of rungs with this verdict."""
        return sum(rung.verdict == verdict for rung in self.rungs)


# -- the rungs of a machine --------------------------------------------------------------------------------


def rungs_of(machine: Machine) -> tuple[Rung, ...]:
    """All rungs, not measured yet: rails, clocks, resets, other inputs, each in the order of the file."""
    resets = [each for each in machine.input if each.kind == "reset"]
    others = [each for each in machine.input if each.kind != "reset"]
    rungs: list[Rung] = []
    for rail in machine.rail:
        rungs.append(_rung("rail", rail.name, "voltage", rail.voltage, rail.test_point))
        if rail.ripple is not None:
            rungs.append(_rung("rail", rail.name, "ripple", rail.ripple, rail.test_point))
    for clock in machine.clock:
        rungs += _clock_rungs(clock)
    for group, entries in (("reset", resets), ("input", others)):
        for each in entries:
            rungs += input_rungs("reset" if group == "reset" else "input", each)
    return tuple(rungs)


def _rung(group: Group, name: str, key: Key, limits: str, test_point: str, *, assumed: bool = False) -> Rung:
    kind = QUANTITY[key]
    assert kind != "count" and kind != "state"
    return Rung(group, name, key, parse_limits(limits, kind), assumed, test_point)


def _clock_rungs(clock: Clock) -> Iterator[Rung]:
    keys: tuple[tuple[Key, str | None], ...] = (
        ("frequency", clock.frequency), ("duty", clock.duty), ("jitter", clock.jitter),
        ("low level", clock.low_level), ("high level", clock.high_level),
    )  # fmt: skip
    for key, limits in keys:
        if limits is not None:
            yield _rung("clock", clock.name, key, limits, clock.test_point)


def input_rungs(group: Group, each: StartInput) -> Iterator[Rung]:
    """Rungs of one reset or start-up input."""
    timing: tuple[tuple[Key, str | None], ...] = (
        ("period", each.period), ("low", each.low), ("high", each.high),
    )  # fmt: skip
    for key, limits in timing:
        if limits is not None:
            yield _rung(group, each.name, key, limits, each.test_point)
    if group == "reset":
        yield Rung(group, each.name, "ended", Limits("share", low=1), False, each.test_point)
    usual = FAMILY_LEVELS[each.family]
    levels: tuple[tuple[Key, str | None, str], ...] = (
        ("low level", each.low_level, usual[0]),
        ("high level", each.high_level, usual[1]),
    )
    for key, given, by_family in levels:
        yield _rung(group, each.name, key, given or by_family, each.test_point, assumed=given is None)


# -- judging -----------------------------------------------------------------------------------------------


def judge_rung(rung: Rung, measured: Measured) -> Rung:
    """The rung with its verdict.

    A value is outside when it is so even by more than its allowance, and within when it is so whatever the
    allowance hides. What may be either counts as not measured, and so does a value of which only one end is
    known where the limits need the other.
    """
    if measured.why_not:
        return replace(rung, source=measured.source, note=measured.why_not)
    judged = replace(rung, source=measured.source, measured=measured.says or _shown(rung, measured))
    if measured.stuck:
        return replace(judged, verdict="outside")
    low, high, slack = rung.limits.low, rung.limits.high, measured.allowance
    least, most = measured.least, math.inf if measured.most is None else measured.most
    # What may still go on cannot be too short yet, but it can be too long already.
    seen_most = least if measured.most is None else most
    below = least - low if low is not None and measured.most is not None and least < low - slack else 0.0
    above = seen_most - high if high is not None and seen_most > high + slack else 0.0
    worst = below if abs(below) > above else above
    if worst:
        return replace(judged, verdict="outside", outside_by=worst)
    if (low is None or least - slack >= low) and (high is None or most + slack <= high):
        return replace(judged, verdict="within")
    if measured.most is None:
        return replace(judged, note="It may have lasted longer than the capture shows.")
    return replace(
        judged, note=f"Too close to tell at this sampling (± {_plain(rung, slack)}): sample faster."
    )


def _plain(rung: Rung, value: float) -> str:
    kind = QUANTITY[rung.key]
    return f"{value:g}" if kind == "count" or kind == "state" else format_value(value, kind)


def _shown(rung: Rung, measured: Measured) -> str:
    if QUANTITY[rung.key] == "state":
        return "yes" if measured.least else "no"
    first = _plain(rung, measured.least)
    if measured.most is None:
        return f"at least {first}"
    last = _plain(rung, measured.most)
    return first if first == last else f"{first} to {last}"


def judge(machine: Machine, measured: Mapping[tuple[str, Key], Measured]) -> Ladder:
    """The ladder of a machine.

    Args:
        machine: The machine file.
        measured: (name, key) = what was measured. Counts that have no rung of their own (missing and short
            pulses) get one below the timing of their signal.
    """
    return Ladder(machine.machine.name, judge_rungs(rungs_of(machine), measured))


def judge_rungs(rungs: Sequence[Rung], measured: Mapping[tuple[str, Key], Measured]) -> tuple[Rung, ...]:
    """Rungs with their verdicts, and those of counts below the timing of their signal."""
    judged: list[Rung] = []
    for index, rung in enumerate(rungs):
        found = measured.get((rung.name, rung.key))
        judged.append(rung if found is None else judge_rung(rung, found))
        following = rungs[index + 1] if index + 1 < len(rungs) else None
        levels_next = following is None or following.name != rung.name or following.key.endswith("level")
        if levels_next and not rung.key.endswith("level"):
            judged += _counts(rung, measured)
    return tuple(judged)


def _counts(rung: Rung, measured: Mapping[tuple[str, Key], Measured]) -> Iterator[Rung]:
    keys: tuple[Key, ...] = ("missing pulses", "short pulses")
    for key in keys:
        found = measured.get((rung.name, key))
        if found is not None:
            count = Rung(rung.group, rung.name, key, Limits("share", high=0), test_point=rung.test_point)
            yield judge_rung(count, found)
