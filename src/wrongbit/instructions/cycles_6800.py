"""How the 6800's instructions pass over the bus; the 6802 and the 6808 do the same.

Source: Motorola MC6800 data sheet, the table of cycle-by-cycle operation, and the M6800 Programming Reference
Manual. From memory, not checked against the documents. No other program's table of these counts was at hand;
the tests hold the lengths against capstone, the number of documented codes (197), and examples worked by
hand. A cycle without VMA may show any address.
"""

from __future__ import annotations

from functools import cache

from wrongbit.instructions.form import (
    ANYWHERE,
    DEAD,
    POINTED,
    CycleTable,
    Form,
    Move,
    Step,
    Where,
    ahead,
    dead,
    form,
    moves,
)

_READ, _WRITE = Move.READ, Move.WRITE
_MODIFY = frozenset((0x0, 0x3, 0x4, 0x6, 0x7, 0x8, 0x9, 0xA, 0xC, 0xF))
"""Lower half of the codes that read a byte and write it back: NEG COM LSR ROR ASR ASL ROL DEC INC CLR."""
_TEST, _JUMP = 0xD, 0xE
_SHORT = frozenset(
    (
        *(0x01, 0x06, 0x07, *range(0x0A, 0x10), 0x10, 0x11, 0x16, 0x17, 0x19, 0x1B),
        *(row | low for row in (0x40, 0x50) for low in (*_MODIFY, _TEST)),
    )
)
"""Two cycles, no operand."""
_POINTERS = frozenset((0x08, 0x09, 0x30, 0x31, 0x34, 0x35))
"""INX DEX TSX INS DES TXS: four cycles."""
_PUSH, _PULL = (0x36, 0x37), (0x32, 0x33)
_RTS, _RTI, _WAI, _SWI = 0x39, 0x3B, 0x3E, 0x3F
_SINGLE = frozenset((*_SHORT, *_POINTERS, *_PUSH, *_PULL, _RTS, _RTI, _WAI, _SWI))
_BRANCHES = frozenset((0x20, *range(0x22, 0x30)))
_BSR = 0x8D
_NONE = frozenset(
    (
        *(0x83, 0x87, 0x8F, 0x93, 0x9D, 0xA3, 0xB3, 0xC3, 0xC7, 0xCC, 0xCD, 0xCF),
        *(row | low for row in (0xD0, 0xE0, 0xF0) for low in (0x3, 0xC, 0xD)),
    )
)
"""Codes from 80 on that are no instructions."""
_STACKED = 7
_ANY = Step(Move.ANY)


@cache
def length_of(first: int, second: int, third: int) -> int:
    """Bytes of the instruction that begins with these; 0 where there is none.

    >>> [length_of(code, 0, 0) for code in (0x01, 0x86, 0xCE, 0x7E, 0x00)]
    [1, 2, 3, 3, 0]
    """
    row, low = first >> 4, first & 0xF
    if first in _SINGLE:
        return 1
    if first in _BRANCHES:
        return 2
    if row in (6, 7):
        return (2 if row == 6 else 3) if low in _MODIFY | {_TEST, _JUMP} else 0
    if row < 8 or first in _NONE:
        return 0
    if row in (0x8, 0xC):
        return 3 if low in (0xC, 0xE) else 2
    return 3 if row in (0xB, 0xF) else 2


@cache
def forms_of(words: tuple[int, ...]) -> tuple[Form, ...]:
    """The ways in which an instruction can pass over the bus; none where the data sheet lists it not.

    Args:
        words: Its bytes, `length_of` many.

    >>> [forms_of(words)[0].clocks for words in ((0x01,), (0xBD, 0x12, 0x34), (0x6F, 0), (0x3F,))]
    [2, 9, 7, 12]
    """
    code, size = words[0], len(words)
    row, low = code >> 4, code & 0xF
    if code in _SINGLE:
        return (_single(code),)
    if code in _BRANCHES or code == _BSR:
        return (_relative(code, words[1]),)
    if row in (0x8, 0xC):
        return (form(size),)
    place = (Where.ABSOLUTE, int.from_bytes(bytes(words[1:]), "big"))
    indexed = row in (0x6, 0xA, 0xE)
    if indexed:
        place = (Where.ANYWHERE, 0)
    reach = dead(2) if indexed else ()
    if row in (6, 7):
        return (_on_memory(low, size, reach, place),)
    if low == 0xD:
        return (_call(indexed, size, place),)
    count = 2 if low in (0xC, 0xE, 0xF) else 1
    if low in (0x7, 0xF):
        first = Step(_WRITE, *place)
        return (form(size, (*reach, DEAD, *moves(_WRITE, count, Where.UP, first))),)
    return (form(size, (*reach, *moves(_READ, count, Where.UP, Step(_READ, *place)))),)


def _single(code: int) -> Form:
    """Instructions of one byte; the byte after them is always read in vain."""
    vain = ahead(1)
    if code in _SHORT:
        return form(1, (vain,))
    if code in _POINTERS:
        return form(1, (vain, *dead(2)))
    if code in _PUSH:
        return form(1, (vain, Step(_WRITE), DEAD))
    if code in _PULL:
        return form(1, (vain, DEAD, Step(_READ)))
    if code in (_RTS, _RTI):
        return form(1, (vain, DEAD, *moves(_READ, 2 if code == _RTS else _STACKED, Where.UP)), POINTED)
    if code == _WAI:
        # In the last of the seven the table is not clear about R/W.
        return form(1, (vain, *moves(_WRITE, _STACKED - 1, Where.DOWN), _ANY), POINTED, waits=True)
    return form(1, (vain, *moves(_WRITE, _STACKED, Where.DOWN), *_vectored(0xFFFA)), POINTED)


def _relative(code: int, displacement: int) -> Form:
    """A branch takes as long either way."""
    there = (Where.RELATIVE, 2 + displacement - (displacement << 1 & 0x100))
    if code == _BSR:
        return form(2, (DEAD, *moves(_WRITE, 2, Where.DOWN), *dead(3)), (there,))
    return form(2, dead(2), (there,) if code == 0x20 else ((Where.RELATIVE, 2), there))


def _on_memory(low: int, size: int, reach: tuple[Step, ...], place: tuple[Where, int]) -> Form:
    """JMP, TST, or read, change and write back."""
    if low == _JUMP:
        return form(size, reach, (place,))
    # TST goes through the same motions without VMA, R/W low: a write where VMA is not probed.
    last = _ANY if low == _TEST else Step(_WRITE, Where.SAME)
    return form(size, (*reach, Step(_READ, *place), DEAD, last))


def _call(indexed: bool, size: int, place: tuple[Where, int]) -> Form:
    """JSR: a dead cycle, or a read in vain of the word at the goal, then the return address."""
    leads = ANYWHERE if indexed else (place,)
    return form(size, (DEAD, *moves(_WRITE, 2, Where.DOWN), *dead(3)), leads)


def _vectored(vector: int) -> tuple[Step, ...]:
    return (DEAD, Step(_READ, Where.ABSOLUTE, vector), Step(_READ, Where.ABSOLUTE, vector + 1))


def _interrupts() -> tuple[Form, ...]:
    """IRQ and NMI, twelve cycles as SWI."""
    stacked = moves(_WRITE, _STACKED, Where.DOWN)
    return tuple(form(0, (*dead(2), *stacked, *_vectored(vector)), POINTED) for vector in (0xFFF8, 0xFFFC))


TABLE_6800 = CycleTable(length_of, forms_of, _interrupts(), after_vector=0, vectors_from=0xFFF8, longest=12)
"""Of the 6800, the 6802 and the 6808."""
