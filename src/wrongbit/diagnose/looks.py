"""A capture as a witness: what it costs an explanation, given what it should have shown at its probe point.

The likelihood is that of `wrongbit.faults`: a cost in nats, the fall of the log likelihood below that of a
perfect prediction. A fault that the structure says touches some chips only is costed on their reads; the
wrong bits of all other reads count in full.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np

from wrongbit.bits import count_bits
from wrongbit.compare.memory_map import MemoryMap
from wrongbit.diagnose.effects import (
    NOTHING,
    Effect,
    Shown,
    Way,
    in_this_way,
    wanders,
)
from wrongbit.diagnose.wandering import cost_of_wandering
from wrongbit.faults.batch import spread
from wrongbit.faults.cellwise import CellwiseFault
from wrongbit.faults.evidence import Evidence
from wrongbit.faults.fault import Fault
from wrongbit.faults.likelihood import cost_of, forms_of, row_costs
from wrongbit.faults.noise import Noise
from wrongbit.faults.posterior import allowed_bits, unexplained_bits
from wrongbit.faults.predict import predict
from wrongbit.faults.rows import Index, Rows, Words
from wrongbit.machine.model import Point

_COLUMNS = ("bank", "address", "held", "expected", "judged", "seen", "from_rom", "weight")

SAMPLE = 40
"""Wrong rows, and as many right ones, whose cost is a lower bound of that of all."""

MOVES = 0.8
"""Probability that an address line which nothing holds is seen to move in a capture. A choice, no source."""

COMES_AND_GOES = 0.2
"""Probability that a short comes and goes, so that its line moves all the same. As in `wrongbit.faults`."""

WIDELY, OF_ONE = 0.5, 0.45
"""Of the faults within a chip that are not listed one by one: the share that shows within the first `ENOUGH`
different reads of it (address lines, enable, many rows), and the share that shows only where its own cell is
read. The rest shows at other speeds or temperatures. Judgement, no source."""

ENOUGH = 64
"""Different reads below which nothing is made of a line that did not move."""


@dataclass
class Look:
    """One capture at one probe point.

    Args:
        point: Where it was taken.
        label: What people call it.
        rows: Its unique observations, ready for predictions.
        evidence: The same as they were gathered.
        noise: Probability that a bit is read wrong for no other reason.
    """

    point: Point
    label: str
    rows: Rows
    evidence: Evidence
    noise: Noise
    _costs: dict[tuple[Effect, ...], float] = field(default_factory=dict, repr=False)
    _bounds: dict[tuple[Effect, ...], float] = field(default_factory=dict, repr=False)
    _fitted: dict[Effect, Fault] = field(default_factory=dict, repr=False)
    _repeated: dict[tuple[Effect, Fault], float] = field(default_factory=dict, repr=False)
    _taken: dict[tuple[bytes, bool], Rows] = field(default_factory=dict, repr=False)
    _concerned: dict[frozenset[str], Words] = field(default_factory=dict, repr=False)

    @staticmethod
    def of(
        point: Point,
        label: str,
        evidence: Evidence,
        memory_map: MemoryMap,
        noise: float,
        chips: frozenset[str] | None = None,
    ) -> Look:
        """From condensed evidence.

        Args:
            point: Where it was taken.
            label: What people call it.
            evidence: From `wrongbit.faults.evidence.gather_evidence`.
            memory_map: The chips on the bus of the point's processor.
            noise: The noise rate.
            chips: Chips whose words pass the point; None for all.
        """
        if chips is not None:
            evidence = _only(evidence, memory_map, chips)
        return Look(point, label, Rows.of(evidence, memory_map), evidence, Noise(noise))

    @property
    def wrong(self) -> bool:
        """Some judged bit differs from what it should be."""
        return bool(self.rows.wrong.any())

    @property
    def chips_judged(self) -> frozenset[str]:
        """Chips of which at least one bit was judged."""
        return frozenset(c.name for c in self.rows.memory_map.chips if self.rows.at(c).judged.any())

    @property
    def chips_wrong(self) -> frozenset[str]:
        """Chips with a wrong bit in their lane."""
        found = []
        for chip in self.rows.memory_map.chips:
            at = self.rows.at(chip)
            if ((at.expected ^ at.seen) & at.judged).any():
                found.append(chip.name)
        return frozenset(found)

    def cost(self, effects: Sequence[Effect], before: Fault | None = None) -> float:
        """Nats that this capture costs an explanation with these effects.

        Args:
            effects: What the structure says that this capture shows.
            before: The same fault as an earlier capture found it. Its rate and drift are those of one and the
                same contact, so that they need not be paid for again.
        """
        seen = tuple(effect for effect in effects if effect != Effect())
        known = self._costs.get(seen)
        if known is None:
            known = self._costs[seen] = self._work_out(seen)
        if before is None or len(seen) != 1 or seen[0] not in self._fitted:
            return known
        return self._again(seen[0], before, known)

    def cost_unseen(self, chip: str) -> float:
        """Nats for it that a chip has some other fault within it, and none of its words shows it here."""
        own = next((each for each in self.rows.memory_map.chips if each.name == chip), None)
        if own is None:
            return 0.0
        at = self.rows.at(own)
        cells = len(np.unique(at.lines[at.judged != 0]))
        shown = WIDELY * min(cells / ENOUGH, 1.0) + OF_ONE * min(cells / max(len(own.contents), 1), 1.0)
        return -float(np.log1p(-shown))

    def cost_if(self, effect: Effect, way: Way) -> float:
        """Cost of a fault of an address or bank line that shows in one way in all captures.

        Args:
            effect: What the structure says that this capture shows.
            way: How.
        """
        if effect == NOTHING:
            return self.cost([])
        fault = None if effect.fault is None else in_this_way(effect.fault, way)
        words = self.cost([replace(effect, fault=fault, shown=None)])
        if effect.shown is None or way == "at times":  # a line that is held now and then moves all the same
            return words
        return words + self._lines([effect.shown], steady=True)

    def fitted(self, effects: Sequence[Effect]) -> Fault | None:
        """The fault as this capture shows it, with rate and drift; None where it does not, or is hopeless."""
        seen = [effect for effect in effects if effect != Effect()]
        return self._fitted.get(seen[0]) if len(seen) == 1 else None

    def _again(self, effect: Effect, before: Fault, cost: float) -> float:
        """Cost when rate and drift are as found before, or else anew, with even chances."""
        key = (effect, before)
        known = self._repeated.get(key)
        if known is None:
            if type(before) is not type(effect.fault) or isinstance(before, CellwiseFault):
                known = cost
            else:
                nats = 0.0
                for faults, rows in self._divided([effect], sampled=False):
                    chosen = [before] if faults else []
                    if any(predict(form, rows).strays is not None for form in forms_of(chosen)):
                        nats = np.inf  # what is found in other cells of a RAM has no rate to take over
                    nats += float(row_costs(chosen, rows, self.noise) @ rows.weight)
                nats += self._lines([effect.shown] if effect.shown is not None else [])
                known = (
                    -float(np.logaddexp(np.log(0.5) - nats, np.log(0.5) - cost)) if nats < np.inf else cost
                )
            self._repeated[key] = known
        return known

    def _work_out(self, effects: tuple[Effect, ...]) -> float:
        lines = self._lines([effect.shown for effect in effects if effect.shown is not None])
        words = [effect for effect in effects if effect.fault is not None]
        return self._words(words) + lines

    def unexplained(self, effects: Sequence[Effect]) -> int:
        """Judged bits that were seen otherwise than an explanation with these effects allows."""
        total = 0
        for faults, rows in self._divided([e for e in effects if e.fault is not None], sampled=False):
            total += unexplained_bits(faults and cost_of(faults, rows, self.noise).faults, rows)
        return total

    @property
    def allowed(self) -> int:
        """Unexplained bits that noise makes credible."""
        return allowed_bits(int(count_bits(self.rows.judged).sum()), self.noise.rate)

    def bound(self, effects: Sequence[Effect]) -> float:
        """Least cost of the words: what no rate and no drift explains, in a sample."""
        key = tuple(effect for effect in effects if effect.fault is not None)
        known = self._bounds.get(key)
        if known is None:
            known = self._bounds[key] = self._least(key)
        return known

    def _least(self, effects: Sequence[Effect]) -> float:
        if any(isinstance(effect.fault, CellwiseFault) for effect in effects):
            return 0.0  # its cells are found by costing it
        total = 0
        for faults, rows in self._divided(effects, sampled=True):
            total += unexplained_bits([replace(fault, drift=0.5) for fault in faults], rows)
        return self.noise.wrong * total

    def _words(self, effects: Sequence[Effect]) -> float:
        """Cost of the words, each row with the faults that concern it."""
        total = 0.0
        settled = len(effects) > 1
        for faults, rows in self._divided(effects, sampled=False):
            if faults:
                if wanders(faults):
                    total += cost_of_wandering(faults[0], rows, self.noise)
                    continue
                found = cost_of(faults, rows, self.noise, settled=settled)
                total += found.nats
                if not settled:
                    self._fitted[effects[0]] = found.faults[0]
            else:
                total += self.noise.wrong * float(count_bits(rows.wrong) @ rows.weight)
        return total

    def _divided(
        self, effects: Sequence[Effect], *, sampled: bool
    ) -> Iterator[tuple[tuple[Fault, ...], Rows]]:
        """The judged bits in parts, each with the faults that concern them.

        Several faults at once have the rates that they were found to have alone.
        """
        every = np.full(len(self.rows), ~np.uint64(0), np.uint64)
        concerned = [self._concern(effect.chips) for effect in effects]
        for code in range(1 << len(effects)):
            bits = every
            for number, mask in enumerate(concerned):
                bits = bits & (mask if code >> number & 1 else ~mask)
            rows = self._take(bits, sampled)
            if len(rows):
                chosen = [effect for number, effect in enumerate(effects) if code >> number & 1]
                alone = len(effects) == 1
                faults = [e.fault if alone else self._fitted.get(e, e.fault) for e in chosen]
                yield tuple(fault for fault in faults if fault is not None), rows

    def _concern(self, chips: frozenset[str]) -> Words:
        """``uint64 (m,)`` bits that these chips should have driven."""
        known = self._concerned.get(chips)
        if known is None:
            known = np.zeros(len(self.rows), np.uint64)
            for chip in self.rows.memory_map.chips:
                if chip.name in chips:
                    known[self.rows.at(chip).index] |= np.uint64(chip.lane_mask)
            self._concerned[chips] = known
        return known

    def _take(self, bits: Words, sampled: bool) -> Rows:
        """The rows with one of these bits judged, with only these bits judged; or a sample of them."""
        key = (bits.tobytes(), sampled)
        if key not in self._taken:
            judged = self.rows.judged & bits
            if sampled:
                wrong = (self.rows.wrong & judged) != 0
                parts = [spread(np.flatnonzero((judged != 0) & which), SAMPLE) for which in (wrong, ~wrong)]
                index: Index = np.concatenate(parts)
            else:
                index = np.flatnonzero(judged)
            columns = {name: getattr(self.rows, name)[index] for name in _COLUMNS}
            judged = judged[index]
            self._taken[key] = Rows(
                self.rows.memory_map, **columns | {"judged": judged, "seen": columns["seen"] & judged}
            )
        return self._taken[key]

    # Address columns ---------------------------------------------------------------------------------

    def still(self) -> dict[int, int]:
        """Address lines that never moved, with their level; empty where too little was seen to tell."""
        if len(self.rows) < ENOUGH:
            return {}
        ones = int(np.bitwise_or.reduce(self.rows.address))
        zeros = int(np.bitwise_and.reduce(self.rows.address))
        return {
            line: ones >> line & 1
            for line in range(self.rows.memory_map.address_bits)
            if ones >> line & 1 == zeros >> line & 1
        }

    def _lines(self, shown: Sequence[Shown], *, steady: bool = False) -> float:
        """Cost of the address columns: a line that something holds does not move, another one should.

        Args:
            shown: What holds lines.
            steady: It does not come and go.
        """
        if not shown:
            return 0.0
        total = 0.0
        still = self.still()
        for each in shown:
            if each.what in ("stuck at 0", "stuck at 1"):
                level = int(each.what[-1])
                if still.get(each.line) == level:
                    total += float(np.log1p(-MOVES))  # better than for all that do not explain it
                else:
                    nats = self.noise.wrong * self._weight_with(each.line, 1 - level)
                    total += nats if steady else _unless_loose(nats)
            else:
                lines = [self.rows.address >> np.uint64(line) for line in (each.line, each.other)]
                apart = ((lines[0] ^ lines[1]) & np.uint64(1)).astype(np.float64)
                nats = self.noise.wrong * float(apart @ self.rows.weight)
                total += nats if steady else _unless_loose(nats)
        return total

    def _weight_with(self, line: int, level: int) -> float:
        bits = (self.rows.address >> np.uint64(line)) & np.uint64(1)
        return float((bits == np.uint64(level)).astype(np.float64) @ self.rows.weight)

    def first_wrong(self) -> int | None:
        """Row of the first wrong observation, None without one."""
        found = np.flatnonzero(self.rows.wrong)
        return int(found[0]) if len(found) else None

    def wrong_share(self) -> float:
        """Share of the observations with a wrong bit."""
        return float((count_bits(self.rows.wrong) > 0).mean()) if len(self.rows) else 0.0


def _only(evidence: Evidence, memory_map: MemoryMap, chips: frozenset[str]) -> Evidence:
    """The evidence of some chips only: the bits of others are not judged."""
    lanes = np.zeros(len(evidence), np.uint64)
    for chip in memory_map.chips:
        if chip.name in chips:
            here = chip.selected(evidence.bank, evidence.address)
            lanes |= np.where(here, np.uint64(chip.lane_mask), np.uint64(0))
    judged = evidence.judged & lanes
    kept = np.flatnonzero(judged)
    columns = {item.name: getattr(evidence, item.name)[kept] for item in fields(Evidence)}
    return Evidence(**columns | {"judged": judged[kept], "seen": (evidence.seen & judged)[kept]})


def _unless_loose(nats: float) -> float:
    """Cost of levels that a constant short does not allow, when it may also come and go."""
    return -float(np.logaddexp(np.log1p(-COMES_AND_GOES) - nats, np.log(COMES_AND_GOES)))
