"""Bus cycles of a 6809 that executes real code: MC6809 (PyPI) executes, the data sheet's counts add the rest.

The emulator says which bytes are read and written, and in which order. It does not say when. The numbers of
clock cycles are its own table's, but for what that table leaves out or has otherwise than Motorola's
programming aid (TFR 6, JMP extended 4, index modes, stacked registers). Where the dead cycles stand is
written here by rules, from memory of the data sheet's flow charts, apart from the package's table.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from MC6809.components.cpu6809 import CPU
from MC6809.components.cpu_utils.instruction_caller import MC6809OP_DATA_DICT

Row = tuple[str, int, int]

CODES: dict[int, dict[str, Any]] = {
    code: {**row, "addr_mode": str(row["addr_mode"]).removesuffix("_WORD")}
    for code, row in MC6809OP_DATA_DICT.items()
    if code not in (0x10, 0x11, 0x3E)  # prefixes, and one that is not documented
}
"""Operation code, pages included = addressing, bytes, cycles."""
ALL = sorted(CODES)
INDEX_CLOCKS = {
    0x0: 2, 0x1: 3, 0x2: 2, 0x3: 3, 0x4: 0, 0x5: 1, 0x6: 1, 0x8: 1, 0x9: 4, 0xB: 4, 0xC: 1, 0xD: 5, 0xF: 2
}  # fmt: skip
"""Mode of the post-byte = clock cycles that it adds (Motorola's programming aid, from memory); indirection
adds three."""
MODIFYING = ("ASL", "ASR", "CLR", "COM", "DEC", "INC", "LSL", "LSR", "NEG", "ROL", "ROR")
SLOWER = {0x1F: 6, 0x7E: 4}
"""Codes that Motorola counts otherwise than the emulator's table (from memory)."""


class Tracing(CPU):  # type: ignore[misc]
    """Tells reads of the program from others."""

    reading_program = False

    def read_pc_byte(self) -> Any:
        self.reading_program = True
        self.program_counter.value &= 0xFFFF
        try:
            return super().read_pc_byte()
        finally:
            self.reading_program = False

    def read_pc_word(self) -> Any:
        upper, lower = self.read_pc_byte(), self.read_pc_byte()
        return upper[0], upper[1] << 8 | lower[1]


@dataclass
class Settings:
    """What the emulator asks of its configuration."""

    trace: bool = False


@dataclass
class Board:
    """A 6809 with 64 KiB of memory that notes its bus cycles.

    Args:
        memory: Its bytes.
        status: BS is probed, so that dead cycles are known to be dead.
        through: What becomes of a byte on its way from memory to processor.
    """

    memory: bytearray
    status: bool = True
    through: Callable[[int, int], int] = lambda address, byte: byte
    rows: list[Row] = field(default_factory=list)
    starts: list[int] = field(default_factory=list)
    right: dict[int, int] = field(default_factory=dict)
    _program: list[Row] = field(default_factory=list)
    _data: list[Row] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.cpu: Any = Tracing(self, Settings())

    # What the emulator calls -------------------------------------------------------------------

    def read_byte(self, address: int) -> int:
        address &= 0xFFFF
        byte = self.through(address, self.memory[address])
        (self._program if self.cpu.reading_program else self._data).append(("read", address, byte))
        return byte

    def read_word(self, address: int) -> int:
        return self.read_byte(address) << 8 | self.read_byte(address + 1)

    def write_byte(self, address: int, value: int) -> None:
        if address & 0xFFFF < 0xFFE0:
            self.memory[address & 0xFFFF] = value & 0xFF
        self._data.append(("write", address & 0xFFFF, value & 0xFF))

    def write_word(self, address: int, value: int) -> None:
        self.write_byte(address, value >> 8)
        self.write_byte(address + 1, value)

    # Bus cycles ------------------------------------------------------------------------------------

    def add(self, rows: list[Row]) -> None:
        for row in rows:
            if row[0] == "read" and self.memory[row[1]] != row[2]:
                self.right[len(self.rows)] = self.memory[row[1]]
            self.rows.append(row)

    def dead(self, count: int) -> list[Row]:
        kind = "idle" if self.status else "read"
        return [(kind, 0xFFFF, self.through(0xFFFF, self.memory[0xFFFF]))] * count

    def vain(self, address: int) -> Row:
        address &= 0xFFFF
        return ("read", address, self.through(address, self.memory[address]))

    def vector(self, address: int) -> list[Row]:
        pair = [self.vain(address), self.vain(address + 1)]
        self.cpu.program_counter.set(pair[0][2] << 8 | pair[1][2])
        return [*pair, *self.dead(1)]

    def reset(self) -> None:
        self.add(self.vector(0xFFFE))

    def stacked(self, whole: bool = True) -> list[Row]:
        """The registers are pushed, the program counter's lower byte first."""
        cpu = self.cpu
        top, self._data = cpu.system_stack_pointer.value, []
        cpu.E = int(whole)
        cpu.push_irq_registers() if whole else cpu.push_firq_registers()
        return sorted(self._data, key=lambda row: (top - row[1]) & 0xFFFF)

    def interrupt(self, vector: int) -> None:
        """IRQ, NMI or FIRQ between two instructions."""
        begin = self.cpu.program_counter.value & 0xFFFF
        rows = [self.vain(begin), self.vain(begin), *self.dead(1)]
        self.add([*rows, *self.stacked(vector != 0xFFF6), *self.dead(1)])
        self.add(self.vector(vector))

    def step(self, wait: int = 3) -> None:
        """One instruction."""
        cpu = self.cpu
        cpu.program_counter.value &= 0xFFFF
        begin = cpu.program_counter.value
        self.starts.append(len(self.rows))
        self._program, self._data = [], []
        bytes_ = [self.through(begin + k & 0xFFFF, self.memory[begin + k & 0xFFFF]) for k in range(4)]
        code = bytes_[0] << 8 | bytes_[1] if bytes_[0] in (0x10, 0x11) else bytes_[0]
        if code in (0x3F, 0x103F, 0x113F, 0x13, 0x3C):
            self._waiting(code, begin, bytes_, wait)
            return
        stack = cpu.user_stack_pointer.value if code in (0x36, 0x37) else cpu.system_stack_pointer.value
        cpu.get_and_call_next_op()
        size = len(self._program)
        count = self._clocks(code, bytes_, size)
        data = self._data
        name = CODES[code]["mnemonic"]
        if name in ("PSHS", "PSHU", "JSR", "BSR", "LBSR"):
            writes = [row for row in data if row[0] == "write"]
            pointer = [row for row in data if row[0] == "read"]
            data = pointer + sorted(writes, key=lambda row: (stack - row[1]) & 0xFFFF)
        self.add(self._program + self._spread(code, bytes_, data, count - size - len(data), begin + size))

    def _clocks(self, code: int, bytes_: list[int], size: int) -> int:
        count = int(SLOWER.get(code, CODES[code]["cycles"]))
        post = bytes_[2 if code > 0xFF else 1]
        if CODES[code]["addr_mode"] == "INDEXED":
            count += 1 if post < 0x80 else INDEX_CLOCKS[post & 0xF] + 3 * bool(post & 0x10)
        if 0x34 <= code <= 0x37:
            count += len(self._data)
        if code == 0x3B:
            count = 15 if len(self._data) > 3 else 6
        if 0x1022 <= code <= 0x102F:
            missed = self._program[0][1] + size & 0xFFFF
            count = 5 + (self.cpu.program_counter.value & 0xFFFF != missed)
        return count

    def _spread(self, code: int, bytes_: list[int], data: list[Row], left: int, after: int) -> list[Row]:
        """The data with the dead cycles that are left, each where the charts have it."""
        name, mode = CODES[code]["mnemonic"], CODES[code]["addr_mode"]
        post = bytes_[2 if code > 0xFF else 1]
        behind = 0
        wide = name in ("ADDD", "SUBD", "CMPD", "CMPX", "CMPY", "CMPU", "CMPS")
        if name[:3] in ("RTS", "RTI", "PUL") or (wide and mode != "IMMEDIATE"):
            behind = 1
        elif name == "TST":
            behind = 2
        pointer = data[:2] if mode == "INDEXED" and post & 0x90 == 0x90 else []
        data = data[len(pointer) :]
        middle = 1 if name in MODIFYING and data else 0
        between = (1 + 2 * (name == "JSR")) if pointer else 0
        if pointer and name in ("LEAX", "LEAY", "LEAS", "LEAU"):
            behind = 1
        before = left - behind - middle - between
        assert before >= 0, (hex(code), left, [hex(b) for b in bytes_], self._program, self._data)
        front = self.dead(before)
        if before and mode in ("INHERENT", "INDEXED") and post & 0x8F not in (0x88, 0x8C):
            front[0] = self.vain(after)
        if middle:
            reads = [row for row in data if row[0] == "read"][:1] or [self.vain(data[-1][1])]
            data = [*reads, *self.dead(1), data[-1]]
            front = front[: len(front) - (name == "CLR" and len(self._data) - len(pointer) == 1)]
        return [*front, *pointer, *self.dead(between), *data, *self.dead(behind)]

    def _waiting(self, code: int, begin: int, bytes_: list[int], wait: int) -> None:
        """SWI, SYNC and CWAI, which the emulator does not know."""
        size = 2 if code > 0xFF or code == 0x3C else 1
        rows = [self.vain(begin + k) for k in range(size)]
        self.cpu.program_counter.set(begin + size & 0xFFFF)
        rows.append(self.vain(begin + size))
        if code == 0x13:
            self.add([*rows, *self.dead(1 + wait)])
            return
        if code == 0x3C:
            self.cpu.set_cc(self.cpu.get_cc_value() & bytes_[1])
        self.add([*rows, *self.dead(1), *self.stacked(), *self.dead(1 if code != 0x3C else 1 + wait)])
        self.add(self.vector({0x3F: 0xFFFA, 0x103F: 0xFFF4, 0x113F: 0xFFF2, 0x3C: 0xFFF8}[code]))

    # Programs --------------------------------------------------------------------------------------

    def legalise(self) -> None:
        """Change what stands at the program counter until an instruction is seen there that is documented."""
        begin = self.cpu.program_counter.value & 0xFFFF
        rng = random.Random(begin)
        at = [begin + k & 0xFFFF for k in range(3)]
        while not _legal([self.through(address, self.memory[address]) for address in at]):
            code = rng.choice(ALL)
            data = (*code.to_bytes(2 if code > 0xFF else 1, "big"), rng.randrange(256), 0)
            for address, byte in zip(at, data, strict=False):
                self.memory[address] = byte


def _legal(seen: list[int]) -> bool:
    paged = seen[0] in (0x10, 0x11)
    code = seen[0] << 8 | seen[1] if paged else seen[0]
    if code not in CODES:
        return False
    post = seen[1 + paged]
    if code in (0x36, 0x37):
        return not post & 0x40  # the emulator moves U there, the processor S
    if code in (0x1E, 0x1F):
        return _exchanges(post)
    return CODES[code]["addr_mode"] != "INDEXED" or _indexes(post)


def _indexes(post: int) -> bool:
    mode = post & 0xF
    if post < 0x80:
        return True
    return mode in INDEX_CLOCKS and not (post & 0x10 and mode in (0, 2)) and (mode != 0xF or post == 0x9F)


def _exchanges(post: int) -> bool:
    halves = (post >> 4, post & 0xF)
    return all(half < 6 for half in halves) or all(8 <= half < 12 for half in halves)


def random_memory(seed: int) -> bytearray:
    """Random documented instructions one after another, in all 64 KiB."""
    return bytearray(_random_memory(seed % 8))


@cache
def _random_memory(seed: int) -> bytes:
    rng = random.Random(seed)
    memory = bytearray()
    while len(memory) < 0x10000:
        code = rng.choice(ALL)
        memory += code.to_bytes(2 if code > 0xFF else 1, "big")
        memory += rng.randbytes(int(CODES[code]["bytes"]) - (2 if code > 0xFF else 1))
    for vector in range(0xFFF2, 0x10000, 2):
        memory[vector : vector + 2] = rng.randrange(0x6000).to_bytes(2, "big")
    return bytes(memory[:0x10000])


def run(board: Board, count: int, seed: int, interrupts: float = 0.02) -> Board:
    """Reset and so many instructions, with interrupts between some of them."""
    rng = random.Random(seed)
    for pointer in (board.cpu.system_stack_pointer, board.cpu.user_stack_pointer, board.cpu.index_x):
        pointer.set(rng.randrange(0x10000))
    board.reset()
    while len(board.starts) < count:
        if board.cpu.program_counter.value & 0xFFFF >= 0xFFE0:
            board.reset()  # no program runs through the vectors
        board.legalise()
        board.step(wait=rng.randrange(8))
        if rng.random() < interrupts:
            board.interrupt(rng.choice([0xFFF8, 0xFFFC, 0xFFF6]))
    return board
