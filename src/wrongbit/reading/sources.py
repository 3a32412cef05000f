"""What each source says of a chip's bits, and how sure that makes one of them.

A source gives log odds, positive for a 1. Passes in one reader share the reader, and all that comes out of
one chip shares the chip: such a common cause bounds what any number of passes can prove (`through`). Sources
of different origin are independent, so that their log odds add up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import mask_of
from wrongbit.bus.cycles import UNSETTLED, Cycles
from wrongbit.compare.judge import is_reading
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.image.contents import Contents
from wrongbit.reading.readings import Reading
from wrongbit.reading.stack import READ_NOISE, posterior_of_one

Odds = NDArray[np.float32]
Words = NDArray[np.uint64]
Kind = Literal["reading", "bus", "twin", "listing", "reference"]

READING, BUS_SEEN, TWIN, LISTING, CHECKSUM, PARTNER = 1, 2, 4, 8, 16, 32
"""Bits of a provenance code."""

CODES: dict[int, str] = {
    READING: "reading",
    BUS_SEEN: "bus",
    TWIN: "twin",
    LISTING: "listing",
    CHECKSUM: "checksum",
    PARTNER: "partner",
}
"""Their names; ``partner`` is a bit concluded from the other one of a bridged pair."""

_KIND_CODE: dict[Kind, int] = {
    "reading": READING,
    "bus": BUS_SEEN,
    "twin": TWIN,
    "listing": LISTING,
    "reference": LISTING,
}


@dataclass(frozen=True)
class ErrorRates:
    """Probabilities that a bit is wrong for a common cause. All are a choice, no source.

    What happens in one pass by chance comes on top (``noise`` of `from_passes` and `from_bus`).

    Args:
        reader: Reader, adapter or contact give it wrong in every pass.
        bus: What was clipped on the board's bus shows it wrong every time.
        chip: The chip gives a bit that it did not hold when it was made.
        twin: The same for a twin, or the twin is of another version there.
        listing: Printed, typed or scanned wrongly.
    """

    reader: float = 5e-4
    bus: float = 1e-3
    chip: float = 1e-3
    twin: float = 1e-3
    listing: float = 1e-3


DEFAULT_RATES = ErrorRates()


@dataclass(frozen=True)
class Source:
    """One source's say.

    Args:
        kind: Of what kind it is.
        name: What people call it.
        odds: ``float32 (n, bits)`` log odds of a 1, this source alone; 0: it says nothing.
        wavers: ``bool (n, bits)`` it says both, at different times.
        leaked: ``float32 (n, bits)`` or ``(1, bits)`` for a bit that it gives at the level of a cell without
            charge: odds that the cell was programmed and has faded. Positive where that level is 1, negative
            where it is 0. None: charge does not come into it.
    """

    kind: Kind
    name: str
    odds: Odds
    wavers: NDArray[np.bool_]
    leaked: Odds | None = None

    @property
    def code(self) -> int:
        """Its provenance code."""
        return _KIND_CODE[self.kind]


def through(odds: Odds, error: float) -> Odds:
    """Log odds behind a common cause that flips a bit with this probability.

    >>> sure = np.array([40.0, -40.0, 0.0], np.float32)
    >>> (1 / (1 + np.exp(-through(sure, 0.001)))).round(4).tolist()
    [0.9990000128746033, 0.0010000000474974513, 0.5]
    """
    less = np.exp(-np.abs(odds))
    strength = np.log(((1 - error) + error * less) / (error + (1 - error) * less))
    return np.asarray(np.copysign(strength, odds), np.float32)


def faded(odds: Odds, leaked: Odds | None) -> Odds:
    """Log odds of what a cell held, from log odds of what it gives, where charge may have leaked.

    Args:
        odds: Of what it gives.
        leaked: As in `Source.leaked`.

    >>> sure = np.array([20.0, -20.0], np.float32)
    >>> (1 / (1 + np.exp(-faded(sure, np.full(2, 0.01, np.float32))))).round(4).tolist()
    [0.9901000261306763, 0.0]
    """
    if leaked is None:
        return odds
    toward = odds * np.sign(leaked)
    # Only the level without charge loses by it; e^odds overflows nowhere within the range of odds.
    rest = toward - np.log1p(np.abs(leaked) * np.expm1(np.minimum(toward, 80.0)))
    return np.asarray(np.where(toward > 0, np.copysign(np.maximum(rest, 0), odds), odds), np.float32)


def from_counts(ones: NDArray[np.integer], reads: NDArray[np.integer], *, noise: float) -> Odds:
    """Log odds of a 1 for bits that were read so often, so many times as 1.

    Each pair of counts is worked out once.

    Args:
        ones: Whole numbers, any shape.
        reads: The same shape, at least ``ones`` each; 0 gives 0.
        noise: Probability that one read is wrong by chance.
    """
    size = int(reads.max(initial=0)) + 1
    width = np.dtype(np.int32 if size <= LARGEST_TABLE else np.int64)
    code = np.add(np.multiply(ones, size, dtype=width), reads, dtype=width)
    if size > LARGEST_TABLE:
        pairs, place = np.unique(code, return_inverse=True)
        return _odds_of(pairs, size, noise)[place.reshape(code.shape)]
    table = np.zeros(size * size, np.float32)
    pairs = np.flatnonzero(np.bincount(code.reshape(-1), minlength=1))
    table[pairs] = _odds_of(pairs, size, noise)
    return np.asarray(table[code])


LARGEST_TABLE = 1 << 10
"""Reads of a bit up to which counts are looked up in a table of all pairs."""


def _odds_of(pairs: NDArray[np.integer], size: int, noise: float) -> Odds:
    """Log odds for pairs of counts, each written as ones times ``size`` plus reads."""
    one, read = (pairs // size).astype(np.int64), (pairs % size).astype(np.int64)
    chance = np.clip(posterior_of_one(one, read, noise=noise), 1e-15, 1 - 1e-15)
    values = np.where(read > 0, np.log(chance) - np.log1p(-chance), 0.0)
    values[one * 2 == read] = 0.0
    return np.asarray(values, np.float32)


def bits_of(words: Words, width: int) -> NDArray[np.uint8]:
    """``uint8 (n, width)`` each word's bits, bit 0 first."""
    size = next(size for size in (1, 2, 4, 8) if 8 * size >= width)
    narrow = words.astype(f"<u{size}").view(np.uint8).reshape(len(words), size)
    return np.unpackbits(narrow, axis=1, count=width, bitorder="little")


def from_passes(readings: Sequence[Reading], kind: Kind, name: str, *, noise: float = READ_NOISE) -> Source:
    """Passes of one thing: the votes of each bit.

    Args:
        readings: All of one size; at least one.
        kind: "reading" for the chip itself, "twin" for one twin.
        name: What people call them together.
        noise: Probability that one read is wrong by chance.
    """
    width = readings[0].contents.word_bits
    ones = np.zeros((len(readings[0].contents), width), np.uint16)
    reads = np.zeros_like(ones)
    for reading in readings:
        known = reading.contents.known
        ones += bits_of(reading.contents.words & known, width)
        reads += bits_of(known, width)
    return Source(kind, name, from_counts(ones, reads, noise=noise), (ones > 0) & (ones < reads))


def from_contents(contents: Contents, kind: Kind, name: str) -> Source:
    """A listing or a reference: a bit is there or not; its error is a common cause (`ErrorRates.listing`)."""
    ones, known = bits_of(contents.words, contents.word_bits), bits_of(contents.known, contents.word_bits)
    odds = np.where(known == 1, np.where(ones == 1, 35.0, -35.0), 0.0).astype(np.float32)
    return Source(kind, name, odds, np.zeros(odds.shape, np.bool_))


def from_bus(
    cycles: Cycles, memory_map: MemoryMap, chip: ChipMap, name: str, *, noise: float = READ_NOISE
) -> Source:
    """What a capture saw of a chip: for each cell and output how often it was read, and how often as 1.

    Cycles count in which the whole address was seen, the data had settled, and no other chip drives a bit of
    this chip's lane at that address.

    Args:
        cycles: Bus cycles of the chip's processor.
        memory_map: All chips on that bus.
        chip: The chip among them.
        name: What people call the capture.
        noise: Probability that one read is wrong by chance.
    """
    whole = np.uint64((1 << memory_map.address_bits) - 1)
    banked = any(region.bank is not None for each in memory_map.chips for region in each.regions)
    fit = is_reading(cycles) & (cycles.address_known == whole) & ((cycles.flags & UNSETTLED) == 0)
    fit &= chip.selected(cycles.bank, cycles.address)
    if banked:
        fit &= cycles.bank >= 0
    for other in memory_map.chips:
        if other.name != chip.name and other.lane_mask & chip.lane_mask:
            fit &= ~other.selected(cycles.bank, cycles.address)
    seen = cycles.take(np.flatnonzero(fit))
    width, size = len(chip.lane), len(chip.contents)
    cell = chip.chip_address(seen.address).astype(np.intp)
    known = chip.from_bus(seen.known)
    if chip.inverted:
        known = known ^ np.uint64(mask_of(range(width)))
    word = chip.from_bus(seen.word) & known
    ones, reads = np.zeros((size, width), np.int64), np.zeros((size, width), np.int64)
    for bit in range(width):
        at = np.uint64(bit)
        ones[:, bit] = np.bincount(cell, (word >> at) & np.uint64(1), size).astype(np.int64)
        reads[:, bit] = np.bincount(cell, (known >> at) & np.uint64(1), size).astype(np.int64)
    return Source("bus", name, from_counts(ones, reads, noise=noise), (ones > 0) & (ones < reads))


def combine(sources: Sequence[Source], shape: tuple[int, int], rates: ErrorRates = DEFAULT_RATES) -> Odds:
    """``float32 (n, bits)`` log odds of all sources together, common causes taken once.

    Args:
        sources: Any; readings and captures are of the chip itself.
        shape: (words, bits).
        rates: Error rates.
    """
    chip = np.zeros(shape, np.float32)
    total = np.zeros(shape, np.float32)
    leaked = next((source.leaked for source in sources if source.kind == "reading"), None)
    for source in sources:
        if source.kind == "reading":
            chip += through(source.odds, rates.reader)
        elif source.kind == "bus":
            chip += through(source.odds, rates.bus)
        elif source.kind == "twin":
            total += through(faded(source.odds, source.leaked), rates.twin)
        else:
            total += through(source.odds, rates.listing)
    return np.asarray(total + through(faded(chip, leaked), rates.chip), np.float32)
