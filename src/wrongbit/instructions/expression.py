"""Addresses as a table writes them: ``a``, ``next + signed d``, ``n * 8``, ``at a``, ``page 8 + a``.

| piece | means |
|---|---|
| ``0x38``, ``2`` | itself |
| a letter or name | that field of the pattern |
| ``signed d`` | the field as a two's complement number |
| ``here``, ``next`` | address of the instruction, address after it |
| ``page 8`` | the address after it, its lowest 8 bits cleared |
| ``at x`` | the address that is stored at x |
| ``at_in_page x`` | the same, both bytes from one page of 256 (as the NMOS 6502 does) |
| ``x * 8`` | the piece times a number |

Pieces are joined by ``+``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from wrongbit.instructions.instruction import BusHabits, Fetch

_TOKEN = re.compile(r"\s*(0x[0-9A-Fa-f]+|[0-9]+|[A-Za-z_][A-Za-z_0-9]*|[+*])")


@dataclass(frozen=True)
class Context:
    """What an expression is worked out from.

    Args:
        fields: Field name = value.
        here: Address of the instruction.
        following: Address after it.
        fetch: Memory.
        habits: Widths and order of bytes.
    """

    fields: Mapping[str, int]
    here: int
    following: int
    fetch: Fetch
    habits: BusHabits


Expression = Callable[[Context], int | None]


def compile_expression(text: str, widths: Mapping[str, int]) -> Expression:
    """An expression ready to be worked out; its value is cut to the width of an address.

    Args:
        text: As in the table.
        widths: Field name = its width in bits.

    Raises:
        ValueError: The text is not an expression over these fields.
    """
    tokens, at = [], 0
    while at < len(text.rstrip()):
        match = _TOKEN.match(text, at)
        if match is None:
            raise ValueError(f"{text[at:]!r} is not part of an address")
        tokens.append(match[1])
        at = match.end()
    terms = []
    while True:
        terms.append(_term(tokens, widths, text))
        if not tokens:
            break
        if tokens.pop(0) != "+":
            raise ValueError(f"{text!r}: '+' is expected between its pieces")

    def total(context: Context) -> int | None:
        value = 0
        for term in terms:
            part = term(context)
            if part is None:
                return None
            value += part
        return value & ((1 << context.habits.address_bits) - 1)

    return total


def _term(tokens: list[str], widths: Mapping[str, int], text: str) -> Expression:
    piece = _piece(tokens, widths, text)
    if tokens[:1] != ["*"]:
        return piece
    if len(tokens) < 2 or not tokens[1][0].isdigit():
        raise ValueError(f"{text!r}: a number is expected after '*'")
    tokens.pop(0)
    factor = int(tokens.pop(0), 0)
    return lambda context: None if (value := piece(context)) is None else value * factor


def _piece(tokens: list[str], widths: Mapping[str, int], text: str) -> Expression:
    if not tokens:
        raise ValueError(f"{text!r} ends too early")
    word = tokens.pop(0)
    if word[0].isdigit():
        number = int(word, 0)
        return lambda context: number
    if word in widths:
        return lambda context: context.fields[word]
    if word == "here":
        return lambda context: context.here
    if word == "next":
        return lambda context: context.following
    if word == "page":
        if not tokens or not tokens[0][0].isdigit():
            raise ValueError(f"{text!r}: a number of bits is expected after 'page'")
        bits = int(tokens.pop(0), 0)
        return lambda context: context.following >> bits << bits
    if word == "signed":
        if not tokens or tokens[0] not in widths:
            raise ValueError(f"{text!r}: a field is expected after 'signed'")
        name = tokens.pop(0)
        return lambda context: signed(context.fields[name], widths[name])
    if word in ("at", "at_in_page"):
        where = _piece(tokens, widths, text)
        wrap = 8 if word == "at_in_page" else None
        return lambda context: None if (base := where(context)) is None else stored(context, base, wrap)
    raise ValueError(f"{text!r}: {word!r} is no field of the pattern; it has {', '.join(widths) or 'none'}")


def signed(value: int, bits: int) -> int:
    """A two's complement number.

    >>> signed(0xFE, 8)
    -2
    """
    return value - (1 << bits) if value >> (bits - 1) else value


def stored(context: Context, base: int, wrap: int | None = None) -> int | None:
    """The address that memory holds at ``base``, None where it is not known.

    Args:
        context: Memory and widths.
        base: Where its first unit is.
        wrap: Only so many lowest bits of the address count on.
    """
    habits = context.habits
    mask = (1 << (habits.address_bits if wrap is None else wrap)) - 1
    count = -(-habits.address_bits // habits.unit_bits)
    units = [context.fetch(base & ~mask | (base + n * habits.step) & mask) for n in range(count)]
    value = 0
    for unit in units if habits.big_endian else reversed(units):
        if unit is None:
            return None
        value = value << habits.unit_bits | unit
    return value
