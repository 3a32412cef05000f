"""Cycles from a capture whose every row already is one whole bus cycle."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import mask_of
from wrongbit.bus.cycles import KIND_CODE, NO_TIME, UNSTROBED, Cycles, doubtful_bytes, held_values
from wrongbit.bus.pins import Pins
from wrongbit.bus.recipes import resolve_recipe
from wrongbit.capture.capture import Layout
from wrongbit.capture.source import CycleRows
from wrongbit.machine.model import Point, Processor
from wrongbit.machine.names import parse_signal, split_bus_bit
from wrongbit.machine.recipe import parse_part, parse_term
from wrongbit.units import parse_bits


@dataclass(frozen=True)
class _Term:
    """A term that makes a byte move: a strobe, or a bit of the address.

    Args:
        wanted: Active, or the bit is 1.
        name: Canonical name of the strobe in this machine.
        bit: Bit of the address; None for a strobe.
        active: Level at which the strobe is active.
    """

    wanted: bool
    name: str
    bit: int | None
    active: int


def row_widths(processor: Processor) -> dict[str, int]:
    """What the columns of whole cycles may carry: ``address`` and ``word`` with their bits, and byte strobes.

    >>> row_widths(Processor(name="U1", word_bits=16, address_bits=24, recipe="68000"))
    {'address': 24, 'word': 16, 'LDS': 1, 'UDS': 1}
    """
    strobes = {each.name: 1 for _, terms in _enabling(processor) for each in terms if each.bit is None}
    return {"address": processor.address_bits, "word": processor.word_bits, **strobes}


def _enabling(processor: Processor) -> list[tuple[np.uint64, list[_Term]]]:
    """Bits of the word that move together, and the terms that must all hold for it."""
    recipe = resolve_recipe(processor)
    pins = Pins(processor, recipe, Layout({}, {}))
    latches = {latch.name: latch.bus for latch in recipe.latch}

    def term(text: str) -> _Term:
        wanted, name, bit = parse_term(text)
        behind = latches.get(name, [name])
        if bit is None and len(behind) == 1:  # a latched strobe is that strobe
            name = parse_part(behind[0])[0]
        # Polarity is a matter of the recipe's name, not of what this machine calls the line.
        return _Term(wanted, pins.canonical(name), bit, 0 if pins.active_low(name) else 1)

    return [
        (np.uint64(mask_of(parse_bits(enable.bits))), [term(text) for text in enable.when])
        for enable in recipe.enable
    ]


def _moved(rows: CycleRows, processor: Processor) -> tuple[NDArray[np.uint64], NDArray[np.uint64]]:
    """Word bits that each row may move, and of these the ones of which nobody knows: no column tells.

    A transfer moves something: where only one byte can have moved, it did. Both are ``uint64 (n,)``.
    """
    count = len(rows.sample)
    sure, open_ = np.zeros((2, count), np.uint64)
    ways = np.zeros(count, np.uint8)
    for bits, terms in _enabling(processor):
        holds, told = np.ones(count, np.bool_), True
        for each in terms:
            if each.bit is not None:
                holds &= (rows.address >> np.uint64(each.bit) & np.uint64(1)) == np.uint64(each.wanted)
            elif each.name in rows.levels:
                holds &= rows.levels[each.name] == (each.active if each.wanted else 1 - each.active)
            else:
                told = False
        (sure if told else open_)[holds] |= bits
        ways += holds
    return sure | open_, np.where(ways > 1, open_, np.uint64(0))


def cycles_from_rows(rows: CycleRows, processor: Processor) -> Cycles:
    """The table of cycles that an instrument's own rows amount to.

    A row without a status is taken as a read: such exports show what the memory gave. What undriven lines
    would hold is the last word seen, or the address where the recipe says so.

    Args:
        rows: What the reader found.
        processor: Whose bus it is.
    """
    count = len(rows.sample)
    word_mask = np.uint64((1 << processor.word_bits) - 1)
    address_mask = np.uint64((1 << processor.address_bits) - 1)
    known = rows.known & word_mask
    kind = np.where(rows.kind < 0, KIND_CODE["read"], rows.kind).astype(np.uint8)
    flags = np.zeros(count, np.uint8)
    if resolve_recipe(processor).enable:
        moved, doubtful = _moved(rows, processor)
        writing = kind == KIND_CODE["write"]
        masked = writing | bool(rows.levels)
        known[masked] &= moved[masked]
        flags[writing] |= doubtful_bytes(doubtful)[writing]
        if (doubtful & word_mask == word_mask).all():  # then only a fetch surely moves the whole word
            flags[kind != KIND_CODE["fetch"]] |= UNSTROBED
    word = rows.word & known
    cycles = Cycles(
        sample=rows.sample,
        time_ps=np.full(count, NO_TIME) if rows.time_ps is None else rows.time_ps,
        kind=kind,
        bank=np.zeros(count, np.int32) if rows.bank is None else rows.bank,
        address=rows.address & address_mask,
        address_known=rows.address_known & address_mask,
        word=word,
        known=known,
        held=np.zeros(count, np.uint64),
        flags=flags,
    )
    return replace(cycles, held=held_values(cycles, resolve_recipe(processor).held, processor.word_bits))


def with_tied_lines(cycles: Cycles, point: Point) -> Cycles:
    """The same cycles with the lines that the probe point calls tied at their level.

    Args:
        cycles: From `cycles_from_rows`.
        point: Its ``tied``: 'A14' is a line of the address, 'D3' one of the word.
    """
    for name, level in point.tied.items():
        stem, bit = split_bus_bit(parse_signal(name).base) or ("", 0)
        line, value = np.uint64(1 << bit), np.uint64(level << bit)
        if stem == "A":
            cycles = replace(
                cycles,
                address=cycles.address & ~line | value,
                address_known=cycles.address_known | line,
            )
        elif stem == "D":
            cycles = replace(cycles, word=cycles.word & ~line | value, known=cycles.known | line)
    return cycles
