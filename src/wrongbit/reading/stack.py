"""Several readings laid over each other: what every pass agrees on, which bits waver, what is likeliest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import lgamma, log

import numpy as np
from numpy.typing import NDArray

from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.reading.readings import Reading

Words = NDArray[np.uint64]
Narrow = NDArray[np.unsignedinteger]

READ_NOISE = 1e-4
"""Probability that a sound cell is read wrong in one pass. A choice: clean contacts do better."""

WAVERING = 1e-3
"""Share of cells, before any look, that may waver: each read wrong with an unknown probability below ½.
A choice."""


@dataclass(frozen=True)
class Stack:
    """Passes of one chip, word beside word.

    Args:
        words: ``(passes, n)`` in the narrowest unsigned type that holds a word; unknown bits zero.
        known: ``(passes, n)`` in the same type, a 1 for each bit that was read; None: all were.
        word_bits: Width of a word.
        names: Name of each pass.
    """

    words: Narrow
    known: Narrow | None
    word_bits: int
    names: tuple[str, ...]

    @property
    def passes(self) -> int:
        """Number of passes."""
        return int(self.words.shape[0])

    def __len__(self) -> int:
        return int(self.words.shape[1])

    @property
    def mask(self) -> int:
        """All bits of a word set."""
        return (1 << self.word_bits) - 1

    @cached_property
    def always_one(self) -> Narrow:
        """``(n,)`` bits that were 1 in every pass that read them."""
        words = self.words if self.known is None else self.words | ~self.known
        return np.asarray(np.bitwise_and.reduce(words, axis=0) & self.words.dtype.type(self.mask))

    @cached_property
    def ever_one(self) -> Narrow:
        """``(n,)`` bits that were 1 in some pass."""
        return np.asarray(np.bitwise_or.reduce(self.words, axis=0))

    @cached_property
    def ever_known(self) -> Narrow:
        """``(n,)`` bits that some pass read."""
        if self.known is None:
            return np.full(len(self), self.mask, self.words.dtype)
        return np.asarray(np.bitwise_or.reduce(self.known, axis=0))

    @cached_property
    def unstable(self) -> Narrow:
        """``(n,)`` bits that were 0 in one pass and 1 in another."""
        return np.asarray(self.ever_one & ~self.always_one)

    @cached_property
    def wavering(self) -> Wavering:
        """Every unstable bit with its counts."""
        address = np.flatnonzero(self.unstable)
        mine = self.unstable[address].astype(np.uint64)
        row, bit = np.nonzero((mine[:, None] >> np.arange(self.word_bits, dtype=np.uint64)) & np.uint64(1))
        shift = bit.astype(self.words.dtype)
        one = self.words.dtype.type(1)
        ones, given = np.zeros(len(row), np.int64), np.zeros(len(row), np.int64)
        changes = np.zeros(len(row), np.int64)
        last = np.full(len(row), -1, np.int8)
        for number in range(self.passes):
            level = ((self.words[number, address[row]] >> shift) & one).astype(np.int8)
            read = (
                np.ones(len(row), np.bool_)
                if self.known is None
                else ((self.known[number, address[row]] >> shift) & one).astype(np.bool_)
            )
            ones += level * read
            given += read
            changes += read & (last >= 0) & (level != last)
            last = np.where(read, level, last)
        return Wavering(address[row], bit, ones, given, changes)

    def known_counts(self) -> NDArray[np.int64]:
        """``int64 (word_bits,)`` for each output, how many reads of it there were in all passes."""
        if self.known is None:
            return np.full(self.word_bits, self.passes * len(self), np.int64)
        return np.array(
            [
                int(np.count_nonzero(self.known & self.known.dtype.type(1 << bit)))
                for bit in range(self.word_bits)
            ]
        )

    def majority(self, *, noise: float = READ_NOISE) -> Majority:
        """For each bit the likelier level, with its confidence.

        Args:
            noise: Probability that a sound cell is read wrong in one pass.
        """
        words = self.always_one.astype(np.uint64)
        known = self.ever_known.astype(np.uint64)
        waver = self.wavering
        single = posterior_of_one(np.array([1]), np.array([1]), noise=noise)[0]
        if self.known is None:
            least = float(posterior_of_one(np.array([self.passes]), np.array([self.passes]), noise=noise)[0])
        else:
            least = float(single)
        probability = posterior_of_one(waver.ones, waver.reads, noise=noise)
        bit = np.uint64(1) << waver.bit.astype(np.uint64)
        np.bitwise_or.at(words, waver.address, np.where(waver.ones * 2 > waver.reads, bit, np.uint64(0)))
        tied = waver.ones * 2 == waver.reads
        np.bitwise_and.at(known, waver.address, np.where(tied, ~bit, ~np.uint64(0)))
        contents = Contents(words & known, known, self.word_bits, source="majority of the readings")
        return Majority(contents, probability, least)


@dataclass(frozen=True)
class Wavering:
    """Bits that were not the same in every pass, one row each, by address and then by output.

    Args:
        address: ``intp (k,)``.
        bit: ``intp (k,)`` output.
        ones: ``int64 (k,)`` passes in which it was 1.
        reads: ``int64 (k,)`` passes that read it.
        changes: ``int64 (k,)`` how often it differed from the pass before.
    """

    address: NDArray[np.intp]
    bit: NDArray[np.intp]
    ones: NDArray[np.int64]
    reads: NDArray[np.int64]
    changes: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.address)

    @property
    def minority(self) -> NDArray[np.int64]:
        """``int64 (k,)`` passes that gave the rarer level."""
        return np.asarray(np.minimum(self.ones, self.reads - self.ones))


@dataclass(frozen=True)
class Majority:
    """The likelier level of every bit.

    Args:
        contents: The words; a bit that was 0 as often as 1 is not known.
        wavering: ``float64 (k,)`` posterior probability of a 1 for each row of `Stack.wavering`.
        stable: Confidence at least of a bit that was the same in every pass. It is about what the chip gives,
            not about what it should hold: a dead output is stable too.
    """

    contents: Contents
    wavering: NDArray[np.float64]
    stable: float


def posterior_of_one(
    ones: NDArray[np.int64],
    reads: NDArray[np.int64],
    *,
    noise: float = READ_NOISE,
    wavering: float = WAVERING,
) -> NDArray[np.float64]:
    """Probability that a cell holds 1, given how often it was read as 1.

    A cell is sound (each read is wrong with probability ``noise``) or, with probability ``wavering``, it
    wavers: each read is wrong with a probability that is anything below ½. Both levels are equally likely
    before the look. Without the second case eleven ones against nine zeros would look all but certain.

    Args:
        ones: ``int64 (k,)``.
        reads: ``int64 (k,)``, at least ``ones`` each.
        noise: Above 0 and below ½.
        wavering: From 0 to below 1.

    >>> posterior_of_one(np.array([10, 20]), np.array([20, 20])).round(3).tolist()
    [0.5, 1.0]
    """
    if not 0 < noise < 0.5:
        raise ValueError(f"the noise rate is {noise}, more than 0 and less than 0.5 expected")
    top = int(reads.max(initial=0)) + 1
    # Few different counts, however many cells.
    present, place = np.unique(reads * np.int64(top) + ones, return_inverse=True)
    table = np.zeros(len(present))
    for row, (read, one) in enumerate(divmod(each, top) for each in present.tolist()):
        high = _log_likelihood(read - one, read, noise, wavering)
        low = _log_likelihood(one, read, noise, wavering)
        table[row] = np.exp(high - np.logaddexp(high, low))
    return np.asarray(table[place])


def _log_likelihood(wrong: int, reads: int, noise: float, wavering: float) -> float:
    """Log probability of one sequence of reads of which so many are wrong."""
    sound = np.log1p(-wavering) + wrong * np.log(noise) + (reads - wrong) * np.log1p(-noise)
    if not wavering:
        return float(sound)
    # The integral of 2 e^w (1-e)^(r-w) for e from 0 to ½: an incomplete Beta function.
    from scipy.special import betainc  # here, not above: it is slow to load

    tail = float(betainc(wrong + 1, reads - wrong + 1, 0.5))
    if not tail:  # wrong nearly always, and too often for a float to hold how unlikely that is
        return float(sound)
    beta = lgamma(wrong + 1) + lgamma(reads - wrong + 1) - lgamma(reads + 2)
    return float(np.logaddexp(sound, log(wavering) + log(2) + beta + log(tail)))


def stack_readings(readings: Sequence[Reading]) -> Stack:
    """Readings laid over each other.

    Raises:
        ImageError: They differ in length or width, or there is none.
    """
    if not readings:
        raise ImageError("there is no reading.", "Give at least one.")
    first = readings[0].contents
    for reading in readings[1:]:
        each = reading.contents
        if (len(each), each.word_bits, each.base) != (len(first), first.word_bits, first.base):
            raise ImageError(
                f"it has {len(each)} words of {each.word_bits} bits, but {readings[0].name} has "
                f"{len(first)} of {first.word_bits}.",
                "Give readings of one chip, all made with the same device setting.",
                file=reading.name,
            )
    size = next(size for size in (8, 16, 32, 64) if size >= first.word_bits)
    kind = np.dtype(f"u{size // 8}")
    words = np.empty((len(readings), len(first)), kind)
    for row, reading in enumerate(readings):
        words[row] = reading.contents.words
    known = None
    if any((reading.contents.known != np.uint64(first.mask)).any() for reading in readings):
        known = np.empty_like(words)
        for row, reading in enumerate(readings):
            known[row] = reading.contents.known
    return Stack(words, known, first.word_bits, tuple(reading.name for reading in readings))
