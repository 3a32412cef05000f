"""What a checksum demands of the bits that are not known.

A constraint is an algorithm of `wrongbit.image.checksums` over a run of bytes, equal to a constant or to a
value that the image itself holds. Every one of them is linear in the unknown bits, in one of two ways:

- exclusive-or and CRCs over GF(2): each unknown bit flips a fixed set of result bits (`Parity`);
- sums over the integers modulo a number: each unknown bit adds a fixed weight (`Total`).

Sources: for CRCs R. N. Williams, "A Painless Guide to CRC Error Detection Algorithms", 1993; for the one's
complement sum RFC 1071.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import lru_cache
from math import gcd

import numpy as np
from numpy.typing import NDArray

from wrongbit.errors import UsageError
from wrongbit.image.checksums import ALGORITHMS, Algorithm, CrcModel, check_fcode, check_option_rom
from wrongbit.image.lanes import ByteOrder
from wrongbit.units import parse_integer

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint64]


@dataclass(frozen=True)
class Constraint:
    """One checksum that the bytes obey.

    Args:
        algorithm: How bytes become a number.
        first: First byte that it covers.
        end: Byte behind the last one.
        value: The result, where it is a constant.
        stored: First byte of the result, where the image holds it; it may lie inside the run.
        order: Byte order of the stored result.

    Raises:
        ValueError: Neither or both of ``value`` and ``stored`` are given, or the value is too wide.
    """

    algorithm: Algorithm
    first: int
    end: int
    value: int | None = None
    stored: int | None = None
    order: ByteOrder = "little"

    def __post_init__(self) -> None:
        if (self.value is None) == (self.stored is None):
            raise ValueError("give either a value or where it is stored")
        if not 0 <= self.first < self.end:
            raise ValueError(f"the run {self.first} to {self.end} is empty")
        if self.value is not None and not 0 <= self.value < 1 << self.algorithm.width:
            raise ValueError(f"{self.value} does not fit {self.algorithm.width} bits")

    @property
    def width(self) -> int:
        """Bits of the result."""
        return self.algorithm.width

    def say(self) -> str:
        """The constraint in words.

        >>> parse_constraint("crc-32 0..0xFB = stored 0xFC le", 256).say()
        'CRC-32 of 0x0..0xFB equals the value stored at 0xFC (low byte first)'
        """
        run = f"{self.algorithm.name} of 0x{self.first:X}..0x{self.end - 1:X}"
        if self.value is not None:
            return f"{run} equals {self.value:0{self.width // 4}X}"
        low = "low" if self.order == "little" else "high"
        order = f" ({low} byte first)" if self.width > 8 else ""
        return f"{run} equals the value stored at 0x{self.stored:X}{order}"

    def covered(self) -> tuple[slice, ...]:
        """The bytes that it looks at, the stored result included."""
        run = slice(self.first, self.end)
        return (run,) if self.stored is None else (run, slice(self.stored, self.stored + self.width // 8))

    def holds(self, data: bytes) -> bool:
        """Whether bytes that are known throughout obey it."""
        return self.algorithm.compute(data[self.first : self.end]) == self._expected(data)

    def _expected(self, data: bytes) -> int:
        if self.stored is None:
            return int(self.value or 0)
        return int.from_bytes(data[self.stored : self.stored + self.width // 8], self.order)


@dataclass(frozen=True)
class Parity:
    """A linear system over GF(2): the columns of the bits that are 1 add up to the target.

    Args:
        columns: ``uint64 (n,)`` which of the system's ``width`` equations each unknown bit enters.
        target: Right-hand sides, one a bit.
        width: Number of equations.
    """

    columns: Words
    target: int
    width: int

    @property
    def touched(self) -> NDArray[np.bool_]:
        """``bool (n,)`` bits that enter at all."""
        return np.asarray(self.columns != 0)


@dataclass(frozen=True)
class Total:
    """A sum: the weights of the bits that are 1 add up to the target, modulo a number.

    The one's complement sum has two zeros, 0000 for no one bit at all and FFFF; that needs memory beyond the
    sum, in two *marks*: that some covered bit was 1, and that some stored bit was not what an empty sum asks.

    Args:
        weights: ``int64 (n,)`` from 0 to ``modulus`` - 1.
        target: What they must add up to.
        modulus: The number.
        width: Bits of the checksum.
        marks_one: ``uint8 (n,)`` marks that each bit sets by being 1.
        marks_zero: ``uint8 (n,)`` marks that each bit sets by being 0.
        marked: Marks that known bits have set already.
        accepted: Marks with which the sum may end.
        marks: Number of different marks' states, 1 or 4.
    """

    weights: NDArray[np.int64]
    target: int
    modulus: int
    width: int
    marks_one: Bytes
    marks_zero: Bytes
    marked: int = 0
    accepted: frozenset[int] = frozenset({0})
    marks: int = 1

    @property
    def touched(self) -> NDArray[np.bool_]:
        """``bool (n,)`` bits that enter at all."""
        return np.asarray((self.weights != 0) | (self.marks_one != 0) | (self.marks_zero != 0))

    def reduced(self) -> Total | None:
        """The same demand with the smallest modulus; None if no bits whatever can meet it."""
        weights, target, modulus = self.weights, self.target, self.modulus
        common = gcd(modulus, *(int(each) for each in np.unique(weights)))
        if target % common:
            return None
        weights, target, modulus = weights // common, target // common, max(modulus // common, 1)
        signed = np.where(weights > modulus // 2, weights - modulus, weights)
        low, high = int(signed[signed < 0].sum()), int(signed[signed > 0].sum())
        if high - low + 1 < modulus:  # the sum cannot come round, so that only one total will do
            total = low + (target - low) % modulus
            if total > high:
                return None
            modulus = high - low + 1
            weights, target = signed % modulus, total % modulus
        return replace(self, weights=weights, target=target, modulus=modulus)


@dataclass(frozen=True)
class _Sum:
    """How a sum weighs its bytes: size and order of its words, sign, and modulus."""

    size: int = 1
    order: ByteOrder = "little"
    sign: int = 1
    ones: bool = False
    inverted: bool = False


_SUMS: dict[str, _Sum] = {
    "sum of bytes, 8 bits": _Sum(),
    "sum of bytes, 16 bits": _Sum(),
    "sum of bytes, 32 bits": _Sum(),
    "sum of words, low byte first": _Sum(2),
    "sum of words, high byte first": _Sum(2, "big"),
    "two's complement of the sum, 8 bits": _Sum(sign=-1),
    "two's complement of the sum, 16 bits": _Sum(sign=-1),
    "one's complement sum": _Sum(2, "big", ones=True),
    "Internet checksum": _Sum(2, "big", ones=True, inverted=True),
}


def demand(constraint: Constraint, data: Bytes, byte: NDArray[np.int64], bit: Bytes) -> Parity | Total:
    """What a constraint demands of unknown bits.

    Args:
        constraint: The constraint.
        data: ``uint8 (n_bytes,)``, unknown bits zero.
        byte: ``int64 (n,)`` byte of each unknown bit.
        bit: ``uint8 (n,)`` its place in the byte, bit 0 lowest.
    """
    inside = (byte >= constraint.first) & (byte < constraint.end)
    form = _SUMS.get(constraint.algorithm.name)
    if form is not None:
        return _total(constraint, form, data, byte, bit, inside)
    columns = np.zeros(len(byte), np.uint64)
    ones = np.uint64(1) << bit[inside].astype(np.uint64)
    model = constraint.algorithm.crc
    if model is None:
        columns[inside] = ones
    else:
        columns[inside] = crc_columns(
            model, constraint.width, constraint.end - 1 - byte[inside], ones.astype(np.uint8)
        )
    at, place = _stored_places(constraint, byte, bit)
    columns[at] ^= np.uint64(1) << place
    whole = data.tobytes()
    target = constraint.algorithm.compute(whole[constraint.first : constraint.end])
    return Parity(columns, target ^ constraint._expected(whole), constraint.width)


def _stored_places(
    constraint: Constraint, byte: NDArray[np.int64], bit: Bytes
) -> tuple[NDArray[np.intp], Words]:
    """Unknown bits that belong to the stored result, and their place in it."""
    if constraint.stored is None:
        return np.empty(0, np.intp), np.empty(0, np.uint64)
    size = constraint.width // 8
    at = np.flatnonzero((byte >= constraint.stored) & (byte < constraint.stored + size))
    offset = byte[at] - constraint.stored
    if constraint.order == "big":
        offset = size - 1 - offset
    return at, offset.astype(np.uint64) * np.uint64(8) + bit[at].astype(np.uint64)


def _total(
    constraint: Constraint,
    form: _Sum,
    data: Bytes,
    byte: NDArray[np.int64],
    bit: Bytes,
    inside: NDArray[np.bool_],
) -> Total:
    width, whole = constraint.width, data.tobytes()
    modulus = (1 << width) - 1 if form.ones else 1 << width
    offset = (byte - constraint.first) % form.size
    if form.order == "big":
        offset = form.size - 1 - offset
    weights = np.where(inside, np.int64(1) << (8 * offset + bit), 0) * form.sign
    at, place = _stored_places(constraint, byte, bit)
    # Stored as it is, the result is taken off; an inverted one (all ones less the sum) adds up with it.
    weights[at] += (np.int64(1) << place.astype(np.int64)) * (1 if form.inverted else -1)
    expected = constraint._expected(whole)
    if form.inverted:
        expected ^= (1 << width) - 1
    found = constraint.algorithm.compute(whole[constraint.first : constraint.end])
    found ^= (1 << width) - 1 if form.inverted else 0
    none = np.zeros(len(byte), np.uint8)
    plain = Total(weights % modulus, (expected - found) % modulus, modulus, width, none, none.copy())
    if not form.ones:
        return plain
    lost = int(np.bitwise_or.reduce(np.uint64(1) << place, initial=np.uint64(0)))
    return _with_marks(plain, constraint, form, found, expected & ~lost, inside, at)


_SOME_DATA, _SOME_STORED = 1, 2


def _with_marks(
    plain: Total,
    constraint: Constraint,
    form: _Sum,
    found: int,
    expected: int,
    inside: NDArray[np.bool_],
    at: NDArray[np.intp],
) -> Total:
    """Tell the two zeros apart: the sum is 0000 if, and only if, no covered bit is 1.

    Args:
        found: Sum of the known bits.
        expected: Known ones of the sum that is asked for.
    """
    plain.marks_one[inside] |= np.uint8(_SOME_DATA)
    marked = _SOME_DATA if found else 0
    if constraint.stored is None:
        accepted = {_SOME_DATA} if expected else {0}
    else:
        (plain.marks_zero if form.inverted else plain.marks_one)[at] |= np.uint8(_SOME_STORED)
        marked |= _SOME_STORED if expected else 0
        accepted = {0, _SOME_DATA | _SOME_STORED}
    return replace(plain, marked=marked, accepted=frozenset(accepted), marks=4)


def crc_columns(model: CrcModel, width: int, after: NDArray[np.int64], value: Bytes) -> Words:
    """By what a CRC changes when bytes are changed.

    A CRC is affine: the change depends on the change of the byte and on how many bytes follow, not on what
    any of them is. One zero byte more is a fixed linear map of the register; its powers of two are squared
    up, so that a bit at any distance costs as many maps as the distance has binary digits.

    Args:
        model: The CRC's parameters.
        width: Its width, 8 to 64.
        after: ``int64 (n,)`` number of bytes that follow the changed one.
        value: ``uint8 (n,)`` exclusive-or on that byte.

    Returns:
        ``uint64 (n,)`` exclusive-or on the CRC.
    """
    states = _first_step(model, width, value)
    for power in range(int(after.max(initial=0)).bit_length()):
        odd = np.flatnonzero(after >> power & 1)
        if len(odd):
            states[odd] = _apply(_zero_bytes(model, width, power), states[odd])
    return states


@lru_cache(maxsize=256)
def _zero_bytes(model: CrcModel, width: int, power: int) -> Words:
    """The map of 2 to this power zero bytes: where each bit of the register goes."""
    if power == 0:
        return np.array([_first_state(model, width, 1 << bit) for bit in range(width)], np.uint64)
    half = _zero_bytes(model, width, power - 1)
    return _apply(half, half)


FEW = 1 << 12
"""States that are mapped as one table of states by bits; more would fill the memory."""


def _apply(columns: Words, states: Words) -> Words:
    """A linear map, given by where each bit of the state goes."""
    if len(states) <= FEW:
        shifts = np.arange(len(columns), dtype=np.uint64)
        chosen = ((states[:, None] >> shifts) & np.uint64(1)) * columns
        return np.asarray(np.bitwise_xor.reduce(chosen, axis=1))
    result = np.zeros_like(states)
    for bit, column in enumerate(columns):
        result ^= ((states >> np.uint64(bit)) & np.uint64(1)) * column
    return result


def _first_state(model: CrcModel, width: int, state: int) -> int:
    """The register after one zero byte."""
    polynomial, top = model.polynomial, 1 << (width - 1)
    if model.reflected:
        polynomial = int(f"{polynomial:0{width}b}"[::-1], 2)
    for _ in range(8):
        if model.reflected:
            state = (state >> 1) ^ (polynomial if state & 1 else 0)
        else:
            state = ((state << 1) & ((1 << width) - 1)) ^ (polynomial if state & top else 0)
    return state


def _first_step(model: CrcModel, width: int, value: Bytes) -> Words:
    """The register after one byte into an empty register."""
    shift = 0 if model.reflected else width - 8
    table = np.array([_first_state(model, width, each << shift) for each in range(256)], np.uint64)
    return np.asarray(table[value])


# -- as a person writes them -------------------------------------------------------------------------------

NAMES: dict[str, str] = {
    "sum8": "sum of bytes, 8 bits",
    "sum16": "sum of bytes, 16 bits",
    "sum32": "sum of bytes, 32 bits",
    "word-sum-le": "sum of words, low byte first",
    "word-sum-be": "sum of words, high byte first",
    "negative-sum8": "two's complement of the sum, 8 bits",
    "negative-sum16": "two's complement of the sum, 16 bits",
    "xor8": "exclusive-or of bytes",
    "ones-sum": "one's complement sum",
    "internet": "Internet checksum",
    **{row.name.lower(): row.name for row in ALGORITHMS if row.crc is not None},
}
"""Short name = the algorithm's name in `ALGORITHMS`."""

RULES = ("option-rom", "fcode")
"""Rules of ROM headers that make a constraint by themselves."""

_FORM = (
    "Write it as 'crc-32 0x0000..0x1FFB = stored 0x1FFC le' or 'sum8 = 0'; 'le' or 'be' is the byte order."
)
_NUMBER = r"(?:0[xob][0-9A-Fa-f]+|[0-9]+)"
_TEXT = re.compile(
    rf"\s*([A-Za-z0-9/-]+)\s*(?:({_NUMBER})\s*\.\.\s*({_NUMBER}))?\s*="
    rf"\s*(?:stored\s+(?:at\s+)?({_NUMBER})(?:\s+(le|be))?|({_NUMBER}))\s*"
)


def parse_constraint(text: str, size: int, data: bytes | None = None) -> Constraint:
    """A constraint as a person writes it.

    Args:
        text: Algorithm, first and last byte (left out: all bytes), and a number or 'stored' with the byte
            where it begins; or the name of a rule of ROM headers.
        size: Number of bytes in the image.
        data: The bytes, unknown bits zero: a header's rule reads its length from them.

    Raises:
        UsageError: The text says something else, or bytes that the image does not have.

    >>> parse_constraint("sum8 = 0", 32768).say()
    'sum of bytes, 8 bits of 0x0..0x7FFF equals 00'
    """
    if text.strip().lower() in RULES:
        return _rule(text.strip().lower(), b"" if data is None else data)
    match = _TEXT.fullmatch(text)
    if match is None:
        raise UsageError(f"{text!r} is not a checksum.", _FORM)
    name, first, last, stored, order, value = match.groups()
    algorithm = _algorithm(name)
    begin, end = (0, size) if first is None else (parse_integer(first), parse_integer(last) + 1)
    place = None if stored is None else parse_integer(stored)
    reach = max(end, 0 if place is None else place + algorithm.width // 8)
    if begin >= end or reach > size:
        found = "the run is empty" if begin >= end else f"it reaches to 0x{reach - 1:X}"
        raise UsageError(f"{text!r}: {found}; the chip's bytes are 0x0..0x{size - 1:X}.", "Correct the run.")
    if place is not None and order is None and algorithm.width > 8:
        raise UsageError(f"{text!r} does not say the byte order of what is stored.", "Add 'le' or 'be'.")
    number = None if value is None else parse_integer(value)
    if number is not None and number >> algorithm.width:
        raise UsageError(
            f"{text!r}: 0x{number:X} has more than {algorithm.width} bits.", "Correct algorithm or value."
        )
    return Constraint(algorithm, begin, end, number, place, "big" if order == "be" else "little")


def algorithm_named(name: str) -> Algorithm:
    """An algorithm by its name in `ALGORITHMS`."""
    return next(row for row in ALGORITHMS if row.name == name)


def _algorithm(name: str) -> Algorithm:
    full = NAMES.get(name.lower())
    if full is None:
        near = get_close_matches(name.lower(), NAMES, 1)
        raise UsageError(
            f"no checksum is called {name!r}.",
            f"Did you mean {near[0]!r}?" if near else f"Choose one of {', '.join((*NAMES, *RULES))}.",
        )
    return algorithm_named(full)


def _rule(rule: str, data: bytes) -> Constraint:
    """The constraint of a ROM's own header; the header itself must be known."""
    check = check_option_rom(data) if rule == "option-rom" else check_fcode(data)
    if check is None or not 0 < check.size <= len(data):
        wants = "55 AA and a length" if rule == "option-rom" else "F1 08 and a length"
        raise UsageError(
            f"the contents do not begin with the header of {rule!r} ({wants}) that fits them.",
            "Write the checksum out instead, such as 'sum8 0x0000..0x7FFF = 0'.",
        )
    if rule == "option-rom":
        return Constraint(algorithm_named("sum of bytes, 8 bits"), 0, check.size, 0)
    return Constraint(algorithm_named("sum of bytes, 16 bits"), 8, check.size, stored=2, order="big")
