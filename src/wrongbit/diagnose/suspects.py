"""Suspects weighed by all that was observed: one posterior, with what speaks for and against each part.

Every hypothesis starts with its failure rate; each capture and each measurement by hand costs it nats; what
remains, normalised, is the posterior. Single faults come first. Where none of them explains the captures,
pairs of the strongest are tried.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from wrongbit.diagnose.conflicts import Parts, minimal_hitting_sets, minimal_sets
from wrongbit.diagnose.effects import WAYS_OF_A_SHORT, WAYS_OF_AN_OPEN_LINE, Way
from wrongbit.diagnose.entropy import Shares, entropy, pool
from wrongbit.diagnose.hand import OUTCOMES, Measurement, chances
from wrongbit.diagnose.looks import Look
from wrongbit.diagnose.propagate import Component, System, passing, sourcing
from wrongbit.diagnose.rates import charge_share, chip_rate
from wrongbit.diagnose.structure import Hypothesis, Structure
from wrongbit.faults.cellwise import CellwiseFault
from wrongbit.faults.fault import Fault
from wrongbit.faults.models import MODELS, NO_FAULT_PRIOR, PAIR_PRIOR
from wrongbit.faults.models.wires import ChipAddressFault, OutputFault
from wrongbit.faults.posterior import weigh
from wrongbit.machine.model import Chip

TIE = float(np.log(20))
"""Parts whose odds on the measurements alone are shorter than this are not told apart, as in `faults`."""

SMALL = 0.002
"""A part with less than this share of the doubt is left out of a tie."""

NOTICEABLE = float(np.log(1000))
"""Wrong bits that no fault makes this much likelier than noise does are taken for noise."""

HOPELESS = 60.0
"""Nats by which a lower bound may lie behind the best before an explanation is not costed exactly."""

HOPELESS_FOR_NOW = 30.0
"""The same after some of the captures."""

PAIR = 0.02
"""Probability of a second, independent fault. A choice, no source."""

PAIR_POOL, PAIR_POOL_EACH = 14, 5
"""Single faults of which pairs are made: the strongest, and those that explain each capture best."""

INSIDE: dict[str, float] = {
    "output stuck": 0.20,
    "output open": 0.06,
    "outputs bridged": 0.03,
    "chip address line stuck": 0.12,
    "chip address line open": 0.06,
    "chip address lines bridged": 0.02,
    "chip silent": 0.12,
    "slow data": 0.08,
    "wrong contents": 0.01,
    "scattered cells": 0.08,
    "lost charge": 0.10,
    "dead row": 0.05,
    "dead column": 0.05,
    "weak column": 0.02,
}
"""Share of each family in the failures of a memory itself, its socket left out. Judgement, no source."""


def inside_shares(chip: Chip) -> dict[str, float]:
    """`INSIDE` of a chip: where its cells hold a charge, what they lose of it is added."""
    charge = charge_share(chip)
    shares = {model: share / (1 + charge) for model, share in INSIDE.items()}
    shares["lost charge"] += charge / (1 + charge)
    return shares


@dataclass(frozen=True)
class Explanation:
    """One fault, or two at once.

    Args:
        faults: What is wrong.
    """

    faults: tuple[Hypothesis, ...]

    @property
    def part(self) -> str:
        """The part, or both."""
        return " and ".join(dict.fromkeys(each.part for each in self.faults))

    @property
    def weight(self) -> float:
        """Prior, not normalised; a pair's is set when it is made."""
        return self.faults[0].weight

    def say(self) -> str:
        """What is wrong, in a few words."""
        return "; ".join(each.say() for each in self.faults)


@dataclass(frozen=True)
class Witness:
    """What one observation says of one part.

    Args:
        label: The observation.
        nats: Change of the part's log odds against all others; above 0 it speaks for the part.
    """

    label: str
    nats: float


@dataclass(frozen=True)
class Suspect:
    """A part under suspicion.

    Args:
        part: Reference designator, ``lead of POINT``, or two parts.
        share: Posterior probability that it is the one.
        prior: Its probability before anything was measured.
        ways: What may be wrong with it, likeliest first, with the probability of each.
        witnesses: What each observation says of it, in order.
    """

    part: str
    share: float
    prior: float
    ways: tuple[tuple[str, float], ...]
    witnesses: tuple[Witness, ...]


@dataclass(frozen=True)
class Weighing:
    """Everything that was weighed.

    Args:
        structure: The board.
        explanations: All of them.
        log_prior: ``float64 (n,)``.
        costs: ``float64 (n, k)`` nats that each observation costs each explanation.
        labels: What the observations are called.
        looks: The captures.
        measurements: What was done by hand.
        conflicts: Sets of parts that cannot all be sound, minimal.
        diagnoses: Smallest sets of faulty parts that meet all conflicts; at most two parts.
        nothing: Nats that all captures cost when no part is faulty and every wrong bit is noise.
        explained: Some explanation costs no more than noise and the unknowns of faults make credible.
    """

    structure: Structure
    explanations: tuple[Explanation, ...]
    log_prior: NDArray[np.float64]
    costs: NDArray[np.float64]
    labels: tuple[str, ...]
    looks: tuple[Look, ...]
    measurements: tuple[Measurement, ...]
    conflicts: tuple[Parts, ...]
    diagnoses: tuple[Parts, ...]
    nothing: float
    explained: bool

    @property
    def shares(self) -> Shares:
        """Posterior probability of each explanation, ``float64 (n,)``."""
        return _normal(self.log_prior - self.costs.sum(axis=1))

    @property
    def groups(self) -> tuple[NDArray[np.intp], tuple[str, ...]]:
        """Number of each explanation's part, and the parts' names."""
        names = list(dict.fromkeys(each.part for each in self.explanations))
        number = {name: index for index, name in enumerate(names)}
        return np.array([number[each.part] for each in self.explanations], np.intp), tuple(names)

    @property
    def doubt(self) -> float:
        """Entropy over parts, in bits."""
        return entropy(pool(self.shares, self.groups[0]))

    @property
    def fault_seen(self) -> bool:
        """Something observed is not as it should be."""
        bad = {"bad", "open", "found", "cured", "none"}
        by_hand = any(
            each.outcome in bad and (each.kind, each.outcome) != ("short", "none")
            for each in self.measurements
        )
        captured = self.costs[:, : len(self.looks)].sum(axis=1)
        return by_hand or bool(len(captured) and self.nothing - captured.min() > NOTICEABLE)

    def suspects(self) -> tuple[Suspect, ...]:
        """Parts, most suspicious first."""
        shares = self.shares
        groups, names = self.groups
        prior = pool(_normal(self.log_prior), groups)
        posterior = pool(shares, groups)
        steps = self._steps(groups)
        found = []
        for number in np.argsort(-posterior, kind="stable").tolist():
            own = np.flatnonzero(groups == number)
            own = own[np.argsort(-shares[own], kind="stable")][:5]
            ways = tuple((self.explanations[k].say(), float(shares[k])) for k in own.tolist())
            witnesses = tuple(Witness(label, float(steps[k][number])) for k, label in enumerate(self.labels))
            found.append(
                Suspect(names[number], float(posterior[number]), float(prior[number]), ways, witnesses)
            )
        return tuple(found)

    def _steps(self, groups: NDArray[np.intp]) -> list[Shares]:
        """Change of each part's log odds by each observation, in order."""
        steps = []
        score = self.log_prior.copy()
        before = _log_odds(score, groups)
        for k in range(self.costs.shape[1]):
            score = score - self.costs[:, k]
            after = _log_odds(score, groups)
            steps.append(after - before)
            before = after
        return steps

    def top(self) -> tuple[str, ...]:
        """The parts that cannot be told apart from the best by what was measured, likeliest first."""
        groups, names = self.groups
        total = self.costs.sum(axis=1)
        least = np.full(len(names), np.inf)
        np.minimum.at(least, groups, total)
        posterior = pool(self.shares, groups)
        best = int(np.argmax(posterior))
        tied = np.flatnonzero((least - least[best] < TIE) & (posterior >= SMALL))
        order = sorted({best, *tied.tolist()}, key=lambda number: -posterior[number])
        return tuple(names[number] for number in order)


def _normal(score: NDArray[np.float64]) -> Shares:
    return np.asarray(np.exp(score - np.logaddexp.reduce(score)))


def _log_odds(score: NDArray[np.float64], groups: NDArray[np.intp]) -> Shares:
    """Log odds of each group against all others, ``float64 (g,)``; 0 for one that has no others.

    Worked out from the scores and not from shares, which round to 0 and 1: once the captures leave hardly any
    doubt, what is measured after them would seem to say nothing of anybody.
    """
    count = int(groups.max(initial=-1)) + 1
    own = np.full(count, -np.inf)
    np.logaddexp.at(own, groups, score)
    if count < 2:
        return np.zeros(count)
    others = np.where(np.eye(count, dtype=bool), -np.inf, own)
    return np.asarray(own - np.logaddexp.reduce(others, axis=1))


def weigh_suspects(
    structure: Structure,
    looks: Sequence[Look],
    measurements: Sequence[Measurement] = (),
    *,
    pairs: bool = True,
) -> Weighing:
    """Weigh everything that may be wrong by all captures and measurements together.

    Args:
        structure: The board.
        looks: Captures, in the order in which they were taken.
        measurements: What was done by hand.
        pairs: Try two faults at once where no single one explains the captures.
    """
    singles = [Explanation((each,)) for each in _hypotheses(structure, looks)]
    log_prior = np.log([each.weight for each in singles])
    race = _Race(np.full(len(looks), np.inf))
    costs = _raced(singles, structure, looks, measurements, race)
    explained = _explained(singles, log_prior, costs, structure, looks)
    explanations = singles
    if pairs and not explained:
        doubles, prior, more = _pairs(singles, log_prior, costs, structure, looks, measurements, race)
        if doubles:
            explanations = [*singles, *doubles]
            log_prior = np.concatenate([log_prior, prior])
            costs = np.concatenate([costs, more])
            explained = _explained(explanations, log_prior, costs, structure, looks)
    conflicts = minimal_sets(each for look in looks for each in conflicts_of(structure, look))
    return Weighing(
        structure=structure,
        explanations=tuple(explanations),
        log_prior=log_prior,
        costs=costs,
        labels=(*(look.label for look in looks), *(each.say() for each in measurements)),
        looks=tuple(looks),
        measurements=tuple(measurements),
        conflicts=tuple(conflicts),
        diagnoses=tuple(minimal_hitting_sets(conflicts, largest=2)),
        nothing=sum(look.cost([]) for look in looks),
        explained=explained,
    )


def _explained(
    explanations: Sequence[Explanation],
    log_prior: NDArray[np.float64],
    costs: NDArray[np.float64],
    structure: Structure,
    looks: Sequence[Look],
) -> bool:
    """The best explanation leaves no more bits unexplained in any capture than noise makes credible."""
    if not explanations:
        return False
    best = explanations[int(np.argmax(log_prior - costs.sum(axis=1)))]
    return all(
        look.unexplained([structure.effect(each, look.point) for each in best.faults]) <= look.allowed
        for look in looks
    )


# Hypotheses ----------------------------------------------------------------------------------------


def _hypotheses(structure: Structure, looks: Sequence[Look]) -> list[Hypothesis]:
    found = list(structure.hypotheses())
    for point in dict.fromkeys(look.point.name for look in looks):
        found += structure.leads(structure.machine.point_of(point))
    inside = list(_inside(structure, looks))
    listed = dict.fromkeys(structure.chips, 0.0)
    for each in inside:
        listed[each.part] += each.weight
    # Whatever else may be wrong with a chip: beforehand it is suspected by all its faults.
    others = [
        Hypothesis(chip.name, "inside", "unseen", weight=rest)
        for chip in structure.machine.chip
        if chip.kind != "io" and (rest := chip_rate(chip) - listed[chip.name]) > 0
    ]
    return [*found, *inside, *others]


def _inside(structure: Structure, looks: Sequence[Look]) -> Iterable[Hypothesis]:
    """Faults within chips: stuck and open outputs always, and whatever the captures themselves suggest."""
    known: dict[tuple[str, Fault], Hypothesis] = {}
    families = {family.name: family.prior for family in MODELS}
    total = NO_FAULT_PRIOR + sum(families.values())
    for chip in structure.machine.chip:
        if chip.kind == "io":
            continue
        names, shares = tuple(f"D{bit}" for bit in chip.lane), inside_shares(chip)
        for output in range(len(chip.lane)):
            for what, model in (
                ("stuck at 0", "output stuck"),
                ("stuck at 1", "output stuck"),
                ("open", "output open"),
            ):
                fault: Fault = OutputFault(chip.name, what, output, -1, names)  # type: ignore[arg-type]
                share = shares[model] / chip.bits / (2 if model == "output stuck" else 1)
                known[chip.name, fault] = _within(chip.name, fault, chip_rate(chip) * share)
    for look in looks:
        if not look.wrong:
            continue
        chips = {chip.name for chip in look.rows.memory_map.chips}
        for fault, log_prior in _suggested(look):
            if fault.model not in INSIDE:
                continue
            own = inside_shares(structure.chips[fault.part])[fault.model]
            share = float(np.exp(log_prior)) * total / families[fault.model] * len(chips) * own
            rate = chip_rate(structure.chips[fault.part]) * min(share, own)
            known.setdefault((fault.part, fault), _within(fault.part, fault, rate))
    return known.values()


def _within(chip: str, fault: Fault, rate: float) -> Hypothesis:
    return Hypothesis(chip, "inside", "inside", fault=fault, weight=rate)


def _suggested(look: Look) -> list[tuple[Fault, float]]:
    """Faults of chips that come near to explaining a capture, alone or two together.

    Alone they are told without what was fitted. Of two together each keeps its rate, since it may be hopeless
    alone, where no rate is found for it; their prior is told only as a whole, and each has half of it.
    """
    chips = {chip.name for chip in look.rows.memory_map.chips}
    found: dict[Fault, tuple[Fault, float]] = {}
    singles = weigh(look.evidence, look.rows.memory_map, noise=look.noise.rate, pairs=False)
    for finding in singles.findings:
        if len(finding.faults) == 1 and finding.faults[0].part in chips:
            bare = _bare(finding.faults[0])
            found[bare] = bare, finding.log_prior
    if not singles.fits:
        for finding in weigh(look.evidence, look.rows.memory_map, noise=look.noise.rate).findings:
            if len(finding.faults) == 2 and finding.faults[0].part == finding.faults[1].part in chips:
                each = (finding.log_prior - float(np.log(2 * PAIR_PRIOR))) / 2
                for fault in finding.faults:
                    found.setdefault(_bare(fault), (_bare(fault, rate=fault.rate), each))
    return list(found.values())


def _bare(fault: Fault, rate: float = 1.0) -> Fault:
    """Without the rate, the drift and the cells that explain one capture best."""
    bare = replace(fault, rate=rate, drift=0.0)
    return replace(bare, cells=()) if isinstance(bare, CellwiseFault) else bare


# Costs ---------------------------------------------------------------------------------------------


@dataclass
class _Race:
    """The least cost of the first captures, for each number of them: who is far behind is not costed exactly.

    Args:
        least: ``float64 (k,)`` of the first one, of the first two, and so on.
    """

    least: NDArray[np.float64]

    def lost(self, costs: Sequence[float], bounds: Sequence[float]) -> bool:
        """With these costs, and lower bounds of those to come, it is hopeless after each capture.

        What a capture says is told by the odds before and after it, so that those count too.
        """
        reached = np.cumsum([*costs, *bounds[len(costs) :]])[len(costs) :]
        behind = reached - self.least[len(costs) :]
        return bool(behind[-1] > HOPELESS and (behind > HOPELESS_FOR_NOW).all())

    def run(self, costs: Sequence[float]) -> None:
        """Remember exact costs."""
        reached = self.least[: len(costs)]
        np.minimum(reached, np.cumsum(costs), out=reached)


def _raced(
    explanations: Sequence[Explanation],
    structure: Structure,
    looks: Sequence[Look],
    measurements: Sequence[Measurement],
    race: _Race,
) -> NDArray[np.float64]:
    """``float64 (n, k)`` costs, worked out in an order that puts the promising ones first."""
    bounds = [
        [look.bound([structure.effect(each, look.point) for each in explanation.faults]) for look in looks]
        for explanation in explanations
    ]
    found: list[list[float]] = [[] for _ in explanations]
    for number in np.argsort([sum(each) for each in bounds], kind="stable").tolist():
        found[number] = _costs(
            explanations[number], structure, looks, measurements, race, tuple(bounds[number])
        )
    return np.array(found, np.float64).reshape(len(explanations), len(looks) + len(measurements))


def _costs(
    explanation: Explanation,
    structure: Structure,
    looks: Sequence[Look],
    measurements: Sequence[Measurement],
    race: _Race,
    bounds: tuple[float, ...],
) -> list[float]:
    """What each observation costs; the bounds stand for what is left when the race is lost."""
    ways = _ways(explanation.faults[0]) if len(explanation.faults) == 1 else ()
    if ways:
        each_look = _costs_by_ways(explanation.faults[0], ways, structure, looks)
    else:
        each_look = _costs_one_way(explanation, structure, looks)
    costs: list[float] = []
    while len(costs) < len(looks) and not race.lost(costs, bounds):
        costs.append(next(each_look))
        race.run(costs)
    costs += bounds[len(costs) :]
    return costs + [-float(np.log(_chance(each, explanation, structure))) for each in measurements]


def _costs_one_way(explanation: Explanation, structure: Structure, looks: Sequence[Look]) -> Iterator[float]:
    before: Fault | None = None
    for look in looks:
        effects = [structure.effect(each, look.point) for each in explanation.faults]
        yield look.cost(effects, before) + sum(
            look.cost_unseen(each.part) for each in explanation.faults if each.what == "unseen"
        )
        before = look.fitted(effects) or before


def _ways(hypothesis: Hypothesis) -> tuple[tuple[Way, float], ...]:
    """Ways of which one holds in all captures, with the belief in each; none for faults that have but one."""
    inside = isinstance(hypothesis.fault, ChipAddressFault) and hypothesis.fault.what == "open"
    if inside or (hypothesis.carries in ("address", "select", "bank") and hypothesis.what == "open"):
        return WAYS_OF_AN_OPEN_LINE
    if hypothesis.carries in ("address", "select", "bank") and hypothesis.is_short:
        return WAYS_OF_A_SHORT
    return ()


def _costs_by_ways(
    hypothesis: Hypothesis, ways: Sequence[tuple[Way, float]], structure: Structure, looks: Sequence[Look]
) -> Iterator[float]:
    """What each look costs, given those before it: the belief in the ways goes along from look to look."""
    scores = np.log([belief for _, belief in ways])
    before = 0.0
    for look in looks:
        effect = structure.effect(hypothesis, look.point)
        scores = scores - np.array([look.cost_if(effect, way) for way, _ in ways])
        after = -float(np.logaddexp.reduce(scores))
        yield after - before
        before = after


def _chance(measurement: Measurement, explanation: Explanation, structure: Structure) -> float:
    """Probability of the outcome; with two faults the one that it is likelier under decides, except that
    putting one right leaves the other."""
    index = OUTCOMES[measurement.kind].index(measurement.outcome)
    tables = [chances(measurement, each, structure) for each in explanation.faults]
    if len(tables) > 1 and measurement.outcome in ("cured", "different", "same"):
        touched = max(table[0] + table[1] for table in tables)
        return {"cured": 0.02, "different": touched * 0.9, "same": 1 - 0.02 - touched * 0.9}[
            measurement.outcome
        ]
    return max(table[index] for table in tables)


def _pairs(
    singles: Sequence[Explanation],
    log_prior: NDArray[np.float64],
    costs: NDArray[np.float64],
    structure: Structure,
    looks: Sequence[Look],
    measurements: Sequence[Measurement],
    race: _Race,
) -> tuple[list[Explanation], NDArray[np.float64], NDArray[np.float64]]:
    """Pairs of the strongest: those that explain most in all, and those that explain each capture best."""
    score = log_prior - costs.sum(axis=1)
    order = list(np.argsort(-score)[:PAIR_POOL])
    for k in range(len(looks)):
        order += list(np.argsort(costs[:, k] - log_prior)[:PAIR_POOL_EACH])
    # What a capture suggests only together with another fault explains little alone.
    order += [
        number
        for number, each in enumerate(singles)
        if each.faults[0].carries == "inside"
        and each.faults[0].fault is not None
        and not isinstance(each.faults[0].fault, OutputFault)
    ]
    pool_ = list(dict.fromkeys(int(number) for number in order))
    doubles, prior = [], []
    scale = np.log(PAIR) - np.logaddexp.reduce(log_prior)
    for one, two in combinations(pool_, 2):
        first, second = singles[one].faults[0], singles[two].faults[0]
        if "unseen" in (first.what, second.what):
            continue  # it explains nothing that was seen
        if first.part == second.part and not first.carries == second.carries == "inside":
            continue  # two faults within one chip, such as a row and a column, are one chip's
        pair = Explanation((first, second) if log_prior[one] >= log_prior[two] else (second, first))
        doubles.append(pair)
        prior.append(log_prior[one] + log_prior[two] + scale)
    return doubles, np.array(prior), _raced(doubles, structure, looks, measurements, race)


# Reasons without probabilities ---------------------------------------------------------------------


def conflicts_of(structure: Structure, look: Look) -> list[Parts]:
    """Sets of parts that cannot all be sound, given which chips' words were wrong in a capture.

    Only wrong words make conflicts. Right ones clear nobody for good: a contact may come and go.
    """
    found = []
    for chip in sorted(look.chips_wrong):
        components, observed = _around(structure, look, chip)
        system = System(tuple(components), observed)
        conflict = system.conflict_among(frozenset(system.parts))
        if conflict is not None:
            found.append(conflict)
    return found


def _around(structure: Structure, look: Look, chip: str) -> tuple[list[Component], dict[str, int]]:
    """The way of one chip's word to a probe as components that pass it on, with the wrong word at the end."""
    components: list[Component] = []
    observed: dict[str, int] = {}
    needs: list[str] = []
    word = f"word of {chip}"
    buffers = {
        name for p in structure.machine.path if p.carries == "data" and chip in p.chips for name in p.through
    }
    lane = set(structure.chips[chip].lane)
    rivals = {other.name for other in structure.machine.chip if lane & set(other.lane)}
    for number, path in enumerate(structure.machine.path):
        position = structure.position(number, look.point)
        # Another chip on the same lines that answers when it should not spoils the word as well.
        ends = {"enable": buffers | rivals, "select": rivals}.get(path.carries, {chip})
        if position is None or not ends & set(path.chips):
            continue
        if path.carries == "data":
            before = word
            for index in range(position):
                after = f"{path.name} {index + 1}"
                components.append(passing(path.through[index], before, after))
                before = after
            observed[before] = 0
        else:
            before = f"{path.name} {position}"
            observed[before] = 1
            for index in range(position, len(path.through)):
                after = f"{path.name} {index + 1}"
                components.append(passing(path.through[index], before, after))
                before = after
            needs.append(before)
    if word not in observed and not any(rule.needs == (word,) for c in components for rule in c.rules):
        observed[word] = 0
    components.append(sourcing(chip, needs, word))
    return components, observed
