"""Judge every cycle: ROM reads against the reference, RAM reads against the last write seen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import mask_of
from wrongbit.bus.cycles import KIND_CODE, READING_KINDS, Cycles
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.compare.verdicts import BASIS_RAM, BASIS_ROM, Verdicts

BLOCK = 1 << 15
"""Cycles judged together."""

Words = NDArray[np.uint64]
Bools = NDArray[np.bool_]


def judge(cycles: Cycles, memory_map: MemoryMap) -> Verdicts:
    """A verdict on every cycle.

    A reading cycle (fetch, read) whose whole address was seen is compared with ROM contents, or with what
    was last written to the same RAM cell earlier in the capture. Everything else is 'not known', also RAM
    that another processor may have written in between.

    Args:
        cycles: All cycles of one capture in order.
        memory_map: The chips of the processor whose cycles they are.
    """
    count = len(cycles)
    expected, known = np.empty(count, np.uint64), np.empty(count, np.uint64)
    judged, wrong = np.empty(count, np.uint64), np.empty(count, np.uint64)
    verdict, basis = np.empty(count, np.uint8), np.empty(count, np.uint8)
    at_ram = [np.empty(0, np.intp)]
    rams = np.uint64(mask_of([n for n, chip in enumerate(memory_map.chips) if _remembers(chip)]))
    for start in range(0, count, BLOCK):  # so that scratch space stays in the processor's cache
        part = slice(start, start + BLOCK)
        block = cycles.take(part)
        addressed = _addressed(block, memory_map)
        reading = addressed & is_reading(block)
        expected[part], known[part] = memory_map.expected(block.bank, block.address)
        if not reading.all():
            expected[part][~reading] = 0
            known[part][~reading] = 0
        basis[part] = np.where(known[part] != 0, BASIS_ROM, 0)
        if rams:
            moving = reading | (addressed & (block.kind == KIND_CODE["write"]))
            answers = memory_map.answering(block.bank, block.address)
            at_ram.append(np.flatnonzero(moving & ((answers & rams) != 0)) + start)
    _judge_ram(cycles, memory_map, np.concatenate(at_ram), expected, known, basis)
    for start in range(0, count, BLOCK):
        part = slice(start, start + BLOCK)
        np.bitwise_and(known[part], cycles.known[part], out=judged[part])
        wrong[part] = (expected[part] ^ cycles.word[part]) & judged[part]
        # NOT_KNOWN, AGREES and DIFFERS are 0, 1 and 2: judged or not, plus wrong or not.
        verdict[part] = (judged[part] != 0).astype(np.uint8) + (wrong[part] != 0)
        basis[part][judged[part] == 0] = 0
    return Verdicts(expected, judged, wrong, verdict, basis)


def _addressed(cycles: Cycles, memory_map: MemoryMap) -> Bools:
    """``bool (n,)``: the whole address was seen, and the bank where there are banks."""
    addressed: Bools = cycles.address_known == np.uint64((1 << memory_map.address_bits) - 1)
    return addressed & (cycles.bank >= 0) if memory_map.banked else addressed


def _judge_ram(
    cycles: Cycles,
    memory_map: MemoryMap,
    at_ram: NDArray[np.intp],
    expected: Words,
    known: Words,
    basis: NDArray[np.uint8],
) -> None:
    """Fill in what each read of RAM should give.

    Args:
        at_ram: Reading and writing cycles at which a RAM answers, in order.
    """
    answers = memory_map.answering(cycles.bank[at_ram], cycles.address[at_ram])
    for number, chip in enumerate(memory_map.chips):
        if _remembers(chip):
            rows = at_ram[(answers >> np.uint64(number)) & np.uint64(1) != 0]
            _last_writes(chip, cycles, rows, expected, known, basis)


def _remembers(chip: ChipMap) -> bool:
    """It gives back what this processor wrote last."""
    return chip.kind == "ram" and not chip.shared


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
    writing = cycles.kind[rows] == KIND_CODE["write"]
    blind = cycles.known[rows] == 0  # a write without any level seen: nobody knows what it left behind
    for lane in _byte_lanes(chip):
        bits = np.uint64(lane)
        given = cycles.known[rows] & bits
        writes = writing & ((given != 0) | blind)
        last = np.maximum.accumulate(np.where(writes, place, -1))
        fit = ~writing & (last >= first_of_cell)
        reads, source = rows[fit], last[fit]
        expected[reads] |= cycles.word[rows[source]] & given[source]
        known[reads] |= given[source]
        basis[reads[given[source] != 0]] = BASIS_RAM


def _byte_lanes(chip: ChipMap) -> list[int]:
    """The chip's word bits, byte by byte: what a byte strobe can write on its own."""
    lanes = {mask_of([bit for bit in chip.lane if bit // 8 == byte]) for byte in range(8)}
    return sorted(lanes - {0})
