"""What is shared by the two ways of reading a VCD body: id codes in, changes out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

SlotNumbers = NDArray[np.signedinteger[Any]]

UNDECLARED = -1
"""Slot of an id that no ``$var`` declared."""

IGNORED = -2
"""Slot of an id that was declared and whose changes are not wanted."""

LONGEST_STAMP = 18
"""Digits of a time stamp that surely fit ``int64``; longer ones are read with care."""

KEYWORDS = (b"$end", b"$dumpvars", b"$dumpall", b"$dumpoff", b"$dumpon", b"$vcdclose")
"""Keywords that may stand among changes and that change nothing themselves (IEEE 1364-2005, 18.2.3)."""


class BodyError(Exception):
    """Something among the changes cannot be right.

    Args:
        offset: Where, counted in bytes from the start of the block that was read.
        message: What was found and what was expected.
        remedy: What to do.
    """

    def __init__(self, offset: int, message: str, remedy: str) -> None:
        super().__init__(offset, message, remedy)
        self.offset = offset
        self.message = message
        self.remedy = remedy


@dataclass(frozen=True)
class Slots:
    """Where the values of each id code go.

    A slot is a run of at most 64 bits inside one plane. A variable of more than 64 bits has several slots
    with consecutive numbers, its lowest 64 bits first.

    Args:
        of_code: Id code = its first slot, or `IGNORED`.
        width: ``int64 (s,)`` bits of the variable that the slot belongs to, counted from the slot's lowest
            bit upward: more than 64 where more slots follow.
        plane: ``int64 (s,)`` number of the plane.
        shift: ``uint64 (s,)`` bit of the plane at which the slot's lowest bit sits.
    """

    of_code: Mapping[bytes, int]
    width: NDArray[np.int64]
    plane: NDArray[np.int64]
    shift: NDArray[np.uint64]

    def __len__(self) -> int:
        return len(self.width)


@dataclass(frozen=True)
class Changes:
    """What a block of a VCD body says, in file order.

    Args:
        ticks: ``int64 (t,)`` time stamps, in the file's own steps.
        before: Integers ``(c,)``, the number of time stamps of this block that stand before each change.
        slot: Integers ``(c,)``, the slot that takes each change; of 16 bits where they suffice, to sort fast.
        value: ``uint64 (c,)`` new value of the slot, unknown bits 0.
        unknown: ``uint64 (c,)`` a 1 for each bit that is x or z, or None where there is none.
        unfinished: Offset of a vector's value whose id is not in the block, or None.
    """

    ticks: NDArray[np.int64]
    before: NDArray[np.signedinteger[Any]]
    slot: SlotNumbers
    value: NDArray[np.uint64]
    unknown: NDArray[np.uint64] | None
    unfinished: int | None = None


def low_mask(bits: int) -> int:
    """A word whose lowest ``bits`` bits are 1; none for a negative number, 64 at most.

    >>> low_mask(3), low_mask(-5), low_mask(200) == 2**64 - 1
    (7, 0, True)
    """
    return (1 << min(max(bits, 0), 64)) - 1
