"""The noise rate, and what bits cost under it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

DEFAULT_RATE = 1e-5
"""Probability that a bit is read wrong for no other reason than noise. Judgement, no source.

A capture of ten thousand cycles of a sixteen-bit machine then holds one or two such bits. With ten times as
many, bad cells that were read once each could not be told from noise.
"""


@dataclass(frozen=True)
class Noise:
    """Probability that a bit is read wrong for no other reason.

    Args:
        rate: More than 0 and less than ½.

    Raises:
        ValueError: The rate is outside.
    """

    rate: float = DEFAULT_RATE

    def __post_init__(self) -> None:
        if not 0 < self.rate < 0.5:
            raise ValueError(f"the noise rate is {self.rate}, more than 0 and less than 0.5 expected")

    @property
    def wrong(self) -> float:
        """Cost of a bit that was predicted and seen otherwise: log((1-ε)/ε)."""
        return float(np.log1p(-self.rate) - np.log(self.rate))

    @property
    def open(self) -> float:
        """Cost of a bit that is left open: log(2(1-ε))."""
        return float(np.log(2) + np.log1p(-self.rate))

    def seen(self, probability: NDArray[np.float64]) -> NDArray[np.float64]:
        """Cost of seeing levels that the fault gives with these probabilities."""
        mixed = probability * (1 - self.rate) + (1 - probability) * self.rate
        return np.asarray(np.log1p(-self.rate) - np.log(mixed))
