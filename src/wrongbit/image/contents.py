"""Contents: words at consecutive addresses, each bit known or not known."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Contents:
    """Words from an image, a listing or a chip.

    Args:
        words: ``uint64 (n,)``, one word an address, bits above ``word_bits`` zero, unknown bits zero.
        known: ``uint64 (n,)``, a 1 for every bit that the source really gave.
        word_bits: Width of a word, 1 to 64.
        base: Address of ``words[0]``.
        source: File or other origin, for messages.
        notes: What the reader wants to tell (for example which format was recognised, and why).

    Raises:
        ValueError: Shapes, types or widths do not fit.
    """

    words: NDArray[np.uint64]
    known: NDArray[np.uint64]
    word_bits: int
    base: int = 0
    source: str = ""
    notes: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        if self.words.dtype != np.uint64 or self.known.dtype != np.uint64:
            raise ValueError("words and known are uint64")
        if self.words.ndim != 1 or self.words.shape != self.known.shape:
            raise ValueError(f"words {self.words.shape} and known {self.known.shape} differ in shape")
        if not 1 <= self.word_bits <= 64:
            raise ValueError(f"word_bits is {self.word_bits}, 1 to 64 expected")
        if self.base < 0:
            raise ValueError(f"base is {self.base}, an address is not negative")

    def __len__(self) -> int:
        return len(self.words)

    @property
    def mask(self) -> int:
        """All bits of a word set."""
        return (1 << self.word_bits) - 1
