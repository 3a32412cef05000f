"""Quantities in the field's notation: ``450 ns``, ``1 MHz``, ``0x3FFF``, ``0o177``, ``0..7``.

Time is an integer of picoseconds throughout wrongbit: exact for every VCD timescale down to 1 ps and
for every instrument's sampling period, and wide enough in 64 bits for a hundred days.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal, DecimalException

from wrongbit.errors import InputError

PICOSECONDS: dict[str, int] = {
    "ps": 1,
    "ns": 10**3,
    "us": 10**6,
    "µs": 10**6,  # micro sign
    "μs": 10**6,  # Greek mu, which keyboards give instead
    "ms": 10**9,
    "s": 10**12,
}
"""Picoseconds in one of each unit of time."""

LONGEST_TIME = 2**63 - 1
"""Picoseconds that fit a signed 64-bit integer: about 107 days."""

HERTZ: dict[str, int] = {"Hz": 1, "kHz": 10**3, "MHz": 10**6, "GHz": 10**9}
"""Hertz in one of each unit of frequency."""

_LARGEST = Decimal(10) ** 24
_QUANTITY = re.compile(r"^\s*([+-]?[0-9][0-9_ ]*(?:[.,][0-9]+)?(?:[eE][+-]?[0-9]+)?)\s*([A-Za-zµμ%]+)\s*$")


_BIT_RUN = re.compile(r"\s*([0-9]{1,4})\s*(?:\.\.\s*([0-9]{1,4})\s*)?")


def parse_time(text: str) -> int:
    """A time such as ``450 ns`` or ``1.5us`` in picoseconds, rounded to the nearest.

    Raises:
        InputError: The text is not a number followed by one of ps, ns, us, µs, ms, s.

    >>> parse_time("450 ns")
    450000
    >>> parse_time("0,5 µs")
    500000
    """
    picoseconds = round(parse_quantity(text, PICOSECONDS, "a time such as '450 ns'"))
    if abs(picoseconds) > LONGEST_TIME:
        raise InputError(f"{text!r} is longer than a hundred days.", "Check the number and its unit.")
    return picoseconds


def parse_frequency(text: str) -> float:
    """A frequency such as ``1 MHz`` in hertz.

    Raises:
        InputError: The text is not a number followed by one of Hz, kHz, MHz, GHz.

    >>> parse_frequency("2.5 MHz")
    2500000.0
    """
    return float(parse_quantity(text, HERTZ, "a frequency such as '1 MHz'"))


def parse_quantity(text: str, units: Mapping[str, int | Decimal], expected: str) -> Decimal:
    """A number with a unit, exactly.

    Args:
        text: Such as ``4,75 V``.
        units: Unit = how many of the base unit it is.
        expected: What is expected, for the message.

    Raises:
        InputError: The text is not a number followed by one of the units, or its size is beyond reason.

    >>> parse_quantity("4,75 V", {"V": 1}, "a voltage")
    Decimal('4.75')
    """
    match = _QUANTITY.match(text)
    if match is None or match[2] not in units:
        raise InputError(f"{text!r} is not {expected}.", f"Use one of the units {', '.join(units)}.")
    try:
        value = Decimal(match[1].replace(",", ".").replace(" ", "").replace("_", "")) * units[match[2]]
    except DecimalException:
        raise InputError(f"{text!r} is not {expected}.", "Write a number of reasonable size.") from None
    if abs(value) > _LARGEST:
        raise InputError(f"{text!r} is not {expected}.", "Write a number of reasonable size.")
    return value


def format_time(picoseconds: int | float) -> str:
    """A time in the unit that reads best, four significant digits at most.

    >>> format_time(450_000)
    '450 ns'
    >>> format_time(1_234_567_890)
    '1.235 ms'
    """
    magnitude = abs(picoseconds)
    for unit in ("s", "ms", "µs", "ns"):
        if magnitude >= PICOSECONDS[unit]:
            return f"{picoseconds / PICOSECONDS[unit]:.4g} {unit}"
    return f"{picoseconds:.4g} ps"


def parse_integer(text: str) -> int:
    """An integer in decimal, ``0x`` hexadecimal, ``0o`` octal or ``0b`` binary.

    Raises:
        InputError: The text is none of these.

    >>> parse_integer("0xFF"), parse_integer("0o377"), parse_integer("255")
    (255, 255, 255)
    """
    try:
        return int(text.strip().encode("ascii"), 0)  # digits of other scripts are no digits here
    except ValueError:
        raise InputError(
            f"{text!r} is not a whole number.", "Write it in decimal, as 0x… (hex) or as 0o… (octal)."
        ) from None


def parse_bits(text: str) -> tuple[int, ...]:
    """Bit numbers in order: ``0..7`` upward, ``7..0`` downward, ``0, 2, 4..6`` a mixture.

    Raises:
        InputError: A piece is neither a number of at most four digits nor a range.

    >>> parse_bits("0..3")
    (0, 1, 2, 3)
    >>> parse_bits("7..5, 0")
    (7, 6, 5, 0)
    """
    numbers: list[int] = []
    for piece in text.split(","):
        match = _BIT_RUN.fullmatch(piece)
        if match is None:
            raise InputError(f"{text!r} is not a list of bits.", "Write it as '0..7' or '0, 1, 2'.")
        first = int(match[1])
        last = first if match[2] is None else int(match[2])
        numbers.extend(range(first, last + 1) if first <= last else range(first, last - 1, -1))
    return tuple(numbers)


def format_bits(bits: tuple[int, ...]) -> str:
    """Bit numbers as text, runs shortened: the inverse of `parse_bits`.

    >>> format_bits((0, 1, 2, 3, 7))
    '0..3, 7'
    >>> format_bits((5,))
    '5'
    """
    pieces: list[str] = []
    index = 0
    while index < len(bits):
        end = index
        step = bits[index + 1] - bits[index] if index + 1 < len(bits) else 0
        if step in (1, -1):
            while end + 1 < len(bits) and bits[end + 1] - bits[end] == step:
                end += 1
        pieces.append(str(bits[index]) if end == index else f"{bits[index]}..{bits[end]}")
        index = end + 1
    return ", ".join(pieces)


def format_address(address: int, address_bits: int) -> str:
    """An address in hexadecimal with as many digits as the processor's addresses have.

    >>> format_address(0x3F, 16)
    '0x003F'
    """
    return f"0x{address:0{(address_bits + 3) // 4}X}"


def format_word(value: int, bits: int) -> str:
    """A word in hexadecimal with all its digits.

    >>> format_word(10, 12)
    '00A'
    """
    return f"{value:0{-(-bits // 4)}X}"
