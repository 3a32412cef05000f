"""Fellgate loom controller: a processor of the 6502 family, two EPROMs, memory-mapped ports.

The arrays are invented, but usual: rows are chosen by the high address lines, columns by the low ones.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, reduce
from operator import xor
from random import Random

import numpy as np

from wrongbit.demo import family_6502, pins_6502
from wrongbit.demo.assembler import Program, assemble
from wrongbit.demo.export import Export
from wrongbit.demo.machine import Built, DemoMachine, read_text, wandering
from wrongbit.demo.parts import Board, BoardChip
from wrongbit.demo.record_files import s_record
from wrongbit.demo.tables import TABLES

_LANE = tuple(range(8))
_U4, _U5 = (0xF000, 0x1000), (0xE000, 0x0800)
"""First address and size."""


def _program() -> Program:
    """The program; the exclusive-or of all bytes of each ROM is zero."""

    def balanced_by(u4: int, u5: int) -> Program:
        return assemble(
            read_text("fellgate", "loom.asm"),
            family_6502.encode,
            unit_bits=8,
            tables=TABLES,
            erased=0xFF,
            constants={"BALANCING_U4": u4, "BALANCING_U5": u5},
        )

    first = balanced_by(0, 0)
    return balanced_by(reduce(xor, _contents(first, *_U4)), reduce(xor, _contents(first, *_U5)))


def _contents(program: Program, base: int, size: int) -> bytes:
    return bytes(program.units[address] for address in range(base, base + size))


def _rom(name: str, program: Program, where: tuple[int, int], lines: int) -> BoardChip:
    base, size = where
    return BoardChip(
        name,
        "rom",
        size,
        _LANE,
        ((None, base, size),),
        lines=tuple(range(lines)),
        rows=tuple(range(4, lines)),
        columns=tuple(range(4)),
        contents=np.frombuffer(_contents(program, *where), np.uint8).astype(np.uint64),
    )


@cache
def _build() -> Built:
    program = _program()
    board = Board(
        word_bits=8,
        banks=1,
        multiplexed=False,
        chips=(
            _rom("U4", program, _U4, 12),
            _rom("U5", program, _U5, 11),
            BoardChip("U6", "ram", 2048, _LANE, ((None, 0x0000, 2048),), lines=tuple(range(11))),
            BoardChip("U8", "io", 4, _LANE, ((None, 0xD000, 4),), lines=(0, 1)),
        ),
    )
    return Built(
        board,
        {
            "fellgate.toml": read_text("fellgate", "fellgate.toml").encode(),
            "u4.s19": s_record(_contents(program, *_U4), _U4[0]),
            "u5.bin": _contents(program, *_U5),
            "loom.lst": program.listing().encode(),
        },
    )


def _ports(rng: Random) -> Callable[[int], int]:
    return wandering(rng, 8)


_LINES = {"A": "A", "D": "D", "R/W": "R/W", "PHI2": "PHI2", "SYNC": "SYNC"}
_KINDS = {"fetch": "SYNC", "read": "RD", "write": "WR"}
_EXPORTS = (
    Export(
        "u1-timing",
        "timing",
        "csv",
        "u1-timing.csv",
        _LINES,
        by_wire=True,
        separator=";",
        decimal_comma=True,
        time=("Time (us)", "us"),
    ),
    Export(
        "u1-changes",
        "timing",
        "vcd",
        "u1-changes.vcd",
        {**_LINES, "A": "ADDR", "D": "DATA", "R/W": "RnW"},
    ),
    Export(
        "u1-state",
        "state",
        "csv",
        "u1-state.csv",
        {"A": "ADDR", "D": "DATA", "R/W": "R/W", "SYNC": "SYNC"},
        sample="Sample",
        before=("State listing", "Clock: falling PHI2", "Lines: {count}"),
    ),
    Export(
        "u1-cycles",
        "cycles",
        "csv",
        "u1-cycles.csv",
        {"address": "Address", "word": "Data", "kind": "Status"},
        sample="No",
        separator=";",
        kinds=_KINDS,
    ),
    Export(
        "u1-screen",
        "cycles",
        "screen",
        "u1-screen.txt",
        {"address": "", "word": "", "kind": ""},
        kinds=_KINDS,
    ),
)

MACHINE = DemoMachine(
    name="fellgate",
    title="Fellgate loom controller",
    text="8-bit processor of the 6502 family, separate buses, two EPROMs.",
    default_fault="open-data:bus.D4@0.15",
    clock_hz=983_000,
    build=_build,
    processor=family_6502.Processor,
    ports=_ports,
    pins=pins_6502.waveforms,
    period_ps=100_000,
    exports=_EXPORTS,
    more_faults=("stuck-high:U5.D0", "address-swapped:U4.A3-A4", "dead-column:U4.D6.column9.low"),
)
