"""Two faults at once, one of them at an output: a bad pin on a chip that is damaged as well.

A fault of one output hides what the others show. So each output in turn is left out: if what remains has one
plain explanation, that is the first fault, and the second is sought at the output alone. Other pairs are
weighed by `wrongbit.faults.posterior`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from wrongbit.bits import count_bits
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.faults.batch import spread
from wrongbit.faults.cellwise import CellwiseFault
from wrongbit.faults.evidence import Evidence
from wrongbit.faults.fault import BUS, Fault
from wrongbit.faults.likelihood import cost_of
from wrongbit.faults.lines import What
from wrongbit.faults.models import PAIR_PRIOR
from wrongbit.faults.models.wires import OutputFault
from wrongbit.faults.noise import Noise
from wrongbit.faults.posterior import weigh
from wrongbit.faults.rows import Rows

SECOND_PRIOR = 0.02
"""Belief in any one fault at a given output; the shares among them matter little beside what is read."""

PLAIN, SPARE = 0.05, 8
"""Share of the wrong bits, and number beside it, that a plain explanation may leave to single misreads."""

SHARE, MOST_OUTPUTS = 0.08, 4
"""An output is left out in turn only if it has such a share of all wrong bits, and so many outputs at most: a
bad pin spoils much."""

MOST_WRONG, MOST_RIGHT = 1024, 512
"""Observations with a wrong bit elsewhere, and without, on which the first fault is sought."""


@dataclass(frozen=True)
class Pair:
    """Two faults with their cost.

    Args:
        faults: The first and the second.
        log_prior: Log of the prior, on the scale of single faults.
        nats: Cost on all rows.
    """

    faults: tuple[Fault, ...]
    log_prior: float
    nats: float


Own = Callable[[Rows], Sequence[tuple[Fault, float]]]
"""The reader's own faults that explain rows best, with the log of their prior."""


def pairs_with_an_output(
    evidence: Evidence, rows: Rows, memory_map: MemoryMap, own: Own, noise: Noise
) -> list[Pair]:
    """Pairs of which one fault is at an output.

    Args:
        evidence: All observations.
        rows: The same, made ready for costs.
        memory_map: The chip alone in a reader.
        own: Lists the reader's own faults.
        noise: The noise rate.
    """
    chip = memory_map.chips[0]
    bits = [np.uint64(1 << output) for output in range(len(chip.lane))]
    wrong = [int(np.count_nonzero(rows.wrong & bit)) for bit in bits]
    order = np.argsort([-count for count in wrong], kind="stable")[:MOST_OUTPUTS]
    found: dict[tuple[Fault, ...], Pair] = {}
    for output in (int(each) for each in order if wrong[each] >= SHARE * max(sum(wrong), 1)):
        rest = _without(evidence, bits[output])
        for first, log_prior in _firsts(rest, memory_map, own, noise):
            for second in _seconds(chip, output):
                cost = cost_of([first, second], rows, noise)
                prior = (
                    float(np.log(2 * PAIR_PRIOR)) + log_prior + float(np.log(SECOND_PRIOR / len(chip.lane)))
                )
                found[cost.faults] = Pair(cost.faults, prior, cost.nats)
    return sorted(found.values(), key=lambda pair: pair.nats - pair.log_prior)[:8]


def _without(evidence: Evidence, bit: np.uint64) -> Evidence:
    """A part of the observations, without one output."""
    judged = evidence.judged & ~bit
    wrong = ((evidence.expected ^ evidence.seen) & judged) != 0
    bad, good = np.flatnonzero(wrong), np.flatnonzero(~wrong & (judged != 0))
    keep = np.sort(np.concatenate([spread(bad, MOST_WRONG), spread(good, MOST_RIGHT)]))
    return Evidence(
        evidence.bank[keep],
        evidence.address[keep],
        evidence.held[keep],
        evidence.expected[keep] & ~bit,
        judged[keep],
        evidence.seen[keep] & ~bit,
        evidence.from_rom[keep],
        evidence.count[keep],
        evidence.first[keep],
    )


def _firsts(
    evidence: Evidence, memory_map: MemoryMap, own: Own, noise: Noise
) -> Iterator[tuple[Fault, float]]:
    """Plain explanations of what remains, with the log of their prior."""
    rows = Rows.of(evidence, memory_map)
    wrong = int(count_bits(rows.wrong).sum())
    if not wrong:
        return
    findings = weigh(evidence, memory_map, noise=noise.rate, pairs=False)
    best = -findings.best.score
    for finding in findings.ties:
        (fault,) = finding.faults if len(finding.faults) == 1 else (None,)
        if fault is None or fault.part == BUS or isinstance(fault, CellwiseFault):
            continue
        if finding.unexplained <= PLAIN * wrong + SPARE:
            yield replace(fault, rate=1.0) if fault.rate >= 1 else fault, finding.log_prior
    for fault, log_prior in own(rows):
        if cost_of([fault], rows, noise).nats - log_prior < best:
            yield fault, log_prior


def _seconds(chip: ChipMap, output: int) -> Iterator[Fault]:
    """What may be wrong at one output."""
    names = tuple(f"D{number}" for number in range(len(chip.lane)))
    singles: tuple[What, ...] = ("stuck at 0", "stuck at 1", "open")
    doubles: tuple[What, ...] = ("low wins", "high wins")
    for what in singles:
        yield OutputFault(chip.name, what, output, -1, names)
    for what in doubles:
        for other in (output - 1, output + 1):
            if 0 <= other < len(chip.lane):
                yield OutputFault(chip.name, what, min(output, other), max(output, other), names)
