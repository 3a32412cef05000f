"""A small two-pass assembler that the invented machines' programs are written for.

The processor's instructions come from an encoder (`Encoder`): our own table for the S16, library assemblers
for the real families. Everything else is here: labels, constants, directives and the listing.

A line is ``LABEL:  statement  ; comment``. Numbers are decimal or ``0x…``; an expression is a sum or
difference of numbers and names; ``<`` and ``>`` before it take its low or high byte. Directives:

=====================  ==========================================================
``NAME = expression``  a constant
``.org address``       go on at this address
``.word a, b, …``      units as they are (bytes on a byte-wide machine)
``.pair a, b, …``      16-bit values in two units each, low one first
``.text "…"``          character codes, one a unit
``.table NAME n``      n units from the table generator of this name
``.until address``     fill up to this address with the erased value
=====================  ==========================================================
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

Resolve = Callable[[str], int]
"""Value of an expression; in the first pass a forward name has the value of the line's own address."""

Table = Callable[[int], list[int]]
"""A generator of n units of contents."""

_LINE = re.compile(r"^\s*(?:([A-Za-z_][A-Za-z0-9_]*):)?\s*(.*?)\s*$")
_CONSTANT = re.compile(r"^([A-Za-z_][A-Za-z0-9_]*)\s*=\s*(.+)$")
_PIECE = re.compile(r"\s*([+-]?)\s*(0x[0-9A-Fa-f]+|[0-9]+|[A-Za-z_][A-Za-z0-9_]*)\s*")


class AssemblyError(Exception):
    """A program of ours does not assemble: a mistake in the package, not a user's."""


class Encoder(Protocol):
    """Turns one statement of a processor's own language into units."""

    def __call__(self, statement: str, address: int, resolve: Resolve) -> list[int]:
        """The units of ``statement``, which starts at ``address``."""


@dataclass(frozen=True)
class ListedLine:
    """One line of the listing: where it went, what it gave, and what was written."""

    address: int
    units: tuple[int, ...]
    text: str


@dataclass(frozen=True)
class Program:
    """An assembled program.

    Args:
        units: Address = contents, for every address that was given.
        lines: The source in order, with addresses.
        labels: Name = value.
        unit_bits: Bits in a unit.
    """

    units: Mapping[int, int]
    lines: tuple[ListedLine, ...]
    labels: Mapping[str, int]
    unit_bits: int

    def listing(self, per_line: int = 8) -> str:
        """The listing as text: address, units, then the source line.

        Lines with more units than ``per_line`` run on in lines of their own.
        """
        digits = self.unit_bits // 4
        # Two units are the longest instruction of a word-wide machine, three of a byte-wide one.
        room = 3 * (digits + 1) if digits == 2 else 2 * (digits + 1)
        rows = []
        for line in self.lines:
            if not line.units:
                rows.append(" " * (6 + room + 2) + line.text if line.text else "")
                continue
            pieces = [line.units[i : i + per_line] for i in range(0, len(line.units), per_line)]
            for index, piece in enumerate(pieces):
                words = " ".join(f"{unit:0{digits}X}" for unit in piece)
                text = line.text if index == 0 else ""
                row = f"{line.address + index * per_line:04X}  {words:<{room}}  {text}"
                rows.append(row.rstrip())
        return "\n".join(rows) + "\n"


def assemble(
    source: str,
    encode: Encoder,
    *,
    unit_bits: int,
    tables: Mapping[str, Table],
    erased: int,
    constants: Mapping[str, int] | None = None,
) -> Program:
    """Assemble ``source`` in two passes.

    Raises:
        AssemblyError: With the line number and the statement.
    """
    labels: dict[str, int] = dict(constants or {})
    run = _Pass(encode, unit_bits, tables, erased, labels, strict=False)
    run.over(source)
    run = _Pass(encode, unit_bits, tables, erased, labels, strict=True)
    run.over(source)
    return Program(run.units, tuple(run.lines), labels, unit_bits)


class _Pass:
    """One run over the source; the first one collects labels, the second gives units."""

    def __init__(
        self,
        encode: Encoder,
        unit_bits: int,
        tables: Mapping[str, Table],
        erased: int,
        labels: dict[str, int],
        *,
        strict: bool,
    ) -> None:
        self.encode, self.unit_bits, self.tables, self.erased = encode, unit_bits, tables, erased
        self.labels, self.strict = labels, strict
        self.address = 0
        self.units: dict[int, int] = {}
        self.lines: list[ListedLine] = []

    def over(self, source: str) -> None:
        for number, raw in enumerate(source.splitlines(), 1):
            try:
                self.line(raw)
            except (ValueError, KeyError, SyntaxError, OverflowError) as error:
                raise AssemblyError(f"line {number}: {raw.strip()}: {error}") from error

    def line(self, raw: str) -> None:
        match = _LINE.match(_without_comment(raw))
        assert match is not None  # the pattern matches every line
        label, statement = match[1], match[2]
        start = self.address
        constant = _CONSTANT.match(statement)
        if constant is not None:
            self.define(constant[1], self.value(constant[2]))
            statement = ""
        if label is not None:
            self.define(label, start)
        if statement.startswith(".org"):
            self.address = start = self.value(statement[4:])
            units: list[int] = []
        else:
            units = self.units_of(statement)
        for unit in units:
            if self.address in self.units:
                raise ValueError(f"address 0x{self.address:04X} is already taken")
            self.units[self.address] = unit & ((1 << self.unit_bits) - 1)
            self.address += 1
        self.lines.append(ListedLine(start, tuple(self.units[start + i] for i in range(len(units))), raw))

    def define(self, name: str, value: int) -> None:
        if self.strict and self.labels[name] != value:
            raise ValueError(f"{name} moved from 0x{self.labels[name]:X} to 0x{value:X} between the passes")
        if not self.strict and name in self.labels:
            raise ValueError(f"{name} is defined twice")
        self.labels[name] = value

    def units_of(self, statement: str) -> list[int]:
        if not statement:
            return []
        word, _, rest = statement.partition(" ")
        rest = rest.strip()
        if word == ".word":
            return [self.value(piece) for piece in rest.split(",")]
        if word == ".pair":
            values = [self.value(piece) for piece in rest.split(",")]
            return [part for value in values for part in (value & 0xFF, value >> 8)]
        if word == ".text":
            return [ord(character) for character in rest[1:-1]]
        if word == ".table":
            name, count = rest.split()
            return self.tables[name](self.value(count))
        if word == ".until":
            room = self.value(rest) - self.address
            if room < 0:
                raise ValueError(f"0x{self.address:04X} is already beyond")
            return [self.erased] * room
        return self.encode(statement, self.address, self.value)

    def value(self, expression: str) -> int:
        """Value of an expression such as ``TABLE+0x10`` or ``<TABLE``."""
        text = expression.strip()
        if text[:1] in "<>":
            value = self.value(text[1:])
            return value & 0xFF if text[0] == "<" else (value >> 8) & 0xFF
        total, position = 0, 0
        while position < len(text):
            match = _PIECE.match(text, position)
            if match is None or (position > 0 and not match[1]):
                raise ValueError(f"{expression!r} is not an expression")
            piece = int(match[2], 0) if match[2][0].isdigit() else self.name(match[2])
            total += -piece if match[1] == "-" else piece
            position = match.end()
        return total

    def name(self, name: str) -> int:
        if name in self.labels:
            return self.labels[name]
        if self.strict:
            raise ValueError(f"{name} is not defined")
        return self.address


def _without_comment(raw: str) -> str:
    """The line up to a semicolon that does not stand inside quotes."""
    quoted = False
    for index, character in enumerate(raw):
        if character == '"':
            quoted = not quoted
        elif character == ";" and not quoted:
            return raw[:index]
    return raw
