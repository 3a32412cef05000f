"""Counting and weighing the assignments of bits that meet sums and parities, bit by bit.

The state after some bits is what they add up to; there are as many states as the sums have residues. Forward
and backward passes over the states give exact counts, which bits are the same in every solution, and how
probable each bit is (the forward-backward and Viterbi algorithms: L. R. Rabiner, "A Tutorial on Hidden Markov
Models", Proceedings of the IEEE 77 (1989), pp. 257-286, from memory, not checked).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from math import isqrt, log, log2, prod
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wrongbit.reading.constraints import Total

MOST_WORK = 1 << 26
"""Bits times states beyond which passes are not made."""

MOST_EXACT = 1 << 24
"""The same for counts that do not fit 64 bits."""

Array = NDArray[Any]


class Trellis:
    """States and steps of some bits.

    Args:
        totals: The sums, as `Total.reduced` gives them.
        parity: ``uint64 (n,)`` column of each bit in parities, dense (rank bits used).
        rank: Number of independent parities.
        goal: Right-hand sides of the parities.
    """

    def __init__(self, totals: Sequence[Total], parity: NDArray[np.uint64], rank: int, goal: int) -> None:
        self.bits = len(parity)
        self._totals = tuple(totals)
        self._sizes = [total.modulus for total in totals]
        self._parity, self._parities = parity, 1 << rank
        self.width = prod(self._sizes) * self._parities
        marked = [total for total in totals if total.marks > 1]
        self._marked = marked
        self.marks = 4 ** len(marked)
        self._shifts: dict[tuple[int, ...], NDArray[np.intp]] = {}
        self._goal = self._flat([total.target for total in totals], goal)

    @property
    def work(self) -> int:
        """Bits times states."""
        return int(self.bits * self.width * self.marks)

    def _flat(self, residues: Sequence[int], parity: int) -> int:
        place = 0
        for size, residue in zip(self._sizes, residues, strict=True):
            place = place * size + residue
        return place * self._parities + parity

    def _behind(self, bit: int, back: bool) -> NDArray[np.intp]:
        """For each state the one from which (or, going back, to which) a 1 of this bit leads."""
        step = tuple(int(total.weights[bit]) for total in self._totals)
        key = (*step, int(self._parity[bit]), int(back))
        if key not in self._shifts:
            if len(self._shifts) > 64:
                self._shifts.clear()
            axes = [
                (np.arange(size) + (move if back else -move)) % size
                for size, move in zip(self._sizes, step, strict=True)
            ]
            place = np.zeros(1, np.intp)
            for size, axis in zip(self._sizes, axes, strict=True):
                place = (place[:, None] * size + axis).reshape(-1)
            last = np.arange(self._parities) ^ key[-2]
            self._shifts[key] = (place[:, None] * self._parities + last).reshape(-1).astype(np.intp)
        return self._shifts[key]

    def _mark(self, bit: int, one: bool) -> int:
        """Marks that a bit sets, those of several sums side by side."""
        mark = 0
        for number, total in enumerate(self._marked):
            mark |= int((total.marks_one if one else total.marks_zero)[bit]) << (2 * number)
        return mark

    def start(self, kind: Any, one: Any = 1) -> Array:
        """``(marks, width)``: only the empty sum."""
        state = np.zeros((self.marks, self.width), kind)
        marked = sum(total.marked << (2 * number) for number, total in enumerate(self._marked))
        state[marked, 0] = one
        return state

    def finish(self, kind: Any) -> Array:
        """``(marks, width)``: the states with which everything is met."""
        state = np.zeros((self.marks, self.width), kind)
        for mark in range(self.marks):
            fine = (mark >> (2 * n) & 3 in total.accepted for n, total in enumerate(self._marked))
            if all(fine):
                state[mark, self._goal] = 1
        return state

    def forward(self, bit: int, state: Array, zero: Any, one: Any) -> Array:
        """States behind a bit; its values have these weights."""
        after = np.zeros_like(state)
        behind = self._behind(bit, False)
        for mark in range(self.marks):
            after[mark | self._mark(bit, False)] += zero * state[mark]
            after[mark | self._mark(bit, True)] += one * state[mark][behind]
        return after

    def ahead(self, bit: int, state: Array, one: bool) -> Array:
        """Of the states behind a bit, what stands where each state before it goes by a 0 or a 1."""
        order = [mark | self._mark(bit, one) for mark in range(self.marks)]
        chosen = state[order]
        return chosen[:, self._behind(bit, True)] if one else chosen

    # -- what is asked --------------------------------------------------------------------------------------

    def count(self) -> tuple[int | None, float]:
        """Number of solutions, None where it is too large to be found exactly, and its binary logarithm."""
        exact = self.bits <= 62
        if not exact and self.work <= MOST_EXACT:
            return self._count(object)
        if exact:
            return self._count(np.uint64)
        half = np.full(self.bits, 0.5)
        return None, self.evidence(half) / log(2) + self.bits

    def evidence(self, probability: NDArray[np.float64]) -> float:
        """Natural logarithm of the probability that all constraints hold, before they are known to."""
        state, scale = self.start(np.float64), 0.0
        for bit in range(self.bits):
            state = self.forward(bit, state, 1 - probability[bit], probability[bit])
            top = float(state.max())
            state /= top
            scale += log(top)
        total = float(state[self.finish(np.bool_)].sum())
        return log(total) + scale if total else float("-inf")

    def _count(self, kind: Any) -> tuple[int, float]:
        one = np.uint64(1) if kind is np.uint64 else 1
        state = self.start(kind)
        for bit in range(self.bits):
            state = self.forward(bit, state, one, one)
        total = int((state[self.finish(np.bool_)]).sum())
        return total, log2(total) if total else float("-inf")

    def reached(self) -> int:
        """Number of totals that some assignment of the bits reaches."""
        state = self.start(np.bool_)
        for bit in range(self.bits):
            state = self.forward(bit, state, True, True)
        return int(np.count_nonzero(state.any(axis=0)))

    def possible(self) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Two ``bool (n,)``: bits that are 0, and that are 1, in some solution. Exact."""
        zero, one = np.zeros(self.bits, np.bool_), np.zeros(self.bits, np.bool_)
        yes = (True, True)
        ahead = self.finish(np.bool_)
        for bit, before in self._backward(lambda b, state: self.forward(b, state, *yes), np.bool_):
            by_zero, by_one = self.ahead(bit, ahead, False), self.ahead(bit, ahead, True)
            zero[bit], one[bit] = (before & by_zero).any(), (before & by_one).any()
            ahead = by_zero | by_one
        return zero, one

    def marginals(self, probability: NDArray[np.float64]) -> NDArray[np.float64]:
        """``float64 (n,)`` probability of a 1 over all solutions.

        Args:
            probability: ``float64 (n,)`` the same before the constraints, each bit by itself.
        """

        def step(bit: int, state: Array) -> Array:
            after = self.forward(bit, state, 1 - probability[bit], probability[bit])
            return np.asarray(after / (after.max() or 1.0))

        result = np.empty(self.bits)
        ahead = self.finish(np.float64)
        for bit, before in self._backward(step, np.float64):
            by_zero = self.ahead(bit, ahead, False) * (1 - probability[bit])
            by_one = self.ahead(bit, ahead, True) * probability[bit]
            low, high = float((before * by_zero).sum()), float((before * by_one).sum())
            result[bit] = high / (low + high) if low + high else probability[bit]
            ahead = by_zero + by_one
            ahead /= ahead.max() or 1.0
        return result

    def _backward(self, step: Callable[[int, Array], Array], kind: Any) -> Iterator[tuple[int, Array]]:
        """Last bit first, each with the states before it; only every so many states are kept."""
        stride = max(isqrt(self.bits), 1)
        kept, state = [], self.start(kind)
        for bit in range(self.bits):
            if bit % stride == 0:
                kept.append(state)
            state = step(bit, state)
        for block in reversed(range(len(kept))):
            states = [kept[block]]
            for bit in range(block * stride, min((block + 1) * stride, self.bits) - 1):
                states.append(step(bit, states[-1]))
            for offset in reversed(range(len(states))):
                yield block * stride + offset, states[offset]

    def best(self, probability: NDArray[np.float64]) -> tuple[NDArray[np.uint8], float]:
        """The most probable solution, and the log of its prior probability."""
        low, high = np.log1p(-probability), np.log(probability)
        score = np.where(self.finish(np.bool_), 0.0, -np.inf)
        choose: list[NDArray[np.bool_]] = []
        for bit in reversed(range(self.bits)):
            by_zero = self.ahead(bit, score, False) + low[bit]
            by_one = self.ahead(bit, score, True) + high[bit]
            choose.append(by_one > by_zero)
            score = np.maximum(by_zero, by_one)
        started = np.argwhere(self.start(np.bool_))[0]
        mark, place = int(started[0]), int(started[1])
        total = float(score[mark, place])
        values = np.zeros(self.bits, np.uint8)
        for bit in range(self.bits):
            one = bool(choose[self.bits - 1 - bit][mark, place])
            values[bit] = one
            place = int(self._behind(bit, True)[place]) if one else place
            mark |= self._mark(bit, one)
        return values, total

    def solutions(self, most: int) -> NDArray[np.uint8]:
        """``uint8 (k, n)`` solutions, ``most`` of them at most."""
        possible = [self.finish(np.bool_)]
        for bit in reversed(range(self.bits)):
            possible.append(self.ahead(bit, possible[-1], False) | self.ahead(bit, possible[-1], True))
        possible.reverse()
        mark, place = (int(each) for each in np.argwhere(self.start(np.bool_))[0])
        open_: list[tuple[tuple[int, ...], int, int]] = [((), mark, place)]
        found: list[tuple[int, ...]] = []
        while open_ and len(found) < most:
            values, mark, place = open_.pop()
            bit = len(values)
            if not possible[bit][mark, place]:
                continue
            if bit == self.bits:
                found.append(values)
                continue
            moved = int(self._behind(bit, True)[place])
            open_.append(((*values, 1), mark | self._mark(bit, True), moved))
            open_.append(((*values, 0), mark | self._mark(bit, False), place))
        return np.array(found, np.uint8).reshape(len(found), self.bits)
