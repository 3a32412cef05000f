"""The word that would be seen if these faults were there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import gather_bits, scatter_bits
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.faults.fault import (
    AddressStage,
    BusStage,
    CellStage,
    ChipAddressStage,
    Fault,
    OutputStage,
    SelectionStage,
)
from wrongbit.faults.lines import wired_and, wired_or
from wrongbit.faults.rows import Rows, Words


@dataclass(frozen=True)
class Prediction:
    """Words that would be seen, one row for each observation.

    Args:
        value: ``uint64 (m,)`` settled bits; 0 where soft, what was held where floating.
        soft: ``uint64 (m,)`` bits that may be either with probability ½, anew in every read.
        floating: ``uint64 (m,)`` bits that nobody drives: what was held, or drifted to 1.
        unknown: ``uint64 (m,)`` bits of a cell whose contents no reference gives: either, but the same in
            every read of that cell; None where there are none.
        source: ``uint64 (m,)`` the cell that ``unknown`` refers to.
        strays: ``bool (m,)`` a RAM read that may have gone to another cell, whose contents nobody knows;
            None where there are none. A RAM read that has gone to a ROM, or to nobody, is none of these.
    """

    value: Words
    soft: Words
    floating: Words
    unknown: Words | None = None
    source: Words | None = None
    strays: NDArray[np.bool_] | None = None


@dataclass
class _Lines:
    """Data lines while a prediction is being worked out; arrays are changed in place."""

    value: Words
    soft: Words
    floating: Words
    unknown: Words
    source: Words

    @staticmethod
    def start(value: Words) -> _Lines:
        zero = np.zeros_like(value)
        return _Lines(value, zero, zero.copy(), zero.copy(), zero.copy())


def predict(faults: Sequence[Fault], rows: Rows) -> Prediction:
    """What would be seen with all of these faults at once; without any, what is expected.

    Args:
        faults: Faults, each acting at its own stage; two at one stage act in the order given.
        rows: The observations.
    """
    lines = _Lines.start(rows.expected.copy())
    strays = None
    upstream = [fault for fault in faults if isinstance(fault, AddressStage | SelectionStage)]
    moved = None
    if upstream:
        bank, address, selected, moved = _reach(upstream, rows)
        strays = _answer(faults, rows, _Reach(bank, address, selected), np.flatnonzero(moved), lines)
    for chip in rows.memory_map.chips:
        own = [fault for fault in faults if fault.part == chip.name and not isinstance(fault, SelectionStage)]
        if own:
            astray = _local(own, chip, rows, moved, lines)
            if astray is not None:
                strays = astray if strays is None else strays | astray
    for fault in faults:
        if isinstance(fault, BusStage):
            _receive(fault, rows, lines)
    used = lines.unknown.any()
    return Prediction(
        lines.value,
        lines.soft,
        lines.floating,
        lines.unknown if used else None,
        lines.source if used else None,
        strays if strays is not None and strays.any() else None,
    )


def _reach(
    upstream: Sequence[Fault], rows: Rows
) -> tuple[NDArray[np.int32], Words, dict[str, NDArray[np.bool_]], NDArray[np.bool_]]:
    """Bank, address and chosen chips behind the faults on the bus, and the rows that are concerned."""
    bank, address = rows.bank, rows.address
    for fault in upstream:
        if isinstance(fault, AddressStage):
            bank, address = fault.move(bank, address)
    moved = (bank != rows.bank) | (address != rows.address)
    selected = {chip.name: chip.selected(bank, address) for chip in rows.memory_map.chips}
    for fault in upstream:
        if isinstance(fault, SelectionStage):
            moved |= fault.concerns(selected)
            selected = fault.choose(selected)
    return bank, address, selected, moved


@dataclass(frozen=True)
class _Reach:
    """What arrives behind the faults on the bus.

    Args:
        bank: ``int32 (m,)``.
        address: ``uint64 (m,)``.
        selected: For each chip ``bool (m,)``: it answers.
    """

    bank: NDArray[np.int32]
    address: Words
    selected: dict[str, NDArray[np.bool_]]

    def stored(self, chip: ChipMap, rows: Rows, index: NDArray[np.intp]) -> NDArray[np.bool_]:
        """``bool (k,)``: rows judged by the last write to just the cell of a RAM that they still reach."""
        same = (self.address[index] == rows.address[index]) & (self.bank[index] == rows.bank[index])
        own = chip.selected(rows.bank[index], rows.address[index])
        return np.asarray((chip.kind == "ram") & ~rows.from_rom[index] & same & own)


def _answer(
    faults: Sequence[Fault], rows: Rows, reach: _Reach, index: NDArray[np.intp], lines: _Lines
) -> NDArray[np.bool_]:
    """Work out from scratch what the chips put on the bus in the rows of ``index``.

    Returns:
        ``bool (m,)``: reads of RAM that another cell of a RAM may have answered.
    """
    memory_map, held, bank, address = rows.memory_map, rows.held[index], reach.bank, reach.address
    strays = np.zeros(len(rows), np.bool_)
    high_wins = any(fault.high_wins for fault in faults if isinstance(fault, SelectionStage))
    combine = wired_or if high_wins else wired_and
    value, soft, unknown, driven = (np.zeros(len(index), np.uint64) for _ in range(4))
    disturbed = {name for fault in faults if isinstance(fault, SelectionStage) for name in fault.chips}
    for chip in sorted(memory_map.chips, key=lambda chip: chip.kind != "rom"):
        chosen = reach.selected[chip.name][index]
        if chip.kind != "rom" and chip.name not in disturbed:
            chosen = chosen & ((driven & np.uint64(chip.lane_mask)) == 0)  # RAM under a ROM takes writes only
        here = np.flatnonzero(chosen)
        if not len(here):
            continue
        own = [fault for fault in faults if fault.part == chip.name]
        at = gather_bits(address[index[here]], chip.address_lines)
        there = index[here]
        stored = reach.stored(chip, rows, there)
        judged = np.where(stored, rows.judged[there], np.uint64(0))
        contents = chip.from_bus(rows.expected[there]), gather_bits(judged, chip.lane)
        outputs = _outputs(memory_map, chip, own, at, chip.from_bus(held[here]), contents)
        word, open_, lost = chip.on_bus(outputs[0]), *(scatter_bits(mask, chip.lane) for mask in outputs[1:3])
        gap, lane = scatter_bits(outputs[3], chip.lane), np.uint64(chip.lane_mask)
        mine = lane & ~gap
        if chip.kind == "ram":
            strays[there] |= ~rows.from_rom[there] & ~stored & ((rows.judged[there] & mine) != 0)
        before = driven[here] & mine
        if before.any():
            both, unsettled = combine(
                value[here], soft[here] | unknown[here], word & ~(open_ | lost), open_ | lost
            )
            word = np.where(before, (word & ~before) | (both & before), word)
            open_ = (open_ & ~before) | (unsettled & before)
            lost &= ~before
        for array, new in ((value, word), (soft, open_), (unknown, lost)):
            array[here] = (array[here] & ~mine) | (new & mine)
        driven[here] |= mine
    lines.value[index] = (value & driven) | (held & ~driven)
    lines.soft[index] = soft
    lines.floating[index] = ~driven
    lines.unknown[index] = unknown
    lines.source[index] = address[index] | (bank[index].astype(np.uint64) << np.uint64(40))
    return strays


def _outputs(
    memory_map: MemoryMap,
    chip: ChipMap,
    own: Sequence[Fault],
    at: Words,
    held: Words,
    stored: tuple[Words, Words],
) -> tuple[Words, Words, Words, Words]:
    """A chip's outputs for levels on its address lines as (value, soft, unknown, floating).

    ``stored`` is what a RAM should give, with a 1 for each bit of which that is known.
    """
    for fault in own:
        if isinstance(fault, ChipAddressStage):
            at = fault.move_lines(at)
    every = np.uint64((1 << len(chip.lane)) - 1)
    if chip.kind == "rom":
        cell = at % np.uint64(len(chip.contents))
        value, unknown = chip.contents[cell], every & ~chip.known[cell]
        soft = np.zeros_like(value)
    else:
        cell = at
        value, unknown = stored[0] & stored[1], np.zeros_like(at)
        soft = every & ~stored[1]
    return _behind_cells(memory_map, chip, own, cell, value, soft, unknown, held)


def _behind_cells(
    memory_map: MemoryMap,
    chip: ChipMap,
    own: Sequence[Fault],
    cell: Words,
    value: Words,
    soft: Words,
    unknown: Words,
    held: Words,
) -> tuple[Words, Words, Words, Words]:
    """Let faults in the cells and at the outputs act."""
    floating = np.zeros_like(value)
    if not any(isinstance(fault, CellStage | OutputStage) for fault in own):
        return value, soft, unknown, floating
    value, soft = value & ~unknown, soft | unknown
    for fault in own:
        if isinstance(fault, CellStage):
            value, soft = fault.spoil(memory_map, chip, cell, value, soft)
    for fault in own:
        if isinstance(fault, OutputStage):
            value, soft, gap = fault.drive(value, soft, held)
            value = (value & ~gap) | (held & gap)
            floating |= gap
    # Soft bits that were merely unknown before, and still are, stay the same in every read of the cell.
    return value, soft & ~unknown, soft & unknown, floating


def _local(
    own: Sequence[Fault], chip: ChipMap, rows: Rows, moved: NDArray[np.bool_] | None, lines: _Lines
) -> NDArray[np.bool_] | None:
    """Let the faults of one chip act in the rows that nothing further up has changed.

    Returns:
        Rows in which a RAM was sent to another of its cells, or None.
    """
    at = rows.at(chip)
    every = np.uint64((1 << len(chip.lane)) - 1)
    keep = None if moved is None else np.flatnonzero(~moved[at.index])
    pick = slice(None) if keep is None else keep
    index, on_lines, held = at.index[pick], at.lines[pick], at.held[pick]
    # A bit without an expectation is unknown to the logic behind it, though never scored itself.
    value, unknown = at.expected[pick] & at.judged[pick], every & ~at.judged[pick]
    soft = np.zeros_like(value)
    cell = on_lines
    for fault in own:
        if isinstance(fault, ChipAddressStage):
            cell = fault.move_lines(cell)
    if chip.kind == "rom":
        cell = cell % np.uint64(len(chip.contents))
        if any(isinstance(fault, ChipAddressStage) for fault in own):
            value, unknown = chip.contents[cell], every & ~chip.known[cell]
    value, soft, unknown, floating = _behind_cells(
        rows.memory_map, chip, own, cell, value, soft, unknown, held
    )
    lane = np.uint64(chip.lane_mask)
    lines.value[index] = (lines.value[index] & ~lane) | chip.on_bus(value)
    lines.soft[index] |= scatter_bits(soft, chip.lane)
    lines.floating[index] |= scatter_bits(floating, chip.lane)
    unknown = scatter_bits(unknown, chip.lane) & rows.judged[index]
    lines.unknown[index] |= unknown
    lines.source[index] = np.where(unknown != 0, cell, lines.source[index])
    if chip.kind == "rom" or not any(isinstance(fault, ChipAddressStage) for fault in own):
        return None
    astray = np.zeros(len(rows), np.bool_)
    astray[index] = cell != on_lines
    return astray


def _receive(fault: BusStage, rows: Rows, lines: _Lines) -> None:
    """Let a fault on the shared data lines act."""
    open_ = lines.soft | lines.unknown | lines.floating | ~rows.judged
    value, soft, gap = fault.receive(lines.value & ~open_, open_)
    # A level that was open before and still is keeps its own kind of openness.
    lines.floating = (lines.floating & soft) | gap
    lines.unknown = lines.unknown & soft & ~gap
    lines.soft = soft & ~lines.floating & ~lines.unknown
    lines.value = (value & ~lines.floating) | (rows.held & lines.floating)
