"""From changes to packed samples: the running state of all signals at each moment of change."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.capture.formats._vcd_words import Changes, Slots, low_mask

Words = NDArray[np.uint64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Rows:
    """Finished samples.

    Args:
        ticks: ``int64 (n,)`` their times in the file's own steps, rising.
        planes: One ``uint64 (n,)`` array a plane.
        unknown: Likewise; None where every level is known.
    """

    ticks: Ints
    planes: tuple[Words, ...]
    unknown: tuple[Words | None, ...]


class Sampler:
    """Carries the state of the signals from block to block.

    The state changes by exclusive or: each change is turned into the bits that it flips, and the running
    exclusive or of these is the packed state after every change, whatever the number of signals. The sample
    of a moment is the state after its last change; it is held back until time moves on.

    Args:
        slots: Where values go; every level is unknown at first.
    """

    def __init__(self, slots: Slots) -> None:
        self.now = 0
        self._shift = slots.shift
        self._plane = slots.plane
        self._value = np.zeros(len(slots), np.uint64)
        self._unknown = np.array([low_mask(width) for width in slots.width.tolist()], np.uint64)
        self._states = [0] * (int(slots.plane.max()) + 1)
        self._unknown_states = [0] * len(self._states)
        for slot, mask in enumerate(self._unknown.tolist()):
            self._unknown_states[slots.plane[slot]] |= mask << int(slots.shift[slot])
        self._open: int | None = None

    def add(self, changes: Changes) -> Rows | None:
        """Take the next changes; return the samples that they finish, None where they finish none."""
        since = self.now
        if len(changes.ticks):
            self.now = int(changes.ticks[-1])
        if not len(changes.slot):
            return None
        tick = np.concatenate(([since], changes.ticks)).take(changes.before)
        last = np.flatnonzero(tick[1:] != tick[:-1])
        # The sample that was open before comes first, where time has moved on since.
        carried = self._open is not None and self._open != tick[0]
        ticks = tick.take(last)
        if carried:
            ticks = np.concatenate((np.array([self._open], np.int64), ticks))
        self._open = int(tick[-1])

        order = np.argsort(changes.slot, kind="stable")
        flips = self._flips(changes, order, changes.value, self._value)
        planes = self._run(flips, changes.slot, last, carried, self._states)
        if changes.unknown is None and not self._unknown.take(changes.slot).any():
            unknown = [np.full(len(ticks), state, np.uint64) for state in self._unknown_states]
        else:
            new = np.zeros_like(changes.value) if changes.unknown is None else changes.unknown
            flips = self._flips(changes, order, new, self._unknown)
            unknown = self._run(flips, changes.slot, last, carried, self._unknown_states)
        if not len(ticks):
            return None
        return Rows(ticks, tuple(planes), tuple(plane if plane.any() else None for plane in unknown))

    def finish(self) -> Rows | None:
        """The last sample; None where nothing ever changed."""
        if self._open is None:
            return None
        return Rows(
            np.array([self._open], np.int64),
            tuple(np.array([state], np.uint64) for state in self._states),
            tuple(np.array([state], np.uint64) if state else None for state in self._unknown_states),
        )

    def _flips(self, changes: Changes, order: Ints, value: Words, state: Words) -> Words:
        """The bits of the plane that each change flips; leaves the slots' last values in ``state``."""
        slot, new = changes.slot.take(order), value.take(order)
        is_last = np.empty(len(slot), np.bool_)
        np.not_equal(slot[1:], slot[:-1], out=is_last[:-1])
        is_last[-1] = True
        ends = np.flatnonzero(is_last)
        starts = np.concatenate(([0], ends[:-1] + 1))
        flipped = np.empty_like(new)
        flipped[1:] = new[1:] ^ new[:-1]
        flipped[starts] = new[starts] ^ state.take(slot.take(starts))
        state[slot.take(ends)] = new.take(ends)
        flips = np.empty_like(flipped)
        flips[order] = flipped << self._shift.take(slot)
        return flips

    def _run(self, flips: Words, slot: Ints, last: Ints, carried: bool, states: list[int]) -> list[Words]:
        """Each plane after the changes numbered ``last``; leaves the final states in ``states``."""
        planes = []
        plane = self._plane.take(slot) if len(states) > 1 else None
        for number, state in enumerate(states):
            mine = flips if plane is None else np.where(plane == number, flips, np.uint64(0))
            run = np.bitwise_xor.accumulate(mine)
            run ^= np.uint64(state)
            states[number] = int(run[-1])
            rows = run.take(last)
            planes.append(np.concatenate((np.array([state], np.uint64), rows)) if carried else rows)
        return planes
