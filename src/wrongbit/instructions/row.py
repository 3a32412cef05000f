"""One row of an instruction table: a bit pattern, its text, where it leads, what it costs.

    pattern | text | flow | targets | clock cycles | data

The columns are told in ``docs/instructions.md``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import cast

from wrongbit.instructions.expression import Context, Expression, compile_expression, signed
from wrongbit.instructions.instruction import (
    FLOWS,
    BusHabits,
    ClockCount,
    DataAccess,
    Fetch,
    Flow,
    Instruction,
)
from wrongbit.machine.recipe import Kind

_FIELD_TOKEN = re.compile(r"<([A-Za-z_][A-Za-z_0-9]*)(?::([1-4]))?>")
_FLOW = re.compile(r"([a-z]+)(\?)?(?:\s+bank\^([0-9]+))?")
_CYCLES = re.compile(r"([0-9]+)(?:/([0-9]+))?(?:\+([0-9]+))?")
_DATA = re.compile(r"(r|w|in|out)\s+(\?|.+)")
_HOLE = re.compile(r"\{([A-Za-z_][A-Za-z_0-9]*)(?::([^}]*))?\}")
_DATA_KINDS: dict[str, Kind] = {"r": "read", "w": "write", "in": "io_read", "out": "io_write"}


@dataclass(frozen=True)
class Unit:
    """What one unit of a pattern demands and which bits of it are fields.

    Args:
        mask: Bits that are fixed.
        value: Their levels.
        pieces: (field, bit of the field, bit of the unit).
    """

    mask: int
    value: int
    pieces: tuple[tuple[str, int, int], ...] = ()

    @cached_property
    def parts(self) -> tuple[tuple[str, int, int, int], ...]:
        """The pieces, neighbours joined: (field, lowest bit of the field, of the unit, mask of the bits)."""
        found: list[tuple[str, int, int, int]] = []
        for name, to, at in sorted(self.pieces):
            if found and found[-1][0] == name:
                _, low, unit_low, mask = found[-1]
                width = mask.bit_length()
                if (to, at) == (low + width, unit_low + width):
                    found[-1] = name, low, unit_low, mask << 1 | 1
                    continue
            found.append((name, to, at, 1))
        return tuple(found)


@dataclass(frozen=True)
class Row:
    """A row ready for use.

    Args:
        units: The pattern.
        widths: Field name = its width in bits.
        text: Template of the text.
        flow: Where it leads.
        conditional: It may go on at the next address instead.
        bank_change: Exclusive-or with the bank number.
        targets: Expressions.
        cycles: Clock cycles, or None.
        data: Data accesses: kind and address, None where the words do not hold it.
        documented: The maker's manual lists it.
    """

    units: tuple[Unit, ...]
    widths: Mapping[str, int]
    text: str
    flow: Flow
    conditional: bool
    bank_change: int
    targets: tuple[Expression, ...]
    cycles: ClockCount | None
    data: tuple[tuple[Kind, Expression | None], ...]
    documented: bool

    def build(
        self,
        words: Sequence[int],
        address: int,
        fetch: Fetch,
        habits: BusHabits,
        names: Mapping[str, Sequence[str]],
        *,
        data_listed: bool,
    ) -> Instruction:
        """The instruction that these units are, which must match the pattern."""
        fields = dict.fromkeys(self.widths, 0)
        for unit, word in zip(self.units, words, strict=True):
            for name, to, at, mask in unit.parts:
                fields[name] |= (word >> at & mask) << to
        following = (address + len(words) * habits.step) & ((1 << habits.address_bits) - 1)
        context = Context(fields, address, following, fetch, habits)
        targets = [target(context) for target in self.targets]
        known = tuple(target for target in targets if target is not None)
        return Instruction(
            address=address,
            words=tuple(words),
            following=following,
            text=self._fill(fields, known, habits, names),
            flow=self.flow,
            targets=known if len(known) == len(targets) else None,
            conditional=self.conditional,
            bank_change=self.bank_change,
            cycles=self.cycles,
            data=self._data(context) if data_listed and self.documented else None,
            documented=self.documented,
        )

    def _data(self, context: Context) -> tuple[DataAccess, ...]:
        return tuple(
            DataAccess(kind, None if address is None else address(context)) for kind, address in self.data
        )

    def _fill(
        self,
        fields: Mapping[str, int],
        targets: Sequence[int],
        habits: BusHabits,
        names: Mapping[str, Sequence[str]],
    ) -> str:
        def value(match: re.Match[str]) -> str:
            name, form = match[1], match[2]
            if name == "target":
                return f"{targets[0]:0{-(-habits.address_bits // 4)}X}" if targets else "?"
            number, bits = fields[name], self.widths[name]
            if form is None:
                return f"{number:0{-(-bits // 4)}X}"
            if form == "+":
                return f"{signed(number, bits):+d}"
            return str(number) if form == "d" else names[form][number]

        return _HOLE.sub(value, self.text)


def read_row(line: str, habits: BusHabits, names: Mapping[str, Sequence[str]]) -> Row:
    """A row of a table.

    Args:
        line: Its text.
        habits: Width of a unit and order of bytes.
        names: Lists of names that the texts use.

    Raises:
        ValueError: The row is not as it should be.
    """
    columns = [column.strip() for column in line.split("|")]
    if not 3 <= len(columns) <= 6:
        raise ValueError(
            f"{len(columns)} columns; 'pattern | text | flow', then targets, cycles and data, are expected"
        )
    pattern, text, flow, targets, cycles, data = columns + [""] * (6 - len(columns))
    units, widths = _pattern(pattern, habits)
    kind, conditional, bank_change = _flow(flow)
    documented = not text.startswith("*")
    _check_text(text, widths, names)
    goals = tuple(compile_expression(goal, widths) for goal in targets.split(",") if goal.strip())
    if not goals and kind in ("jump", "branch", "skip", "call", "stop"):
        raise ValueError(f"a {kind} needs a target")
    return Row(
        units=units,
        widths=widths,
        text=text.removeprefix("*").strip(),
        flow=kind,
        conditional=conditional,
        bank_change=bank_change,
        targets=goals,
        cycles=_cycles(cycles),
        data=tuple(_access(item, widths) for item in data.split(",") if item.strip()),
        documented=documented,
    )


def _pattern(text: str, habits: BusHabits) -> tuple[tuple[Unit, ...], dict[str, int]]:
    """Units and field widths of a pattern."""
    bits = habits.unit_bits
    units: list[Unit] = []
    widths: dict[str, int] = {}
    for token in text.split():
        field = _FIELD_TOKEN.fullmatch(token)
        if field is not None:
            name, count = field[1], int(field[2] or 1)
            if name in widths:
                raise ValueError(f"the field {name} stands twice")
            widths[name] = bits * count
            for n in range(count):
                low = bits * (count - 1 - n if habits.big_endian else n)
                units.append(Unit(0, 0, tuple((name, low + bit, bit) for bit in range(bits))))
        elif token.startswith("0x"):
            if int(token, 16) >> bits:
                raise ValueError(f"{token} does not fit {bits} bits")
            units.append(Unit((1 << bits) - 1, int(token, 16)))
        elif len(token) == bits and re.fullmatch(r"[01a-zA-Z-]+", token):
            units.append(_bit_unit(token, widths))
        else:
            raise ValueError(f"{token!r} is neither {bits} bits, nor a number 0x…, nor a field <name>")
    if not units:
        raise ValueError("the pattern is empty")
    return tuple(units), widths


def _bit_unit(token: str, widths: dict[str, int]) -> Unit:
    """A unit written bit by bit, highest first; equal letters are one field."""
    mask = value = 0
    pieces = []
    count: dict[str, int] = {}
    for bit, letter in enumerate(reversed(token)):
        if letter in "01":
            mask |= 1 << bit
            value |= int(letter) << bit
        elif letter != "-":
            pieces.append((letter, count.get(letter, 0), bit))
            count[letter] = count.get(letter, 0) + 1
    for letter, width in count.items():
        if letter in widths:
            raise ValueError(f"the field {letter} stands in two units")
        widths[letter] = width
    return Unit(mask, value, tuple(pieces))


def _flow(text: str) -> tuple[Flow, bool, int]:
    match = _FLOW.fullmatch(text)
    if match is None or match[1] not in FLOWS:
        raise ValueError(f"{text!r} is no flow; one of {', '.join(FLOWS)} is expected")
    return cast(Flow, match[1]), match[2] is not None, int(match[3] or 0)


def _cycles(text: str) -> ClockCount | None:
    if not text:
        return None
    match = _CYCLES.fullmatch(text)
    if match is None:
        raise ValueError(f"{text!r} are no clock cycles; '4', '2/3' or '2/3+1' is expected")
    base = int(match[1])
    return ClockCount(base, int(match[2] or base), int(match[3] or 0))


def _access(text: str, widths: Mapping[str, int]) -> tuple[Kind, Expression | None]:
    match = _DATA.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"{text.strip()!r} is no data access; 'r a', 'w a', 'in p' or 'out p' is expected")
    address = None if match[2] == "?" else compile_expression(match[2], widths)
    return _DATA_KINDS[match[1]], address


def _check_text(text: str, widths: Mapping[str, int], names: Mapping[str, Sequence[str]]) -> None:
    for name, form in _HOLE.findall(text):
        if name != "target" and name not in widths:
            raise ValueError(f"the text uses {{{name}}}, which is no field of the pattern")
        if form in ("", "+", "d"):
            continue
        if form not in names:
            raise ValueError(f"the text uses the names {form!r}, which [names] does not list")
        if len(names[form]) != 1 << widths[name]:
            raise ValueError(f"names.{form} has {len(names[form])} entries; {1 << widths[name]} are expected")
