"""Addresses recovered from words alone, and addresses that belong to other words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from align.walks import everything, misread, paired, program, program_words, reads, run_of, walk
from wrongbit.align.addresses import address_lag, recover_addresses, recover_on_bus, recover_on_chip
from wrongbit.bits import gather_bits
from wrongbit.compare.memory_map import ChipMap, ChipRegion, MemoryMap


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


@pytest.mark.parametrize(
    ("step", "wide"),
    [
        pytest.param(2, True, id="16-bit words, addresses of bytes"),
        pytest.param(1, True, id="16-bit words, addresses of words"),
        pytest.param(1, False, id="8-bit words"),
    ],
)
def test_the_reads_of_a_whole_bus(step: int, wide: bool) -> None:
    """The truth is the walk that made the words; in addresses of bytes a word begins at every second one."""
    words = program(2048, 7) & np.uint64(0xFFFF if wide else 0xFF)
    memory_map = paired(words, step, wide)
    cycles = run_of(memory_map, words, 8000, 3)
    found, rows, _, address = recover_on_bus(cycles, memory_map)
    truth = cycles.address[rows]
    rom, right = truth < 0x100000, address == truth
    assert found.fits
    assert not (address % np.uint64(step)).any()
    assert right[rom & ~found.elsewhere].mean() > (0.98 if wide else 0.97)
    assert right[rom].mean() > (0.95 if wide else 0.93)
    sure = found.confidence > 0.9
    assert sure[rom].mean() > 0.85
    assert right[sure].mean() > 0.97
    assert abs(found.confidence.mean() - right.mean()) < 0.02


def test_holes_of_the_reference_are_crossed() -> None:
    """Three words in a row are unknown at many places, as of misprinted lines; the truth is the walk."""
    words = program(2048, 7)
    whole = paired(words, 2, True)
    half = len(words) // 2
    gone = np.zeros(len(words), np.bool_)
    for start in np.random.default_rng(5).integers(len(words), size=70):
        gone[start : start + 3] = True
    torn = replace(
        whole,
        chips=tuple(
            replace(chip, known=np.where(gone[place : place + half], np.uint64(0), chip.known))
            for chip, place in zip(whole.chips, (0, 0, half, half), strict=True)
        ),
    )
    cycles = run_of(whole, words, 8000, 3)
    found, rows, _, address = recover_on_bus(cycles, torn)
    truth = cycles.address[rows]
    right, sure = address == truth, found.confidence > 0.9
    number = (truth // 0x8000 * half + truth % 0x8000 // 2).astype(np.intp)
    unknown = (truth < 0x100000) & gone[np.minimum(number, len(words) - 1)]
    assert 200 < unknown.sum() < 2000
    assert right[unknown].mean() > 0.5
    assert sure.mean() > 0.7 and right[sure].mean() > 0.98


# -- addresses that are early or late ----------------------------------------------------------------------


def board(seed: int = 1) -> MemoryMap:
    contents = np.random.default_rng(seed).integers(0, 256, 256).astype(np.uint64)
    chip = ChipMap(
        "U1", "rom", tuple(range(8)), tuple(range(8)), (ChipRegion(None, 0, 256),), contents, everything(256)
    )
    return MemoryMap("P", 8, 16, (chip,))


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
