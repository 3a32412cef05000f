"""What one cell of a table means: a level, a word, a time. Spellings are common practice, no source.

These are the slow, plain readings. `_packing` reads whole columns of ordinary cells at once and comes here
for each unusual text, so that both agree by construction and every error has one wording.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal

from wrongbit.capture.columns import unit_of
from wrongbit.machine.recipe import KINDS, Kind

LOW, HIGH, UNKNOWN = 0, 1, 2

LEVELS: dict[str, int] = {
    **dict.fromkeys(("0", "l", "low", "f", "false", "off", "0.0"), LOW),
    **dict.fromkeys(("1", "h", "high", "t", "true", "on", "1.0"), HIGH),
    **dict.fromkeys(("", "x", "z", "u", "w", "?", "-", "hi-z", "hiz"), UNKNOWN),
}
"""Levels as they are spelt, in lower case."""

LEVEL_EXPECTED = "a level: 0 or 1, H or L, true or false; x, z or nothing where it is not known"

RADIX_NAMES = {2: "binary", 8: "octal", 10: "decimal", 16: "hexadecimal"}
BITS_OF_DIGIT = {2: 1, 8: 3, 16: 4}

_DONT_CARE = "xXzZ?-uU"
_MARKS = (
    (re.compile(r"^0x(.+)$"), 16),
    (re.compile(r"^\$(.+)$"), 16),
    (re.compile(r"^(.+)[hH]$"), 16),
    (re.compile(r"^\d*'[hH](.+)$"), 16),
    (re.compile(r"^\d*'[bB](.+)$"), 2),
    (re.compile(r"^\d*'[oO](.+)$"), 8),
    (re.compile(r"^\d*'[dD](.+)$"), 10),
    (re.compile(r"^0o(.+)$"), 8),
    (re.compile(r"^%(.+)$"), 2),
)
_CAPITAL_MARK = re.compile(r"^0X(.+)$")
_BINARY_MARK = re.compile(r"^0[bB](.+)$")
_FILLING = str.maketrans("", "", "_ ")


class CellError(ValueError):
    """A cell does not hold what it should; the text says what was expected."""


@dataclass(frozen=True)
class Word:
    """A word with its unknown bits, which are 0 in the value."""

    value: int
    unknown: int


def read_level(text: str) -> int:
    """`LOW`, `HIGH` or `UNKNOWN`.

    Raises:
        CellError: The text is no level.

    >>> read_level("H"), read_level("FALSE"), read_level("z")
    (1, 0, 2)
    """
    level = LEVELS.get(text.strip().lower())
    if level is None:
        raise CellError(LEVEL_EXPECTED)
    return level


def read_word(text: str, radix: int, width: int) -> Word:
    """A word of a bus, digit by digit; a don't-care digit (x, z, ?, -) makes its bits unknown.

    A word with fewer digits than the bus is filled up with zeros, or with unknown bits where the first digit
    is unknown: the rule that IEEE Std 1364 has for short values in a VCD (from memory, not checked).

    ``0X3F`` on a bus of 16 bits has four digits, the second of them unknown; ``0x3F``, and ``0X3F`` on any
    other bus, is 3F with a mark.

    Args:
        text: The digits, with or without a mark (``0x``, ``$``, ``h``) that outranks the radix.
        radix: 2, 8, 10 or 16.
        width: Wires of the bus.

    Raises:
        CellError: The text is no word, or does not fit.

    >>> read_word("0x3f", 16, 8), read_word("1X", 16, 8), read_word("X", 16, 8)
    (Word(value=63, unknown=0), Word(value=16, unknown=15), Word(value=0, unknown=255))
    """
    whole = (1 << width) - 1
    digits, radix = _unmarked(text.strip(), radix, width)
    if not digits.strip(_DONT_CARE):
        return Word(0, whole)
    bits = BITS_OF_DIGIT.get(radix)
    if bits is None and any(digit in _DONT_CARE for digit in digits):
        raise CellError(f"{word_expected(radix, width)}; one unknown digit of a decimal leaves no bit known")
    value = _number(digits.translate(_TO_ZERO), radix, width)
    unknown = 0 if bits is None else _unknown_bits(digits, bits, whole)
    if value > whole:
        raise CellError(f"{word_expected(radix, width)}, no more than {_shown(whole, radix)}")
    return Word(value, unknown)


_TO_ZERO = str.maketrans(dict.fromkeys(_DONT_CARE, "0"))


def _unknown_bits(digits: str, bits: int, whole: int) -> int:
    unknown = whole if digits[0] in _DONT_CARE else 0
    for digit in digits:
        unknown = unknown << bits | ((1 << bits) - 1 if digit in _DONT_CARE else 0)
    return unknown & whole


def word_expected(radix: int, width: int) -> str:
    """What a cell of a bus should hold.

    >>> word_expected(16, 8)
    'a hexadecimal word of 8 bits'
    """
    article = "an" if radix == 8 else "a"
    return f"{article} {RADIX_NAMES[radix]} word of {width} bit{'s' if width != 1 else ''}"


def _unmarked(text: str, radix: int, width: int) -> tuple[str, int]:
    for pattern, marked_radix in _MARKS:
        match = pattern.match(text)
        if match is not None:
            return match[1].translate(_FILLING), marked_radix
    match = _CAPITAL_MARK.match(text)
    if match is not None and (radix != 16 or len(text) != hexadecimal_digits(width)):
        return match[1].translate(_FILLING), 16
    match = _BINARY_MARK.match(text) if radix != 16 else None  # in hexadecimal 0b1 is a number
    return (match[1].translate(_FILLING), 2) if match is not None else (text.translate(_FILLING), radix)


def hexadecimal_digits(width: int) -> int:
    """Digits of a word with so many bits."""
    return -(-width // 4)


def _number(digits: str, radix: int, width: int) -> int:
    if not digits.isascii() or not digits.isalnum():
        raise CellError(word_expected(radix, width))
    try:
        return int(digits, radix)
    except ValueError:
        raise CellError(word_expected(radix, width)) from None


def _shown(value: int, radix: int) -> str:
    return {2: f"{value:b}", 8: f"{value:o}", 10: f"{value}", 16: f"{value:X}"}[radix]


# -- times -------------------------------------------------------------------------------------------------

_TIME = re.compile(r"^([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?0*\d{1,3})?)\s*([A-Za-zµμ]*)$")
_LONGEST_PS = 1 << 62


def read_time(text: str, unit_ps: int | None) -> int:
    """A time in picoseconds, rounded to the nearest, halves up.

    Args:
        text: A number with point or comma, with or without exponent, with or without a unit.
        unit_ps: Picoseconds in the column's unit, for numbers without a unit of their own.

    Raises:
        CellError: The text is no time, or too far away for 64 bits.

    >>> read_time("-1,5e-6", 10**12), read_time("12.5 ns", None)
    (-1500000, 12500)
    """
    match = _TIME.match(text.strip())
    unit = unit_ps if match is None or not match[2] else unit_of(match[2])
    if match is None or unit is None:
        raise CellError("a time such as 0.000012, 1.2e-05 or 12 us")
    picoseconds = Decimal(match[1].replace(",", ".")) * unit
    if abs(picoseconds) >= _LONGEST_PS:
        raise CellError("a time within fifty days of the trigger")
    return math.floor(picoseconds + Decimal("0.5"))


def time_resolution(text: str, unit_ps: int | None) -> float:
    """Picoseconds that the last digit of a time stands for.

    >>> time_resolution("0.010", 10**12), time_resolution("1e-3 us", None)
    (1000000000.0, 1000.0)
    """
    match = _TIME.match(text.strip())
    if match is None:
        raise CellError("a time")
    unit = unit_of(match[2]) if match[2] else unit_ps
    exponent = Decimal(match[1].replace(",", ".")).as_tuple().exponent
    return float((unit or 1) * 10.0 ** min(int(exponent), 30))


def time_suffix(text: str) -> str:
    """The unit behind a time's number, or an empty string.

    >>> time_suffix("12 ns"), time_suffix("1e-6")
    ('ns', '')
    """
    match = _TIME.match(text.strip())
    return match[2] if match is not None else ""


# -- kinds of bus cycle ------------------------------------------------------------------------------------

KIND_TEXTS: dict[str, Kind] = {
    **{kind: kind for kind in KINDS},
    **dict.fromkeys(("f", "if", "m1", "op", "opcode", "opcode fetch", "instruction fetch", "code"), "fetch"),
    **dict.fromkeys(("r", "rd", "mr", "mrd", "memr", "memory read", "mem read", "data read"), "read"),
    **dict.fromkeys(("w", "wr", "mw", "mwr", "memw", "memory write", "mem write", "data write"), "write"),
    **dict.fromkeys(("ior", "iord", "i/o read", "io read", "in", "input"), "io_read"),
    **dict.fromkeys(("iow", "iowr", "i/o write", "io write", "out", "output"), "io_write"),
    **dict.fromkeys(("ack", "inta", "iack", "interrupt acknowledge", "int ack"), "acknowledge"),
    **dict.fromkeys(("ref", "rfsh", "rfr"), "refresh"),
    **dict.fromkeys(("i", "none", "internal"), "idle"),
}
"""Texts of a status column that mean a kind of cycle by themselves, in lower case."""


def read_kind(text: str, kinds: dict[str, Kind]) -> int:
    """Index into ``KINDS``, or -1 where the text is not known.

    Args:
        text: The status column's cell.
        kinds: The probe point's own meanings, which come first.

    >>> KINDS[read_kind("RD", {})], KINDS[read_kind("5", {"5": "write"})], read_kind("??", {})
    ('read', 'write', -1)
    """
    text = text.strip()
    folded = " ".join(text.split()).lower()
    kind = kinds.get(text) or next((k for t, k in kinds.items() if t.strip().lower() == folded), None)
    kind = kind or KIND_TEXTS.get(folded)
    return -1 if kind is None else KINDS.index(kind)
