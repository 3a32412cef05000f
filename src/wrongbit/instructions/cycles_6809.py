"""How the 6809's instructions pass over the bus.

Source: Motorola MC6809 and MC6809E data sheets, cycle-by-cycle performance (the flow charts) and the
programming aid's counts. That a cycle without a valid address shows FFFF with R/W high is as published; the
charts and the counts are from memory, not checked against the documents. The tests hold the counts against
another program's table. The address of a dead cycle is therefore not insisted on.
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
_TWO_CYCLES = frozenset((0x12, 0x19, 0x1D, *(row | low for row in (0x40, 0x50) for low in (*_MODIFY, _TEST))))
"""NOP, DAA, SEX, and what works on an accumulator."""
_PLAIN_PAGE = frozenset(code for code in range(0x80, 0x100) if code not in (0x87, 0x8F, 0xC7, 0xCD, 0xCF))
_PAGES: dict[int, frozenset[int]] = {
    0x10: frozenset(
        (
            *(*range(0x21, 0x30), 0x3F),
            *(0x83, 0x93, 0xA3, 0xB3, 0x8C, 0x9C, 0xAC, 0xBC, 0x8E, 0x9E, 0xAE, 0xBE, 0x9F, 0xAF, 0xBF),
            *(0xCE, 0xDE, 0xEE, 0xFE, 0xDF, 0xEF, 0xFF),
        )
    ),
    0x11: frozenset((0x3F, 0x83, 0x93, 0xA3, 0xB3, 0x8C, 0x9C, 0xAC, 0xBC)),
}
"""Codes that follow the first byte 10 or 11."""
_ADDRESSING = {
    0x0: "direct", 0x6: "indexed", 0x7: "extended", 0x8: "immediate", 0x9: "direct", 0xA: "indexed",
    0xB: "extended", 0xC: "immediate", 0xD: "direct", 0xE: "indexed", 0xF: "extended",
}  # fmt: skip
_SWI_VECTORS = {0: 0xFFFA, 0x10: 0xFFF4, 0x11: 0xFFF2}
_PC = 5
"""The program counter's number in the byte after TFR and EXG."""
_REGISTERS_STACKED = 12


@cache
def length_of(first: int, second: int, third: int) -> int:
    """Bytes of the instruction that begins with these; 0 where there is none.

    >>> [length_of(*begin) for begin in ((0x12, 0, 0), (0xA6, 0x89, 0), (0x10, 0x8E, 0), (1, 0, 0))]
    [1, 4, 4, 0]
    """
    page, code, after = (first, second, third) if first in _PAGES else (0, first, second)
    if page and code not in _PAGES[page]:
        return 0
    own = _own_length(page, code, after)
    return own + bool(page) if own else 0


def _own_length(page: int, code: int, after: int) -> int:
    """Bytes without the page."""
    row, low = code >> 4, code & 0xF
    if row == 2:
        return 3 if page else 2
    if row in (1, 3, 4, 5):
        return _odd_length(code, after)
    if row in (0, 6, 7) and low not in _MODIFY | {_TEST, _JUMP}:
        return 0
    if row >= 8 and not page and code not in _PLAIN_PAGE:
        return 0
    mode = _ADDRESSING[row]
    if mode == "indexed":
        return _indexed_length(after)
    if mode == "immediate":
        return 3 if _wide(page, code) else 2  # BSR among them
    return 2 if mode == "direct" else 3


def _odd_length(code: int, after: int) -> int:
    """Rows 1, 3, 4 and 5."""
    if code in (0x16, 0x17):
        return 3
    if 0x30 <= code <= 0x33:
        return _indexed_length(after)
    if code in (0x1A, 0x1C, 0x1E, 0x1F, 0x34, 0x35, 0x36, 0x37, 0x3C):
        return 2
    return 1 if code in _TWO_CYCLES or code in (0x13, 0x39, 0x3A, 0x3B, 0x3D, 0x3F) else 0


def _indexed_length(post: int) -> int:
    """Operation code, post-byte and what the post-byte asks for; 0 where the data sheet lists none."""
    if post < 0x80:
        return 2
    mode, indirect = post & 0xF, bool(post & 0x10)
    if mode in (0x7, 0xA, 0xE) or (indirect and mode in (0, 2)) or (mode == 0xF and post != 0x9F):
        return 0
    return {0x8: 3, 0xC: 3, 0x9: 4, 0xD: 4, 0xF: 4}.get(mode, 2)


def _wide(page: int, code: int) -> bool:
    """It moves two bytes."""
    return bool(page) or (code & 0xF in (0x3, 0xC, 0xE, 0xF)) or code in (0xDD, 0xED, 0xFD)


@cache
def forms_of(words: tuple[int, ...]) -> tuple[Form, ...]:
    """The ways in which an instruction can pass over the bus; none where the data sheet lists it not.

    Args:
        words: Its bytes, `length_of` many.

    >>> [each.clocks for each in forms_of((0xA6, 0x84))], [each.clocks for each in forms_of((0x3B,))]
    ([4], [6, 15])
    """
    page = words[0] if words[0] in _PAGES else 0
    code, size = words[bool(page)], len(words)
    row, low = code >> 4, code & 0xF
    if row == 2:
        return _branches(page, code, words)
    if row in (1, 3, 4, 5):
        return (*_odd(page, code, words),)
    mode = _ADDRESSING[row]
    if mode == "immediate":
        if code == 0x8D:
            return (_call(size, (DEAD,), _displaced(words[-1:], size)),)
        vain = (ahead(size),) if _wide(page, code) and _computes(page, code) else ()
        return (form(size, vain),)
    reach, place = _reach(mode, words, bool(page))
    if row in (0, 6, 7):
        return (_on_memory(low, size, reach, place),)
    if low == 0xD and row < 0xC:
        return (_call(size, reach, _goal(place)),)
    count = 2 if _wide(page, code) else 1
    stores = low in (0x7, 0xF) or (low == 0xD and row >= 0xC)
    move = _WRITE if stores else _READ
    last = dead(1) if count == 2 and _computes(page, code) else ()
    first = Step(move, *place)
    return (form(size, (*reach, *moves(move, count, Where.UP, first), *last)),)


def _computes(page: int, code: int) -> bool:
    """SUBD, ADDD and the comparisons of two bytes take a cycle more than a load does."""
    return code & 0xF == 3 or (code & 0xF == 0xC and (code < 0xC0 or bool(page)))


def _on_memory(low: int, size: int, reach: tuple[Step, ...], place: tuple[Where, int]) -> Form:
    """JMP, TST, or read, change and write back."""
    if low == _JUMP:
        # The last cycle before the operand's address is on the bus is all that a jump needs.
        return form(size, reach, _goal(place))
    read = Step(_READ, *place)
    if low == _TEST:
        return form(size, (*reach, read, *dead(2)))
    return form(size, (*reach, read, DEAD, Step(_WRITE, Where.SAME)))


def _goal(place: tuple[Where, int]) -> tuple[tuple[Where, int], ...]:
    return ((Where.ANYWHERE, 0),) if place[0] == Where.SAME else (place,)


def _call(size: int, reach: tuple[Step, ...], leads: tuple[tuple[Where, int], ...]) -> Form:
    """The word at the goal is read in vain, then the return address is stacked, its lower byte first."""
    return form(size, (*reach, DEAD, DEAD, *moves(_WRITE, 2, Where.DOWN)), leads)


def _reach(mode: str, words: tuple[int, ...], paged: bool) -> tuple[tuple[Step, ...], tuple[Where, int]]:
    """The cycles from an instruction's last byte to its operand, and where that is."""
    if mode == "direct":
        return dead(1), (Where.LOW, words[-1])
    if mode == "extended":
        return dead(1), (Where.ABSOLUTE, words[-2] << 8 | words[-1])
    return _indexed(words, 1 + paged)


def _indexed(words: tuple[int, ...], at: int) -> tuple[tuple[Step, ...], tuple[Where, int]]:
    """The same for indexed addressing; the post-byte is the word ``at``."""
    post, size = words[at], len(words)
    mode = post & 0xF
    if post < 0x80:
        return (ahead(size), DEAD), (Where.ANYWHERE, 0)
    place = (Where.ANYWHERE, 0)
    if mode in (0xC, 0xD):
        place = _displaced(words[at + 1 :], size)[0]
    elif mode == 0xF:
        place = (Where.ABSOLUTE, words[-2] << 8 | words[-1])
    steps = {
        0x0: (ahead(size), *dead(2)),
        0x1: (ahead(size), *dead(3)),
        0x2: (ahead(size), *dead(2)),
        0x3: (ahead(size), *dead(3)),
        0x4: (ahead(size),),
        0x5: (ahead(size), DEAD),
        0x6: (ahead(size), DEAD),
        0x8: dead(1),
        0x9: (ahead(size), *dead(2)),
        0xB: (ahead(size), ahead(size + 1), ahead(size + 2), *dead(2)),
        0xC: dead(1),
        0xD: (ahead(size), *dead(3)),
        0xF: (ahead(size),),
    }[mode]
    if not post & 0x10:
        return steps, place
    pointer = (*moves(_READ, 2, Where.UP, Step(_READ, *place)), DEAD)
    return (*steps, *pointer), (Where.POINTER, 0)


def _displaced(displacement: tuple[int, ...], size: int) -> tuple[tuple[Where, int], ...]:
    """So far from the address after the instruction."""
    return ((Where.RELATIVE, size + int.from_bytes(bytes(displacement), "big", signed=True)),)


def _branches(page: int, code: int, words: tuple[int, ...]) -> tuple[Form, ...]:
    """A short branch takes as long either way, a long one a cycle more where it is taken."""
    size = len(words)
    there, after = _displaced(words[2:] if page else words[1:], size)[0], (Where.RELATIVE, size)
    never, always = code == 0x21, code == 0x20
    if not page:
        return (form(size, dead(1), (there,) if always else (after,) if never else (after, there)),)
    missed = form(size, dead(1), (after,))
    return (missed,) if never else (missed, form(size, dead(2), (there,)))


def _odd(page: int, code: int, words: tuple[int, ...]) -> tuple[Form, ...]:
    """Rows 1, 3, 4 and 5."""
    size = len(words)
    if code in _TWO_CYCLES:
        return (form(size, (ahead(size),)),)
    if 0x30 <= code <= 0x33:
        return (form(size, (*_indexed(words, 1)[0], DEAD)),)
    if code in (0x34, 0x36):
        return (form(size, (*dead(3), *moves(_WRITE, _registers(words[1]), Where.DOWN))),)
    if code in (0x35, 0x37):
        pulled = moves(_READ, _registers(words[1]), Where.UP)
        return (form(size, (*dead(2), *pulled, DEAD), POINTED if words[1] & 0x80 else ()),)
    if code == 0x3B:
        return _return_from_interrupt()
    if code == 0x3F:
        return (_software_interrupt(size, _SWI_VECTORS[page]),)
    return (_single(code, words),)


def _single(code: int, words: tuple[int, ...]) -> Form:
    """What is left."""
    size = len(words)
    target = _displaced(words[1:], size) if code in (0x16, 0x17) else ()
    into_pc = words[-1] & 0xF == _PC or (code == 0x1E and words[-1] >> 4 == _PC)
    stacked = moves(_WRITE, _REGISTERS_STACKED, Where.DOWN)
    return {
        0x13: form(size, (ahead(1), DEAD), waits=True),
        0x16: form(size, dead(2), target),
        0x17: _call(size, dead(2), target),
        0x1A: form(size, (ahead(2),)),
        0x1C: form(size, (ahead(2),)),
        0x1E: form(size, dead(6), ANYWHERE if into_pc else ()),
        0x1F: form(size, dead(4), ANYWHERE if into_pc else ()),
        0x39: form(size, (ahead(1), *moves(_READ, 2, Where.UP), DEAD), POINTED),
        0x3A: form(size, (ahead(1), DEAD)),
        0x3C: form(size, (ahead(2), DEAD, *stacked), ((Where.POINTER, 0),), waits=True),
        0x3D: form(size, (ahead(1), *dead(9))),
    }[code]


def _registers(mask: int) -> int:
    """Bytes that the byte after PSHS, PULS, PSHU or PULU names: four of 8 bits, four of 16."""
    return (mask & 0xF).bit_count() + 2 * (mask >> 4).bit_count()


def _return_from_interrupt() -> tuple[Form, ...]:
    """Bit E of the condition codes, which are pulled first, tells how much follows them."""
    short, whole = (
        form(
            1,
            (ahead(1), *moves(_READ, count, Where.UP, Step(_READ, mask=0x80, level=level)), DEAD),
            POINTED,
        )
        for count, level in ((3, 0), (_REGISTERS_STACKED, 0x80))
    )
    return short, whole


def _vectored(vector: int) -> tuple[Step, ...]:
    """A dead cycle, the vector, a dead cycle."""
    pair = (Step(_READ, Where.ABSOLUTE, vector), Step(_READ, Where.ABSOLUTE, vector + 1))
    return (DEAD, *pair, DEAD)


def _software_interrupt(size: int, vector: int) -> Form:
    stacked = moves(_WRITE, _REGISTERS_STACKED, Where.DOWN)
    return form(size, (ahead(size), DEAD, *stacked, *_vectored(vector)), POINTED)


def _interrupts() -> tuple[Form, ...]:
    """IRQ and NMI take 19 cycles, FIRQ 10."""
    return tuple(
        form(0, (*dead(3), *moves(_WRITE, count, Where.DOWN), *_vectored(vector)), POINTED)
        for vector, count in ((0xFFF8, _REGISTERS_STACKED), (0xFFFC, _REGISTERS_STACKED), (0xFFF6, 3))
    )


TABLE_6809 = CycleTable(length_of, forms_of, _interrupts(), after_vector=1, vectors_from=0xFFF0, longest=24)
"""Of the 6809 and the 6809E."""
