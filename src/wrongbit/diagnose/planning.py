"""What to measure next: every possible measurement with what each outcome would mean, most telling first.

A measurement is worth the doubt that it is expected to remove, per minute of work (see `entropy`). Captures
are foretold by the structure: suspects of which a probe point sees the same thing would give the same
capture. Measurements by hand have tables of chances (see `hand`). Suspects with less than `NEGLIGIBLE` of the
doubt are not reckoned with.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.diagnose.entropy import Shares, expected_entropy, merit, outcome_shares, pool
from wrongbit.diagnose.hand import OUTCOMES, Measurement, chances
from wrongbit.diagnose.looks import Look
from wrongbit.diagnose.structure import Hypothesis, Structure
from wrongbit.diagnose.suspects import Explanation, Weighing
from wrongbit.machine.model import Point

NEGLIGIBLE = 1e-3
LEAST_GAIN = 0.02
"""Bits of doubt below which a measurement is not worth naming."""

SURE, MISSED = 0.97, 0.02
"""Probability that a capture shows what its suspect foretells, and that it shows nothing though it should. A
choice, no source."""

NAMED = 6
"""Parts named in the meaning of an outcome."""

CAPTURE_EFFORT = (5.0, 0.01)
"""Minutes and risk of a capture at a probe point; these and the following are bench sense, no source."""

EFFORTS: dict[str, tuple[float, float]] = {
    "swapped": (5.0, 0.02),
    "soldered": (45.0, 0.10),
    "reseated": (2.0, 0.01),
    "reclipped": (3.0, 0.01),
    "reading": (12.0, 0.02),
    "continuity": (4.0, 0.01),
    "short": (4.0, 0.01),
    "activity": (3.0, 0.02),
}
"""Minutes and risk by kind; ``soldered`` is a swap or a reading of a part without a socket."""


@dataclass(frozen=True)
class Outcome:
    """One thing that a measurement may show.

    Args:
        text: What would be seen.
        share: Its probability.
        parts: Parts that would then be suspected, with their shares, likeliest first.
    """

    text: str
    share: float
    parts: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Proposal:
    """A measurement that could be made.

    Args:
        kind: ``capture`` or a kind of `wrongbit.diagnose.hand.OUTCOMES`.
        place: Probe point, part or chip.
        text: What to do.
        minutes: Effort.
        risk: Probability that it spoils something.
        gain: Doubt that it is expected to remove, in bits.
        remaining: Doubt that is expected to remain, in bits.
        merit: Bits per minute, risk included.
        outcomes: What may be seen, likeliest first.
        trigger: Captures: what to trigger on, and how deep.
        measurement: Others: the measurement, its outcome open.
    """

    kind: str
    place: str
    text: str
    minutes: float
    risk: float
    gain: float
    remaining: float
    merit: float
    outcomes: tuple[Outcome, ...]
    trigger: Trigger | None = None
    measurement: Measurement | None = None


@dataclass(frozen=True)
class Trigger:
    """How to set the instrument.

    Args:
        address: Address to trigger on.
        bank: Its bank.
        expected: Word that should be there; None where it is not known.
        seen: Word that was seen there; None where nothing wrong was seen yet.
        cycles: Bus cycles to capture at least.
    """

    address: int
    bank: int
    expected: int | None
    seen: int | None
    cycles: int


Foretold = Callable[[Sequence[Hypothesis], str], str | None]
"""What faults would show at a probe point, as a signature; None where it was not worked out. See
`wrongbit.diagnose.dictionary`."""


def proposals(
    weighing: Weighing, *, most: int | None = None, foretold: Foretold | None = None
) -> tuple[Proposal, ...]:
    """Every measurement worth making, best first.

    Args:
        weighing: What is known.
        most: Leave out all but the best; None for all.
        foretold: Signatures from a fault dictionary, which tell which suspects a capture cannot tell apart.
    """
    shares = weighing.shares
    kept = np.flatnonzero(shares > NEGLIGIBLE)
    if not len(kept):
        return ()
    field = Field(weighing, kept, foretold)
    found = [field.propose(each) for each in field.candidates()]
    worth = [each for each in found if each.gain >= LEAST_GAIN]
    worth.sort(key=lambda each: (-each.merit, each.minutes, each.place))
    return tuple(worth[:most])


@dataclass(frozen=True)
class Candidate:
    """A measurement that could be made, with the chances of its outcomes.

    Args:
        kind: ``capture`` or a kind of `wrongbit.diagnose.hand.OUTCOMES`.
        place: Probe point, part or chip.
        text: What to do.
        minutes: Effort.
        risk: Probability that it spoils something.
        outcomes: ``float64 (n, k)`` chance of each outcome under each suspect that counts.
        texts: What each outcome looks like.
        trigger: Captures: what to trigger on.
        measurement: Others: the measurement, its outcome open.
    """

    kind: str
    place: str
    text: str
    minutes: float
    risk: float
    outcomes: Shares
    texts: tuple[str, ...]
    trigger: Trigger | None = None
    measurement: Measurement | None = None


class Field:
    """The suspects that count, with their shares and parts.

    Args:
        weighing: What is known.
        kept: ``intp (n,)`` numbers of the explanations that count; None: those above `NEGLIGIBLE`.
        foretold: As in `proposals`.
    """

    def __init__(
        self, weighing: Weighing, kept: NDArray[np.intp] | None = None, foretold: Foretold | None = None
    ) -> None:
        self.foretold = foretold
        if kept is None:
            kept = np.flatnonzero(weighing.shares > NEGLIGIBLE)
        self.weighing = weighing
        self.structure: Structure = weighing.structure
        self.explanations: list[Explanation] = [weighing.explanations[k] for k in kept.tolist()]
        self.shares: Shares = weighing.shares[kept] / weighing.shares[kept].sum()
        groups, names = weighing.groups
        used = np.unique(groups[kept])
        self.groups = np.searchsorted(used, groups[kept])
        self.names = [names[number] for number in used.tolist()]
        self.costs = weighing.costs[kept][:, : len(weighing.looks)]
        self.doubt = expected_entropy(self.shares, np.ones((len(kept), 1)), self.groups)

    def parts_of(self, weights: Shares) -> tuple[tuple[str, float], ...]:
        """Parts by share, likeliest first."""
        pooled = pool(weights / weights.sum(), self.groups)
        order = np.argsort(-pooled, kind="stable")[:NAMED]
        return tuple((self.names[k], float(pooled[k])) for k in order.tolist() if pooled[k] >= 0.01)

    def candidates(self) -> Iterator[Candidate]:
        """Everything that could be measured and was not yet."""
        yield from _captures(self)
        yield from _by_hand(self)

    def propose(self, candidate: Candidate) -> Proposal:
        """A candidate with what it is worth and what each outcome would mean."""
        outcomes = candidate.outcomes
        remaining = expected_entropy(self.shares, outcomes, self.groups)
        gain = max(self.doubt - remaining, 0.0)
        chance = outcome_shares(self.shares, outcomes)
        told = [
            Outcome(candidate.texts[k], float(chance[k]), self.parts_of(self.shares * outcomes[:, k]))
            for k in np.argsort(-chance, kind="stable").tolist()
            if chance[k] > 1e-9
        ]
        return Proposal(
            kind=candidate.kind,
            place=candidate.place,
            text=candidate.text,
            minutes=candidate.minutes,
            risk=candidate.risk,
            gain=gain,
            remaining=remaining,
            merit=merit(gain, candidate.minutes, candidate.risk),
            outcomes=tuple(told),
            trigger=candidate.trigger,
            measurement=candidate.measurement,
        )


# Captures ------------------------------------------------------------------------------------------


def _captures(field: Field) -> Iterator[Candidate]:
    """A capture at every place that has none yet."""
    machine = field.structure.machine
    taken = {_place(field, look.point) for look in field.weighing.looks}
    for point in machine.point:
        place = _place(field, point)
        if place in taken:
            continue
        taken.add(place)
        classes, outcomes = _foretold(field, point)
        minutes = CAPTURE_EFFORT[0] if point.minutes is None else point.minutes
        risk = CAPTURE_EFFORT[1] if point.risk is None else point.risk
        processor = machine.processor_of(point.processor).name
        text = f"clip on at {point.name} ({_where(field, point)}, bus of {processor}) and capture"
        yield Candidate(
            "capture", point.name, text, minutes, risk, outcomes, tuple(classes), _trigger(field, point)
        )


def _place(field: Field, point: Point) -> object:
    return field.structure.machine.processor_of(point.processor).name, tuple(sorted(point.on.items()))


def _where(field: Field, point: Point) -> str:
    if not point.on:
        return "at the processor's own pins"
    behind: dict[str, list[str]] = {}
    for path, part in point.on.items():
        behind.setdefault(f"behind {part}" if part else "at the beginning", []).append(path)
    return "; ".join(f"{', '.join(paths)} {where}" for where, paths in behind.items())


def _foretold(field: Field, point: Point) -> tuple[list[str], Shares]:
    """What a capture here would show, in words, and the chance of each under each suspect.

    Effects that no capture so far could tell apart are one outcome.
    """
    keys: list[object] = []
    says: dict[object, str] = {}
    for number, explanation in enumerate(field.explanations):
        effects = [field.structure.effect(each, point) for each in explanation.faults]
        seen = tuple(effect for effect in effects if effect.words_wrong)
        alike = tuple(np.round(field.costs[number], 2).tolist())
        signature = None if field.foretold is None else field.foretold(explanation.faults, point.name)
        if signature is not None:
            keys.append(signature or None)
        else:
            keys.append((alike or seen) if seen else None)
        if keys[-1] is not None:
            says.setdefault(keys[-1], explanation.say())
    classes = list(says)
    texts = ["no wrong word", *(f"wrong words, as if {say}" for say in says.values())]
    if len(classes) == 1:
        texts[1] = "wrong words as before" if field.weighing.looks else "wrong words"
    outcomes = np.zeros((len(keys), 1 + len(classes)))
    for row, key in enumerate(keys):
        if key is None:
            outcomes[row, 0] = SURE if classes else 1.0
            if classes:
                outcomes[row, 1:] = (1 - SURE) / len(classes)
        else:
            rest = 1 - SURE - MISSED if len(classes) > 1 else 0.0
            outcomes[row, 1:] = rest / max(len(classes) - 1, 1)
            outcomes[row, 0] = MISSED if len(classes) > 1 else 1 - SURE
            outcomes[row, 1 + classes.index(key)] = SURE
    return texts, outcomes


def _trigger(field: Field, point: Point) -> Trigger | None:
    """The first wrong word seen so far, of the same processor where there is one."""
    machine = field.structure.machine
    mine = machine.processor_of(point.processor).name
    looks = sorted(
        (look for look in field.weighing.looks if look.wrong),
        key=lambda look: machine.processor_of(look.point.processor).name != mine,
    )
    if not looks:
        return None
    return trigger_of(looks[0])


def trigger_of(look: Look) -> Trigger | None:
    """Trigger on the first wrong word of a capture; deep enough to see it again with what follows."""
    row = look.first_wrong()
    if row is None:
        return None
    rows = look.rows
    cycles = max(1000, 2 * int(look.evidence.first[row]))
    return Trigger(
        int(rows.address[row]), int(rows.bank[row]), int(rows.expected[row]), int(rows.seen[row]), cycles
    )


# By hand -------------------------------------------------------------------------------------------


def _by_hand(field: Field) -> Iterator[Candidate]:
    done = {(each.kind, each.part, each.line, each.carries) for each in field.weighing.measurements}
    for measurement in _possible(field):
        if (measurement.kind, measurement.part, measurement.line, measurement.carries) in done:
            continue
        outcomes = np.array([_chances(measurement, each, field.structure) for each in field.explanations])
        yield Candidate(
            measurement.kind,
            measurement.part,
            measurement.say(),
            *effort_of(field.structure, measurement),
            outcomes,
            OUTCOMES[measurement.kind],
            measurement=measurement,
        )


def _chances(measurement: Measurement, explanation: Explanation, structure: Structure) -> Shares:
    tables = np.array([chances(measurement, each, structure) for each in explanation.faults])
    return np.asarray(tables.mean(axis=0))


def _possible(field: Field) -> Iterator[Measurement]:
    """What could be done about each part that is suspected."""
    structure = field.structure
    for name in dict.fromkeys(each.part for pair in field.explanations for each in pair.faults):
        if name.startswith("lead of "):
            yield Measurement("reclipped", name.removeprefix("lead of "))
            continue
        yield Measurement("swapped", name)
        if name in structure.chips:
            if structure.chips[name].kind == "rom":
                yield Measurement("reading", name)
            continue
        passive = structure.passive(name)
        if structure.parts[name].kind in ("socket", "connector", "module"):
            yield Measurement("reseated", name)
        for carries, line in _lines(field, name):
            if passive:
                yield Measurement("continuity", name, line, carries)
            yield Measurement("short", name, line, carries)
            if not passive:
                yield Measurement("activity", name, line, carries)


def _lines(field: Field, name: str) -> list[tuple[str, int]]:
    """Lines of a part on which something is suspected, at most a handful, likeliest first."""
    weight: dict[tuple[str, int], float] = {}
    for share, explanation in zip(field.shares.tolist(), field.explanations, strict=True):
        for each in explanation.faults:
            if each.part == name and each.line >= 0:
                key = (each.carries, each.line)
                weight[key] = weight.get(key, 0.0) + share
    return sorted(weight, key=lambda key: -weight[key])[:4]


def effort_of(structure: Structure, measurement: Measurement) -> tuple[float, float]:
    """Minutes and risk."""
    kind, part = measurement.kind, structure.parts.get(measurement.part)
    minutes, risk = EFFORTS[kind]
    if kind in ("swapped", "reading"):
        loose = bool(structure.sockets.get(measurement.part)) if part is None else part.socketed
        if part is not None and part.kind == "module":
            loose = True
        if not loose:
            minutes, risk = EFFORTS["soldered"]
        if part is not None:
            minutes = minutes if part.minutes is None else part.minutes
            risk = risk if part.risk is None else part.risk
    return minutes, risk
