"""Which probe lead carries which bit: swapped, inverted, unconnected and doubled leads.

Words seen are compared with words expected bit by bit, each lead with every bit; the best one-to-one
assignment is that of scipy.optimize.linear_sum_assignment (Crouse, IEEE Trans. Aerosp. Electron. Syst. 52(4),
2016). Address leads show in another way: with two of them exchanged the reference is looked up in the wrong
place, so pairs are tried by looking it up with the lines exchanged back.

Costs are those of `wrongbit.faults.likelihood`, so that a mistake at the clips can be weighed against a fault
of the machine: the fall of the log likelihood below a perfect prediction, log((1-ε)/ε) for a wrong bit and
log(2(1-ε)) for one that is left open, with observations counted `MOST_WEIGHT` times at most.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_bits, gather_bits, mask_of
from wrongbit.bus.cycles import Cycles
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
    """

    kind: Kind
    bus: Bus
    leads: tuple[int, ...]
    carries: tuple[int, ...]
    log_likelihood: float
    gain: float
    noise: float

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
        return f"The lead {names} shows nothing of its bit: off its pin, or the line itself is stuck."

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

    def told(kind: Kind, leads: tuple[int, ...], carries: tuple[int, ...], cost: float) -> None:
        gain = float(sum(straight[lead, lead] for lead in leads)) - cost
        if gain > CLEAR:
            findings.append(LeadFinding(kind, "data", leads, carries, gain - total, gain, noise))

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
            else:
                told("unconnected", (lead,), (-1,), float(nothing[lead] - CLEAR / 2))
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
        if gain <= CLEAR:
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


__all__ = ["Agreement", "LeadFinding", "Observations", "agreement", "lead_findings", "observe"]
