"""Words and addresses as they are written in a listing: digits of a number base, with don't-care digits."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property

DIGITS = {8: "0-7", 10: "0-9", 16: "0-9A-Fa-f"}
"""Digits of each number base, as a regular expression's set."""

BITS_PER_DIGIT = {8: 3, 16: 4}

RADIX_NAMES = {8: "octal", 10: "decimal", 16: "hex"}

WORD_BITS_OF_DIGITS = {16: {2: 8, 4: 16, 3: 12, 8: 32, 6: 24, 5: 20}, 8: {3: 8, 6: 16, 4: 12, 8: 24}}
"""Word width by digits of a word, tried in this order when nobody states a width."""

LAST_ADDRESS = (1 << 32) - 1


@dataclass(frozen=True)
class WordShape:
    """How a word is written.

    Args:
        radix: 8, 10 or 16.
        bits: Width of a word.
    """

    radix: int
    bits: int

    @cached_property
    def digits(self) -> int:
        """Digits of a full word; for decimal, the most that a word can have.

        >>> WordShape(16, 8).digits, WordShape(8, 16).digits, WordShape(10, 8).digits
        (2, 6, 3)
        """
        if self.radix == 10:
            return len(str((1 << self.bits) - 1))
        return -(-self.bits // BITS_PER_DIGIT[self.radix])

    @property
    def text(self) -> str:
        """The shape in words, for messages."""
        count = f"1 to {self.digits}" if self.radix == 10 else str(self.digits)
        return f"{count} {RADIX_NAMES[self.radix]} digits ({self.bits} bits)"

    @cached_property
    def _word(self) -> re.Pattern[str]:
        if self.radix == 10:
            return re.compile(rf"[0-9]{{1,{self.digits}}}|[Xx?-]{{1,{self.digits}}}")
        return re.compile(rf"[{DIGITS[self.radix]}Xx?-]{{{self.digits}}}")

    @cached_property
    def _number(self) -> re.Pattern[str]:
        return re.compile(rf"(?=.*[0-9])[{DIGITS[self.radix]}Xx?-]+")

    def is_word(self, text: str) -> bool:
        """The text has the form of a word: the full count of digits or don't-care marks.

        >>> WordShape(16, 8).is_word("4?"), WordShape(16, 8).is_word("4"), WordShape(16, 8).is_word("ADD")
        (True, False, False)
        """
        return self._word.fullmatch(text) is not None

    def is_number(self, text: str) -> bool:
        """The text is digits of the number base with at least one of 0 to 9: no mnemonic looks like it."""
        return self._number.fullmatch(text) is not None

    def parse(self, text: str) -> tuple[int, int]:
        """A word as (value, mask of its known bits). The value may exceed the width: see `fits`.

        >>> [hex(part) for part in WordShape(16, 8).parse("4?")]
        ['0x40', '0xf0']
        >>> [oct(part) for part in WordShape(8, 16).parse("1X2706")]
        ['0o102706', '0o107777']
        """
        mask = (1 << self.bits) - 1
        if not any(mark in text for mark in "Xx?-"):
            return int(text, self.radix), mask
        if self.radix == 10:
            return 0, 0
        width, value, known = BITS_PER_DIGIT[self.radix], 0, 0
        for digit in text:
            cared = digit not in "Xx?-"
            value = value << width | (int(digit, self.radix) if cared else 0)
            known = known << width | ((1 << width) - 1 if cared else 0)
        return value, known & mask

    def fits(self, text: str) -> bool:
        """The word's value is one that the width can hold.

        >>> WordShape(8, 8).fits("377"), WordShape(8, 8).fits("400")
        (True, False)
        """
        return self.parse(text)[0] < 1 << self.bits

    def format(self, value: int) -> str:
        """A value as the listing would write it."""
        if self.radix == 10:
            return str(value)
        return f"{value:0{self.digits}{'X' if self.radix == 16 else 'o'}}"


def address_pattern(radix: int) -> re.Pattern[str]:
    """Matches an address: digits, perhaps with the marks that assemblers and dumps put around them."""
    hexadecimal = "|[hH](?=:|$)" if radix == 16 else ""
    return re.compile(rf"(?:\$|0[xX])?([{DIGITS[radix]}]{{1,11}})(?:[rR']{hexadecimal})?(:)?")


def parse_address(text: str, pattern: re.Pattern[str], radix: int) -> int | None:
    """An address, or None when the text is not one.

    >>> parse_address("$01FF:", address_pattern(16), 16), parse_address("START", address_pattern(16), 16)
    (511, None)
    """
    match = pattern.fullmatch(text)
    if match is None:
        return None
    value = int(match[1], radix)
    return value if value <= LAST_ADDRESS else None
