"""Bus cycles of a 6800 that executes real code: an emulator executes, the published counts add the rest.

There is no 6800 on PyPI; m68hc11's HD6303 executes all the 6800's instructions (and more, which are left out
here). Which bytes are read and written is its word; its clock is another processor's. The counts are
Motorola's (M6800 Programming Reference Manual, from memory), and the dead cycles stand where the data sheet's
table has them (from memory), written here by rules apart from the package's table.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from m68hc11 import HD6303

Row = tuple[str, int, int]

_ROWS = """
    . 2 . . . . 2 2 4 4 2 2 2 2 2 2
    2 2 . . . . 2 2 . 2 . 2 . . . .
    4 . 4 4 4 4 4 4 4 4 4 4 4 4 4 4
    4 4 4 4 4 4 4 4 . 5 . 10 . . 9 12
    2 . . 2 2 . 2 2 2 2 2 . 2 2 . 2
    2 . . 2 2 . 2 2 2 2 2 . 2 2 . 2
    7 . . 7 7 . 7 7 7 7 7 . 7 7 4 7
    6 . . 6 6 . 6 6 6 6 6 . 6 6 3 6
    2 2 2 . 2 2 2 . 2 2 2 2 3 8 3 .
    3 3 3 . 3 3 3 4 3 3 3 3 4 . 4 5
    5 5 5 . 5 5 5 6 5 5 5 5 6 8 6 7
    4 4 4 . 4 4 4 5 4 4 4 4 5 9 5 6
    2 2 2 . 2 2 2 . 2 2 2 2 . . 3 .
    3 3 3 . 3 3 3 4 3 3 3 3 . . 4 5
    5 5 5 . 5 5 5 6 5 5 5 5 . . 6 7
    4 4 4 . 4 4 4 5 4 4 4 4 . . 5 6
"""
CLOCKS = {code: int(text) for code, text in enumerate(_ROWS.split()) if text != "."}
"""Operation code = clock cycles; codes that Motorola does not list are left out."""
ALL = sorted(CLOCKS)
CLR, TST, JSR = (0x6F, 0x7F), (0x6D, 0x7D), (0xAD, 0xBD, 0x8D)
RTI, WAI, SWI = 0x3B, 0x3E, 0x3F


class Tracing(HD6303):  # type: ignore[misc]
    """Notes what it reads and writes."""

    board: Board
    fetching = False

    def read8(self, addr: int) -> int:
        addr &= 0xFFFF
        byte = self.board.through(addr, self.board.memory[addr])
        (self.board.program if self.fetching else self.board.data).append(("read", addr, byte))
        return byte

    def write8(self, addr: int, val: int) -> None:
        addr &= 0xFFFF
        if addr < 0xFFE0:
            self.board.memory[addr] = val & 0xFF
        self.board.data.append(("write", addr, val & 0xFF))

    def _fetch8(self) -> int:
        self.fetching = True
        try:
            return int(super()._fetch8())
        finally:
            self.fetching = False


@dataclass
class Board:
    """A 6800 with 64 KiB of memory that notes its bus cycles.

    Args:
        memory: Its bytes.
        status: VMA is probed, so that dead cycles are known to be dead.
        through: What becomes of a byte on its way from memory to processor.
    """

    memory: bytearray
    status: bool = True
    through: Callable[[int, int], int] = lambda address, byte: byte
    rows: list[Row] = field(default_factory=list)
    starts: list[int] = field(default_factory=list)
    right: dict[int, int] = field(default_factory=dict)
    program: list[Row] = field(default_factory=list)
    data: list[Row] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.cpu: Any = Tracing()
        self.cpu.board = self
        self.floating = random.Random(1)

    def add(self, rows: list[Row]) -> None:
        for row in rows:
            if row[0] == "read" and self.memory[row[1]] != row[2]:
                self.right[len(self.rows)] = self.memory[row[1]]
            self.rows.append(row)

    def dead(self, count: int) -> list[Row]:
        """Cycles without VMA: the address is any."""
        kind = "idle" if self.status else "read"
        return [(kind, *self.vain(self.floating.randrange(0xFFE0))[1:]) for _ in range(count)]

    def vain(self, address: int) -> Row:
        address &= 0xFFFF
        return ("read", address, self.through(address, self.memory[address]))

    def vector(self, address: int) -> list[Row]:
        pair = [self.vain(address), self.vain(address + 1)]
        self.cpu.pc = pair[0][2] << 8 | pair[1][2]
        return pair

    def reset(self) -> None:
        self.add(self.vector(0xFFFE))

    def stacked(self) -> list[Row]:
        cpu, self.data = self.cpu, []
        for value in (cpu.pc, cpu.pc >> 8, cpu.x, cpu.x >> 8, cpu.a, cpu.b, cpu.ccr):
            cpu._push8(value)
        return self.data

    def interrupt(self, vector: int) -> None:
        """IRQ or NMI between two instructions."""
        begin = self.cpu.pc
        self.add([self.vain(begin), self.vain(begin + 1), *self.stacked(), *self.dead(1)])
        self.add(self.vector(vector))

    def step(self, wait: int = 3) -> None:
        """One instruction."""
        self.starts.append(len(self.rows))
        self.program, self.data = [], []
        begin = self.cpu.pc
        code = self.vain(begin)[2]
        if code in (RTI, WAI, SWI):
            self._odd(code, begin, wait)
            return
        self.cpu.step()
        left = CLOCKS[code] - len(self.program) - len(self.data)
        self.add(self.program + self._spread(code, left, begin))

    def _spread(self, code: int, left: int, begin: int) -> list[Row]:
        data = self.data
        if code in JSR:
            first = self.vain(self.cpu.pc) if code == 0xBD else self.dead(1)[0]
            return [first, *data, *self.dead(left - 1)]
        if len(self.program) == 1:
            vain = self.vain(begin + 1)
            if code in (0x36, 0x37):
                return [vain, *data, *self.dead(left - 1)]
            return [vain, *self.dead(left - 1), *data]
        if code in CLR:
            (write,) = data
            return [*self.dead(left - 2), self.vain(write[1]), *self.dead(1), write]
        if code in TST:
            last = self.dead(1) if self.status else [("write", *data[0][1:])]
            return [*self.dead(left - 2), *data, *self.dead(1), *last]
        if code >> 4 in (6, 7) and data:
            return [*self.dead(left - 1), data[0], *self.dead(1), data[1]]
        return [*self.dead(left), *data]

    def _odd(self, code: int, begin: int, wait: int) -> None:
        """RTI, WAI and SWI, whose stack is another one in the emulator."""
        rows = [self.vain(begin), self.vain(begin + 1)]
        self.cpu.pc = begin + 1 & 0xFFFF
        if code == RTI:
            rows += self.dead(1)
            self.data = []
            ccr, b, a, xh, xl, pch, pcl = (self.cpu._pull8() for _ in range(7))
            self.cpu.ccr, self.cpu.b, self.cpu.a = ccr, b, a
            self.cpu.x, self.cpu.pc = xh << 8 | xl, pch << 8 | pcl
            self.add(rows + self.data)
            return
        self.add([*rows, *self.stacked(), *self.dead(1 if code == SWI else wait)])
        self.add(self.vector(0xFFFA if code == SWI else 0xFFF8))

    def legalise(self) -> None:
        """Change what stands at the program counter until an instruction is seen there that is listed."""
        begin = self.cpu.pc
        rng = random.Random(begin)
        while self.vain(begin)[2] not in CLOCKS:
            self.memory[begin] = rng.choice(ALL)


def random_memory(seed: int) -> bytearray:
    """Random documented instructions one after another, in all 64 KiB."""
    rng = random.Random(seed)
    memory = bytearray()
    while len(memory) < 0x10000:
        code = rng.choice(ALL)
        memory.append(code)
        if code >> 4 in (2, 6, 7, 8, 9, 0xA, 0xB, 0xC, 0xD, 0xE, 0xF):
            memory += rng.randbytes(2 if code >> 4 in (7, 0xB, 0xF) or code in (0x8C, 0x8E, 0xCE) else 1)
    for vector in range(0xFFF8, 0x10000, 2):
        memory[vector : vector + 2] = rng.randrange(0x6000).to_bytes(2, "big")
    return memory[:0x10000]


def run(board: Board, count: int, seed: int, interrupts: float = 0.02) -> Board:
    """Reset and so many instructions, with interrupts between some of them."""
    rng = random.Random(seed)
    board.cpu.sp, board.cpu.x = rng.randrange(0x10000), rng.randrange(0x10000)
    board.reset()
    while len(board.starts) < count:
        if board.cpu.pc >= 0xFFE0:
            board.reset()  # no program runs through the vectors
        board.legalise()
        board.step(wait=rng.randrange(8))
        # Just before WAI it cannot be told from one that ends the wait.
        if rng.random() < interrupts and board.vain(board.cpu.pc)[2] != WAI:
            board.interrupt(rng.choice([0xFFF8, 0xFFFC]))
    return board
