"""Addresses and words as a person types them, the way every list of ours shows them: hexadecimal digits."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.errors import UsageError

Words = NDArray[np.uint64]


@dataclass(frozen=True)
class Wanted:
    """Addresses or words that are looked for.

    Args:
        low: The lowest, or the pattern's value.
        high: The highest; the same as ``low`` for a pattern.
        mask: Bits of the pattern that count.
        bank: Only in this bank; None: in any.
    """

    low: int
    high: int
    mask: int
    bank: int | None = None

    def among(self, values: Words, known: Words) -> NDArray[np.bool_]:
        """``bool (n,)`` where a value is one that is looked for, as far as its bits are known."""
        mask = np.uint64(self.mask)
        seen: NDArray[np.bool_] = (known & mask) == mask
        if self.low == self.high:
            seen &= (values & mask) == np.uint64(self.low)
        else:
            seen &= (values >= np.uint64(self.low)) & (values <= np.uint64(self.high))
        return seen

    def holds(self, value: int) -> bool:
        """Whether a value, all of whose bits are known, is one that is looked for."""
        if self.low == self.high:
            return value & self.mask == self.low
        return self.low <= value <= self.high


_DIGITS = {16: "0123456789abcdef", 8: "01234567", 2: "01"}


def parse_wanted(text: str, bits: int, *, banked: bool = False) -> Wanted:
    """What is looked for, as a person types it.

    Args:
        text: Hexadecimal digits, ``?`` for any: ``1F3A``, ``1F??``, ``1F00..1FFF``, ``2:1F3A`` in bank
            2; octal as ``0o17``, binary as ``0b101?``. ``0x`` and ``$`` may stand before hexadecimal digits.
        bits: Width of the values.
        banked: A bank may stand before it.

    Raises:
        UsageError: It cannot be read.

    >>> wanted = parse_wanted("1f?0", 16)
    >>> hex(wanted.low), hex(wanted.mask)
    ('0x1f00', '0xff0f')
    """
    plain = text.strip().lower().replace("_", "").replace(" ", "")
    bank: int | None = None
    if banked and ":" in plain:
        before, _, plain = plain.partition(":")
        if not (before.isascii() and before.isdigit() and len(before) < 9):
            raise not_read(text, "the bank before the colon is no number")
        bank = int(before)
    if ".." in plain:
        low_text, _, high_text = plain.partition("..")
        low, low_mask = _pattern(text, low_text, bits)
        high, high_mask = _pattern(text, high_text, bits)
        if not low_mask == high_mask == (1 << bits) - 1:
            raise not_read(text, "a range has no question marks")
        if low > high:
            low, high = high, low
        return Wanted(low, high, low_mask, bank)
    value, mask = _pattern(text, plain, bits)
    return Wanted(value, value, mask, bank)


def _pattern(text: str, digits: str, bits: int) -> tuple[int, int]:
    """Value and mask of digits with question marks."""
    base = {"0x": 16, "0o": 8, "0b": 2}.get(digits[:2], 16)
    digits = re.sub(r"^(0x|0o|0b|\$)", "", digits)
    size = {16: 4, 8: 3, 2: 1}[base]
    if not digits:
        raise not_read(text, "there is no digit")
    value = mask = 0
    for digit in digits:
        place = _DIGITS[base].find(digit)
        if digit != "?" and place < 0:
            raise not_read(text, f"{digit!r} is no digit")
        value = value << size | max(place, 0)
        mask = mask << size | (0 if digit == "?" else (1 << size) - 1)
    width = len(digits) * size
    if width < bits:
        mask |= (1 << bits) - (1 << width)
    if value >= 1 << bits:
        raise not_read(text, f"it has more than {bits} bits")
    return value, mask & ((1 << bits) - 1)


def not_read(text: str, why: str) -> UsageError:
    """The error about a text that `parse_wanted` cannot read."""
    return UsageError(
        f"{text.strip()!r} cannot be understood: {why}.",
        "Write hexadecimal digits, with ? for any: 1F3A, 1F??, 1F00..1FFF, and 2:1F3A in bank 2.",
    )
