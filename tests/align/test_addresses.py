"""Addresses recovered from words alone, and addresses that belong to other words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from align.walks import misread, program_words, walk
from wrongbit.align.addresses import address_lag, recover_addresses, recover_on_bus, recover_on_chip
from wrongbit.bits import gather_bits
from wrongbit.bus.cycles import KIND_CODE, NO_TIME, Cycles
from wrongbit.compare.memory_map import ChipMap, ChipRegion, MemoryMap

BYTE = np.uint64(255)


def everything(count: int) -> np.ndarray:
    return np.full(count, BYTE)


@pytest.mark.parametrize(("machine", "chip", "seed"), [("fellgate", "U4", 1), ("saltmarsh", "U12", 2)])
def test_two_bits_in_a_hundred_wrong(machine: str, chip: str, seed: int) -> None:
    """Loops and calls through a program; the truth is the walk that made the words."""
    words = program_words(machine, chip)
    truth = walk(words, 10_000, seed)
    found = recover_addresses(
        misread(words[truth], 8, 0.02, seed), everything(10_000), words, everything(len(words)), 8
    )
    assert (found.address == truth).mean() >= 0.995
    assert found.fits
    assert found.error_rate == pytest.approx(0.02, abs=0.003)
    assert abs(found.confidence.mean() - (found.address == truth).mean()) < 0.01


def test_random_contents_are_followed_exactly() -> None:
    rng = np.random.default_rng(9)
    words = rng.integers(0, 256, 4096).astype(np.uint64)
    truth = walk(words, 10_000, 4)
    found = recover_addresses(
        misread(words[truth], 8, 0.02, 4), everything(10_000), words, everything(4096), 8
    )
    assert (found.address == truth).mean() >= 0.995
    assert found.confidence.mean() == pytest.approx((found.address == truth).mean(), abs=0.005)


def test_reads_of_a_table_between_instructions_are_followed_too() -> None:
    """A loop of eight fetches that reads the next byte of a table in each round."""
    rng = np.random.default_rng(2)
    words = rng.integers(0, 256, 1024).astype(np.uint64)
    rounds = [[*range(100, 105), 600 + n, *range(105, 108)] for n in range(400)]
    truth = np.array([address for each in rounds for address in each])
    found = recover_addresses(
        misread(words[truth], 8, 0.01, 1), everything(len(truth)), words, everything(1024), 8
    )
    table = truth >= 600
    assert (found.elsewhere[table]).mean() > 0.95
    assert (found.address[table] == truth[table]).mean() > 0.9
    assert (found.address[~table] == truth[~table]).mean() > 0.99


def test_another_program_does_not_fit() -> None:
    rng = np.random.default_rng(3)
    other = rng.integers(0, 256, 1024).astype(np.uint64)
    found = recover_addresses(
        rng.integers(0, 256, 3000).astype(np.uint64), everything(3000), other, everything(1024), 8
    )
    assert not found.fits


def test_unseen_channels_and_unknown_words() -> None:
    rng = np.random.default_rng(6)
    words = rng.integers(0, 256, 1024).astype(np.uint64)
    known = everything(1024)
    known[300:310] = 0
    truth = np.arange(200, 500)
    seen_known = np.full(300, 0x7F, np.uint64)
    found = recover_addresses(words[truth] & seen_known, seen_known, words & known, known, 8)
    assert (found.address == truth).mean() > 0.98


def test_nothing_seen() -> None:
    none = np.empty(0, np.uint64)
    found = recover_addresses(none, none, np.arange(8, dtype=np.uint64), everything(8), 8)
    assert len(found) == 0 and not found.fits and found.error_rate == 0


# -- a whole bus -------------------------------------------------------------------------------------------

OPCODES = (0x4E71, 0xD041, 0xB141, 0x3418, 0x30C0, 0x4A40, 0x5240, 0x4E75, 0x6604, 0x2F00, 0x201F, 0xC041)
"""Words that an invented program has often; a reading of one alone tells nothing about where it is."""


def program(count: int, seed: int) -> np.ndarray:
    """Contents of 16-bit words: few instructions, any operands, then filler to the end."""
    rng = np.random.default_rng(seed)
    often = rng.choice(np.array(OPCODES, np.uint64), count)
    words = np.where(rng.random(count) < 0.6, often, rng.integers(0, 1 << 16, count).astype(np.uint64))
    words[-count // 8 :] = 0xFFFF
    return words


def paired(words: np.ndarray, step: int, wide: bool) -> MemoryMap:
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


def run_of(memory_map: MemoryMap, words: np.ndarray, count: int, seed: int) -> Cycles:
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


@pytest.mark.parametrize(
    ("step", "wide"),
    [
        pytest.param(2, True, id="16-bit words, addresses of bytes"),
        pytest.param(1, True, id="16-bit words, addresses of words"),
        pytest.param(1, False, id="8-bit words"),
    ],
)
def test_the_reads_of_a_whole_bus(step: int, wide: bool) -> None:
    """The truth is the walk that made the words; where addresses count bytes, a word begins at every second."""
    words = program(2048, 7) & np.uint64(0xFFFF if wide else 0xFF)
    memory_map = paired(words, step, wide)
    cycles = run_of(memory_map, words, 8000, 3)
    found, rows, _, address = recover_on_bus(cycles, memory_map)
    truth = cycles.address[rows]
    rom, right = truth < 0x100000, address == truth
    assert found.fits
    assert not (address % np.uint64(step)).any()
    assert right[rom & ~found.elsewhere].mean() > 0.98
    assert right[rom].mean() > (0.95 if wide else 0.93)
    sure = found.confidence > 0.9
    assert sure[rom].mean() > 0.85
    assert right[sure].mean() > 0.97
    assert abs(found.confidence.mean() - right.mean()) < 0.02


# -- addresses that are early or late ----------------------------------------------------------------------


def board(seed: int = 1) -> MemoryMap:
    contents = np.random.default_rng(seed).integers(0, 256, 256).astype(np.uint64)
    chip = ChipMap(
        "U1", "rom", tuple(range(8)), tuple(range(8)), (ChipRegion(None, 0, 256),), contents, everything(256)
    )
    return MemoryMap("P", 8, 16, (chip,))


def reads(memory_map: MemoryMap, address: np.ndarray, lag: int = 0) -> Cycles:
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


@pytest.mark.parametrize("lag", [-3, -1, 0, 1, 2])
def test_lag(lag: int) -> None:
    memory_map = board()
    found = address_lag(reads(memory_map, walk(memory_map.chips[0].contents, 2000, 3), lag), memory_map)
    assert found.cycles == lag
    assert found.shifted == (lag != 0)
    assert ("taken at the wrong moment" in found.say()) == (lag != 0)


def test_a_chip_with_its_own_order_of_outputs() -> None:
    memory_map = board(4)
    chip = memory_map.chips[0]
    truth = np.arange(256)
    found = recover_on_chip(chip, gather_bits(chip.contents[truth], range(8)), everything(256))
    assert (found.address == truth).all()
