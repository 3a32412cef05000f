"""What a board answers at every address, with its faults, as far as it does not change from read to read.

Each fault acts at its own place on the way of an access: address lines of the bus, selection of chips, a
chip's address inputs, its cells, its outputs, data lines of the bus.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import gather_bits, mask_of, scatter_bits
from wrongbit.demo.fault import InjectedFault
from wrongbit.demo.parts import Board, BoardChip, Words

_BUS_DATA = ("stuck-high", "stuck-low", "bridged-data-and", "bridged-data-or")


class Answers:
    """What the board answers at every address, worked out once.

    Index: bank in the bits above 16, address below. ``word`` and ``driven`` are the ROMs' share, wired AND
    where two drive; ``volatile`` has a 1 for each RAM or port that is selected, ``cell`` its cell.
    """

    def __init__(
        self, board: Board, faults: tuple[InjectedFault, ...], volatile: list[BoardChip], open_level: int
    ) -> None:
        size = board.banks << 16
        index = np.arange(size, dtype=np.uint64)
        bank = (index >> np.uint64(16)).astype(np.int32)
        address = index & np.uint64(0xFFFF)
        for fault in faults:
            if fault.model == "wrong-bank":
                bank = np.full_like(bank, fault.level)
        address = _lines(address, [f for f in faults if f.on_bus], open_level)
        selected = {chip.name: _decode(chip, bank, address) for chip in board.chips}
        _disturb_selection(selected, faults)

        mask = (1 << board.word_bits) - 1
        word, driven = np.full(size, mask, np.uint64), np.zeros(size, np.uint64)
        weak, slow = np.zeros(size, np.uint64), np.zeros(size, np.uint64)
        code = np.zeros(size, np.uint64)
        self.cell: list[list[int]] = []
        self.undriven: list[int] = []
        for chip in board.chips:
            own = [f for f in faults if f.chip == chip.name]
            cell = _lines(gather_bits(address, chip.lines), own, open_level) % np.uint64(chip.words)
            undriven = scatter_bits(np.array([_open_outputs(own)], np.uint64), chip.lane)[0]
            here = selected[chip.name]
            if chip.kind == "rom":
                lane = np.uint64(chip.lane_mask)
                joined = scatter_bits(_cells(chip, own)[cell], chip.lane) | ~lane
                word = np.where(here, word & joined, word)
                driven = np.where(here, driven | lane & ~undriven, driven)
                weak |= np.where(here, scatter_bits(_weak_cells(chip, own)[cell], chip.lane), np.uint64(0))
                slow |= np.where(here, lane if _has(own, "slow-data") else np.uint64(0), np.uint64(0))
            else:
                code |= here.astype(np.uint64) << np.uint64(volatile.index(chip))
                self.cell.append(cell.tolist())
                self.undriven.append(int(undriven))
        self.word: list[int] = word.tolist()
        self.driven: list[int] = driven.tolist()
        self.volatile: list[int] = code.tolist()
        self.weak: list[int] = weak.tolist() if _has(faults, "weak-column") else []
        self.slow: list[int] = slow.tolist() if _has(faults, "slow-data") else []


def _has(faults: Iterable[InjectedFault], model: str) -> bool:
    return any(fault.model == model for fault in faults)


def _decode(chip: BoardChip, bank: NDArray[np.int32], address: Words) -> NDArray[np.bool_]:
    """Where the address decoder selects the chip."""
    here = np.zeros(len(address), np.bool_)
    for in_bank, base, count in chip.regions:
        inside = (address >= np.uint64(base)) & (address < np.uint64(base + count))
        here |= inside if in_bank is None else inside & (bank == in_bank)
    return here


def _disturb_selection(selected: dict[str, NDArray[np.bool_]], faults: tuple[InjectedFault, ...]) -> None:
    for fault in faults:
        one, two = fault.chip, fault.other
        if fault.model == "wrong-chip":
            selected[one], selected[two] = selected[two], selected[one]
        elif fault.model == "two-chips":
            selected[one] = selected[two] = selected[one] | selected[two]
        elif fault.model == "floating-data" and one in selected:  # else it is on another processor's bus
            selected[one] = np.zeros_like(selected[one])


def _lines(address: Words, faults: Iterable[InjectedFault], open_level: int) -> Words:
    """Address lines as they arrive behind a fault on them."""
    for fault in faults:
        if not fault.model.startswith("address-"):
            continue
        first = np.uint64(1 << fault.lines[0])
        if fault.model == "address-stuck-high" or (fault.model == "address-open" and open_level):
            address = address | first
        elif fault.model in ("address-stuck-low", "address-open"):
            address = address & ~first
        else:
            address = _two_lines(address, fault)
    return address


def _two_lines(value: Words, fault: InjectedFault) -> Words:
    """Two lines bridged (wired AND or OR) or swapped; lines are bit numbers of ``value``."""
    one, two = (np.uint64(n) for n in (fault.lines or fault.bits))
    a, b = value >> one & np.uint64(1), value >> two & np.uint64(1)
    if fault.model.endswith("-and"):
        a = b = a & b
    elif fault.model.endswith("-or"):
        a = b = a | b
    else:
        a, b = b, a
    both: Words = a << one | b << two
    return value & ~np.uint64(mask_of(fault.lines or fault.bits)) | both


def _static_outputs(values: Words, faults: Iterable[InjectedFault]) -> Words:
    """Data lines behind stuck levels and bridges."""
    for fault in faults:
        mask = np.uint64(mask_of(fault.bits))
        if fault.model == "stuck-high":
            values = values | mask
        elif fault.model == "stuck-low":
            values = values & ~mask
        elif fault.model in ("bridged-data-and", "bridged-data-or"):
            values = _two_lines(values, fault)
    return values


def _cells(chip: BoardChip, faults: list[InjectedFault]) -> Words:
    """What the chip's outputs give for each of its addresses, fixed faults included."""
    values = chip.contents
    for fault in faults:
        if fault.model in ("failed-cells", "lost-charge"):
            values = values.copy()
            cells = np.array(fault.addresses, np.intp)
            values[cells] ^= np.array(fault.masks, np.uint64)
        elif fault.model in ("dead-row", "dead-column"):
            values = _array_line(chip, fault, values)
    return _static_outputs(values, faults)


def _array_line(chip: BoardChip, fault: InjectedFault, values: Words) -> Words:
    """A row (all outputs) or a column (its own outputs) of the array that reads one level only."""
    lines = chip.rows if fault.model == "dead-row" else chip.columns
    here = gather_bits(np.arange(chip.words, dtype=np.uint64), lines) == np.uint64(fault.line)
    dead: Words = np.where(here, np.uint64(mask_of(fault.bits)), np.uint64(0))
    return values | dead if fault.level else values & ~dead


def _weak_cells(chip: BoardChip, faults: list[InjectedFault]) -> Words:
    """For each address of the chip the outputs whose cell sits in a weak column."""
    weak = np.zeros(chip.words, np.uint64)
    for fault in faults:
        if fault.model == "weak-column":
            here = gather_bits(np.arange(chip.words, dtype=np.uint64), chip.columns) == np.uint64(fault.line)
            weak |= np.where(here, np.uint64(mask_of(fault.bits)), np.uint64(0))
    return weak


def _open_outputs(faults: list[InjectedFault]) -> int:
    return mask_of([bit for fault in faults if fault.model == "open-data" for bit in fault.bits])


def output_map(chip: BoardChip, faults: tuple[InjectedFault, ...]) -> list[int]:
    """Outputs of a RAM behind faults at its own pins, for each word; empty without any."""
    own = [f for f in faults if f.chip == chip.name]
    if not own:
        return []
    return _as_list(_static_outputs(np.arange(1 << len(chip.lane), dtype=np.uint64), own))


def bus_map(word_bits: int, faults: tuple[InjectedFault, ...]) -> list[int]:
    """Words as they arrive over faulty data lines of the bus, for each word; empty without any."""
    own = [f for f in faults if f.on_bus and f.model in _BUS_DATA]
    if not own:
        return []
    return _as_list(_static_outputs(np.arange(1 << word_bits, dtype=np.uint64), own))


def _as_list(values: Words) -> list[int]:
    return [int(value) for value in values]
