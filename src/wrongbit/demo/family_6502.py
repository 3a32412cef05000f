"""The 6502 family on a simulated bus: py65 executes, and the cycles that it leaves out are put in.

py65 is a model of instructions, not of the bus: it reads an operand only where it needs it and makes no dead
cycles. A 6502 uses its bus in every clock period, so `Processor` adds them: the byte after a one-byte
instruction, the first guess of an indexed address, the old value that read-modify-write instructions put
back, the stack's dummy reads, the instruction after a taken branch. Their kinds and order are common
practice of the NMOS part (from memory, not checked against a data sheet); their number is checked against
py65's own count of clock periods for every documented operation code. Undocumented codes, with which the
real part does something, take two cycles and do nothing here.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, ClassVar

from py65.assembler import Assembler
from py65.devices.mpu6502 import MPU

from wrongbit.demo.assembler import Resolve
from wrongbit.demo.board import Bus
from wrongbit.demo.trace import CODE, BusTrace

_FETCH, _READ, _WRITE = CODE["fetch"], CODE["read"], CODE["write"]
_READ_MODIFY_WRITE = frozenset(
    low + row
    for row in (0x00, 0x20, 0x40, 0x60, 0xC0, 0xE0)  # ASL ROL LSR ROR DEC INC
    for low in (0x06, 0x0E, 0x16, 0x1E)
)
_OPERAND = re.compile(r"^(#|\()?(.*?)(,X\)|\),Y|\)|,X|,Y)?$")


class _Cells:
    """py65's view of memory: every access is one bus cycle, one clock period long."""

    def __init__(self, bus: Bus) -> None:
        self.bus = bus
        self.kind = _READ
        self.last = 0
        self.writes_back = False

    def __getitem__(self, address: int) -> int:
        bus = self.bus
        self.last = bus.read(self.kind, 0, address & 0xFFFF, len(bus))
        return self.last

    def __setitem__(self, address: int, word: int) -> None:
        bus = self.bus
        if self.writes_back:  # the unchanged value first
            bus.write(_WRITE, 0, address & 0xFFFF, self.last, len(bus))
        bus.write(_WRITE, 0, address & 0xFFFF, word & 0xFF, len(bus))


class Processor(MPU):  # type: ignore[misc]
    """A 6502 with every bus cycle of its documented instructions.

    Args:
        bus: What it reads from and writes to.
    """

    instruct: ClassVar[list[Callable[[Any], None]]] = list(MPU.instruct)

    def __init__(self, bus: Bus) -> None:
        self._cells = _Cells(bus)
        super().__init__(memory=self._cells, pc=0)
        self._modes = [mode for _, mode in self.disassemble]
        self._reset_sequence()

    def _reset_sequence(self) -> None:
        """Seven cycles: two of no interest, three on the stack that write nothing, the vector."""
        for address in (0x0000, 0x0000, 0x0100, 0x01FF, 0x01FE):
            self.ByteAt(address)
        self.sp = 0xFD
        self.p |= self.INTERRUPT
        self.pc = self.WordAt(self.RESET)

    def run(self, cycles: int) -> None:
        """Go on until the bus has seen this many cycles."""
        bus = self._cells.bus
        while len(bus) < cycles:
            self.step()

    def trace(self, cycles: int, clock_hz: float) -> BusTrace:
        """The first ``cycles`` cycles."""
        return self._cells.bus.trace(cycles, clock_hz)

    def step(self) -> Processor:
        """One instruction, as py65 does it, with the fetch marked."""
        cells = self._cells
        cells.kind = _FETCH
        code = cells[self.pc]
        cells.kind = _READ
        self.pc = (self.pc + 1) & self.addrMask
        self.excycles = 0
        self.addcycles = self.extracycles[code]
        cells.writes_back = code in _READ_MODIFY_WRITE
        if self._modes[code] in ("imp", "acc"):
            cells[self.pc]
        if self.cycletime[code]:
            self.instruct[code](self)
        self.pc &= self.addrMask
        self.processorCycles += self.cycletime[code] + self.excycles
        return self

    # Addressing modes with the dead cycles of indexing ---------------------------------------------

    def ZeroPageXAddr(self) -> int:  # noqa: N802  (py65's name)
        """Zero page, X: the address before indexing is read too."""
        return self._indexed_zero_page(self.x)

    def ZeroPageYAddr(self) -> int:  # noqa: N802
        """Zero page, Y: likewise."""
        return self._indexed_zero_page(self.y)

    def IndirectXAddr(self) -> int:  # noqa: N802
        """(Indirect, X): likewise."""
        return int(self.WrapAt(self._indexed_zero_page(self.x)))

    def IndirectYAddr(self) -> int:  # noqa: N802
        """(Indirect), Y."""
        return self._indexed(self.WrapAt(self.ByteAt(self.pc)), self.y)

    def AbsoluteXAddr(self) -> int:  # noqa: N802
        """Absolute, X."""
        return self._indexed(self.WordAt(self.pc), self.x)

    def AbsoluteYAddr(self) -> int:  # noqa: N802
        """Absolute, Y."""
        return self._indexed(self.WordAt(self.pc), self.y)

    def BranchRelAddr(self) -> None:  # noqa: N802
        """A taken branch reads the instruction after it, and the wrong page if it leaves the page."""
        super().BranchRelAddr()
        following = self._after_branch
        self.ByteAt(following)
        if following & 0xFF00 != self.pc & 0xFF00:
            self.ByteAt(following & 0xFF00 | self.pc & 0xFF)

    def ImmediateByte(self) -> int:  # noqa: N802
        """A branch's operand, which py65 reads only for taken ones."""
        self._after_branch = (self.pc + 1) & self.addrMask
        return int(self.ByteAt(self.pc))

    def opBCL(self, x: int) -> None:  # noqa: N802
        """Branch if a flag is clear."""
        self._branch(not self.p & x)

    def opBST(self, x: int) -> None:  # noqa: N802
        """Branch if a flag is set."""
        self._branch(bool(self.p & x))

    def _branch(self, taken: bool) -> None:
        if taken:
            self.BranchRelAddr()
        else:
            self.ByteAt(self.pc)
            self.pc += 1

    def _indexed_zero_page(self, index: int) -> int:
        base = int(self.ByteAt(self.pc))
        self.ByteAt(base)
        return (base + index) & 0xFF

    def _indexed(self, base: int, index: int) -> int:
        address = (base + index) & self.addrMask
        guess = base & 0xFF00 | address & 0xFF
        # Only reads that stay in the page do without the correcting cycle.
        if not self.addcycles or guess != address:
            self.ByteAt(guess)
            self.excycles += 1 if self.addcycles else 0
        return int(address)

    # Instructions whose stack cycles py65 leaves out -----------------------------------------------

    def _jsr(self) -> None:
        low = self.ByteAt(self.pc)
        self._dead_stack_read()
        self.stPushWord((self.pc + 1) & self.addrMask)
        self.pc = low | self.ByteAt(self.pc + 1) << 8

    def _rts(self) -> None:
        self._dead_stack_read()
        back = self.stPopWord()
        self.ByteAt(back)
        self.pc = back + 1

    def _dead_stack_read(self) -> None:
        self.ByteAt(self.spBase + self.sp)

    instruct[0x20] = _jsr
    instruct[0x60] = _rts


def _after_dead_read(act: Callable[[Any], None]) -> Callable[[Processor], None]:
    def instruction(processor: Processor) -> None:
        processor._dead_stack_read()
        act(processor)

    return instruction


for _code in (0x28, 0x40, 0x68):  # PLP, RTI, PLA
    Processor.instruct[_code] = _after_dead_read(MPU.instruct[_code])


_ASSEMBLER = Assembler(MPU())


def encode(statement: str, address: int, resolve: Resolve) -> list[int]:
    """Bytes of one statement in the usual notation, numbers as 0x….

    Raises:
        SyntaxError: py65 knows no such instruction.

    >>> encode("LDA 0x0200,X", 0, lambda text: int(text, 0))
    [189, 0, 2]
    """
    mnemonic, _, operand = statement.partition(" ")
    operand = operand.strip()
    if operand and operand != "A":
        match = _OPERAND.match(operand)
        assert match is not None  # the pattern matches every operand
        before, expression, after = match[1] or "", match[2], match[3] or ""
        value = resolve(expression)
        number = f"#${value & 0xFF:02x}" if before == "#" else f"{before}${value:04x}"
        operand = number + after
    return list(_ASSEMBLER.assemble(f"{mnemonic} {operand}".strip(), address))
