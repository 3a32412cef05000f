"""Which probe lead carries which bit: swapped, inverted, unconnected and doubled leads.

Words seen are compared with words expected bit by bit, each lead with every bit; the best one-to-one
assignment is that of scipy.optimize.linear_sum_assignment (Crouse, IEEE Trans. Aerosp. Electron. Syst. 52(4),
2016). Address leads show in another way: with two of them exchanged the reference is looked up in the wrong
place, so pairs are tried by looking it up with the lines exchanged back.

Costs are those of `wrongbit.faults.likelihood`, so that a mistake at the clips can be weighed against a fault
of the machine: the fall of the log likelihood below a perfect prediction, log((1-ε)/ε) for a wrong bit and
log(2(1-ε)) for one that is left open, with observations counted `MOST_WEIGHT` times at most.

A lead that is off its pin says nothing of its bit, whichever chip is read: a floating one is wrong in about
half of all reads, a held one wherever the other level is due. That a line is often wrong is therefore not
enough: before a lead is called dead, its reads are looked at chip by chip and level by level. Where another
chip's words come through it, or its own do far more often than chance would have it, it is connected, and
what is wrong lies in the machine (`one_chip_lines` tells with which chip).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_bits, gather_bits, mask_of
from wrongbit.bus.cycles import Cycles
from wrongbit.compare.chance import all_on_one_side
from wrongbit.compare.judge import is_reading
from wrongbit.compare.memory_map import MemoryMap

Words = NDArray[np.uint64]
Costs = NDArray[np.float64]
Kind = Literal["swapped", "inverted", "unconnected", "doubled"]
Bus = Literal["data", "address", "data and address"]

MOST_WEIGHT = 8
"""An observation counts so often at most, as in the faults room."""

MOST_ROWS = 20_000
"""Different observations that are looked at."""

CLEAR = 15.0
"""Nats by which leads must explain more before they are suspected; pairs of 16 leads cost 5. A choice."""

NOBODY = 3.0
"""Nats that a read costs at whose address no chip answers: programs seldom do that. A choice."""

MOST_MISTAKES = 6
"""Mistakes at the address clips that are sought one after the other."""

FOLLOWING = np.array([0.0, 0.1, 0.2])
"""Share of the reads in which a lead that is off may still follow its line, by what leaks from pin to pin and
along the neighbouring leads. Bench judgement, no source."""

LEVELS = np.linspace(0.005, 0.995, 100)
"""Shares of ones of a lead that nothing drives, tried one by one."""

FEW = 16.0
"""Weight of judged reads below which nothing is said of a chip. A choice."""

RARE = 0.001
"""Probability that chance alone makes a line look wrong with one chip only, below which it is told."""


@dataclass(frozen=True)
class LeadFinding:
    """A mistake at the clips.

    Args:
        kind: What is wrong.
        bus: On which leads.
        leads: Bits as which the capture names the leads concerned.
        carries: For each of them the bit that it really carries; -1: none.
        log_likelihood: Of all observations with this mistake alone: minus the cost in nats. Without any
            mistake it is that of the wrong bits, as in the faults room.
        gain: How much more likely this makes the observations, in nats.
        noise: The noise rate in both.
        chips: For an unconnected data lead, the chips whose words could be judged on it. One alone may as
            well have a dead output.
    """

    kind: Kind
    bus: Bus
    leads: tuple[int, ...]
    carries: tuple[int, ...]
    log_likelihood: float
    gain: float
    noise: float
    chips: tuple[str, ...] = ()

    def _names(self, bits: tuple[int, ...]) -> str:
        stem = {"data": "D", "address": "A", "data and address": "AD"}[self.bus]
        told = [f"{stem}{bit}" for bit in bits]
        return " and ".join([", ".join(told[:-1]), told[-1]] if len(told) > 1 else told)

    def say(self) -> str:
        """What is wrong, in a sentence."""
        names = self._names(self.leads)
        if self.kind == "swapped" and len(self.leads) == 2:
            return f"The leads {names} are exchanged."
        if self.kind == "swapped":
            pairs = ", ".join(
                f"{self._names((lead,))} carries {self._names((bit,))}"
                for lead, bit in zip(self.leads, self.carries, strict=True)
            )
            return f"The leads are mixed up: {pairs}."
        if self.kind == "inverted":
            moved = "" if self.carries == self.leads else f" and carries {self._names(self.carries)}"
            return f"The lead {names} is inverted{moved}: a polarity in the machine file, or an inverter."
        if self.kind == "doubled":
            return f"The lead {names} shows the same as {self._names(self.carries)}."
        told = f"The lead {names} shows nothing of its bit: off its pin, or the line itself is stuck."
        if len(self.chips) == 1:
            told += (
                f" Only words of {self.chips[0]} could be judged on it: a dead output of {self.chips[0]} "
                "would look the same."
            )
        elif self.chips:
            told += f" It is so with every chip on it: {', '.join(self.chips)}."
        return told

    def advice(self) -> str:
        """What to check, and what would tell it from a fault of the machine."""
        return (
            "Check your clips before the machine. If the program runs on as the reference says (wrongbit "
            "explain tells), the processor received the right words and only the probe sees wrong ones; if "
            "it goes astray on the words that were seen, the lead is innocent."
        )


@dataclass(frozen=True)
class Observations:
    """Different reads with what the reference says.

    Args:
        bank: ``int32 (m,)``.
        address: ``uint64 (m,)`` as captured.
        word: ``uint64 (m,)`` as captured.
        known: ``uint64 (m,)`` bits that were seen.
        weight: ``float64 (m,)`` how often it counts.
        memory_map: The chips.
    """

    bank: NDArray[np.int32]
    address: Words
    word: Words
    known: Words
    weight: Costs
    memory_map: MemoryMap

    def __len__(self) -> int:
        return len(self.address)

    @property
    def width(self) -> int:
        """Bits in a word."""
        return self.memory_map.word_bits


def observe(cycles: Cycles, memory_map: MemoryMap) -> Observations:
    """The different reads of a capture whose whole address was seen, in the order in which they were made."""
    import polars  # here, not above: it is slow to load

    whole = np.uint64(mask_of(range(memory_map.address_bits)))
    rows = np.flatnonzero(is_reading(cycles) & (cycles.address_known == whole) & (cycles.bank >= 0))
    names = ("bank", "address", "word", "known")
    table = polars.DataFrame({name: getattr(cycles, name)[rows] for name in names})
    groups = table.group_by(names, maintain_order=True).len().head(MOST_ROWS)
    weight = np.minimum(groups["len"].to_numpy(), MOST_WEIGHT).astype(np.float64)
    bank, address, word, known = (groups[name].to_numpy() for name in names)
    return Observations(bank, address, word, known, weight, memory_map)


# -- data leads --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Agreement:
    """How each lead agrees with each bit.

    Args:
        same: ``float64 (leads, bits)`` weight of the reads in which lead and expected bit are equal.
        other: The same, where they differ.
        ones: ``float64 (leads,)`` weight of the judged reads in which the lead is 1.
        judged: ``float64 (leads,)`` weight of all of these.
    """

    same: Costs
    other: Costs
    ones: Costs
    judged: Costs


def agreement(observations: Observations) -> Agreement:
    """Count the agreement of every data lead with every expected bit."""
    expected, given = observations.memory_map.expected(observations.bank, observations.address)
    bits = np.arange(observations.width, dtype=np.uint64)

    def spread(words: Words) -> Costs:
        return ((words[:, None] >> bits) & np.uint64(1)).astype(np.float64)

    # Only reads of which every bit of the lane has an expectation tell leads apart fairly.
    rows = np.flatnonzero(given)
    lead, seen = spread(observations.word[rows]), spread(observations.known[rows])
    bit, known = spread(expected[rows]), spread(given[rows])
    weight = observations.weight[rows, None]
    one, zero = lead * seen * weight, (1 - lead) * seen * weight
    high, low = bit * known, (1 - bit) * known
    return Agreement(
        same=one.T @ high + zero.T @ low,
        other=one.T @ low + zero.T @ high,
        ones=(one * (known.sum(axis=1, keepdims=True) > 0)).sum(axis=0),
        judged=(seen * weight).sum(axis=0),
    )


@dataclass(frozen=True)
class ChipReads:
    """What one data lead shows while one chip is read.

    Args:
        chip: The chip.
        ones: Weight of the reads in which a 0 and in which a 1 was due, the lead being 1.
        zeros: The same, the lead being 0.
    """

    chip: str
    ones: tuple[float, float]
    zeros: tuple[float, float]

    @property
    def judged(self) -> float:
        """Weight of all of them."""
        return sum(self.ones) + sum(self.zeros)

    @property
    def wrong(self) -> float:
        """Weight of those in which the lead differs."""
        return self.ones[0] + self.zeros[1]

    def floating(self) -> float:
        """Nats that these reads cost a lead that floats: the same share of ones whatever is due.

        The share is fitted, for which half the logarithm of the number of reads is paid (G. Schwarz, Annals
        of Statistics 6 (1978) 461-464), as in `driven`.
        """
        follows = FOLLOWING[:, None]
        level = (1 - follows) * LEVELS
        cost = -self.ones[0] * np.log(level) - self.zeros[0] * np.log1p(-level)
        cost = cost - self.ones[1] * np.log(follows + level)
        cost = cost - self.zeros[1] * np.log1p(-follows - level)
        return float(cost.min()) + 0.5 * float(np.log(max(self.judged, 1.0)))

    def held(self, level: int, noise: float) -> float:
        """Nats that they cost a lead that is off and held at a level."""
        astray = sum(self.zeros if level else self.ones)
        return -astray * float(np.log(noise)) - (self.judged - astray) * float(np.log1p(-noise))

    def driven(self, noise: float) -> float:
        """Nats that they cost a lead that is connected.

        It is right but for noise, or a fault of the machine makes it wrong in some share of the reads of a 0
        and in some other share of those of a 1.
        """
        right = -self.wrong * float(np.log(noise)) - (self.judged - self.wrong) * float(np.log1p(-noise))
        fault = 0.0
        for ones, zeros in zip(self.ones, self.zeros, strict=True):
            count = ones + zeros
            for some in (ones, zeros):
                fault -= some * float(np.log(some / count)) if some else 0.0
            fault += 0.5 * float(np.log(max(count, 1.0)))
        return min(right, fault)


def reads_by_chip(observations: Observations) -> tuple[tuple[ChipReads, ...], ...]:
    """For each data lead what it shows of each chip that feeds its bit, where anything could be judged."""
    expected, given = observations.memory_map.expected(observations.bank, observations.address)
    found: list[list[ChipReads]] = [[] for _ in range(observations.width)]
    for chip in observations.memory_map.chips:
        rows = np.flatnonzero(chip.selected(observations.bank, observations.address))
        judged, weight = given[rows] & observations.known[rows], observations.weight[rows]
        seen, due = observations.word[rows], expected[rows]
        for bit in chip.lane:
            of_bit = judged & np.uint64(1 << bit)
            counts = [
                float(weight[(level & other & of_bit) != 0].sum())
                for level in (seen, ~seen)
                for other in (~due, due)
            ]
            reads = ChipReads(chip.name, (counts[0], counts[1]), (counts[2], counts[3]))
            if reads.judged:
                found[bit].append(reads)
    return tuple(tuple(each) for each in found)


def is_off(reads: Sequence[ChipReads], noise: float) -> bool:
    """Whether a lead says nothing of its bit, whichever chip is read: it floats, or is held at a level.

    The two levels have a quarter of the belief each, as in `wrongbit.diagnose.setup`.
    """
    floating = sum(each.floating() for each in reads)
    held = min(sum(each.held(level, noise) for each in reads) for level in (0, 1)) + float(np.log(4))
    return min(floating, held) <= sum(each.driven(noise) for each in reads)


@dataclass(frozen=True)
class OneChipLine:
    """A data line that is wrong while one chip is read and right while others are.

    Args:
        bit: The line.
        chip: The chip.
        wrong: Different reads of it in which the line is wrong.
        judged: Different reads of it.
        others: The other chips.
        others_judged: Different reads of these.
    """

    bit: int
    chip: str
    wrong: int
    judged: int
    others: tuple[str, ...]
    others_judged: int

    def say(self) -> str:
        """What that means for the clips, in a sentence."""
        return _say_lines((self,))


def say_one_chip_lines(lines: Sequence[OneChipLine]) -> list[str]:
    """The same of several lines, those of one chip in one sentence."""
    chips = dict.fromkeys((line.chip, line.others) for line in lines)
    return [_say_lines([line for line in lines if (line.chip, line.others) == each]) for each in chips]


def _say_lines(lines: Sequence[OneChipLine]) -> str:
    first, many = lines[0], len(lines) > 1
    ends = dict.fromkeys((min(line.wrong for line in lines), max(line.wrong for line in lines)))
    wrong = " to ".join(str(count) for count in ends)
    return (
        f"{', '.join(f'D{line.bit}' for line in lines)} {'are' if many else 'is'} wrong in {wrong} of "
        f"{first.judged} reads of {first.chip} and right in all {first.others_judged} of "
        f"{' and '.join(first.others)}: {'their leads are' if many else 'its lead is'} connected. "
        f"Look at {first.chip}, its socket and its address lines."
    )


def one_chip_lines(observations: Observations) -> tuple[OneChipLine, ...]:
    """Data lines on which only one chip's words are wrong, where chance would hardly have it so.

    With so many wrong reads spread by lot over all reads, the probability that all of them are the one chip's
    is hypergeometric (R. A. Fisher's exact test); it is told where that, times the lines and chips that were
    looked at, stays below `RARE`. Each different read counts once.
    """
    once = replace(observations, weight=np.ones(len(observations)))
    table = reads_by_chip(once)
    looked_at = sum(len(each) for each in table if len(each) > 1)
    found = []
    for bit, reads in enumerate(table):
        bad = [each for each in reads if each.wrong]
        others = [each for each in reads if not each.wrong]
        if len(bad) != 1 or not others:
            continue
        (own,) = bad
        besides = int(sum(each.judged for each in others))
        wrong, judged = int(own.wrong), int(own.judged)
        if all_on_one_side(wrong, judged, besides) * looked_at < RARE:
            names = tuple(each.chip for each in others)
            found.append(OneChipLine(bit, own.chip, wrong, judged, names, besides))
    return tuple(found)


def data_lead_findings(observations: Observations, noise: float) -> list[LeadFinding]:
    """Mistakes at the data clips.

    Args:
        observations: From `observe`.
        noise: Probability that a bit is read wrong for no other reason.
    """
    from scipy.optimize import linear_sum_assignment  # here, not above: it is slow to load

    table = agreement(observations)
    wrong, open_ = np.log1p(-noise) - np.log(noise), np.log(2) + np.log1p(-noise)
    straight, inverted = table.other * wrong, table.same * wrong
    width = observations.width
    total = float(np.diag(straight).sum())
    nothing = (np.diag(table.same) + np.diag(table.other)) * open_
    # A lead that never moves is better described as constant than as anything at all.
    still = np.minimum(table.ones, table.judged - table.ones) * wrong
    nothing = np.minimum(nothing, still) + CLEAR / 2
    either = np.minimum(straight, inverted + CLEAR / 2)
    either[~np.eye(width, dtype=bool)] += CLEAR / 4
    loose = np.full((width, width), 1e12)
    np.fill_diagonal(loose, nothing)
    _, column = linear_sum_assignment(np.hstack([either, loose]))
    findings = []

    by_chip = reads_by_chip(observations)

    def told(
        kind: Kind,
        leads: tuple[int, ...],
        carries: tuple[int, ...],
        cost: float,
        chips: tuple[str, ...] = (),
    ) -> None:
        gain = float(sum(straight[lead, lead] for lead in leads)) - cost
        if gain > CLEAR:
            findings.append(LeadFinding(kind, "data", leads, carries, gain - total, gain, noise, chips))

    moved = {lead: int(bit) for lead, bit in enumerate(column) if bit < width and bit != lead}
    for ring in _rings(moved):
        carries = tuple(moved[lead] for lead in ring)
        told("swapped", ring, carries, float(sum(straight[pair] for pair in zip(ring, carries, strict=True))))
    for lead, bit in enumerate(column):
        if bit < width and inverted[lead, bit] + CLEAR < straight[lead, bit]:
            told("inverted", (lead,), (int(bit),), float(inverted[lead, bit]))
        elif bit >= width:
            doubled = int(straight[lead].argmin())
            if doubled != lead and straight[lead, doubled] + CLEAR < nothing[lead]:
                told("doubled", (lead,), (doubled,), float(straight[lead, doubled]))
            elif is_off(by_chip[lead], noise):
                chips = tuple(each.chip for each in by_chip[lead] if each.judged >= FEW)
                told("unconnected", (lead,), (-1,), float(nothing[lead] - CLEAR / 2), chips)
    return findings


def _rings(moved: dict[int, int]) -> Iterator[tuple[int, ...]]:
    """Leads that carry one another's bits, ring by ring; a chain that does not close counts as one too."""
    left = dict(moved)
    while left:
        ring = [min(left)]
        while (following := left.pop(ring[-1], None)) is not None and following in left:
            ring.append(following)
        yield tuple(ring)


# -- address leads -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Mistake:
    kind: Kind
    bus: Bus
    leads: tuple[int, ...]
    carries: tuple[int, ...]


def address_lead_findings(observations: Observations, noise: float) -> list[LeadFinding]:
    """Mistakes at the address clips, or at those of a bus that carries both address and word.

    One after the other, the one that explains most first, until none explains enough.

    Args:
        observations: From `observe`.
        noise: Probability that a bit is read wrong for no other reason.
    """
    findings: list[LeadFinding] = []
    address, word, known = observations.address, observations.word, observations.known
    now = _cost(observations, address, word, known, noise)
    total = _judged_cost(observations, noise)
    for _ in range(MOST_MISTAKES):
        tried = [
            (
                _summed(_cost_of(mistake, observations, address, word, known, noise), observations),
                mistake,
            )
            for mistake in _mistakes(observations, address)
        ]
        if not tried:
            break
        best, mistake = min(tried, key=lambda each: each[0])
        gain = _summed(now, observations) - best
        if gain <= CLEAR or not _puts_right(mistake, observations, address, word, known):
            break
        findings.append(
            LeadFinding(mistake.kind, mistake.bus, mistake.leads, mistake.carries, gain - total, gain, noise)
        )
        if mistake.kind not in ("swapped", "inverted"):
            break  # what such a lead hides cannot be put right
        address, word, known = _put_right(mistake, address, word, known)
        now = _cost(observations, address, word, known, noise)
    return findings


def _summed(costs: Costs, observations: Observations) -> float:
    """Cost of all reads.

    A product of vectors would wake the threads of the linear algebra library, which on a busy machine takes a
    hundred times as long as the sum.
    """
    return float((costs * observations.weight).sum())


def _mistakes(observations: Observations, address: Words) -> Iterator[_Mistake]:
    """All single mistakes."""
    lines = range(observations.memory_map.address_bits)
    moving = [line for line in lines if len(np.unique(address >> np.uint64(line) & np.uint64(1))) > 1]
    for first, second in combinations(lines, 2):
        if first not in moving and second not in moving:
            continue
        yield _Mistake("swapped", "address", (first, second), (second, first))
        if second < observations.width:
            yield _Mistake("swapped", "data and address", (first, second), (second, first))
    for line in lines:
        yield _Mistake("inverted", "address", (line,), (line,))
        twin = next((other for other in lines if other != line and _equal(address, line, other)), None)
        if line in moving and twin is not None:
            yield _Mistake("doubled", "address", (line,), (twin,))
        elif line not in moving:
            yield _Mistake("unconnected", "address", (line,), (-1,))


def _equal(address: Words, line: int, other: int) -> bool:
    return not (((address >> np.uint64(line)) ^ (address >> np.uint64(other))) & np.uint64(1)).any()


def _cost_of(
    mistake: _Mistake, observations: Observations, address: Words, word: Words, known: Words, noise: float
) -> Costs:
    if mistake.kind in ("swapped", "inverted"):
        return _cost(observations, *_put_right(mistake, address, word, known), noise)
    # The line's true level is not known: it may have been either.
    line = np.uint64(1 << mistake.leads[0])
    low = _cost(observations, address & ~line, word, known, noise)
    high = _cost(observations, address | line, word, known, noise)
    return np.asarray(np.log(2) - np.logaddexp(-low, -high))


def _puts_right(
    mistake: _Mistake, observations: Observations, address: Words, word: Words, known: Words
) -> bool:
    """A line that was not seen puts most reads right that are wrong now, and does not only excuse them.

    It sends a wrong word to either of two addresses. Where no chip answers at the other one, nothing speaks
    against it, so that a dead lead of an address line that the program never moves would excuse any fault of
    the machine.
    """
    if mistake.kind in ("swapped", "inverted"):
        return True
    other = address ^ np.uint64(1 << mistake.leads[0])
    wrong = _judged_wrong(observations, address, word, known) > 0
    given = observations.memory_map.expected(observations.bank, other)[1]
    right = ((given & known) == known) & (_judged_wrong(observations, other, word, known) == 0)
    weight = observations.weight
    return bool((weight * (wrong & right)).sum() * 2 > (weight * wrong).sum())


def _judged_wrong(observations: Observations, address: Words, word: Words, known: Words) -> NDArray[np.int64]:
    """Wrong bits of each read among those that have an expectation and were seen."""
    expected, given = observations.memory_map.expected(observations.bank, address)
    return np.asarray(count_bits((expected ^ word) & given & known), np.int64)


def _put_right(mistake: _Mistake, address: Words, word: Words, known: Words) -> tuple[Words, Words, Words]:
    """Address, word and known bits without a mistake."""
    if mistake.kind == "inverted":
        return address ^ np.uint64(1 << mistake.leads[0]), word, known
    order = list(range(64))
    for lead, bit in zip(mistake.leads, mistake.carries, strict=True):
        order[bit] = lead
    address = gather_bits(address, order)
    if mistake.bus == "address":
        return address, word, known
    return address, gather_bits(word, order), gather_bits(known, order)


def _cost(observations: Observations, address: Words, word: Words, known: Words, noise: float) -> Costs:
    """Cost of each read, bits without an expectation counting as open."""
    expected, given = observations.memory_map.expected(observations.bank, address)
    judged = given & known
    wrong = count_bits((expected ^ word) & judged).astype(np.float64)
    open_ = count_bits(known & ~judged).astype(np.float64)
    nobody = np.ones(len(address), np.bool_)
    for chip in observations.memory_map.chips:
        nobody &= ~chip.selected(observations.bank, address)
    return np.asarray(
        wrong * (np.log1p(-noise) - np.log(noise)) + open_ * (np.log(2) + np.log1p(-noise)) + nobody * NOBODY
    )


def _judged_cost(observations: Observations, noise: float) -> float:
    """Cost of the wrong bits as they were captured."""
    expected, given = observations.memory_map.expected(observations.bank, observations.address)
    wrong = count_bits((expected ^ observations.word) & given & observations.known)
    return float((np.log1p(-noise) - np.log(noise)) * (wrong @ observations.weight))


# -- together ----------------------------------------------------------------------------------------------


def lead_findings(cycles: Cycles, memory_map: MemoryMap, *, noise: float = 1e-4) -> list[LeadFinding]:
    """Every mistake at the clips that explains clearly more than none, the strongest first.

    A stuck or inverted line of the machine looks the same from here: `LeadFinding.advice` says what tells
    them apart, and `LeadFinding.log_likelihood` lets both be weighed.

    Args:
        cycles: All cycles of one capture.
        memory_map: What should be there.
        noise: Probability that a bit is read wrong for no other reason.

    Raises:
        ValueError: The noise rate is not above 0 and below ½.
    """
    if not 0 < noise < 0.5:
        raise ValueError(f"the noise rate is {noise}, more than 0 and less than 0.5 expected")
    observations = observe(cycles, memory_map)
    if not len(observations):
        return []
    on_address = address_lead_findings(observations, noise)
    on_data = data_lead_findings(observations, noise)
    # Words looked up in the wrong place agree with nothing: only the stronger of the two readings is told.
    # An exchange of data leads can also be said in two mistakes of others: the shorter story is told.
    chosen = max((on_data, on_address), key=lambda each: sum(finding.gain - 2 * CLEAR for finding in each))
    return sorted(chosen, key=lambda finding: -finding.gain)


__all__ = [
    "Agreement",
    "ChipReads",
    "LeadFinding",
    "Observations",
    "OneChipLine",
    "agreement",
    "is_off",
    "lead_findings",
    "observe",
    "one_chip_lines",
    "reads_by_chip",
    "say_one_chip_lines",
]
