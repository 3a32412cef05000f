"""Quarrybank kiln programmer: a processor of the Z80 family and two EPROMs of 8192 bytes.

The arrays are invented, but usual: rows are chosen by the high address lines, columns by the low ones.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from functools import cache
from random import Random

import numpy as np

from wrongbit.demo import family_z80, pins_z80
from wrongbit.demo.assembler import Program, assemble
from wrongbit.demo.export import Export
from wrongbit.demo.machine import Built, DemoMachine, WornChip, read_text, wandering
from wrongbit.demo.parts import Board, BoardChip
from wrongbit.demo.record_files import intel_hex
from wrongbit.demo.tables import TABLES

_LANE = tuple(range(8))
_SIZE = 0x2000


def _program() -> Program:
    """The program; the 16-bit words of each EPROM add up to zero."""

    def balanced_by(u2: int, u3: int) -> Program:
        return assemble(
            read_text("quarrybank", "kiln.asm"),
            family_z80.encode,
            unit_bits=8,
            tables=TABLES,
            erased=0xFF,
            constants={"BALANCING_U2": u2, "BALANCING_U3": u3},
        )

    first = balanced_by(0, 0)
    return balanced_by(_missing(first, 0), _missing(first, _SIZE))


def _contents(program: Program, base: int) -> bytes:
    return bytes(program.units[address] for address in range(base, base + _SIZE))


def _missing(program: Program, base: int) -> int:
    words: tuple[int, ...] = struct.unpack(f"<{_SIZE // 2}H", _contents(program, base))
    return -sum(words) & 0xFFFF


def _rom(name: str, program: Program, base: int) -> BoardChip:
    return BoardChip(
        name,
        "rom",
        _SIZE,
        _LANE,
        ((None, base, _SIZE),),
        lines=tuple(range(13)),
        rows=tuple(range(5, 13)),
        columns=tuple(range(5)),
        contents=np.frombuffer(_contents(program, base), np.uint8).astype(np.uint64),
    )


@cache
def _build() -> Built:
    program = _program()
    board = Board(
        word_bits=8,
        banks=1,
        multiplexed=False,
        chips=(
            _rom("U2", program, 0),
            _rom("U3", program, _SIZE),
            BoardChip("U5", "ram", 2048, _LANE, ((None, 0x8000, 2048),), lines=tuple(range(11))),
        ),
    )
    return Built(
        board,
        {
            "quarrybank.toml": read_text("quarrybank", "quarrybank.toml").encode(),
            "u2.hex": intel_hex(_contents(program, 0), 0),
            "u3.bin": _contents(program, _SIZE),
            "kiln.lst": program.listing().encode(),
        },
    )


def _ports(rng: Random) -> Callable[[int], int]:
    return wandering(rng, 8)


_CONTROL = ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH")
_LINES = {"A": "ADDR", "D": "DATA", **{name: f"{name}#" for name in _CONTROL}}
_KINDS = {"fetch": "M1", "read": "MRD", "write": "MWR", "io_read": "IRD", "io_write": "IWR"}
_EXPORTS = (
    Export(
        "u1-timing",
        "timing",
        "csv",
        "u1-timing.csv",
        _LINES,
        separator="\t",
        time=("Time/s", "s"),
        before=("Kiln board, CPU socket", "{count} samples at {period}"),
    ),
    Export(
        "u1-changes",
        "timing",
        "vcd",
        "u1-changes.vcd",
        {"A": "A", "D": "D", **{name: f"{name}_n" for name in _CONTROL}},
    ),
    Export("u1-state", "state", "csv", "u1-state.csv", _LINES, sample="Sample"),
    Export(
        "u1-cycles",
        "cycles",
        "csv",
        "u1-cycles.csv",
        {"address": "ADR", "word": "DAT", "kind": "CYC"},
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
    name="quarrybank",
    title="Quarrybank kiln programmer",
    text="8-bit processor of the Z80 family, two EPROMs in sockets.",
    default_fault="address-bridged-and:U3.A4-A5",
    clock_hz=2_457_600,
    build=_build,
    processor=family_z80.Processor,
    ports=_ports,
    pins=pins_z80.waveforms,
    period_ps=50_000,
    exports=_EXPORTS,
    more_faults=("lost-charge:U3.x150", "stuck-low:U2.D5", "two-chips:U2-U3"),
    worn=WornChip(
        "U3",
        checksum="word-sum-le = 0",
        says="The machine's self test adds U3 up as 16-bit words, low byte first, and wants zero.",
        memory="27C64",
    ),
)
