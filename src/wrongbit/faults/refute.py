"""What many faults on the way to the chips would settle otherwise than seen, without predicting each whole.

`wrongbit.faults.predict` tells everything about one fault; to refute hundreds, the settled bits will do. Both
must agree, which the tests hold them to.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_bits
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.faults.fault import SelectionStage
from wrongbit.faults.lines import wired_and, wired_or
from wrongbit.faults.rows import Rows, Words

Bools = NDArray[np.bool_]
Counts = NDArray[np.uint8]

MOST_LISTED = 12
"""Chips up to which what their lanes leave free is listed for every choice of them."""

NONE = np.uint64(0)


def _in_order_of_driving(memory_map: MemoryMap) -> list[tuple[int, ChipMap]]:
    """ROMs come first: RAM below a ROM takes writes only."""
    return sorted(enumerate(memory_map.chips), key=lambda each: each[1].kind != "rom")


# Addresses -----------------------------------------------------------------------------------------


def wrong_behind_addresses(rows: Rows, bank: NDArray[np.int32], address: Words) -> Counts:
    """Certainly wrong bits if reads went to other addresses.

    Args:
        rows: The observations.
        bank: ``int32 (k, n)`` where each read goes with each of k faults, or ``(n,)`` if they leave it alone.
        address: ``uint64 (k, n)`` likewise.

    Returns:
        ``uint8 (k, n)``. Where two ROMs would answer on one lane, its bits are left open.
    """
    moved = (bank != rows.bank) | (address != rows.address)
    place = np.flatnonzero(moved & rows.from_rom)
    row = place % max(len(rows), 1)
    words, known, answers = rows.memory_map.look_up(
        bank[row] if bank.ndim == 1 else bank.ravel()[place],
        address[row] if address.ndim == 1 else address.ravel()[place],
    )
    driven, clash = _lanes_driven(rows.memory_map, answers)
    held = rows.held[row]
    # An undriven line that held 1 still reads 1; one that held 0 may have drifted.
    settled = (known & ~clash) | (held & ~driven)
    word = (words & driven) | (held & ~driven)
    found = np.where(moved, np.uint8(0), count_bits(rows.wrong))  # a moved RAM read finds nobody knows what
    found.ravel()[place] = count_bits((word ^ rows.seen[row]) & rows.judged[row] & settled)
    return found


def _lanes_driven(memory_map: MemoryMap, answers: Words) -> tuple[Words, Words]:
    """Word bits that someone drives, and of these the bits that two ROMs drive."""
    chips = len(memory_map.chips)
    if chips > MOST_LISTED:
        return _drive(memory_map, answers)
    driven, clash = _drive(memory_map, np.arange(1 << chips, dtype=np.uint64))
    choice = answers.astype(np.intp)
    return driven[choice], clash[choice]


def _drive(memory_map: MemoryMap, answers: Words) -> tuple[Words, Words]:
    driven, clash = np.zeros_like(answers), np.zeros_like(answers)
    for number, chip in _in_order_of_driving(memory_map):
        lane = np.uint64(chip.lane_mask)
        chosen = (answers >> np.uint64(number)) & np.uint64(1) != NONE
        if chip.kind == "rom":
            clash |= np.where(chosen, driven & lane, NONE)
        else:
            chosen &= (driven & lane) == NONE
        driven |= np.where(chosen, lane, NONE)
    return driven, clash


# The choice of chips -------------------------------------------------------------------------------


def wrong_behind_selections(rows: Rows, faults: Sequence[SelectionStage]) -> Counts:
    """Certainly wrong bits with each of several faults in the choice of chips.

    Returns:
        ``uint8 (k, n)``.
    """
    memory_map = rows.memory_map
    nominal = {chip.name: chip.selected(rows.bank, rows.address) for chip in memory_map.chips}
    concerned = np.array([fault.concerns(nominal) for fault in faults])
    chosen = [fault.choose(nominal) for fault in faults]
    high = np.array([fault.high_wins for fault in faults])[:, None]
    value, open_, driven = np.zeros((3, len(faults), len(rows)), np.uint64)
    for _, chip in _in_order_of_driving(memory_map):
        answers = np.array([each[chip.name] for each in chosen])
        lane = np.uint64(chip.lane_mask)
        if chip.kind != "rom":
            disturbed = np.array([chip.name in fault.chips for fault in faults])[:, None]
            answers &= disturbed | ((driven & lane) == NONE)
        if not answers.any():
            continue
        word, unsettled = _outputs(rows, chip)
        before, new = driven & lane, np.where(answers, lane, NONE)
        if (before & new).any():  # two drive one line
            low_level, low_open = wired_and(value, open_, word, unsettled)
            high_level, high_open = wired_or(value, open_, word, unsettled)
            level, neither = np.where(high, high_level, low_level), np.where(high, high_open, low_open)
            word = (word & ~before) | (level & before)
            unsettled = (unsettled & ~before) | (neither & before)
        value = (value & ~new) | (word & new)
        open_ = (open_ & ~new) | (unsettled & new)
        driven |= new
    settled = rows.judged & ((driven & ~open_) | (rows.held & ~driven))
    wrong = count_bits((((value & driven) | (rows.held & ~driven)) ^ rows.seen) & settled)
    # A RAM read that may have gone elsewhere finds nobody knows what.
    return np.where(concerned, np.where(rows.from_rom, wrong, np.uint8(0)), count_bits(rows.wrong))


def _outputs(rows: Rows, chip: ChipMap) -> tuple[Words, Words]:
    """What a chip would put on the bus if it answered, and which bits of that are open: ``uint64 (n,)``."""
    if chip.kind != "rom":
        return np.zeros_like(rows.address), np.full_like(rows.address, np.uint64(chip.lane_mask))
    cell = chip.chip_address(rows.address)
    known = chip.known_on_bus(chip.known[cell])
    return chip.on_bus(chip.contents[cell]) & known, np.uint64(chip.lane_mask) & ~known
