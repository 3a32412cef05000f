"""The Z80 family on a simulated bus: the z80 package executes, its callbacks show every access.

The package calls back for each read and write with its clock at hand. Which reads are operation-code fetches
is told by the refresh register R: the processor counts it up in every M1 cycle (Zilog UM0080, "CPU
Registers"). The refresh that belongs to each M1 cycle becomes a cycle of its own.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np
from numpy.typing import NDArray
from z80 import Asm, Error, SourceFile, Z80Machine

from wrongbit.demo.assembler import Resolve
from wrongbit.demo.board import Bus
from wrongbit.demo.trace import CODE, BusTrace

_READ, _WRITE = CODE["read"], CODE["write"]
_FETCH, _REFRESH = CODE["fetch"], CODE["refresh"]
_FRAME = 100_000
"""The package's own clock starts again after so many periods."""
_FEWEST = 2
"""Clock periods that a row takes at least: an M1 cycle of four gives two, itself and its refresh."""
_MEMORY_PHASE, _PORT_PHASE = 2, 3
"""Clock periods of a machine cycle that have passed when the package calls back."""
_REFRESH_PHASE = 2
"""The refresh takes T3 and T4 of the M1 cycle."""
_NAME = re.compile(r"[<>]?\b[A-Z][A-Z0-9_]{2,}(?:[+-](?:0x[0-9A-Fa-f]+|\d+|[A-Z][A-Z0-9_]{2,}))*")


class Processor:
    """A Z80 from reset (program counter, I and R zero).

    Args:
        bus: What it reads from and writes to.
    """

    def __init__(self, bus: Bus) -> None:
        self._bus = bus
        self._machine = machine = Z80Machine()
        machine.mark_addrs(0, 0x10000, machine.READ_MARK | machine.WRITE_MARK)
        machine.set_read_callback(self._read)
        machine.set_write_callback(self._write)
        machine.set_input_callback(self._input)
        machine.set_output_callback(self._output)
        self._frames = self._last_tick = 0
        self._refresh: list[int] = []
        self._fetches = 0

    def run(self, cycles: int) -> None:
        """Go on until the bus has seen this many cycles, refreshes among them."""
        machine, bus = self._machine, self._bus
        while len(bus) + self._fetches < cycles:
            machine.ticks_to_stop = _FEWEST * (cycles - len(bus) - self._fetches)
            machine.run()

    def trace(self, cycles: int, clock_hz: float) -> BusTrace:
        """The first ``cycles`` cycles, each operation-code fetch followed by its refresh."""
        accesses = self._bus.trace(len(self._bus), clock_hz)
        refresh = np.array([*self._refresh, self._machine.ir], np.uint64)
        # R counts up in every M1 cycle and in no other; LD R,A with R's own value in A is the one exception.
        fetched = np.flatnonzero(refresh[1:] != refresh[:-1])
        kind = accesses.kind.copy()
        kind[fetched] = _FETCH
        after = fetched + 1

        def insert(column: NDArray[Any], value: NDArray[Any] | int) -> NDArray[Any]:
            return np.insert(column, after, value)[:cycles]

        return BusTrace(
            kind=insert(kind, _REFRESH),
            bank=insert(accesses.bank, 0),
            address=insert(accesses.address, refresh[fetched]),
            word=insert(accesses.word, accesses.word[fetched]),
            held=insert(accesses.held, accesses.word[fetched]),
            driven=insert(accesses.driven, 0),
            clock=insert(accesses.clock, accesses.clock[fetched] + _REFRESH_PHASE),
            clock_hz=clock_hz,
            word_bits=accesses.word_bits,
        )

    def _started(self, phase: int) -> int:
        """Clock period in which the machine cycle of this access began; notes R on the way."""
        machine = self._machine
        tick = machine.frame_tick
        if tick < self._last_tick:
            self._frames += 1
        self._last_tick = tick
        refresh = machine.ir
        if self._refresh and self._refresh[-1] != refresh:
            self._fetches += 1
        self._refresh.append(refresh)
        return self._frames * _FRAME + tick - phase

    def _read(self, address: int) -> int:
        return self._bus.read(_READ, 0, address, self._started(_MEMORY_PHASE))

    def _write(self, address: int, word: int) -> None:
        self._bus.write(_WRITE, 0, address, word, self._started(_MEMORY_PHASE))

    def _input(self, address: int) -> int:
        return self._bus.read_port(0, address, self._started(_PORT_PHASE))

    def _output(self, address: int, word: int) -> None:
        self._bus.write_port(0, address, word, self._started(_PORT_PHASE))


def encode(statement: str, address: int, resolve: Resolve) -> list[int]:
    """Bytes of one statement: instructions and registers in small letters, our names in capitals.

    Raises:
        ValueError: The package's assembler knows no such instruction.

    >>> encode("ld hl,TABLE+2", 0, lambda text: 0x1234)
    [33, 52, 18]
    """
    numbered = _NAME.sub(lambda match: str(resolve(match[0])), statement)
    try:
        blocks = Asm().assemble(SourceFile("program", f"org {address}\n{numbered}\n")).encode()
    except Error as error:
        raise ValueError(str(error)) from error
    return [byte for _, image in blocks for byte in image]
