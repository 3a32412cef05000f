"""Cycles from a capture whose every row already is one whole bus cycle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import mask_of
from wrongbit.bus.cycles import KIND_CODE, NO_TIME, UNSTROBED, Cycles, doubtful_bytes, held_values
from wrongbit.bus.pins import Pins, canonical_name
from wrongbit.bus.recipes import resolve_recipe
from wrongbit.capture.capture import Layout
from wrongbit.capture.source import CycleRows
from wrongbit.machine.model import Point, Processor
from wrongbit.machine.names import parse_signal, split_bus_bit
from wrongbit.machine.recipe import parse_part, parse_term
from wrongbit.units import parse_bits


def row_widths(processor: Processor) -> dict[str, int]:
    """What the columns of whole cycles may carry: ``address`` and ``word`` with their bits, and byte strobes.

    >>> row_widths(Processor(name="U1", word_bits=16, address_bits=24, recipe="68000"))
    {'address': 24, 'word': 16, 'LDS': 1, 'UDS': 1}
    """
    strobes = {name: 1 for _, name, bit in _enabling(processor) if bit is None}
    return {"address": processor.address_bits, "word": processor.word_bits, **strobes}


def _enabling(processor: Processor) -> list[tuple[bool, str, int | None]]:
    """Every term that makes a byte move, as (wanted, canonical name, bit of the address or None)."""
    recipe = resolve_recipe(processor)
    latches = {latch.name: latch.bus for latch in recipe.latch}
    found = []
    for enable in recipe.enable:
        for term in enable.when:
            wanted, name, bit = parse_term(term)
            behind = latches.get(name, [name])
            if bit is None and len(behind) == 1:  # a latched strobe is that strobe
                name = parse_part(behind[0])[0]
            found.append((wanted, canonical_name(processor, name), bit))
    return found


def _moved(rows: CycleRows, processor: Processor) -> tuple[NDArray[np.uint64], NDArray[np.uint64]]:
    """Word bits that each row may move, and of these the ones of which nobody knows: no column tells.

    A transfer moves something: where only one byte can have moved, it did. Both are ``uint64 (n,)``.
    """
    count = len(rows.sample)
    sure, open_ = np.zeros((2, count), np.uint64)
    ways = np.zeros(count, np.uint8)
    terms = iter(_enabling(processor))
    recipe = resolve_recipe(processor)
    pins = Pins(processor, recipe, Layout({}, {}))
    for enable in recipe.enable:
        bits = np.uint64(mask_of(parse_bits(enable.bits)))
        holds, told = np.ones(count, np.bool_), True
        for _ in enable.when:
            wanted, name, bit = next(terms)
            if bit is not None:
                holds &= (rows.address >> np.uint64(bit) & np.uint64(1)) == np.uint64(wanted)
            elif name in rows.levels:
                active = 0 if pins.active_low(name) else 1
                holds &= rows.levels[name] == (active if wanted else 1 - active)
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
