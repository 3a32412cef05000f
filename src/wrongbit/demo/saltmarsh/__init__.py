"""Saltmarsh tide recorder: an S16, two banks, two pairs of latched 8-bit mask ROMs.

A mask ROM's array of 128 rows of 32 columns for each output is invented, but usual for its size.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
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


def _bank(number: int, other: Mapping[str, int]) -> Program:
    """The program of one bank, its last word such that all words add up to zero.

    Args:
        number: Which bank.
        other: Labels of the other bank.
    """
    outside = {f"OTHER_{name}": value for name, value in other.items()}
    source = read_text("saltmarsh", "common.asm") + read_text("saltmarsh", f"bank{number}.asm")

    def balanced_by(word: int) -> Program:
        return assemble(
            source,
            s16.encode,
            unit_bits=16,
            tables=TABLES,
            erased=0xFFFF,
            constants={**outside, "BALANCING": word},
        )

    return balanced_by(-sum(balanced_by(0).units.values()) & 0xFFFF)


def _rom(name: str, bank: int, upper: bool, words: list[int]) -> BoardChip:
    return BoardChip(
        name,
        "rom",
        _WORDS,
        lane=tuple(range(8, 16) if upper else range(8)),
        regions=((bank, 0x0000, _WORDS),),
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
    second = _bank(1, {})
    programs = [_bank(0, second.labels), second]
    words = [[program.units[address] for address in range(_WORDS)] for program in programs]
    board = Board(
        word_bits=16,
        banks=2,
        multiplexed=True,
        chips=(
            _rom("U11", 0, False, words[0]),
            _rom("U12", 0, True, words[0]),
            _rom("U13", 1, False, words[1]),
            _rom("U14", 1, True, words[1]),
            _ram("U15", False),
            _ram("U16", True),
        ),
    )
    # The upper byte of each word comes second in the image of bank 1.
    image = b"".join(word.to_bytes(2, "little") for word in words[1])
    return Built(
        board,
        {
            "saltmarsh.toml": read_text("saltmarsh", "saltmarsh.toml").encode(),
            "bank0.lst": programs[0].listing().encode(),
            "bank1.hex": intel_hex(image, 0),
        },
    )


def _ports(rng: Random) -> Callable[[int], int]:
    return wandering(rng, 12)


_LINES = {
    "AD": "ADBUS",
    "LAD": "LAD",
    "GET": "/GET",
    "PUT": "/PUT",
    "FIRST": "FIRST",
    "PORT": "PORT",
    "BK": "BK",
}
_KINDS = {
    "fetch": "first",
    "read": "get",
    "write": "put",
    "io_read": "in",
    "io_write": "out",
}
_EXPORTS = (
    Export(
        "u1-timing",
        "timing",
        "csv",
        "u1-timing.csv",
        _LINES,
        time=("Time [ns]", "ns"),
        sample="Sample",
        before=(
            "# Analyser export, 24 channels, threshold 1.4 V",
            "# Sampling period: {period}",
            "# Samples: {count}, trigger at {trigger}",
            "",
        ),
    ),
    Export(
        "u1-changes",
        "timing",
        "vcd",
        "u1-changes.vcd",
        {**_LINES, "GET": "GET_n", "PUT": "PUT_n"},
    ),
    Export("u1-state", "state", "csv", "u1-state.csv", _LINES, sample="Sample", separator="\t"),
    Export(
        "u1-cycles",
        "cycles",
        "csv",
        "u1-cycles.csv",
        {"address": "Where", "bank": "Bank", "word": "Word", "kind": "What"},
        sample="No",
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
    name="saltmarsh",
    title="Saltmarsh tide recorder",
    text="16-bit S16 processor (invented), multiplexed bus, two banks, two pairs of 8-bit mask ROMs.",
    default_fault="dead-row:U11.row3.high+weak-column:U11.D3.column17.high@0.3",
    clock_hz=1_843_200,
    build=_build,
    processor=s16.S16,
    ports=_ports,
    pins=pins_s16.waveforms,
    period_ps=100_000,
    exports=_EXPORTS,
    more_faults=("stuck-low:U12.D6", "wrong-bank:bus.bank0", "slow-data:U13@0.4"),
)
