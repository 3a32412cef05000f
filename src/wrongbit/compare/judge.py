"""Judge every cycle: ROM reads against the reference, RAM reads against the last write seen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import mask_of
from wrongbit.bus.cycles import KIND_CODE, READING_KINDS, Cycles
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.compare.verdicts import BASIS_RAM, BASIS_ROM, Verdicts

Words = NDArray[np.uint64]
Bools = NDArray[np.bool_]


def judge(cycles: Cycles, memory_map: MemoryMap) -> Verdicts:
    """A verdict on every cycle.

    A reading cycle (fetch, read) whose whole address was seen is compared with ROM contents, or with what
    was last written to the same RAM cell earlier in the capture. Everything else is 'not known'.

    Args:
        cycles: All cycles of one capture in order.
        memory_map: The chips of the processor whose cycles they are.
    """
    whole = np.uint64((1 << memory_map.address_bits) - 1)
    addressed = cycles.address_known == whole
    if memory_map.banked:
        addressed &= cycles.bank >= 0
    reading = addressed & is_reading(cycles)
    expected, known = memory_map.expected(cycles.bank, cycles.address)
    if not reading.all():
        nothing = ~reading
        expected[nothing] = 0
        known[nothing] = 0
    basis = np.where(known != 0, BASIS_ROM, 0).astype(np.uint8)
    _judge_ram(cycles, memory_map, addressed, reading, expected, known, basis)
    judged = known & cycles.known
    wrong = (expected ^ cycles.word) & judged
    # NOT_KNOWN, AGREES and DIFFERS are 0, 1 and 2: judged or not, plus wrong or not.
    verdict = (judged != 0).astype(np.uint8) + (wrong != 0)
    basis[judged == 0] = 0
    return Verdicts(expected, judged, wrong, verdict, basis)


def _judge_ram(
    cycles: Cycles,
    memory_map: MemoryMap,
    addressed: Bools,
    reading: Bools,
    expected: Words,
    known: Words,
    basis: NDArray[np.uint8],
) -> None:
    """Fill in what each read of RAM should give."""
    rams = [(number, chip) for number, chip in enumerate(memory_map.chips) if chip.kind == "ram"]
    if not rams:
        return
    writing = addressed & (cycles.kind == KIND_CODE["write"])
    answers = memory_map.answering(cycles.bank, cycles.address)
    at_ram = np.flatnonzero((answers & np.uint64(mask_of([number for number, _ in rams]))) != 0)
    at_ram = at_ram[(reading | writing)[at_ram]]
    answers = answers[at_ram]
    for number, chip in rams:
        rows = at_ram[(answers >> np.uint64(number)) & np.uint64(1) != 0]
        _last_writes(chip, cycles, rows, reading, writing, expected, known, basis)


def is_reading(cycles: Cycles) -> Bools:
    """``bool (n,)``: a memory drives the bus in this cycle."""
    result = np.zeros(len(cycles), np.bool_)
    for kind in READING_KINDS:
        result |= cycles.kind == KIND_CODE[kind]
    return result


def _last_writes(
    chip: ChipMap,
    cycles: Cycles,
    rows: NDArray[np.intp],
    reading: Bools,
    writing: Bools,
    expected: Words,
    known: Words,
    basis: NDArray[np.uint8],
) -> None:
    """Fill in what each read of a RAM chip should give: the last write to the same cell.

    Args:
        rows: Reading and writing cycles at which the chip answers, in order.
    """
    if not len(rows):
        return
    cell = chip.chip_address(cycles.address[rows])
    if len(chip.contents) <= 1 << 16:
        cell = cell.astype(np.uint16)  # numpy sorts 16-bit numbers by counting, in a tenth of the time
    order = np.argsort(cell, kind="stable")
    rows, cell = rows[order], cell[order]
    place = np.arange(len(rows))
    begins = np.concatenate([[True], cell[1:] != cell[:-1]])
    first_of_cell = np.maximum.accumulate(np.where(begins, place, 0))
    for lane in _byte_lanes(chip):
        bits = np.uint64(lane)
        given = cycles.known[rows] & bits
        writes = writing[rows] & (given != 0)
        last = np.maximum.accumulate(np.where(writes, place, -1))
        fit = reading[rows] & (last >= first_of_cell)
        reads, source = rows[fit], last[fit]
        expected[reads] |= cycles.word[rows[source]] & given[source]
        known[reads] |= given[source]
        basis[reads[given[source] != 0]] = BASIS_RAM


def _byte_lanes(chip: ChipMap) -> list[int]:
    """The chip's word bits, byte by byte: what a byte strobe can write on its own."""
    lanes = {mask_of([bit for bit in chip.lane if bit // 8 == byte]) for byte in range(8)}
    return sorted(lanes - {0})
