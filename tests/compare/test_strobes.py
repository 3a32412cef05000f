"""Bytes that nobody may have asked for are not held against a chip."""

from __future__ import annotations

import numpy as np

from wrongbit.bus.cycles import KIND_CODE, NO_TIME, UNSTROBED, Cycles
from wrongbit.compare.strobes import leave_floating_bytes
from wrongbit.compare.verdicts import AGREES, BASIS_ROM, DIFFERS, Verdicts

EXPECTED = 0x1234


def compared(kinds: list[str], seen: list[int]) -> tuple[Cycles, Verdicts]:
    """Reads of one word as it would be in a ROM, fetches marked or not."""
    count = len(kinds)
    kind = np.array([KIND_CODE[each] for each in kinds], np.uint8)
    word = np.array(seen, np.uint64)
    full, zero = np.full(count, 0xFFFF, np.uint64), np.zeros(count, np.uint64)
    flags = np.where(kind == KIND_CODE["fetch"], 0, UNSTROBED).astype(np.uint8)
    cycles = Cycles(
        np.arange(count), np.full(count, NO_TIME), kind, np.zeros(count, np.int32), zero, full, word, full,
        zero, flags,
    )  # fmt: skip
    wrong = word ^ np.uint64(EXPECTED)
    verdict = np.where(wrong != 0, DIFFERS, AGREES).astype(np.uint8)
    basis = np.full(count, BASIS_ROM, np.uint8)
    return cycles, Verdicts(np.full(count, EXPECTED, np.uint64), full, wrong, verdict, basis)


def test_a_data_read_that_is_wrong_in_one_byte_is_not_judged_in_it() -> None:
    cycles, verdicts = compared(["fetch", "read", "read", "fetch"], [0x1234, 0xFF34, 0x1299, 0xFF34])
    found, count, left = leave_floating_bytes(cycles, verdicts)
    assert (count, left) == (2, True)
    assert found.verdict.tolist() == [AGREES, AGREES, AGREES, DIFFERS]
    assert found.judged.tolist() == [0xFFFF, 0x00FF, 0xFF00, 0xFFFF]
    assert found.wrong.tolist() == [0, 0, 0, 0xFF34 ^ EXPECTED]
    assert verdicts.wrong.any()  # what was given is left as it was


def test_a_read_that_is_wrong_in_both_bytes_is_wrong() -> None:
    cycles, verdicts = compared(["fetch", "read"], [0x1234, 0xFFFF])
    found, count, left = leave_floating_bytes(cycles, verdicts)
    assert (count, left) == (0, False)
    assert found.verdict.tolist() == [AGREES, DIFFERS]


def test_where_no_fetch_is_told_apart_nothing_is_taken_back() -> None:
    """A fault in one of two byte-wide chips would vanish with it."""
    cycles, verdicts = compared(["read", "read"], [0x1234, 0xFF34])
    found, count, left = leave_floating_bytes(cycles, verdicts)
    assert (count, left) == (1, False)
    assert found.verdict.tolist() == [AGREES, DIFFERS]
