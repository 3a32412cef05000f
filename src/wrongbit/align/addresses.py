"""Addresses for captures that have none, or none that can be relied on.

A clip on one memory chip, clocked by its enable, shows words only. `recover_addresses` lines them up with
what the chip should hold (`wrongbit.align.hidden_flow`). `address_lag` tells whether a capture's addresses
belong to the cycle before or after.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wrongbit.align.hidden_flow import (
    ELSEWHERE_KNOWN,
    Emissions,
    Flow,
    Habits,
    Memory,
    Path,
    Words,
    confidence_of,
    learned,
    likeliest_path,
    memory_of,
)
from wrongbit.bits import count_bits, mask_of
from wrongbit.bus.cycles import Cycles
from wrongbit.compare.judge import is_reading
from wrongbit.compare.memory_map import ChipMap, MemoryMap

PIECE, FIRST_PIECES, PIECES = 1024, 4, 8
"""Learning looks at so many samples in a row, at so many places: a few to begin with, then more."""

LONGEST_HOLE = 256
"""So many unknown words in a row are kept in the memory that is walked; more are passed over. A choice."""

FEWEST_ELSEWHERE = 32
"""With fewer reads elsewhere than these no order is sought in them."""


@dataclass(frozen=True)
class Recovered:
    """The address of every sample.

    Args:
        address: ``int64 (n,)`` index into the reference.
        confidence: ``float32 (n,)`` posterior probability that it is right, by the words and the usual steps
            alone: what was learned about loops makes the path better, but counts for nothing here.
        elsewhere: ``bool (n,)`` a read apart from the run of the program, such as one of a table.
        wrong_bits: Bits that differ from the reference at these addresses, reads elsewhere left out.
        judged_bits: Bits that could differ.
        flow: The probabilities that were used.
        pace: Mean gain of a sample over words met by chance, in nats: the logarithm of the likelihood at the
            recovered address over that anywhere in the reference. Near 0 or below, nothing fits.
    """

    address: NDArray[np.int64]
    confidence: NDArray[np.float32]
    elsewhere: NDArray[np.bool_]
    wrong_bits: int
    judged_bits: int
    flow: Flow
    pace: float

    def __len__(self) -> int:
        return len(self.address)

    @property
    def fits(self) -> bool:
        """The words do come from this reference: judgement, no source."""
        return self.pace > 1.0 and self.wrong_bits < 0.15 * max(self.judged_bits, 1)

    @property
    def error_rate(self) -> float:
        """Share of wrong bits."""
        return self.wrong_bits / max(self.judged_bits, 1)


def recover_addresses(
    seen: Words, seen_known: Words, reference: Words, known: Words, width: int, *, noise: float | None = None
) -> Recovered:
    """The likeliest address of every sample of a capture that shows words only.

    First pieces of the capture teach how this program walks (how noisy the clip is, which jumps recur); then
    the whole of it is walked. Reads elsewhere are then lined up among themselves in the same way, as those of
    a table often follow each other.

    Args:
        seen: ``uint64 (n,)`` words in the order in which they were read.
        seen_known: ``uint64 (n,)`` a 1 for each bit that was seen.
        reference: ``uint64 (S,)`` what the chip should hold, in the order of its addresses.
        known: ``uint64 (S,)`` a 1 for each bit of it that is known.
        width: Bits in a word.
        noise: Probability that a bit is read wrong; left out: learned from the capture.
    """
    memory = memory_of(reference, known, width)
    if not len(seen):
        nothing = np.empty(0)
        return Recovered(
            nothing.astype(np.int64), nothing.astype(np.float32), nothing.astype(np.bool_), 0, 0, Flow(), 0.0
        )
    flow, habits = _learn(memory, seen, seen_known, noise)
    path = likeliest_path(memory, seen, seen_known, habits)
    confidence = confidence_of(path, memory, seen, seen_known, flow)
    address = path.address.copy()
    apart = np.flatnonzero(path.away)
    if len(apart) >= FEWEST_ELSEWHERE:
        place, sure = _line_up(memory, seen[apart], seen_known[apart], flow)
        address[apart] = place
        confidence[apart] *= sure
    elif len(apart):
        address[apart], sure = _nearest(memory, seen[apart], seen_known[apart], flow.noise)
        confidence[apart] *= sure
    judged = seen_known & memory.known[address]
    judged[apart] = 0
    wrong = count_bits((seen ^ memory.words[address]) & judged)
    return Recovered(
        address=address,
        confidence=confidence,
        elsewhere=path.away,
        wrong_bits=int(wrong.sum()),
        judged_bits=int(count_bits(judged).sum()),
        flow=flow,
        pace=_pace(memory, seen, seen_known, path, flow),
    )


def _learn(memory: Memory, seen: Words, seen_known: Words, noise: float | None) -> tuple[Flow, Habits]:
    flow: Flow | Habits = Flow() if noise is None else Flow(noise=noise)
    for count in (FIRST_PIECES, PIECES):
        last = max(len(seen) - PIECE, 0)
        starts = sorted({int(start) for start in np.linspace(0, last, count)})
        usual, flow = learned(
            memory, seen, seen_known, flow, [slice(start, start + PIECE) for start in starts]
        )
        if noise is not None:
            usual, flow = replace(usual, noise=noise), replace(flow, noise=noise)
    return usual, flow  # type: ignore[return-value]


def _line_up(
    memory: Memory, seen: Words, seen_known: Words, flow: Flow
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Reads elsewhere as a walk of their own: tables are read in order too."""
    usual = Flow(again=0.05, near=0.1, far=0.1, away=0.05, away_again=0.3, noise=flow.noise)
    path = likeliest_path(memory, seen, seen_known, usual)
    confidence = confidence_of(path, memory, seen, seen_known, usual)
    apart = np.flatnonzero(path.away)
    address = path.address.copy()
    if len(apart):
        address[apart], sure = _nearest(memory, seen[apart], seen_known[apart], flow.noise)
        confidence[apart] *= sure
    return address, confidence


def _nearest(
    memory: Memory, seen: Words, seen_known: Words, noise: float
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """For single reads: the likeliest address, and how sure it is.

    The read may as well be of another chip, which any word may come from: a word that is like one here is
    not yet from here.
    """
    emissions = Emissions(memory, seen, seen_known, noise)
    code = np.array(emissions.code, np.intp)
    address, sure = np.zeros(len(emissions.words), np.int64), np.zeros(len(emissions.words), np.float32)
    for number, anywhere in enumerate(emissions.elsewhere):
        likelihood = emissions.likelihood(number)
        best = int(likelihood.argmax())
        address[number] = best % memory.blocks * memory.block + best // memory.blocks
        sure[number] = ELSEWHERE_KNOWN * likelihood[best] / (len(memory) * anywhere)
    return address[code], sure[code]


def _pace(memory: Memory, seen: Words, seen_known: Words, path: Path, flow: Flow) -> float:
    """See `Recovered`; over a thousand samples at most."""
    rows = np.unique(np.linspace(0, len(seen) - 1, 1000).astype(np.intp))
    gain = 0.0
    right, wrong = np.log(1 - flow.noise), np.log(flow.noise)
    for row in rows[~path.away[rows]]:
        judged = seen_known[row] & memory.known
        apart = count_bits((memory.words ^ seen[row]) & judged).astype(np.float64)
        score = apart * wrong + (count_bits(judged) - apart) * right
        gain += float(score[path.address[row]] - np.log(np.mean(np.exp(score))))
    return gain / len(rows)


def recover_on_chip(
    chip: ChipMap, seen: Words, seen_known: Words, *, noise: float | None = None
) -> Recovered:
    """Addresses of words read at a chip's own outputs.

    Args:
        chip: The chip; `Recovered.address` is the address on its own lines.
        seen: ``uint64 (n,)`` words, output 0 in bit 0.
        seen_known: ``uint64 (n,)`` a 1 for each output that was seen.
        noise: Probability that a bit is read wrong; left out: learned from the capture.
    """
    return recover_addresses(seen, seen_known, chip.contents, chip.known, len(chip.lane), noise=noise)


def recover_on_bus(
    cycles: Cycles, memory_map: MemoryMap, *, noise: float | None = None
) -> tuple[Recovered, NDArray[np.intp], NDArray[np.int32], Words]:
    """Addresses of the reads of a whole bus whose addresses cannot be relied on.

    Reads of RAM and ports are reads elsewhere to it.

    Args:
        cycles: All cycles of one capture; their addresses are not looked at.
        memory_map: What should be there.
        noise: Probability that a bit is read wrong; left out: learned from the capture.

    Returns:
        What was recovered, for which rows of ``cycles``, and the bank and address of each.
    """
    bank, address = _word_places(memory_map)
    words, known = memory_map.expected(bank, address)
    use = np.flatnonzero(_walkable(bank, address, known != 0, memory_map.addresses_a_word))
    rows = np.flatnonzero(is_reading(cycles))
    if not len(use):
        rows = rows[:0]
        words, known, use = np.zeros(1, np.uint64), np.zeros(1, np.uint64), np.zeros(1, np.intp)
        bank, address = np.zeros(1, np.int32), np.zeros(1, np.uint64)
    found = recover_addresses(
        cycles.word[rows], cycles.known[rows], words[use], known[use], memory_map.word_bits, noise=noise
    )
    place = use[np.minimum(found.address, len(use) - 1)]
    return found, rows, bank[place], address[place]


def _word_places(memory_map: MemoryMap) -> tuple[NDArray[np.int32], Words]:
    """Bank and address of every word of the ROMs, each once, as they follow each other.

    Where addresses count bytes of a wider bus, a word is one step of the walk, not two halves of a step.
    """
    step = memory_map.addresses_a_word
    banks, addresses = [np.empty(0, np.int32)], [np.empty(0, np.uint64)]
    for region in dict.fromkeys(region for chip in memory_map.roms for region in chip.regions):
        first = region.base - region.base % step
        places = np.arange(first, region.base + region.size, step, dtype=np.uint64)
        addresses.append(places)
        banks.append(np.full(len(places), region.bank or 0, np.int32))
    bank, address = np.concatenate(banks), np.concatenate(addresses)
    # Chips beside or over each other answer at the same addresses.
    _, first_seen = np.unique(np.stack([bank.astype(np.uint64), address]), axis=1, return_index=True)
    return bank[first_seen], address[first_seen]


def _walkable(
    bank: NDArray[np.int32], address: Words, known: NDArray[np.bool_], step: int
) -> NDArray[np.bool_]:
    """Which words the walk may stand on: known ones, and holes between them that it may cross.

    Without its holes a torn listing would bring words beside each other that never followed each other, and
    a walk through a hole would be taken for one through the nearest words that are alike.
    """
    if not known.any():
        return known
    count = len(known)
    number = np.arange(count)
    begins = np.ones(count, np.bool_)
    begins[1:] = (known[1:] != known[:-1]) | (bank[1:] != bank[:-1]) | (np.diff(address) != np.uint64(step))
    run_from = np.maximum.accumulate(np.where(begins, number, 0))
    return np.asarray(known | (number - run_from < LONGEST_HOLE))


# -- addresses that belong to another cycle ----------------------------------------------------------------

MOST_LAG = 3
"""Cycles that an address may be early or late."""

FEWEST_JUDGED = 64
"""Fewer judged words than these decide nothing."""


@dataclass(frozen=True)
class Lag:
    """How well the words agree with the addresses of earlier or later cycles.

    Args:
        cycles: The words agree best with the address of the cycle this many later; 0: with their own.
        agree: For each lag from -`MOST_LAG` on, the share of judged words that agree in every bit.
        judged: Words that could be judged at the best lag.
    """

    cycles: int
    agree: tuple[float, ...]
    judged: int

    @property
    def own(self) -> float:
        """Share of words that agree with the address of their own cycle."""
        return self.agree[MOST_LAG]

    @property
    def best(self) -> float:
        """Share of words that agree at the best lag."""
        return self.agree[self.cycles + MOST_LAG]

    @property
    def shifted(self) -> bool:
        """The addresses clearly belong to other cycles: judgement, no source."""
        return bool(
            self.cycles and self.judged >= FEWEST_JUDGED and self.best > 0.5 and self.own < self.best - 0.3
        )

    def say(self) -> str:
        """What is found, in a sentence."""
        if not self.shifted:
            return (
                f"The addresses belong to their own words: {self.own:.0%} of those that can be judged agree."
            )
        many = abs(self.cycles)
        which = ("the next" if self.cycles > 0 else "the last") if many == 1 else f"{many}"
        side = "read" if many == 1 else "reads after" if self.cycles > 0 else "reads before"
        return (
            f"The addresses belong to other words: {self.best:.0%} of the words agree with the address of "
            f"{which} {side}, {self.own:.0%} with their own. The address is taken at the wrong moment: check "
            "the clock or the strobe of the recipe, and the order of the columns."
        )


def address_lag(cycles: Cycles, memory_map: MemoryMap) -> Lag:
    """Whether addresses belong to earlier or later cycles than their words.

    Only reading cycles are looked at, and lags are counted in them: other cycles have no say.

    Args:
        cycles: All cycles of one capture.
        memory_map: What should be there.
    """
    whole = np.uint64(mask_of(range(memory_map.address_bits)))
    reads = cycles.take(is_reading(cycles) & (cycles.address_known == whole))
    expected, known = memory_map.expected(reads.bank, reads.address)
    count = len(reads)
    agree, judged_words = [], []
    for lag in range(-MOST_LAG, MOST_LAG + 1):
        word = slice(max(0, -lag), max(0, count - max(0, lag)))
        from_ = slice(max(0, lag), max(0, count + min(0, lag)))
        judged = known[from_] & reads.known[word]
        rows = np.flatnonzero(judged)
        right = ((expected[from_] ^ reads.word[word]) & judged)[rows] == 0
        judged_words.append(len(rows))
        agree.append(float(right.mean()) if len(rows) else 0.0)
    # In favour of the own cycle, then of near ones.
    best = max(range(-MOST_LAG, MOST_LAG + 1), key=lambda lag: (agree[lag + MOST_LAG], -abs(lag)))
    return Lag(best, tuple(agree), judged_words[best + MOST_LAG])


__all__ = [
    "Lag",
    "Recovered",
    "address_lag",
    "recover_addresses",
    "recover_on_bus",
    "recover_on_chip",
]
