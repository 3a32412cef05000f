"""Sentences and small tables that several sections use."""

from __future__ import annotations

from collections.abc import Sequence

from wrongbit.bus.cycles import NO_TIME
from wrongbit.report.content import Paragraph
from wrongbit.units import format_bits, format_time


def absent(text: str) -> Paragraph:
    """What has not been done."""
    return Paragraph(text, "absent")


def known_word(value: int, known: int, bits: int) -> str:
    """A word in hexadecimal; a digit with any unknown bit is a question mark.

    >>> known_word(0x1200, 0xFF0F, 16)
    '12?0'
    """
    digits = []
    for shift in range(4 * (-(-bits // 4) - 1), -1, -4):
        need = (((1 << bits) - 1) >> shift) & 15
        digits.append(f"{value >> shift & 15:X}" if known >> shift & need == need else "?")
    return "".join(digits)


def moment(time_ps: int, first_ps: int) -> str:
    """A cycle's time after the first; a dash where the capture has none."""
    if time_ps == NO_TIME or first_ps == NO_TIME:
        return "–"
    return format_time(time_ps - first_ps) if time_ps != first_ps else "0"


def lane_text(lane: Sequence[int]) -> str:
    """The word bits of a chip for a person.

    >>> lane_text(range(8, 16)), lane_text([5])
    ('bits 8 to 15 of the word', 'bit 5 of the word')
    """
    bits = tuple(sorted(lane))
    if len(bits) == 1:
        return f"bit {bits[0]} of the word"
    gapless = bits[-1] - bits[0] == len(bits) - 1
    return f"bits {f'{bits[0]} to {bits[-1]}' if gapless else format_bits(bits)} of the word"


def bytes_text(count: int) -> str:
    """A file's size.

    >>> bytes_text(512), bytes_text(1_234_567)
    ('512 bytes', '1\xa0234\xa0567 bytes')
    """
    return f"{count:,}".replace(",", "\N{NO-BREAK SPACE}") + " bytes"
