"""How stable the readings are: which bits waver, how often, at which outputs and address lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wrongbit.reading.intervals import Rate
from wrongbit.reading.stack import Stack


@dataclass(frozen=True)
class OutputStability:
    """One output.

    Args:
        output: Its number.
        cells: Cells of it that differ between passes, of all that were read.
        reads: Reads that gave the rarer level, of all reads of it.
    """

    output: int
    cells: Rate
    reads: Rate


@dataclass(frozen=True)
class LineStability:
    """One address line.

    Args:
        line: Its number.
        levels: Unstable cells where it is 0, and where it is 1.
    """

    line: int
    levels: tuple[Rate, Rate]

    @property
    def telling(self) -> bool:
        """One level has at least twice the rate of the other, and their intervals do not meet."""
        less, more = sorted(self.levels, key=lambda rate: rate.value)
        return more.value >= 2 * less.value and less.exact[1] < more.exact[0]


@dataclass(frozen=True)
class Stability:
    """All that repeated passes tell.

    Args:
        passes: Number of passes.
        words: Addresses with an unstable bit, of all.
        cells: Unstable cells, of all.
        reads: Reads of single bits that gave the rarer level, of all.
        outputs: For each output.
        lines: For each address line.
        by_pass: For each pass the number of words that differ from the majority.
    """

    passes: int
    words: Rate
    cells: Rate
    reads: Rate
    outputs: tuple[OutputStability, ...]
    lines: tuple[LineStability, ...]
    by_pass: tuple[int, ...]


def measure(stack: Stack) -> Stability:
    """Count what differs between passes.

    A bit that was the same in every pass counts as stable, though a rate up to about 3/passes would show so;
    the intervals say how far the counts can be trusted.
    """
    waver = stack.wavering
    width, words = stack.word_bits, len(stack)
    unstable = np.bincount(waver.bit, minlength=width)
    minority = np.bincount(waver.bit, waver.minority, minlength=width).astype(np.int64)
    reads = stack.known_counts()
    known = stack.ever_known
    full = stack.known is None
    given = [
        words if full else int(np.count_nonzero(known & known.dtype.type(1 << bit))) for bit in range(width)
    ]
    outputs = tuple(
        OutputStability(bit, Rate(int(unstable[bit]), given[bit]), Rate(int(minority[bit]), int(reads[bit])))
        for bit in range(width)
    )
    return Stability(
        stack.passes,
        Rate(int(np.count_nonzero(stack.unstable)), words),
        Rate(len(waver), sum(given)),
        Rate(int(minority.sum()), int(reads.sum())),
        outputs,
        _lines(stack),
        differing_words(stack),
    )


def _lines(stack: Stack) -> tuple[LineStability, ...]:
    waver = stack.wavering
    words = len(stack)
    found = []
    for line in range((words - 1).bit_length()):
        high = int(np.count_nonzero(waver.address >> line & 1))
        # Addresses at which the line is 1, of 0 … words-1.
        block = 1 << line
        ones = words // (2 * block) * block + max(0, words % (2 * block) - block)
        found.append(
            LineStability(
                line,
                (
                    Rate(len(waver) - high, (words - ones) * stack.word_bits),
                    Rate(high, ones * stack.word_bits),
                ),
            )
        )
    return tuple(found)


def differing_words(stack: Stack) -> tuple[int, ...]:
    """For each pass, the number of words that differ from the majority of all; ties do not count."""
    waver = stack.wavering
    kind = stack.words.dtype
    bit = np.left_shift(kind.type(1), waver.bit.astype(kind))
    likely, sure = np.zeros(len(stack), kind), np.zeros(len(stack), kind)
    none = kind.type(0)
    np.bitwise_or.at(likely, waver.address, np.where(waver.ones * 2 > waver.reads, bit, none))
    np.bitwise_or.at(sure, waver.address, np.where(waver.ones * 2 != waver.reads, bit, none))
    address = np.flatnonzero(sure)
    likely, sure = likely[address], sure[address]
    counts = []
    for number in range(stack.passes):
        differs = (stack.words[number, address] ^ likely) & sure
        if stack.known is not None:
            differs &= stack.known[number, address]
        counts.append(int(np.count_nonzero(differs)))
    return tuple(counts)
