"""What many faults on the way to the chips would settle otherwise than seen, without predicting each whole.

`wrongbit.faults.predict` tells everything about one fault; to refute hundreds, the settled bits will do. Both
must agree, which the tests hold them to; only reads of RAM that go elsewhere are left open here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

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


def _drivers(memory_map: MemoryMap) -> list[tuple[int, ChipMap]]:
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
    chips = tuple((number, chip.kind == "rom", chip.lane_mask) for number, chip in _drivers(memory_map))
    if len(chips) > MOST_LISTED:
        return _drive(chips, answers)
    driven, clash = _every_choice(chips)
    choice = answers.astype(np.intp)
    return driven[choice], clash[choice]


Lanes = tuple[tuple[int, bool, int], ...]
"""Number, being a ROM, and lane of each chip, those first whose word goes before."""


@lru_cache(maxsize=16)
def _every_choice(chips: Lanes) -> tuple[Words, Words]:
    return _drive(chips, np.arange(1 << len(chips), dtype=np.uint64))


def _drive(chips: Lanes, answers: Words) -> tuple[Words, Words]:
    driven, clash = np.zeros_like(answers), np.zeros_like(answers)
    for number, rom, mask in chips:
        lane = np.uint64(mask)
        chosen = (answers >> np.uint64(number)) & np.uint64(1) != NONE
        if rom:
            clash |= np.where(chosen, driven & lane, NONE)
        else:
            chosen &= (driven & lane) == NONE
        driven |= np.where(chosen, lane, NONE)
    return driven, clash


# The choice of chips -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Refuted:
    """What each of k faults says about each of n reads.

    Args:
        wrong: ``uint8 (k, n)`` bits that it settles otherwise than seen.
        either: ``uint8 (k, n)`` bits that it leaves open.
        strays: ``bool (k,)`` a RAM read may have gone elsewhere; nothing of it is in ``wrong``.
        free: ``bool (k,)`` so it is, or a line floats that held 0, or a ROM gives what no reference tells.
    """

    wrong: Counts
    either: Counts
    strays: Bools
    free: Bools


def wrong_behind_selections(rows: Rows, faults: Sequence[SelectionStage]) -> Refuted:
    """What several faults in the choice of chips would settle otherwise than seen."""
    nominal = {chip.name: chip.selected(rows.bank, rows.address) for chip in rows.memory_map.chips}
    moved = np.array([fault.concerns(nominal) for fault in faults])
    value, soft, unknown, driven = _answers(rows, faults, [fault.choose(nominal) for fault in faults])
    judged = np.where(moved & rows.from_rom, rows.judged, NONE)
    held = rows.held & ~driven  # an undriven line that held 0 may have drifted
    settled = judged & ((driven & ~(soft | unknown)) | held)
    wrong = count_bits((((value & driven) | held) ^ rows.seen) & settled)
    either = count_bits(soft & judged)
    strays = np.any(moved & ~rows.from_rom, axis=1)
    free = strays | np.any(judged & ~settled & ~soft, axis=1)
    return Refuted(np.where(moved, wrong, count_bits(rows.wrong)), either, strays, free)


def _answers(
    rows: Rows, faults: Sequence[SelectionStage], chosen: Sequence[dict[str, Bools]]
) -> tuple[Words, Words, Words, Words]:
    """What the chosen chips put on the bus, ``uint64 (k, n)``: levels, open, unknown and driven ones."""
    high = np.array([fault.high_wins for fault in faults])[:, None]
    value, soft, unknown, driven = np.zeros((4, len(faults), len(rows)), np.uint64)
    for _, chip in _drivers(rows.memory_map):
        answers = np.array([each[chip.name] for each in chosen])
        lane = np.uint64(chip.lane_mask)
        if chip.kind != "rom":
            disturbed = np.array([chip.name in fault.chips for fault in faults])[:, None]
            answers &= disturbed | ((driven & lane) == NONE)
        if not answers.any():
            continue
        word, open_, lost = _outputs(rows, chip)
        before, new = driven & lane, np.where(answers, lane, NONE)
        if (before & new).any():  # two drive one line
            drivers = value, soft | unknown, word, open_ | lost
            pairs = zip(wired_or(*drivers), wired_and(*drivers), strict=True)
            level, neither = (np.where(high, of_high, of_low) for of_high, of_low in pairs)
            word = (word & ~before) | (level & before)
            open_, lost = (open_ & ~before) | (neither & before), lost & ~before
        value, soft, unknown = (
            (levels & ~new) | (own & new) for levels, own in ((value, word), (soft, open_), (unknown, lost))
        )
        driven |= new
    return value, soft, unknown, driven


def _outputs(rows: Rows, chip: ChipMap) -> tuple[Words, Words, Words]:
    """A chip's levels on the bus if it answered, its open ones and its unknown ones: ``uint64 (n,)``."""
    none, lane = np.zeros_like(rows.address), np.uint64(chip.lane_mask)
    if chip.kind != "rom":
        return none, none | lane, none
    cell = chip.chip_address(rows.address)
    known = chip.known_on_bus(chip.known[cell])
    return chip.on_bus(chip.contents[cell]) & known, none, lane & ~known
