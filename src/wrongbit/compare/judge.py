"""Judge every cycle: ROM reads against the reference, RAM reads against the last write seen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import mask_of
from wrongbit.bus.cycles import DOUBTFUL_BYTE, KIND_CODE, READING_KINDS, Cycles
from wrongbit.compare.blocks import over_blocks
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.compare.verdicts import BASIS_RAM, Verdicts

Words = NDArray[np.uint64]
Bools = NDArray[np.bool_]


def judge(cycles: Cycles, memory_map: MemoryMap) -> Verdicts:
    """A verdict on every cycle.

    A reading cycle (fetch, read) whose whole address was seen is compared with ROM contents, or with what
    was last written to the same RAM cell earlier in the capture. Everything else is 'not known', also RAM
    that another processor may have written in between, and where the bank was not seen every address at
    which it matters.

    Args:
        cycles: All cycles of one capture in order.
        memory_map: The chips of the processor whose cycles they are.
    """
    count = len(cycles)
    # One piece of memory for all: fresh pages cost more than everything that is written to them.
    expected, judged, wrong = np.empty((3, count), np.uint64)
    verdict, basis = np.empty((2, count), np.uint8)
    known = judged  # as long as what was seen is not looked at
    at_ram: dict[int, NDArray[np.intp]] = {}
    rams = np.uint64(mask_of([n for n, chip in enumerate(memory_map.chips) if _remembers(chip)]))

    def compare_with_roms(part: slice) -> None:
        block = cycles.take(part)
        expected[part], known[part], answers = memory_map.look_up(block.bank, block.address)
        addressed = is_addressed(block, memory_map)
        reading = addressed & is_reading(block)
        if not reading.all():
            others = ~reading
            expected[part][others] = 0
            known[part][others] = 0
        np.not_equal(known[part], 0, out=basis[part].view(np.bool_))  # BASIS_ROM is 1
        if rams:
            rows = np.flatnonzero(answers & rams)
            moving = reading[rows] | (addressed[rows] & (block.kind[rows] == KIND_CODE["write"]))
            at_ram[part.start] = rows[moving] + part.start

    def conclude(part: slice) -> None:
        judged[part] &= cycles.known[part]
        np.bitwise_xor(expected[part], cycles.word[part], out=wrong[part])
        wrong[part] &= judged[part]
        # NOT_KNOWN, AGREES and DIFFERS are 0, 1 and 2: judged or not, plus wrong or not.
        judgeable = (judged[part] != 0).view(np.uint8)
        np.add(judgeable, (wrong[part] != 0).view(np.uint8), out=verdict[part])
        basis[part] *= judgeable

    memory_map.prepare()  # once, not in every thread
    over_blocks(count, compare_with_roms)
    if at_ram:  # what a RAM gives depends on what came before: one thread, in order
        in_order = np.concatenate([at_ram[start] for start in sorted(at_ram)])
        _judge_ram(cycles, memory_map, in_order, expected, known, basis)
    over_blocks(count, conclude)
    return Verdicts(expected, judged, wrong, verdict, basis)


def is_reading(cycles: Cycles) -> Bools:
    """``bool (n,)``: a memory drives the bus in this cycle."""
    result = np.zeros(len(cycles), np.bool_)
    for kind in READING_KINDS:
        result |= cycles.kind == KIND_CODE[kind]
    return result


def is_addressed(cycles: Cycles, memory_map: MemoryMap) -> Bools:
    """``bool (n,)``: all that chooses the chip was seen: the whole address, and the bank where it matters."""
    addressed: Bools = cycles.address_known == np.uint64((1 << memory_map.address_bits) - 1)
    if memory_map.banked:
        blind = np.flatnonzero(cycles.bank < 0)
        if len(blind):
            addressed[blind] &= ~memory_map.in_a_bank(cycles.address[blind])
    return addressed


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
        doubtful = _is_doubtful(cycles.flags[rows], lane)
        given[writing & doubtful] = 0  # nor what one leaves behind that may be none
        last = np.maximum.accumulate(np.where(writes, place, -1))
        fit = ~(writing | doubtful) & (last >= first_of_cell)
        reads, source = rows[fit], last[fit]
        expected[reads] |= cycles.word[rows[source]] & given[source]
        known[reads] |= given[source]
        basis[reads[given[source] != 0]] = BASIS_RAM


def _is_doubtful(flags: NDArray[np.uint8], lane: int) -> Bools:
    """``bool (n,)``: nobody knows whether this byte was moved."""
    flag = DOUBTFUL_BYTE << ((lane & -lane).bit_length() - 1) // 8
    return np.asarray((flags & np.uint8(flag & 0xFF)) != 0)


def _byte_lanes(chip: ChipMap) -> list[int]:
    """The chip's word bits, byte by byte: what a byte strobe can write on its own."""
    lanes = {mask_of([bit for bit in chip.lane if bit // 8 == byte]) for byte in range(8)}
    return sorted(lanes - {0})
