"""Evidence: judged cycles condensed to unique observations with counts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.cycles import Cycles
from wrongbit.compare.observations import observe
from wrongbit.compare.verdicts import Verdicts


@dataclass(frozen=True)
class Evidence:
    """Unique (bank, address, held value, expected, seen) observations of reading cycles.

    Only bits with a nominal expectation take part (``judged``): ROM bits from the reference, RAM bits from
    the last write seen.

    Args:
        bank: ``int32 (m,)``.
        address: ``uint64 (m,)`` as the processor counts.
        held: ``uint64 (m,)`` what undriven lines would still hold.
        expected: ``uint64 (m,)`` the nominal word.
        judged: ``uint64 (m,)`` bits that have an expectation and were seen.
        seen: ``uint64 (m,)`` the word seen, limited to ``judged``.
        from_rom: ``bool (m,)`` the expectation is a ROM's (True) or a RAM's last write (False).
        count: ``int64 (m,)`` how often this was observed.
        first: ``int64 (m,)`` row of the first such cycle in the table of cycles.
    """

    bank: NDArray[np.int32]
    address: NDArray[np.uint64]
    held: NDArray[np.uint64]
    expected: NDArray[np.uint64]
    judged: NDArray[np.uint64]
    seen: NDArray[np.uint64]
    from_rom: NDArray[np.bool_]
    count: NDArray[np.int64]
    first: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.address)


def gather_evidence(cycles: Cycles, verdicts: Verdicts) -> Evidence:
    """Unique observations with their counts, in the order in which each was first made.

    Only reading cycles (fetch, read) with at least one judged bit take part.

    Args:
        cycles: All cycles of one capture.
        verdicts: The verdict on each of them, row for row.

    Raises:
        ValueError: The two tables differ in length.
    """
    seen = observe(cycles, verdicts)
    rows = slice(None) if seen.reading.all() else np.flatnonzero(seen.reading)
    expected, judged = seen.expected[rows], seen.judged[rows]
    return Evidence(
        bank=seen.bank[rows],
        address=seen.address[rows],
        held=seen.held[rows],
        expected=expected,
        judged=judged,
        seen=(expected ^ seen.wrong[rows]) & judged,
        from_rom=seen.from_rom[rows],
        count=seen.count[rows],
        first=seen.first[rows],
    )
