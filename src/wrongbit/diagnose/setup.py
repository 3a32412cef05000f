"""Mistakes at the clips and in the machine file, weighed in the same posterior as faults of the machine.

A lead on the wrong pin, a chip's outputs named in the wrong order, a clock taken at its wrong end: each would
show wrong words of a sound machine. Each is a hypothesis about the same observations as a fault, with a cost
in the same unit (`wrongbit.faults.likelihood`), so that the odds of all of them sum to 1.

What tells a clip from the machine: it shows what it shows in all cycles. A word that was written is seen by
the same lead as the word that is read back, so that RAM agrees with itself; and the processor goes on as the
right words say, because it received them (`Acted`). An address lead shows in the order of the addresses: a
processor reads most words one after another, and with the leads put right the captured addresses must do so
more often, not less.

A mistake and a fault of the machine may be there at once. A mistake that makes much right but leaves words
wrong is undone in the cycles, the faults are weighed on what is left (`wrongbit.diagnose.corrected`), and
both together compete with the rest; a mistake that leaves nothing wrong is there on its own already.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from math import comb, factorial
from typing import Literal

import numpy as np

from wrongbit.align.leads import CLEAR, Bus, Kind, LeadFinding
from wrongbit.bits import count_bits, gather_bits, mask_of
from wrongbit.bus.cycles import Cycles
from wrongbit.compare.judge import is_reading
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.compare.verdicts import Verdicts
from wrongbit.diagnose.corrected import Correction, judged_weight, weigh_corrected
from wrongbit.faults.batch import spread
from wrongbit.faults.fault import Fault
from wrongbit.faults.findings import Findings
from wrongbit.faults.models.wires import AddressFault, BankFault, ChipAddressFault, WireFault
from wrongbit.faults.noise import Noise
from wrongbit.faults.posterior import PAIR_COST
from wrongbit.faults.rows import MOST_WEIGHT, Costs, Index, Rows, Words
from wrongbit.faults.search import MARGIN, TIE, likeliest_family

SETUP_PRIOR = 0.1
"""That something is wrong at the clips or in the machine file, before a capture is looked at. Clips on a few
dozen narrow pins do slip; common practice is to doubt them first. Bench judgement, no source."""

Family = Literal[
    "lead off",
    "leads exchanged",
    "leads mixed up",
    "lead doubled",
    "lead inverted",
    "order reversed",
    "lane inverted",
    "wrong moment",
]

SHARES: dict[Family, float] = {
    "lead off": 0.32,
    "leads exchanged": 0.25,
    "leads mixed up": 0.04,
    "lead doubled": 0.04,
    "lead inverted": 0.04,
    "order reversed": 0.12,
    "lane inverted": 0.04,
    "wrong moment": 0.15,
}
"""Share of each family in `SETUP_PRIOR`; its mistakes share it evenly. Bench judgement, no source."""

NEIGHBOURS = 4.0
"""So much likelier are neighbouring leads exchanged than others. A choice."""

STEP, MOST_STEPS = 3.0, 5
"""Nats for a read of the next address that there is with some leads and not with others, and how many count:
a next address is some twenty times likelier than any other one jump. A choice."""

MOST_LAG = 3
"""Cycles by which words may belong to earlier or later addresses."""

MOST_READS = 20_000
"""Reads, or cycles, from the first, that are looked at for what lies in their order."""

SAMPLE = 256
"""Wrong rows, and as many right ones, on which hopeless mistakes are refuted."""

SLIP = 0.05
"""Probability that what followed a word is read wrongly, as the other verdict. A choice."""

MOST_ACTED = 2
"""Verdicts of that kind that count: a program that is once astray is no new evidence."""

MOST_UNDONE = 2
"""Mistakes of each bus, and of the machine file, that are undone to see what is left; each costs as much as a
diagnosis. A choice."""


@dataclass(frozen=True)
class Mistake:
    """A mistake at the clips or in the machine file, alone or together with a fault of the machine.

    Args:
        family: Which kind.
        where: What has to be put right.
        text: What is wrong, in a sentence.
        log_prior: Logarithm of the prior, faults of the machine included.
        cost: Fall of the log likelihood below a perfect prediction, in nats.
        probability: Posterior probability among faults and mistakes.
        lead: The same as a finding of `wrongbit.align.leads`, where it is one of leads.
        faults: What is wrong with the machine as well; nothing where the mistake explains all on its own.
        correction: How it is undone in the cycles; None where what it hides cannot be got back.
    """

    family: Family
    where: Literal["clips", "machine file"]
    text: str
    log_prior: float
    cost: float
    probability: float = 0.0
    lead: LeadFinding | None = None
    faults: tuple[Fault, ...] = ()
    correction: Correction | None = field(default=None, repr=False, compare=False)

    @property
    def score(self) -> float:
        """Logarithm of prior times likelihood, up to a constant."""
        return self.log_prior - self.cost

    def say(self) -> str:
        """What is wrong, in a sentence; with a fault of the machine as well, also what to do."""
        if not self.faults:
            return self.text
        mistake = self.text.partition(":")[0].rstrip(".")
        besides = " ".join(fault.say() for fault in self.faults).rstrip(".")
        if besides[1:2].islower():  # the name of a part keeps its capital
            besides = besides[0].lower() + besides[1:]
        return f"{mistake}, and {besides}. Put the {self.where} right and {self._once_more()}."

    def _once_more(self) -> str:
        return "capture again" if self.where == "clips" else "diagnose again"

    def told_by(self) -> str:
        """In a sentence, of what machine the words that were seen would be with this mistake."""
        if self.faults:
            return (
                f"A mistake in the set-up and a fault of the machine show these words together: {self.say()}"
            )
        return f"A sound machine would show the same words if: {self.say()}"

    def advice(self) -> str:
        """What to check first."""
        if self.faults:
            return (
                f"Put the {self.where} right and {self._once_more()} before you open the machine: what is "
                "still wrong then is the machine's own fault."
            )
        if self.where == "clips":
            return (
                "Check your clips before the machine. If the program runs on as the reference says (wrongbit "
                "explain tells), the processor received the right words and only the probe sees wrong ones; "
                "if it goes astray on the words that were seen, the lead is innocent."
            )
        return (
            "Check the machine file before the machine: the recipe's clock, the order and the polarity of "
            "data lines and lanes, the columns of the probe point."
        )


@dataclass(frozen=True)
class Acted:
    """On which of the two words the processor acted, where what followed tells (`wrongbit.instructions`).

    Args:
        seen: Wrong instruction words on which it acted: it received what the probe saw.
        expected: Wrong instruction words in spite of which it did what the reference says.
    """

    seen: int = 0
    expected: int = 0

    def cost(self, received_seen: bool) -> float:
        """Nats that the verdicts cost a hypothesis by which the processor received the words seen, or not."""
        against = self.expected if received_seen else self.seen
        return min(against, MOST_ACTED) * float(np.log1p(-SLIP) - np.log(SLIP))


def weigh_together(
    findings: Findings,
    rows: Rows,
    cycles: Cycles,
    *,
    shared_bus: bool = False,
    acted: Acted | None = None,
    acted_on: Callable[[Cycles, Verdicts], Acted | None] = lambda cycles, verdicts: None,
) -> tuple[Findings, tuple[Mistake, ...]]:
    """Faults and mistakes in one posterior.

    Args:
        findings: Faults, as `wrongbit.faults.posterior.weigh` gives them: their odds sum to 1.
        rows: The observations that they explain.
        cycles: The cycles from which these were gathered.
        shared_bus: Address and word are on the same leads.
        acted: What is known of what the processor acted on.
        acted_on: Tells the same of cycles in which a mistake was undone.

    Returns:
        The findings with their share of the belief, and the mistakes within `MARGIN` of the best explanation,
        likeliest first. All odds sum to 1 (up to the mistakes left out).
    """
    if not findings.fault_seen or not len(rows):
        return findings, ()
    acted = acted or Acted()
    of_faults = findings.best.score - float(np.log(findings.best.probability))  # of all that were weighed
    of_faults += float(np.log1p(-SETUP_PRIOR)) - acted.cost(received_seen=True)
    best = findings.best.score + float(np.log1p(-SETUP_PRIOR)) - acted.cost(received_seen=True)
    # Where one fault explains all that there is, a mistake as well has nothing to add.
    together = len(findings.best.faults) > 1 or findings.best.cost > PAIR_COST
    swapped = _swapped(findings, rows.memory_map)
    setup = _Setup(rows, cycles, Noise(findings.noise), shared_bus, acted, together, swapped)
    found = setup.mistakes(best)
    if together:
        found += setup.with_faults(max([best, *(each.score for each in found)]), acted_on)
    total = float(np.logaddexp.reduce([of_faults, *(each.score for each in found)]))
    least = max([best, *(each.score for each in found)]) - MARGIN
    kept = sorted((each for each in found if each.score >= least), key=lambda each: -each.score)
    share = float(np.exp(of_faults - total))
    return (
        replace(
            findings,
            findings=tuple(replace(each, probability=each.probability * share) for each in findings.findings),
        ),
        tuple(replace(each, probability=float(np.exp(each.score - total))) for each in kept),
    )


def contenders(findings: Findings, mistakes: Sequence[Mistake]) -> tuple[Mistake, ...]:
    """Mistakes that cannot be told from the best explanation: odds shorter than 20 to 1."""
    best = max([findings.best.probability, *(each.probability for each in mistakes)])
    return tuple(each for each in mistakes if each.probability > best * np.exp(-TIE))


# What each mistake costs ------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Way:
    """How a mistake at the leads changes what is seen.

    Args:
        address: For each address bit the lead that carries it; None: as named.
        invert: Address bits that are inverted.
        open: Address bit that is not known; -1: none.
        word: The word's bits are moved as the address's.
    """

    address: tuple[int, ...] | None = None
    invert: int = 0
    open: int = -1
    word: bool = False


@dataclass
class _Setup:
    rows: Rows
    cycles: Cycles
    noise: Noise
    shared_bus: bool
    acted: Acted
    together: bool = False
    swapped: frozenset[tuple[Bus, int, int]] = frozenset()

    def __post_init__(self) -> None:
        self.rom = self.rows.take(np.flatnonzero(self.rows.from_rom))
        ram = self.rows.take(np.flatnonzero(~self.rows.from_rom))
        # Writes are seen by the same leads: RAM agrees with itself, or something else is wrong.
        self.ram_cost = self.noise.wrong * ram.wrong_weight()
        # Without one line of the address what was written elsewhere is taken for the last write.
        right = self.noise.wrong * count_bits(ram.wrong)
        mixed_up = np.logaddexp(-right, -self.noise.open * count_bits(ram.judged)) - np.log(2)
        self.ram_mixed_up = -float(mixed_up @ ram.weight)
        self.width = self.rows.memory_map.word_bits
        self._addresses = self.cycles.address[np.flatnonzero(is_reading(self.cycles))[:MOST_READS]]
        self._steps = _next_reads(self._addresses)
        self._undoable: list[tuple[float, float, Mistake]] = []

    def mistakes(self, best: float) -> list[Mistake]:
        """All mistakes that come within `MARGIN` of the best score, and some that do not."""
        if not len(self.rom):
            return []
        found = [*self._at_data_leads(), *self._reversed(), *self._inverted(), *self._at_another_moment()]
        best = max([best, *(each.score for each in found)])
        return found + list(self._at_address_leads(best))

    def _mistake(
        self,
        family: Family,
        text: str,
        cost: float,
        share: float,
        lead: tuple[Kind, Bus, tuple[int, ...], tuple[int, ...]] | None = None,
        *,
        correction: Correction | None = None,
        order: float = 0.0,
        gain: float | None = None,
        received_seen: bool | None = False,
    ) -> Mistake:
        """A mistake with its prior.

        Args:
            family: Which kind.
            text: What is wrong.
            cost: Of the ROM reads.
            share: Its share in the family.
            lead: Which leads carry what.
            correction: How it is undone.
            order: What the order of the addresses says against it.
            gain: How much it makes right, in nats; None: what it costs less than the words as they are.
            received_seen: The processor received the words seen, or those of the reference; None: the flow
                tells nothing, because the addresses are not right either.
        """
        if correction is None:
            gain = 0.0
        elif gain is None:
            gain = self.noise.wrong * self.rom.wrong_weight() - cost
        if lead is not None and (lead[1], lead[2][0], lead[2][-1]) in self.swapped:
            gain = np.inf
        cost += order + self.ram_cost + (0.0 if received_seen is None else self.acted.cost(received_seen))
        log_prior = float(np.log(SETUP_PRIOR * SHARES[family] * share))
        told = None
        if lead is not None:
            total = self.noise.wrong * self.rows.wrong_weight() - cost
            told = LeadFinding(*lead, -cost, total, self.noise.rate)
            text = told.say()
        where: Literal["clips", "machine file"] = "clips" if lead else "machine file"
        mistake = Mistake(family, where, text, log_prior, cost, 0.0, told, (), correction)
        if correction is not None and gain > CLEAR:
            self._undoable.append((gain, order, mistake))
        return mistake

    # Together with a fault --------------------------------------------------------------------------------

    def with_faults(self, best: float, acted_on: Callable[[Cycles, Verdicts], Acted | None]) -> list[Mistake]:
        """Mistakes that make much right, each together with a fault that explains what they leave wrong.

        Args:
            best: Score of the best explanation so far.
            acted_on: Tells on which words the processor acted, of cycles in which a mistake was undone.
        """
        found: list[Mistake] = []
        undone: Counter[str] = Counter()
        for _, order, mistake in sorted(self._undoable, key=lambda each: -each[0] - each[2].log_prior):
            place = "machine file" if mistake.lead is None else mistake.lead.bus
            undone[place] += 1
            if undone[place] > MOST_UNDONE:
                continue
            hope = mistake.log_prior - order + float(np.log(likeliest_family()))
            if mistake.cost - order <= PAIR_COST or hope < best - MARGIN or mistake.correction is None:
                continue
            left = weigh_corrected(
                mistake.correction, self.cycles, self.rows.memory_map, noise=self.noise.rate
            )
            # What is no longer judged is not explained but left open.
            lost = max(judged_weight(self.rows) - left.judged_weight, 0.0) * self.noise.open
            acted = acted_on(left.cycles, left.verdicts) or Acted()
            more = order + lost + acted.cost(received_seen=True)
            for each in left.findings.findings:
                if each.faults:
                    joint = replace(
                        mistake,
                        log_prior=mistake.log_prior + each.log_prior,
                        cost=each.cost + more,
                        faults=each.faults,
                    )
                    found.append(joint)
            best = max([best, *(each.score for each in found)])
        return found

    # Data leads ---------------------------------------------------------------------------------------

    def _at_data_leads(self) -> Iterator[Mistake]:
        table = _Leads.of(self.rom, self.noise)
        width, straight = self.width, float(np.diag(table.straight).sum())
        own = np.diag(table.straight)
        pairs = _pair_shares(width)
        buses = 3 if self.shared_bus else 2  # data, address, and both at once
        for (first, second), share in pairs.items():
            cost = straight - own[first] - own[second]
            cost += table.straight[first, second] + table.straight[second, first]
            lead: tuple[Kind, Bus, tuple[int, ...], tuple[int, ...]]
            lead = ("swapped", "data", (first, second), (second, first))
            correction = Correction(word=_exchanged(first, second))
            yield self._mistake("leads exchanged", "", cost, share / buses, lead, correction=correction)
        for bit in range(width):
            off = min(table.ones[bit], table.zeros[bit]) * self.noise.wrong
            wandering = self.noise.open * (table.ones[bit] + table.zeros[bit])
            cost = straight - own[bit] - float(np.logaddexp(-off, -wandering - np.log(4)))
            lead = ("unconnected", "data", (bit,), (-1,))
            yield self._mistake("lead off", "", cost, 0.5 / width, lead)
            cost = straight - own[bit] + table.inverted[bit, bit]
            lead = ("inverted", "data", (bit,), (bit,))
            correction = Correction(word_inverted=1 << bit)
            yield self._mistake("lead inverted", "", cost, 0.5 / width, lead, correction=correction)
            others = [other for other in range(width) if other != bit]
            twin = min(others, key=lambda other: table.straight[bit, other], default=bit)
            if twin != bit:
                cost = straight - own[bit] + table.straight[bit, twin]
                share = 0.5 / (width * (width - 1))
                yield self._mistake("lead doubled", "", cost, share, ("doubled", "data", (bit,), (twin,)))
        yield from self._mixed_up(table, straight)

    def _mixed_up(self, table: _Leads, straight: float) -> Iterator[Mistake]:
        """The best of all orders of the leads, where more than two are in other places."""
        from scipy.optimize import linear_sum_assignment  # here, not above: it is slow to load

        _, carried = linear_sum_assignment(table.straight)
        moved = tuple(lead for lead, bit in enumerate(carried.tolist()) if bit != lead)
        if len(moved) < 3:
            return
        cost = float(table.straight[np.arange(self.width), carried].sum())
        ways = comb(self.width, len(moved)) * _derangements(len(moved)) * (self.width - 2)
        carries = tuple(int(carried[lead]) for lead in moved)
        order = list(range(64))
        for lead, bit in zip(moved, carries, strict=True):
            order[bit] = lead
        yield self._mistake(
            "leads mixed up",
            "",
            cost,
            1 / ways,
            ("swapped", "data", moved, carries),
            correction=Correction(word=tuple(order)),
        )

    # Order and polarity of whole lanes ------------------------------------------------------------------

    def _reversed(self) -> Iterator[Mistake]:
        roms = self.rows.memory_map.roms
        whole = ("The data lines are named in the reverse order.", tuple(range(self.width))[::-1])
        orders = [whole]
        if self.width >= 16:
            swapped = tuple(range(8, self.width)) + tuple(range(8))
            orders.append(("The bytes of the word are exchanged.", swapped))
        share = 1 / (len(orders) + len(roms) + 1)
        for text, order in orders:
            cost = self._cost(self.rom.address, gather_bits(self.rom.seen, order), self._judged(order))
            yield self._mistake(
                "order reversed",
                text,
                float(cost @ self.rom.weight),
                share,
                correction=Correction(word=order),
                received_seen=True,
            )
        of_chips = {chip.name: self._lane_cost(chip, turned=True) for chip in roms}
        straight = {chip.name: self._lane_cost(chip) for chip in roms}
        yield from self._of_lanes(
            "order reversed", "are named in the reverse order", of_chips, straight, share
        )

    def _inverted(self) -> Iterator[Mistake]:
        roms = self.rows.memory_map.roms
        of_chips = {chip.name: self._lane_cost(chip, inverted=True) for chip in roms}
        straight = {chip.name: self._lane_cost(chip) for chip in roms}
        share = 1 / (len(roms) + 1)
        yield from self._of_lanes("lane inverted", "have the other polarity", of_chips, straight, share)

    def _of_lanes(
        self,
        family: Family,
        how: str,
        changed: dict[str, float],
        straight: dict[str, float],
        share: float,
    ) -> Iterator[Mistake]:
        """One chip's lane, or every chip's."""
        turned = family == "order reversed"
        total = sum(straight.values())
        for name, cost in changed.items():
            text = f"The outputs of {name} {how}."
            correction = Correction(chips=(name,), turned=turned)
            cost += total - straight[name]
            yield self._mistake(family, text, cost, share, correction=correction, received_seen=True)
        if len(changed) > 1:
            text = f"The outputs of every ROM {how}."
            correction, cost = Correction(chips=tuple(changed), turned=turned), sum(changed.values())
            yield self._mistake(family, text, cost, share, correction=correction, received_seen=True)

    def _lane_cost(self, chip: ChipMap, *, turned: bool = False, inverted: bool = False) -> float:
        """Cost of a chip's reads, its outputs named in the reverse order, or with the other polarity."""
        at = self.rom.at(chip)
        seen, judged = at.seen, at.judged
        expected, known = chip.contents, chip.known
        cell = at.lines % np.uint64(len(chip.contents))
        if turned:
            order = tuple(range(len(chip.lane)))[::-1]
            seen, judged = gather_bits(seen, order), gather_bits(judged, order)
        if inverted:
            seen = seen ^ np.uint64((1 << len(chip.lane)) - 1)
        clear = judged & known[cell]
        wrong = count_bits((seen ^ expected[cell]) & clear) * self.noise.wrong
        return float((wrong + count_bits(judged & ~clear) * self.noise.open) @ at.weight)

    # The moment -----------------------------------------------------------------------------------------

    def _at_another_moment(self) -> Iterator[Mistake]:
        share = 1 / (2 * MOST_LAG + 1)
        early = self.noise.wrong * count_bits((self.rom.seen ^ self.rom.held) & self.rom.judged)
        yield self._mistake(
            "wrong moment",
            "The words are taken before they are there: the recipe takes the wrong end of a strobe, or its "
            "polarity is turned round.",
            float(early @ self.rom.weight),
            share,
            received_seen=None,
        )
        for lag in (*range(-MOST_LAG, 0), *range(1, MOST_LAG + 1)):
            many = "cycle" if abs(lag) == 1 else "cycles"
            side = "after" if lag > 0 else "before"
            text = (
                f"Each word belongs to the address {abs(lag)} {many} {side} it: the recipe's clock or strobe "
                "is taken at the wrong end, or the columns are in another order."
            )
            yield self._mistake("wrong moment", text, self._lag_cost(lag), share, received_seen=None)

    def _lag_cost(self, lag: int) -> float:
        """Cost of the ROM reads when each word is compared at the address of so many cycles later."""
        cycles, memory_map = self.cycles.take(slice(0, MOST_READS)), self.rows.memory_map
        own, own_known = memory_map.expected(cycles.bank, cycles.address)
        reading = is_reading(cycles)
        place = np.clip(np.arange(len(cycles)) + lag, 0, max(len(cycles) - 1, 0))
        expected, known = own[place], np.where(reading[place], own_known[place], np.uint64(0))
        judged: Words = np.where(reading, own_known & cycles.known, np.uint64(0))
        clear: Words = judged & known
        wrong, open_ = count_bits((cycles.word ^ expected) & clear), count_bits(judged & ~clear)
        cost = wrong * self.noise.wrong + open_ * self.noise.open
        # Each observation counts as in the weighing of faults, however often it was made.
        rows = np.flatnonzero(judged)
        if not len(rows):
            return 0.0
        key = np.stack([cycles.address, cycles.word & judged, cycles.bank.astype(np.uint64)])[:, rows]
        _, which, times = np.unique(key, axis=1, return_inverse=True, return_counts=True)
        weight = np.minimum(times, MOST_WEIGHT) / times
        weight = weight * (self.rom.weight.sum() / (weight @ times))
        return float(cost[rows] @ weight[which.reshape(-1)])

    # Address leads --------------------------------------------------------------------------------------

    def _at_address_leads(self, best: float) -> Iterator[Mistake]:
        """Those that a sample of the reads does not refute."""
        wrong = self.rom.wrong != 0
        chosen = np.concatenate([spread(np.flatnonzero(which), SAMPLE) for which in (wrong, ~wrong)])
        sample = self.rom.take(chosen)
        refuted = []
        for family, share, lead, way in self._address_ways():
            least = self._way_cost(sample, way)
            least += min(self.ram_mixed_up - self.ram_cost, 0.0) if way.open >= 0 else 0.0
            rough = self._mistake(family, "", least, share, lead, received_seen=None)
            if rough.score < best - MARGIN - STEP * MOST_STEPS:
                if not self.together:
                    continue
                told = (lead[1], *lead[2]) in self.swapped
                gain = np.inf if told else self._gain(sample, way)
                if gain > CLEAR:
                    refuted.append((gain, family, share, lead, way))
                continue
            exact = self._at_address(family, share, lead, way)
            best = max(best, exact.score)
            yield exact
        # On their own they explain too little, but they may be there together with a fault.
        refuted.sort(key=lambda each: -each[0])
        for _, family, share, lead, way in refuted[:MOST_UNDONE]:
            yield self._at_address(family, share, lead, way)

    def _at_address(
        self,
        family: Family,
        share: float,
        lead: tuple[Kind, Bus, tuple[int, ...], tuple[int, ...]],
        way: _Way,
    ) -> Mistake:
        """A mistake at the address leads, weighed on all reads."""
        cost, correction = self._way_cost(self.rom, way), None
        if way.open >= 0:
            cost += self.ram_mixed_up - self.ram_cost
        else:
            correction = Correction(way.address, way.invert, way.address if way.word else None)
        return self._mistake(
            family,
            "",
            cost,
            share,
            lead,
            correction=correction,
            order=self._order_cost(way),
            gain=self._gain(self.rom, way) if self.together else 0.0,
            received_seen=None,
        )

    def _gain(self, rows: Rows, way: _Way) -> float:
        """Nats for the lanes that these leads make wholly right, less those that they make wrong.

        What is looked up where nothing is known is not right, however little it costs.
        """
        if way.open >= 0:
            return 0.0
        address, seen, judged = self._put_right(rows, way)
        expected, known = rows.memory_map.expected(rows.bank, address)
        off = (judged & ~known) | ((expected ^ seen) & judged)
        lanes = {mask_of(chip.lane) for chip in rows.memory_map.roms}
        more = np.zeros(len(rows))
        for lane in (np.uint64(each) for each in sorted(lanes)):
            more += (judged & lane != 0) & (off & lane == 0)
            more -= (rows.judged & lane != 0) & (rows.wrong & lane == 0)
        return self.noise.wrong * float((more * rows.weight).sum())

    def _address_ways(
        self,
    ) -> Iterator[tuple[Family, float, tuple[Kind, Bus, tuple[int, ...], tuple[int, ...]], _Way]]:
        lines = self.rows.memory_map.address_bits
        address = self.rom.address
        ones, zeros = int(np.bitwise_or.reduce(address)), int(np.bitwise_and.reduce(address))
        moving = ones & ~zeros
        buses = 3 if self.shared_bus else 2
        for (first, second), share in _pair_shares(lines).items():
            if not (moving >> first | moving >> second) & 1:
                continue
            pair, carries = (first, second), (second, first)
            way = _Way(_exchanged(first, second))
            yield "leads exchanged", share / buses, ("swapped", "address", pair, carries), way
            if self.shared_bus and second < self.width:
                lead: tuple[Kind, Bus, tuple[int, ...], tuple[int, ...]]
                lead = ("swapped", "data and address", pair, carries)
                yield "leads exchanged", share / buses, lead, replace(way, word=True)
        for line in range(lines):
            yield (
                "lead inverted",
                0.5 / lines,
                ("inverted", "address", (line,), (line,)),
                _Way(invert=1 << line),
            )
            if moving >> line & 1:
                twins = [other for other in range(lines) if other != line and _equal(address, line, other)]
                for twin in twins[:1]:
                    share = 0.5 / (lines * (lines - 1))
                    yield "lead doubled", share, ("doubled", "address", (line,), (twin,)), _Way(open=line)
            else:
                yield "lead off", 0.5 / lines, ("unconnected", "address", (line,), (-1,)), _Way(open=line)

    def _way_cost(self, rows: Rows, way: _Way) -> float:
        address, seen, judged = rows.address, rows.seen, rows.judged
        if way.open >= 0:
            line = np.uint64(1 << way.open)
            low, high = (self._cost(each, seen, judged, rows) for each in (address & ~line, address | line))
            either = np.log(2) - np.logaddexp(-low, -high)
            return float(either @ rows.weight)
        return float(self._cost(*self._put_right(rows, way), rows) @ rows.weight)

    @staticmethod
    def _put_right(rows: Rows, way: _Way) -> tuple[Words, Words, Words]:
        """Address, word seen and judged bits with the leads put right."""
        address, seen, judged = rows.address ^ np.uint64(way.invert), rows.seen, rows.judged
        if way.address is not None:
            address = gather_bits(address, way.address)
            if way.word:
                seen, judged = gather_bits(seen, way.address), gather_bits(judged, way.address)
        return address, seen, judged

    def _order_cost(self, way: _Way) -> float:
        """What the order of the addresses says against these leads; below 0 where it speaks for them."""
        if way.open >= 0:
            return 0.0  # the line itself is not known
        address = self._addresses ^ np.uint64(way.invert)
        if way.address is not None:
            address = gather_bits(address, way.address)
        return STEP * float(np.clip(self._steps - _next_reads(address), -MOST_STEPS, MOST_STEPS))

    def _judged(self, order: tuple[int, ...]) -> Words:
        return gather_bits(self.rom.judged, order)

    def _cost(self, address: Words, seen: Words, judged: Words, rows: Rows | None = None) -> Costs:
        """Cost of each ROM read at other addresses or with other words; bits of unknown contents are open."""
        bank = (self.rom if rows is None else rows).bank
        expected, known = self.rows.memory_map.expected(bank, address)
        clear = judged & known
        wrong = count_bits((expected ^ seen) & clear) * self.noise.wrong
        return np.asarray(wrong + count_bits(judged & ~clear) * self.noise.open, np.float64)


@dataclass(frozen=True)
class _Leads:
    """What it costs that a data lead carries a bit.

    Args:
        straight: ``float64 (leads, bits)``.
        inverted: The same, where the lead is inverted.
        ones: ``float64 (leads,)`` weight of the judged reads in which the lead is 1.
        zeros: The same for 0.
    """

    straight: Costs
    inverted: Costs
    ones: Costs
    zeros: Costs

    @staticmethod
    def of(rom: Rows, noise: Noise) -> _Leads:
        """From the reads of ROMs."""
        expected, known = rom.memory_map.expected(rom.bank, rom.address)
        bits = np.arange(rom.memory_map.word_bits, dtype=np.uint64)

        def spread_out(words: Words, chosen: Index | slice = slice(None)) -> Costs:
            return ((words[chosen, None] >> bits) & np.uint64(1)).astype(np.float64)

        lead, judged = spread_out(rom.seen), spread_out(rom.judged) * rom.weight[:, None]
        bit, given = spread_out(expected), spread_out(known)
        one, zero = lead * judged, (1 - lead) * judged
        high, low = bit * given, (1 - bit) * given
        same, other = one.T @ high + zero.T @ low, one.T @ low + zero.T @ high
        gaps = judged.T @ (1 - given) * noise.open
        return _Leads(
            other * noise.wrong + gaps, same * noise.wrong + gaps, one.sum(axis=0), zero.sum(axis=0)
        )


def _pair_shares(count: int) -> dict[tuple[int, int], float]:
    """Every two of so many leads with their share of the belief."""
    weights = {
        (one, two): NEIGHBOURS if two == one + 1 else 1.0 for one, two in combinations(range(count), 2)
    }
    total = sum(weights.values())
    return {pair: weight / total for pair, weight in weights.items()}


def _exchanged(first: int, second: int) -> tuple[int, ...]:
    """For each bit the lead that carries it, two of them exchanged."""
    order = list(range(64))
    order[first], order[second] = second, first
    return tuple(order)


def _derangements(count: int) -> int:
    """Orders of so many things in which none is in its place.

    >>> [_derangements(count) for count in range(5)]
    [1, 0, 1, 2, 9]
    """
    return sum((-1) ** k * (factorial(count) // factorial(k)) for k in range(count + 1))


def _swapped(findings: Findings, memory_map: MemoryMap) -> frozenset[tuple[Bus, int, int]]:
    """Lines that the best explanations say are swapped in the machine: the clips may be instead."""
    chips = {chip.name: chip for chip in memory_map.chips}
    found: set[tuple[Bus, int, int]] = set()
    for fault in (fault for finding in findings.ties for fault in finding.faults):
        if not isinstance(fault, WireFault) or fault.what != "swapped" or isinstance(fault, BankFault):
            continue
        lines = [int(fault.first), int(fault.second)]
        on_address = isinstance(fault, AddressFault | ChipAddressFault)
        if fault.part in chips:
            chip = chips[fault.part]
            own = chip.address_lines if on_address else chip.lane
            lines = [own[line] for line in lines]
        buses: tuple[Bus, ...] = ("address", "data and address") if on_address else ("data",)
        found |= {(bus, min(lines), max(lines)) for bus in buses}
    return frozenset(found)


def _next_reads(address: Words) -> int:
    """Number of reads at the next address: one or two on, whichever is usual."""
    ahead = address[1:] - address[:-1]
    return max(int(np.count_nonzero(ahead == np.uint64(step))) for step in (1, 2))


def _equal(address: Words, line: int, other: int) -> bool:
    return not (((address >> np.uint64(line)) ^ (address >> np.uint64(other))) & np.uint64(1)).any()


__all__ = ["SETUP_PRIOR", "SHARES", "Acted", "Mistake", "contenders", "weigh_together"]
