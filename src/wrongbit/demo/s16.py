"""The S16, an invented 16-bit word-addressed processor: its instruction table, encoder and interpreter.

``s16.toml`` is the table; everything that the instructions do is in the ``_do_…`` methods below, one for each
``effect`` of the table. Every bus cycle takes four clock periods.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Literal, cast, get_args

from wrongbit.demo.assembler import Resolve
from wrongbit.demo.board import Bus
from wrongbit.demo.trace import CODE, BusTrace

Operand = Literal["none", "short", "signed", "relative", "word", "address"]
CLOCKS_PER_CYCLE = 4
STACK_TOP = 0x83FF
_FETCH, _READ, _WRITE = CODE["fetch"], CODE["read"], CODE["write"]
_ALL = 0xFFFF


@dataclass(frozen=True)
class Instruction:
    """A row of the instruction table.

    Args:
        mnemonic: As a program is written.
        operation: Upper byte of the instruction's first word.
        operand: Form of its operand.
        effect: What the interpreter does.
        clocks: Clock periods inside the processor, after the last bus cycle.
        text: What it does, for people.
    """

    mnemonic: str
    operation: int
    operand: Operand
    effect: str
    clocks: int
    text: str

    @property
    def words(self) -> int:
        """Length in words."""
        return 2 if self.operand in ("word", "address") else 1


@cache
def instructions() -> tuple[Instruction, ...]:
    """The instruction table, in file order."""
    table = tomllib.loads(files("wrongbit.demo").joinpath("s16.toml").read_text("utf-8"))
    rows = []
    for row in table["instruction"]:
        if row["operand"] not in get_args(Operand):
            raise ValueError(f"{row['mnemonic']}: no operand form is called {row['operand']!r}")
        rows.append(
            Instruction(
                mnemonic=row["mnemonic"],
                operation=row["operation"],
                operand=cast(Operand, row["operand"]),
                effect=row["effect"],
                clocks=row.get("clocks", 0),
                text=row["text"],
            )
        )
    return tuple(rows)


def encode(statement: str, address: int, resolve: Resolve) -> list[int]:
    """Words of one statement, such as ``LDA 0x8000``.

    Raises:
        ValueError: Mnemonic or operand do not fit the table.

    >>> [hex(word) for word in encode("LDI 0x1234", 0, lambda text: int(text, 0))]
    ['0x1000', '0x1234']
    """
    mnemonic, _, operand = statement.partition(" ")
    row = next((row for row in instructions() if row.mnemonic == mnemonic), None)
    if row is None:
        raise ValueError(f"no instruction is called {mnemonic!r}")
    first = row.operation << 8
    if row.operand == "none":
        if operand.strip():
            raise ValueError(f"{mnemonic} takes no operand")
        return [first]
    value = resolve(operand)
    if row.words == 2:
        return [first, value & _ALL]
    if row.operand == "relative":
        value -= address + 1
    low, high = (0, 255) if row.operand == "short" else (-128, 127)
    if not low <= value <= high:
        raise ValueError(f"operand {value} of {mnemonic} is not within {low} to {high}")
    return [first | value & 0xFF]


class S16:
    """The processor, from reset.

    Args:
        bus: What it reads from and writes to.
    """

    def __init__(self, bus: Bus) -> None:
        self._bus = bus
        self.a = self.x = self.y = 0
        self.p = self.b = 0
        self.s = STACK_TOP
        self.zero = self.carry = False
        self.clock = 0
        self._decoded = self._decoder()

    def run(self, cycles: int) -> None:
        """Go on until the bus has seen this many cycles."""
        bus = self._bus
        while len(bus) < cycles:
            self.step()

    def trace(self, cycles: int, clock_hz: float) -> BusTrace:
        """The first ``cycles`` cycles."""
        return self._bus.trace(cycles, clock_hz)

    def step(self) -> None:
        """One instruction."""
        first = self._cycle(_FETCH, self.p)
        self.p = (self.p + 1) & _ALL
        act, form, clocks = self._decoded[first >> 8]
        operand = first & 0xFF
        if form == 2:
            operand = self._cycle(_READ, self.p)
            self.p = (self.p + 1) & _ALL
        elif form == 1 and operand > 127:
            operand -= 256
        act(operand)
        self.clock += clocks

    def _decoder(self) -> list[tuple[Callable[[int], None], int, int]]:
        """For each operation byte: what to do, operand (0 short, 1 signed, 2 next word), inner clocks."""
        decoded: list[tuple[Callable[[int], None], int, int]] = [(self._do_nothing, 0, 0)] * 256
        for row in instructions():
            form = 2 if row.words == 2 else int(row.operand in ("signed", "relative"))
            decoded[row.operation] = (getattr(self, f"_do_{row.effect}"), form, row.clocks)
        return decoded

    # Bus cycles ------------------------------------------------------------------------------------

    def _cycle(self, kind: int, address: int) -> int:
        clock = self.clock
        self.clock = clock + CLOCKS_PER_CYCLE
        return self._bus.read(kind, self.b, address, clock)

    def _store(self, address: int, word: int) -> None:
        self._bus.write(_WRITE, self.b, address, word, self.clock)
        self.clock += CLOCKS_PER_CYCLE

    def _push(self, word: int) -> None:
        self._store(self.s, word)
        self.s = (self.s - 1) & _ALL

    def _pop(self) -> int:
        self.s = (self.s + 1) & _ALL
        return self._cycle(_READ, self.s)

    def _set_a(self, value: int) -> None:
        self.a = value & _ALL
        self.zero = self.a == 0

    # Effects, as named in the table ----------------------------------------------------------------

    def _do_nothing(self, operand: int) -> None:
        pass

    def _do_halt(self, operand: int) -> None:
        self.p = (self.p - 1) & _ALL

    def _do_load_immediate(self, operand: int) -> None:
        self._set_a(operand)

    def _do_load(self, operand: int) -> None:
        self._set_a(self._cycle(_READ, operand))

    def _do_store(self, operand: int) -> None:
        self._store(operand, self.a)

    def _do_load_x(self, operand: int) -> None:
        self.x = operand

    def _do_load_y(self, operand: int) -> None:
        self.y = operand

    def _do_load_indirect(self, operand: int) -> None:
        self._set_a(self._cycle(_READ, self.x))

    def _do_load_indirect_step(self, operand: int) -> None:
        self._do_load_indirect(operand)
        self._do_step_x(1)

    def _do_store_indirect(self, operand: int) -> None:
        self._store(self.x, self.a)

    def _do_store_indirect_step(self, operand: int) -> None:
        self._do_store_indirect(operand)
        self._do_step_x(1)

    def _do_a_to_x(self, operand: int) -> None:
        self.x = self.a

    def _do_x_to_a(self, operand: int) -> None:
        self._set_a(self.x)

    def _do_step_x(self, operand: int) -> None:
        self.x = (self.x + operand) & _ALL

    def _do_add_immediate(self, operand: int) -> None:
        total = self.a + operand
        self.carry = total > _ALL
        self._set_a(total)

    def _do_add(self, operand: int) -> None:
        self._do_add_immediate(self._cycle(_READ, operand))

    def _do_add_indirect_step(self, operand: int) -> None:
        self._do_add(self.x)
        self._do_step_x(1)

    def _do_subtract_immediate(self, operand: int) -> None:
        self.carry = self.a >= operand
        self._set_a(self.a - operand)

    def _do_and_immediate(self, operand: int) -> None:
        self._set_a(self.a & operand)

    def _do_xor_immediate(self, operand: int) -> None:
        self._set_a(self.a ^ operand)

    def _do_xor(self, operand: int) -> None:
        self._set_a(self.a ^ self._cycle(_READ, operand))

    def _do_shift_left(self, operand: int) -> None:
        count = operand & 15
        self.carry = bool(count and self.a >> (16 - count) & 1)
        self._set_a(self.a << count)

    def _do_shift_right(self, operand: int) -> None:
        count = operand & 15
        self.carry = bool(count and self.a >> (count - 1) & 1)
        self._set_a(self.a >> count)

    def _do_jump(self, operand: int) -> None:
        self.p = operand

    def _do_call(self, operand: int) -> None:
        self._push(self.p)
        self._push(self.b)
        self.p = operand

    def _do_call_other_bank(self, operand: int) -> None:
        self._do_call(operand)
        self.b ^= 1

    def _do_return(self, operand: int) -> None:
        bank = self._pop() & 1
        self.p = self._pop()
        self.b = bank

    def _branch(self, taken: bool, operand: int) -> None:
        if taken:
            self.p = (self.p + operand) & _ALL

    def _do_branch_zero(self, operand: int) -> None:
        self._branch(self.zero, operand)

    def _do_branch_not_zero(self, operand: int) -> None:
        self._branch(not self.zero, operand)

    def _do_branch_carry(self, operand: int) -> None:
        self._branch(self.carry, operand)

    def _do_count_and_branch(self, operand: int) -> None:
        self.y = (self.y - 1) & _ALL
        self._branch(self.y != 0, operand)

    def _do_skip_zero(self, operand: int) -> None:
        if self.zero:
            self.p = (self.p + 1) & _ALL

    def _do_input(self, operand: int) -> None:
        self._set_a(self._bus.read_port(self.b, operand, self.clock))
        self.clock += CLOCKS_PER_CYCLE

    def _do_output(self, operand: int) -> None:
        self._bus.write_port(self.b, operand, self.a, self.clock)
        self.clock += CLOCKS_PER_CYCLE
