"""A verdict on every cycle."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

NOT_KNOWN, AGREES, DIFFERS = 0, 1, 2
"""Codes of `Verdicts.verdict`."""

BASIS_NONE, BASIS_ROM, BASIS_RAM = 0, 1, 2
"""Codes of `Verdicts.basis`: nothing to compare with, a ROM's contents, the last write seen."""


@dataclass(frozen=True)
class Verdicts:
    """One row for each cycle.

    Args:
        expected: ``uint64 (n,)`` the word that should have been there, unknown bits zero.
        judged: ``uint64 (n,)`` bits that were both expected and seen.
        wrong: ``uint64 (n,)`` judged bits in which seen and expected differ.
        verdict: ``uint8 (n,)`` `NOT_KNOWN`, `AGREES` or `DIFFERS`.
        basis: ``uint8 (n,)`` where the expectation came from.
    """

    expected: NDArray[np.uint64]
    judged: NDArray[np.uint64]
    wrong: NDArray[np.uint64]
    verdict: NDArray[np.uint8]
    basis: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.verdict)

    def take(self, index: NDArray[np.intp] | NDArray[np.bool_] | slice) -> Verdicts:
        """The rows chosen by an index array, a mask or a slice."""
        return Verdicts(*(getattr(self, column.name)[index] for column in fields(self)))
