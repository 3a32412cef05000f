"""Hollowmere lift panel: two S16 processors on one backplane, fetching from one pair of ROMs.

Each processor card has RAM of its own. The processors take turns on the backplane; as each S16 sees only its
own cycles, and its bus carries the address before every word, the turns change nothing in what either of them
sees, and they are run one after the other.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from random import Random

import numpy as np

from wrongbit.demo import pins_s16, s16
from wrongbit.demo.assembler import Program, assemble
from wrongbit.demo.export import Export
from wrongbit.demo.machine import Built, DemoMachine, read_text, wandering
from wrongbit.demo.parts import Board, BoardChip
from wrongbit.demo.record_files import intel_hex
from wrongbit.demo.tables import TABLES

_WORDS = 4096
_WHO = 0x11
"""Input that tells a processor who it is."""


def _program() -> Program:
    """The program, its last word such that all words add up to zero."""

    def balanced_by(word: int) -> Program:
        return assemble(
            read_text("hollowmere", "lift.asm"),
            s16.encode,
            unit_bits=16,
            tables=TABLES,
            erased=0xFFFF,
            constants={"BALANCING": word},
        )

    return balanced_by(-sum(balanced_by(0).units.values()) & 0xFFFF)


def _rom(name: str, upper: bool, words: list[int]) -> BoardChip:
    return BoardChip(
        name,
        "rom",
        _WORDS,
        lane=tuple(range(8, 16) if upper else range(8)),
        regions=((None, 0x0000, _WORDS),),
        lines=tuple(range(12)),
        rows=tuple(range(5, 12)),
        columns=tuple(range(5)),
        contents=np.array([word >> 8 if upper else word & 0xFF for word in words], np.uint64),
    )


def _ram(name: str, upper: bool) -> BoardChip:
    lane = tuple(range(8, 16) if upper else range(8))
    return BoardChip(name, "ram", 1024, lane, ((None, 0x8000, 1024),), lines=tuple(range(10)))


@cache
def _build() -> Built:
    program = _program()
    words = [program.units[address] for address in range(_WORDS)]
    board = Board(
        word_bits=16,
        banks=1,
        multiplexed=True,
        chips=(_rom("U11", False, words), _rom("U12", True, words), _ram("U15", False), _ram("U16", True)),
    )
    return Built(
        board,
        {
            "hollowmere.toml": read_text("hollowmere", "hollowmere.toml").encode(),
            "u11.hex": intel_hex(bytes(word & 0xFF for word in words), 0),
            "u12.hex": intel_hex(bytes(word >> 8 for word in words), 0),
        },
    )


def _ports(rng: Random) -> Callable[[int], int]:
    landing = wandering(rng, 12)
    return lambda address: 0 if address == _WHO else landing(address)


def _ports_of_second(rng: Random) -> Callable[[int], int]:
    landing = wandering(rng, 12)
    return lambda address: 1 if address == _WHO else landing(address)


_LINES = {"AD": "ADBUS", "LAD": "LAD", "GET": "/GET", "PUT": "/PUT", "FIRST": "FIRST", "PORT": "PORT"}
_KINDS = {"fetch": "first", "read": "get", "write": "put", "io_read": "in", "io_write": "out"}
_CYCLES = {"address": "Where", "word": "Word", "kind": "What"}
_EXPORTS = (
    Export(
        "u1-timing",
        "timing",
        "csv",
        "u1-timing.csv",
        _LINES,
        time=("Time [ns]", "ns"),
        sample="Sample",
    ),
    Export("u1-changes", "timing", "vcd", "u1-changes.vcd", {**_LINES, "GET": "GET_n", "PUT": "PUT_n"}),
    Export("u1-state", "state", "csv", "u1-state.csv", _LINES, sample="Sample"),
    Export("u1-cycles", "cycles", "csv", "u1-cycles.csv", _CYCLES, sample="No", kinds=_KINDS),
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
    name="hollowmere",
    title="Hollowmere lift panel",
    text="Two 16-bit S16 processors (invented) that share a backplane and one pair of 8-bit ROMs.",
    default_fault="open-data:bus.D5@0.2",
    clock_hz=1_843_200,
    build=_build,
    processor=s16.S16,
    ports=_ports,
    pins=pins_s16.waveforms,
    period_ps=100_000,
    exports=_EXPORTS,
    more_faults=("stuck-low:U12.D6", "address-stuck-low:bus.A7"),
    second={"U2": {"U15": "U25", "U16": "U26"}},
    second_ports=_ports_of_second,
    part_fault="J0.D5.open@1",
)
