"""Invented programs' walks through a memory: straight runs, loops, calls; and words read with errors."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.cycles import KIND_CODE, NO_TIME, Cycles
from wrongbit.compare.memory_map import ChipMap, ChipRegion, MemoryMap
from wrongbit.demo.machines import machine_named

Words = NDArray[np.uint64]
BYTE = np.uint64(255)


def program_words(machine: str = "fellgate", chip: str = "U4") -> Words:
    """Contents of an invented machine's ROM."""
    return machine_named(machine).board.chip(chip).contents


def walk(words: Words, count: int, seed: int) -> NDArray[np.int64]:
    """Addresses read by a program of basic blocks: loops run a few dozen times, calls return.

    Routines lie where no other eight words of the memory read alike; nothing could tell where a walk through
    filler is.
    """
    rng = Random(seed)
    found: list[int] = []
    routines: list[tuple[int, int]] = []
    eights = np.lib.stride_tricks.sliding_window_view(words, 8)
    _, which, times = np.unique(eights, axis=0, return_inverse=True, return_counts=True)
    alone = times[which.reshape(-1)] == 1
    while len(routines) < 24:
        at, length = rng.randrange(len(words) - 150), rng.randint(8, 120)
        if alone[at : at + length].all():
            routines.append((at, at + length))

    def run(start: int, end: int, depth: int) -> None:
        here = start
        while here < end and len(found) < count:
            found.append(here)
            roll = rng.random()
            if roll < 0.02 and depth < 4:
                run(*rng.choice(routines), depth + 1)
            elif roll < 0.05 and here > start + 6:
                back = here - rng.randint(3, min(40, here - start))
                for _ in range(rng.randint(2, 30)):
                    found.extend(range(back, here + 1))
            here += 1

    while len(found) < count:
        run(*rng.choice(routines), 0)
    return np.array(found[:count], np.int64)


def misread(words: Words, width: int, rate: float, seed: int) -> Words:
    """Each bit wrong with this probability."""
    rng = np.random.default_rng(seed)
    flips = (rng.random((len(words), width)) < rate).astype(np.uint64) << np.arange(width, dtype=np.uint64)
    return words ^ np.bitwise_or.reduce(flips, axis=1)


def everything(count: int) -> Words:
    """Masks of bytes of which all bits are known."""
    return np.full(count, BYTE)


def reads(memory_map: MemoryMap, address: NDArray[np.int64], lag: int = 0) -> Cycles:
    """Cycles whose words belong to the address ``lag`` reads later."""
    address = address.astype(np.uint64)
    word = memory_map.chips[0].contents[np.roll(address, -lag).astype(np.intp) % 256]
    count = len(address)
    return Cycles(
        sample=np.arange(count, dtype=np.int64),
        time_ps=np.full(count, NO_TIME),
        kind=np.full(count, KIND_CODE["read"], np.uint8),
        bank=np.zeros(count, np.int32),
        address=address,
        address_known=np.full(count, 0xFFFF, np.uint64),
        word=word,
        known=everything(count),
        held=np.zeros(count, np.uint64),
        flags=np.zeros(count, np.uint8),
    )


OPCODES = (0x4E71, 0xD041, 0xB141, 0x3418, 0x30C0, 0x4A40, 0x5240, 0x4E75, 0x6604, 0x2F00, 0x201F, 0xC041)
"""Words that an invented program has often; a reading of one alone tells nothing about where it is."""


def program(count: int, seed: int) -> Words:
    """Contents of 16-bit words: few instructions, any operands, then filler to the end."""
    rng = np.random.default_rng(seed)
    often = rng.choice(np.array(OPCODES, np.uint64), count)
    words = np.where(rng.random(count) < 0.6, often, rng.integers(0, 1 << 16, count).astype(np.uint64))
    words[-count // 8 :] = 0xFFFF
    return words


def paired(words: Words, step: int, wide: bool) -> MemoryMap:
    """Two regions of 16-bit words in pairs of chips, or of 8-bit words in single ones.

    Args:
        words: What all regions hold, in order.
        step: Addresses a word.
        wide: A word has 16 bits.
    """
    half, size = len(words) // 2, len(words) // 2 * step
    lines = tuple(range(step - 1, step - 1 + half.bit_length() - 1))
    chips = tuple(
        ChipMap(
            f"U{number}{lane}",
            "rom",
            tuple(range(8 * lane, 8 * lane + 8)),
            lines,
            (ChipRegion(None, number * 0x8000, size),),
            words[number * half : number * half + half] >> np.uint64(8 * lane) & BYTE,
            everything(half),
        )
        for number in range(2)
        for lane in range(2 if wide else 1)
    )
    return MemoryMap("P", 16 if wide else 8, 24, chips, addresses_a_word=step)


def run_of(memory_map: MemoryMap, words: Words, count: int, seed: int) -> Cycles:
    """Reads of a program's walk, with reads of a table in order, single constants, and RAM between them.

    Every tenth read of a table is of one byte of the word only, where a word has two.
    """
    rng = np.random.default_rng(seed)
    step, width, half = memory_map.addresses_a_word, memory_map.word_bits, len(words) // 2
    place, word, known = [], [], []
    whole, table = (1 << width) - 1, half + 100
    for at in walk(words, count, seed).tolist():
        place.append(at)
        word.append(int(words[at]))
        known.append(whole)
        kind = rng.random()
        if kind < 0.1:
            table = half + 100 + (table + 1 - half - 100) % 256
            place.append(table)
            word.append(int(words[table]))
            known.append(whole if width == 8 or rng.random() < 0.9 else 0xFF)
        elif kind < 0.12:
            place.append(int(rng.integers(half)))
            word.append(int(words[place[-1]]))
            known.append(whole)
        elif kind < 0.18:
            place.append(-1)
            word.append(int(rng.integers(whole + 1)))
            known.append(whole)
    at = np.array(place[:count])
    address = np.where(at < 0, 0x100000, at % half * step + at // half * 0x8000)
    made = reads(memory_map, np.zeros(count, np.int64))
    return replace(
        made,
        address=address.astype(np.uint64),
        word=misread(np.array(word[:count], np.uint64), width, 0.002, seed),
        known=np.array(known[:count], np.uint64),
    )
