"""Cycles from a capture whose every row already is one whole bus cycle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wrongbit.bus.cycles import KIND_CODE, NO_TIME, Cycles, held_values
from wrongbit.bus.recipes import resolve_recipe
from wrongbit.capture.source import CycleRows
from wrongbit.machine.model import Point, Processor
from wrongbit.machine.names import parse_signal, split_bus_bit


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
    word = rows.word & known
    kind = np.where(rows.kind < 0, KIND_CODE["read"], rows.kind).astype(np.uint8)
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
        flags=np.zeros(count, np.uint8),
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
