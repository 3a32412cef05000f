"""An EPROM's cells as charge on floating gates: what each reads depends on supply, heat and patience.

A cell conducts when its gate, which is at the supply voltage in read, is above its threshold. Electrons on
the floating gate raise the threshold: a programmed cell stays off and reads 0, an erased one conducts and
reads 1. Where the oxide leaks, charge is lost exponentially and the threshold sinks to the erased one's: 0
becomes 1, never the other way round; a cell on the way reads 0 at a low supply and 1 at a high one.

Published: defects in the oxide lose charge (Euzent et al., "Reliability Aspects of a Floating Gate E2PROM",
IRPS 1981). That a raised supply shows a weak 0 as 1 first is device physics, from memory. The numbers are of
the usual order, from memory; no data sheet states them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wrongbit.demo.parts import Words

Volts = NDArray[np.float64]

ERASED = (1.3, 0.12)
"""Threshold of an erased cell: mean and spread in volts."""

PROGRAMMED = (8.8, 0.35)
"""Threshold of a freshly programmed cell."""

REFERENCE = 0.7
"""Volts above threshold from which a cell carries more current than the reference cell, and reads 1."""

NOISE = 0.025
"""Spread in volts of one read of one cell."""

WARMTH = -0.002
"""Change of threshold in volts a kelvin, from 25 °C."""

DECODING_NS = (150.0, 5.0)
"""Time to choose row and column and turn the output, at 5 V: mean and spread over the cells."""

SENSING = 8.0
"""Nanosecond volts that the sense amplifier takes, divided by how far the cell is from the reference."""

SLOWEST_NS = 60.0
"""No cell keeps the sense amplifier longer."""


@dataclass(frozen=True)
class Cells:
    """A chip's array.

    Args:
        threshold: ``float64 (words, bits)`` in volts at 25 °C.
        programmed: ``bool (words, bits)`` cells that were given a charge.
        decoding_ns: ``float64 (words, bits)`` time to reach each cell at 5 V.
    """

    threshold: Volts
    programmed: NDArray[np.bool_]
    decoding_ns: NDArray[np.float64]

    @property
    def words(self) -> int:
        """Number of words."""
        return len(self.threshold)

    @property
    def bits(self) -> int:
        """Number of outputs."""
        return int(self.threshold.shape[1])

    def aged(self, years: float, leaky: float, rng: np.random.Generator) -> Cells:
        """The same array after years.

        Args:
            years: How long ago it was programmed.
            leaky: Share of the programmed cells whose oxide leaks.
            rng: Chooses them, and how badly each leaks.
        """
        leaks = self.programmed & (rng.random(self.threshold.shape) < leaky)
        # Most leaky cells lose about half of their charge in 25 years, a few much faster or slower.
        constant = rng.lognormal(np.log(25.0), 0.8, self.threshold.shape)
        kept = np.where(leaks, np.exp(-years / constant), np.exp(-years / 1500.0))
        sunk = ERASED[0] + (self.threshold - ERASED[0]) * kept
        return replace(self, threshold=np.where(self.programmed, sunk, self.threshold))

    def erased(self) -> Cells:
        """The same array after ultraviolet light."""
        blank = np.full(self.threshold.shape, ERASED[0])
        return replace(self, threshold=blank, programmed=np.zeros_like(self.programmed))

    def read(
        self,
        address: NDArray[np.int64],
        volts: float,
        celsius: float,
        wait_ns: float,
        rng: np.random.Generator,
    ) -> Words:
        """Words read one after another.

        A bit that is not there in time shows what the output showed before.

        Args:
            address: ``int64 (n,)`` in the order of reading.
            volts: Supply.
            celsius: Temperature of the chip.
            wait_ns: Time from address to taking the word.
            rng: Noise.

        Returns:
            ``uint64 (n,)``.
        """
        shape = (len(address), self.bits)
        threshold = self.threshold[address] + WARMTH * (celsius - 25.0)
        beyond = volts - threshold + rng.normal(0.0, NOISE, shape) - REFERENCE
        arrival = self.decoding_ns[address] * 5.0 / volts + rng.normal(0.0, 1.0, shape)
        arrival += np.minimum(SENSING / np.maximum(np.abs(beyond), 1e-6), SLOWEST_NS)
        return pack_bits(held_where(arrival > wait_ns, beyond > 0))


def programmed(contents: Words, bits: int, rng: np.random.Generator) -> Cells:
    """A chip that has just been programmed.

    Args:
        contents: ``uint64 (words,)``.
        bits: Number of outputs.
        rng: Draws each cell's own threshold and speed.
    """
    charged = ~unpack_bits(contents, bits)
    shape = charged.shape
    threshold = np.where(charged, rng.normal(*PROGRAMMED, shape), rng.normal(*ERASED, shape))
    return Cells(threshold, charged, rng.normal(*DECODING_NS, shape))


def unpack_bits(words: Words, bits: int) -> NDArray[np.bool_]:
    """``bool (n, bits)``, bit 0 first."""
    return (words[:, None] >> np.arange(bits, dtype=np.uint64) & np.uint64(1)).astype(np.bool_)


def pack_bits(levels: NDArray[np.bool_]) -> Words:
    """The opposite of `unpack_bits`."""
    weights = np.uint64(1) << np.arange(levels.shape[1], dtype=np.uint64)
    return np.asarray((levels * weights).sum(axis=1, dtype=np.uint64))


def held_where(held: NDArray[np.bool_], levels: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Levels that stay as they were, column by column, wherever ``held``; before the first row they are 1.

    >>> held_where(np.array([[True], [False], [True]]), np.array([[False], [False], [True]])).tolist()
    [[True], [False], [False]]
    """
    row = np.where(held, -1, np.arange(len(levels))[:, None])
    last = np.maximum.accumulate(row, axis=0)
    column = np.broadcast_to(np.arange(levels.shape[1]), levels.shape)
    return np.where(last < 0, True, levels[last, column])
