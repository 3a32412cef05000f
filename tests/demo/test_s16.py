"""The S16: small programs whose results are worked out by hand. The processor is invented, so there is no
outside reference; every effect of its table is exercised here."""

from random import Random

import numpy as np
import pytest

from wrongbit.demo import s16
from wrongbit.demo.assembler import assemble
from wrongbit.demo.board import Bus
from wrongbit.demo.fault import InjectedFault
from wrongbit.demo.parts import Board, BoardChip
from wrongbit.machine.recipe import KINDS

RAM = 0x8000
PROGRAM_BANK_1 = "LDI 0x0B0B\nRET\n"


def run(source, steps, port=0):
    """The processor after this many instructions, and its trace."""
    banks = [source, ".until 0x0020\n" + PROGRAM_BANK_1]
    chips = [BoardChip("RAM", "ram", 1024, tuple(range(16)), ((None, RAM, 1024),), tuple(range(10)))]
    for bank, text in enumerate(banks):
        program = assemble(text, s16.encode, unit_bits=16, tables={}, erased=0)
        contents = np.zeros(256, np.uint64)
        for address, word in program.units.items():
            contents[address] = word
        lane = tuple(range(16))
        chips.append(
            BoardChip(f"ROM{bank}", "rom", 256, lane, ((bank, 0, 256),), tuple(range(8)), contents=contents)
        )
    board = Board(word_bits=16, banks=2, multiplexed=True, chips=tuple(chips))
    processor = s16.S16(Bus(board, InjectedFault("none"), Random(1), lambda address: port))
    for _ in range(steps):
        processor.step()
    return processor, processor.trace(10**6, 1e6)


@pytest.mark.parametrize(
    "source, steps, expected",
    [
        ("LDI 0x1234", 1, {"a": 0x1234, "zero": False}),
        ("LDI 0", 1, {"a": 0, "zero": True}),
        ("LDI 0xFFFF\nADDI 1", 2, {"a": 0, "carry": True, "zero": True}),
        ("LDI 1\nADDI 1", 2, {"a": 2, "carry": False}),
        ("LDI 5\nSUBI 6", 2, {"a": 0xFFFF, "carry": False}),
        ("LDI 6\nSUBI 5", 2, {"a": 1, "carry": True}),
        ("LDI 0xF0F0\nANDI 0x3C3C", 2, {"a": 0x3030}),
        ("LDI 0xF0F0\nXORI 0x3C3C", 2, {"a": 0xCCCC}),
        ("LDI 0x8001\nSHL 1", 2, {"a": 2, "carry": True}),
        ("LDI 0x8001\nSHR 1", 2, {"a": 0x4000, "carry": True}),
        ("LDI 0x8001\nSHR 0", 2, {"a": 0x8001, "carry": False}),
        ("LDI 7\nSTA 0x8005\nLDI 0\nLDA 0x8005", 4, {"a": 7}),
        ("LDI 7\nSTA 0x8005\nADD 0x8005", 3, {"a": 14}),
        ("LDI 7\nSTA 0x8005\nXOR 0x8005", 3, {"a": 0, "zero": True}),
        ("LDX 0x8000\nLDI 9\nSTAX+\nSTAX\nLDX 0x8001\nLDAX", 6, {"a": 9, "x": 0x8001}),
        ("LDX 0x0000\nLDAX+\nADDX+", 3, {"a": 0x1300, "x": 2}),
        ("LDX 5\nSTEPX 0-2\nTXA", 3, {"a": 3}),
        ("LDI 0x77\nTAX", 2, {"x": 0x77}),
        ("LDY 2\nBYNZ 0x0004\nNOP\nNOP", 2, {"y": 1, "p": 4}),
        ("LDY 1\nBYNZ 0x0004", 2, {"y": 0, "p": 3}),
        ("LDI 0\nBZ 0x0006", 2, {"p": 6}),
        ("LDI 0\nBNZ 0x0006", 2, {"p": 3}),
        ("LDI 1\nSUBI 1\nBC 0x000A", 3, {"p": 10}),
        ("LDI 0\nSKZ", 2, {"p": 4}),
        ("LDI 1\nSKZ", 2, {"p": 3}),
        ("HALT", 5, {"p": 0}),
        ("JUMP 0x0030", 1, {"p": 0x30}),
        ("CALL 0x0010\n.until 0x0010\nRET", 2, {"p": 2, "s": s16.STACK_TOP}),
        ("CALLB 0x0020", 1, {"p": 0x20, "b": 1, "s": s16.STACK_TOP - 2}),
        ("CALLB 0x0020", 3, {"p": 2, "b": 0, "a": 0x0B0B, "s": s16.STACK_TOP}),
        ("IN 0x10", 1, {"a": 0x321}),
        (".word 0xEE55\nLDI 3", 2, {"a": 3}),  # not in the table: nothing
    ],
)
def test_effects(source, steps, expected):
    processor, _ = run(source, steps, port=0x321)
    assert {name: getattr(processor, name) for name in expected} == expected


def test_every_effect_of_the_table_is_tried_above():
    tried = " ".join(str(mark.args[1]) for mark in test_effects.pytestmark if mark.name == "parametrize")
    assert all(row.mnemonic in tried for row in s16.instructions() if row.mnemonic not in ("NOP", "OUT"))


def test_bus_cycles_and_clocks_of_a_call_into_the_other_bank():
    _, trace = run("CALLB 0x0020\nOUT 0x21", 4)
    table = [
        (KINDS[kind], bank, address, word, clock)
        for kind, bank, address, word, clock in zip(
            trace.kind, trace.bank, trace.address, trace.word, trace.clock, strict=True
        )
    ]
    assert table == [
        ("fetch", 0, 0x0000, 0x4300, 0),
        ("read", 0, 0x0001, 0x0020, 4),
        ("write", 0, 0x83FF, 0x0002, 8),
        ("write", 0, 0x83FE, 0x0000, 12),
        ("fetch", 1, 0x0020, 0x1000, 17),  # one clock inside after a call
        ("read", 1, 0x0021, 0x0B0B, 21),
        ("fetch", 1, 0x0022, 0x4200, 25),
        ("read", 1, 0x83FE, 0x0000, 29),
        ("read", 1, 0x83FF, 0x0002, 33),
        ("fetch", 0, 0x0002, 0x6121, 38),
        ("io_write", 0, 0x0021, 0x0B0B, 42),
    ]


def test_operation_codes_are_given_once():
    codes = [row.operation for row in s16.instructions()]
    assert len(codes) == len(set(codes)) >= 20
