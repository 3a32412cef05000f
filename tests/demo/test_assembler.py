"""The assembler: hand-assembled words, and what it refuses."""

import pytest

from wrongbit.demo import family_6502, family_z80, s16
from wrongbit.demo.assembler import AssemblyError, assemble


def units(source, encode=s16.encode, bits=16):
    program = assemble(source, encode, unit_bits=bits, tables={"three": lambda n: [3] * n}, erased=0xFFFF)
    return [program.units[address] for address in sorted(program.units)]


def test_forward_and_backward_names():
    source = """
    BASE = 0x0100
            .org BASE
    BACK:   JUMP AHEAD      ; two words
            BZ   BACK       ; relative to the word after: 0x103 - 3 = 0x100
    AHEAD:  LDI  >BASE+1
    """
    assert units(source) == [0x4000, 0x0103, 0x50FD, 0x1000, 0x0001]


def test_directives():
    source = '.word 1, 2+3, 0x10-1\n.pair 0x1234\n.text "A;b"\n.table three 2\n.until 0x000C\n'
    assert units(source) == [1, 5, 15, 0x34, 0x12, 0x41, 0x3B, 0x62, 3, 3, 0xFFFF, 0xFFFF]


@pytest.mark.parametrize(
    "source, message",
    [
        ("JUMP NOWHERE", "line 1: JUMP NOWHERE: NOWHERE is not defined"),
        ("LDQ 1", "no instruction is called 'LDQ'"),
        ("A:\nA:", "A is defined twice"),
        (".word 1\n.org 0\n.word 2", "already taken"),
        (".word 1\n.until 0", "already beyond"),
        ("BZ 0x200", "not within -128 to 127"),
        ("NOP 1", "takes no operand"),
        ("LDI 1 2", "not an expression"),
    ],
)
def test_a_mistake_names_its_line(source, message):
    with pytest.raises(AssemblyError) as caught:
        units(source)
    assert message in str(caught.value)


def test_listing_keeps_address_words_and_text_apart():
    program = assemble(
        "; title\nLOOP: JUMP LOOP ; for ever\n.word 1,2,3,4,5,6,7,8,9\n",
        s16.encode,
        unit_bits=16,
        tables={},
        erased=0,
    )
    assert program.listing().splitlines() == [
        "                  ; title",
        "0000  4000 0000   LOOP: JUMP LOOP ; for ever",
        "0002  0001 0002 0003 0004 0005 0006 0007 0008  .word 1,2,3,4,5,6,7,8,9",
        "000A  0009",
    ]


# Codes from MOS Technology's and Zilog's instruction tables as generally known (from memory, not checked).
@pytest.mark.parametrize(
    "statement, code",
    [
        ("LDA #0x12", [0xA9, 0x12]),
        ("LDA 0x0010", [0xA5, 0x10]),
        ("LDA (0x0010),Y", [0xB1, 0x10]),
        ("JMP (0x1234)", [0x6C, 0x34, 0x12]),
        ("ASL A", [0x0A]),
        ("BNE 0x0000", [0xD0, 0xFE]),
        ("RTS", [0x60]),
    ],
)
def test_6502_statements(statement, code):
    assert family_6502.encode(statement, 0, lambda text: int(text, 0)) == code


@pytest.mark.parametrize(
    "statement, code",
    [
        ("ld a,(PLACE)", [0x3A, 0x34, 0x12]),
        ("jr PLACE", [0x18, 0xFE]),
        ("ld (hl),e", [0x73]),
        ("set 5,h", [0xCB, 0xEC]),
        ("out (0x13),a", [0xD3, 0x13]),
        ("rst 0x08", [0xCF]),
    ],
)
def test_z80_statements(statement, code):
    assert family_z80.encode(statement, 0x1234, lambda text: 0x1234) == code


def test_z80_statement_that_does_not_exist():
    with pytest.raises(ValueError, match="No such instruction"):
        family_z80.encode("ld foo,(bar)", 0, lambda text: 0)
