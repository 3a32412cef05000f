"""Many instructions of a capture at once: what is read alike from one place on is decoded once.

What a decoder is given are a bank, an address and the units that it asks for. So beginnings are told apart by
a fingerprint of the reading cycles that follow them within reach; of those with the same one a single one is
decoded. A decoder that asks beyond that reach (for a vector, for an indirect jump's target) is noticed, and
the beginnings at which it does so are told apart by everything that was read.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.cycles import KIND_CODE, Cycles
from wrongbit.instructions.instruction import Fetch, Instruction

if TYPE_CHECKING:
    from wrongbit.instructions.execution import Execution

Prints = NDArray[np.uint64]
Rows = NDArray[np.intp]

SOME = 12
"""Cycles from an instruction's beginning in which its words are looked for where no end of it is known."""
REACH = 16
"""Units from an instruction's first within which its others lie."""
_FETCH, _READ = KIND_CODE["fetch"], KIND_CODE["read"]
_ODD = np.uint64(0x9E3779B97F4A7C15)
_BLOCK = 1 << 12
"""Cycles whose fingerprints are computed at once for decoding one after the other."""
_MOST = 1 << 15
"""Instructions that are kept for it."""


@dataclass(frozen=True)
class Decodings:
    """The instruction that begins in each of some cycles.

    Args:
        instructions: Every different one; None where a unit that decides is not known.
        code: ``intp (m,)`` index into ``instructions`` for each beginning.
    """

    instructions: tuple[Instruction | None, ...]
    code: NDArray[np.intp]


def decode_many(
    execution: Execution,
    starts: Rows,
    ends: Rows | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Decodings:
    """The instructions that begin in some cycles, by the words that were seen.

    Args:
        execution: The capture.
        starts: ``intp (m,)`` cycles in which they begin, in order.
        ends: ``intp (m,)`` cycles before which the words of each are looked for, elsewhere the reference
            tells; left out: `SOME` cycles for each.
        progress: Told how many are decoded of how many.
    """
    if not len(starts):
        return Decodings((), np.empty(0, np.intp))
    ends = starts + SOME if ends is None else ends
    ends = np.minimum(ends, len(execution.cycles))
    _, first, code = np.unique(fingerprints(execution, starts, ends), return_index=True, return_inverse=True)
    found: list[Instruction | None] = []
    far = np.zeros(len(first), np.bool_)
    for place, at in enumerate(first.tolist()):
        if progress is not None and place % 512 == 0:
            progress(place, len(first))
        each, far[place] = decode_one(execution, int(starts[at]), int(ends[at]))
        found.append(each)
    if far.any():
        asked = np.flatnonzero(far[code])
        whole = fingerprints(execution, starts[asked], ends[asked], near=False)
        _, first, own = np.unique(whole, return_index=True, return_inverse=True)
        code[asked] = len(found) + own
        for at in asked[first].tolist():
            found.append(decode_one(execution, int(starts[at]), int(ends[at]))[0])
    return Decodings(tuple(found), code)


def decode_one(execution: Execution, start: int, end: int) -> tuple[Instruction | None, bool]:
    """An instruction by the words that were seen, and whether units out of reach were asked for."""
    fetch = execution.fetcher(np.arange(start, end), seen=True)
    address = int(execution.cycles.address[start])
    low = execution.word_address(address)
    high = low + REACH * execution.instruction_set.habits.step
    far = False

    def watched(at: int) -> int | None:
        nonlocal far
        far = far or not low <= execution.word_address(at) < high
        return fetch(at)

    watching: Fetch = watched
    return execution.instruction_set.decode(watching, address), far


def fingerprints(execution: Execution, starts: Rows, ends: Rows, *, near: bool = True) -> Prints:
    """``uint64 (m,)`` a fingerprint of what decides which instruction begins in a cycle.

    That is its bank and address, and the words of the reading cycles up to its end. Two different beginnings
    share one with a probability of 2⁻⁶⁴ each.

    Args:
        execution: The capture.
        starts: ``intp (m,)`` in order.
        ends: ``intp (m,)`` each above its start and within the capture.
        near: Only cycles within `REACH` count.
    """
    first, last = int(starts[0]), int(ends.max())
    part = slice(first, last)
    address, reading, words = _read_in(execution.cycles, part)
    here = starts - first
    found = mixed(address[here] ^ execution.cycles.bank[starts].astype(np.uint64) << np.uint64(48))
    habits = execution.instruction_set.habits
    base = address[here] - address[here] % np.uint64(execution.word_step)
    reach = np.uint64(REACH * habits.step)
    left = ends - starts
    chosen: Rows | None = None  # None: all
    for ahead in range(int(left.max())):
        if ahead and not (more := left > ahead).all():
            keep = np.flatnonzero(more)
            chosen = keep if chosen is None else chosen[keep]
            here, base, left = here[keep], base[keep], left[keep]
        rows = here + ahead
        own = reading[rows]
        if near:
            own = own & (address[rows] - base < reach)
        before = found if chosen is None else found[chosen]
        after = np.where(own, before * _ODD + words[rows], before)
        if chosen is None:
            found = after
        else:
            found[chosen] = after
    return found


def _read_in(cycles: Cycles, part: slice) -> tuple[NDArray[np.uint64], NDArray[np.bool_], NDArray[np.uint64]]:
    """Address of each cycle, whether it reads, and a number that stands for its address, word and known."""
    address, kind = cycles.address[part], cycles.kind[part]
    words = mixed(cycles.word[part] ^ mixed(cycles.known[part] ^ mixed(address + np.uint64(1))))
    return address, (kind == _FETCH) | (kind == _READ), words


def mixed(values: Prints) -> Prints:
    """Scatter values over all 64 bits (the finaliser of SplitMix64: Steele, Lea, Flood, OOPSLA 2014)."""
    values = (values ^ (values >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    values = (values ^ (values >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return values ^ (values >> np.uint64(31))


class OneByOne:
    """Decodes what begins in one cycle after the other, in about the order of the cycles.

    Args:
        execution: The capture.
    """

    def __init__(self, execution: Execution) -> None:
        self._execution = execution
        self._known: dict[int, Instruction | None] = {}
        self._block: tuple[int, list[int]] = (0, [])

    def at(self, row: int) -> Instruction | None:
        """The instruction that begins in a cycle, by the words seen in `SOME` cycles."""
        first, prints = self._block
        if not first <= row < first + len(prints):
            first, prints = self._block = self._next_block(row)
        kept = self._known.get(key := prints[row - first], self)
        if not isinstance(kept, OneByOne):
            return kept
        end = min(row + SOME, len(self._execution.cycles))
        found, far = decode_one(self._execution, row, end)
        if not far:
            if len(self._known) >= _MOST:
                self._known.clear()
            self._known[key] = found
        return found

    def _next_block(self, row: int) -> tuple[int, list[int]]:
        """Fingerprints from a cycle on."""
        count = len(self._execution.cycles)
        starts = np.arange(row, min(row + _BLOCK, count))
        return row, fingerprints(self._execution, starts, np.minimum(starts + SOME, count)).tolist()
