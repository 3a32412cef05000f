"""Reads of which nobody knows which bytes they asked for: a byte that was not asked for floats."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.cycles import KIND_CODE, UNSTROBED, Cycles
from wrongbit.compare.verdicts import AGREES, BASIS_ROM, DIFFERS, Verdicts


def leave_floating_bytes(cycles: Cycles, verdicts: Verdicts) -> tuple[Verdicts, int, bool]:
    """Take back what may be a byte that the processor did not ask for.

    Where the capture tells fetches from other reads, faults show in the fetches, which move whole words; a
    data read that is right in one byte and wrong in another may be a byte read of a sound machine, and its
    wrong bytes are not judged. Where it does not, nothing is taken back: every fault would go with it.

    Args:
        cycles: With `UNSTROBED` flags.
        verdicts: One for each.

    Returns:
        The verdicts, the number of reads that look so, and whether they were taken back.
    """
    unstrobed = cycles.flags & UNSTROBED != 0
    if not unstrobed.any():
        return verdicts, 0, False
    rows = np.flatnonzero((verdicts.verdict == DIFFERS) & (verdicts.basis == BASIS_ROM) & unstrobed)
    if not len(rows):
        return verdicts, 0, False
    wrong, judged = verdicts.wrong[rows], verdicts.judged[rows]
    floating = _whole_bytes(wrong)
    partly = judged & ~floating != 0
    rows, floating = rows[partly], floating[partly]
    told_apart = bool((cycles.kind == KIND_CODE["fetch"]).any())
    if not len(rows) or not told_apart:
        return verdicts, len(rows), False
    judged, wrong, verdict = verdicts.judged.copy(), verdicts.wrong.copy(), verdicts.verdict.copy()
    judged[rows] &= ~floating
    wrong[rows] = 0
    verdict[rows] = AGREES
    return replace(verdicts, judged=judged, wrong=wrong, verdict=verdict), len(rows), True


def _whole_bytes(bits: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """All bits of every byte that has one of these bits."""
    whole = np.zeros(len(bits), np.uint64)
    for byte in range(8):
        mask = np.uint64(0xFF << 8 * byte)
        whole |= np.where(bits & mask != 0, mask, np.uint64(0))
    return whole
