"""Unknown bits from checksums: how many solutions there are, what they share, which is the likeliest.

Parities (exclusive-or, CRC) are solved by elimination over GF(2); the number of solutions is 2 to the number
of free bits. Sums are counted exactly over their residues (`wrongbit.reading.trellis`). Where both meet, or
where it is cheaper, every assignment of the free bits is tried. What none of these can do is said, not
guessed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log2, prod
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wrongbit.reading.constraints import Bytes, Constraint, Parity, Total, demand
from wrongbit.reading.trellis import MOST_WORK, Trellis

FREE_BITS = 22
"""Free bits of which every assignment is tried."""

CHEAP_BITS = 16
"""Free bits of which every assignment is tried before anything else."""

FLOAT_WORK = 1 << 30
"""Bits times states beyond which not even the size of the count is found."""

LISTED = 16
"""Solutions that are listed."""

Packed = NDArray[np.uint64]


@dataclass(frozen=True)
class Part:
    """Unknown bits that hang together, and the constraints that tie them.

    Args:
        bits: ``intp (n,)`` which unknown bits.
        constraints: Which constraints, by number.
        count: Number of solutions; 0: none; None: not counted exactly.
        log2_count: Its binary logarithm; NaN: not known.
        can_be_zero: ``bool (n,)`` bits that are 0 in some solution.
        can_be_one: ``bool (n,)`` bits that are 1 in some solution.
        probability: ``float64 (n,)`` of a 1 among all solutions, each weighed by the bits' probabilities
            before; None: not found.
        best: ``uint8 (n,)`` the most probable solution, if found.
        best_probability: Its probability among all solutions.
        solutions: ``uint8 (k, n)`` all solutions where there are at most `LISTED`; else some of them.
        spare: Check bits that the unknown bits do not use up: bytes wrong elsewhere leave a solution by
            chance once in 2 to this number.
        how: How it was solved, or why not, in words.
    """

    bits: NDArray[np.intp]
    constraints: tuple[int, ...]
    count: int | None
    log2_count: float
    can_be_zero: NDArray[np.bool_]
    can_be_one: NDArray[np.bool_]
    probability: NDArray[np.float64] | None
    best: Bytes | None
    best_probability: float
    solutions: Bytes
    spare: float
    how: str


@dataclass(frozen=True)
class Solved:
    """What constraints say of unknown bits, in order of byte and bit.

    Args:
        byte: ``int64 (n,)`` byte of each unknown bit.
        bit: ``uint8 (n,)`` its place in the byte.
        count: Number of solutions in all, bits that no constraint touches included; None: not counted.
        log2_count: Its binary logarithm; NaN: not known.
        parts: The groups that are tied together; a constraint without unknown bits is a part without bits.
        forced: ``int8 (n,)`` 0 or 1 where every solution has it, else -1.
        touched: ``bool (n,)`` bits that some constraint touches.
        probability: ``float64 (n,)`` of a 1, constraints and probabilities before them taken together.
        weighed: ``bool (n,)`` bits whose constraints ``probability`` really takes into account.
        best: ``uint8 (n,)`` the most probable solution; None where it was not found, or there is none.
        best_probability: Its probability among all solutions.
        conflict: Constraints that cannot hold together, as few as contradict each other; empty: none.
    """

    byte: NDArray[np.int64]
    bit: Bytes
    count: int | None
    log2_count: float
    parts: tuple[Part, ...]
    forced: NDArray[np.int8]
    touched: NDArray[np.bool_]
    probability: NDArray[np.float64]
    weighed: NDArray[np.bool_]
    best: Bytes | None
    best_probability: float
    conflict: tuple[int, ...]

    def say_count(self) -> str:
        """The number of solutions in words."""
        if self.conflict:
            return "no solution"
        if self.count is None:
            return (
                "solutions not counted"
                if np.isnan(self.log2_count)
                else f"about 2^{self.log2_count:.1f} solutions"
            )
        if self.count < 1 << 20:
            return "1 solution" if self.count == 1 else f"{self.count} solutions"
        exact = self.count & (self.count - 1) == 0
        return f"{'' if exact else 'about '}2^{self.log2_count:.{0 if exact else 1}f} solutions"


def solve(
    data: Bytes,
    known: Bytes,
    constraints: Sequence[Constraint],
    probability: NDArray[np.float64] | None = None,
) -> Solved:
    """Solve the bits that are not known.

    Args:
        data: ``uint8 (n_bytes,)``; unknown bits are not looked at.
        known: ``uint8 (n_bytes,)`` a 1 for each known bit.
        constraints: What the bytes obey.
        probability: ``float64 (n,)`` of a 1 for each unknown bit by itself, in order of byte and bit; None:
            ½ each, so that every solution weighs the same.

    Raises:
        ValueError: Shapes do not fit.

    >>> from wrongbit.reading.constraints import parse_constraint
    >>> data, known = np.array([0x12, 0x00, 0x34], np.uint8), np.array([255, 0, 255], np.uint8)
    >>> solved = solve(data, known, [parse_constraint("sum8 = 0", 3)])
    >>> solved.count, hex(int(np.packbits(solved.forced, bitorder="little")[0]))
    (1, '0xba')
    """
    if data.shape != known.shape:
        raise ValueError(f"data {data.shape} and known {known.shape} differ in shape")
    byte, bit = unknown_places(known)
    if probability is None:
        probability = np.full(len(byte), 0.5)
    if probability.shape != byte.shape:
        raise ValueError(f"{len(byte)} bits are unknown, {len(probability)} probabilities were given")
    probability = np.clip(probability, 1e-12, 1 - 1e-12)
    demands = [demand(each, data & known, byte, bit) for each in constraints]
    parts = tuple(_part(demands, numbers, probability) for numbers in _tied(demands))
    conflict: tuple[int, ...] = ()
    for part in parts:
        if part.count == 0 and not conflict:
            conflict = _smallest_conflict(demands, part.constraints, probability)
    return _together(byte, bit, parts, probability, conflict)


def unknown_places(known: Bytes) -> tuple[NDArray[np.int64], Bytes]:
    """Byte and place in it of each bit that is not known, in order."""
    holes = np.flatnonzero(known != 255)
    row, bit = np.nonzero(np.unpackbits(known[holes][:, None], axis=1, bitorder="little") == 0)
    return holes[row].astype(np.int64), bit.astype(np.uint8)


def _tied(demands: Sequence[Parity | Total]) -> list[tuple[int, ...]]:
    """Constraints that share an unknown bit with each other, directly or by way of others."""
    groups: list[tuple[list[int], NDArray[np.bool_]]] = []
    for number, each in enumerate(demands):
        mine = [group for group in groups if (group[1] & each.touched).any()]
        numbers, touched = [number], each.touched.copy()
        for group in mine:
            numbers = [*group[0], *numbers]
            touched |= group[1]
        groups = [group for group in groups if not any(group is other for other in mine)]
        groups.append((sorted(numbers), touched))
    return [tuple(numbers) for numbers, _ in groups]


def _together(
    byte: NDArray[np.int64],
    bit: Bytes,
    parts: tuple[Part, ...],
    probability: NDArray[np.float64],
    conflict: tuple[int, ...],
) -> Solved:
    """The parts and the bits that no constraint touches."""
    count = len(byte)
    forced, touched = np.full(count, -1, np.int8), np.zeros(count, np.bool_)
    weighed, best = np.ones(count, np.bool_), (probability > 0.5).astype(np.uint8)
    after, found = probability.copy(), not conflict
    for part in parts:
        touched[part.bits] = True
        forced[part.bits] = np.where(part.can_be_zero & part.can_be_one, -1, np.where(part.can_be_one, 1, 0))
        if part.count == 0:
            forced[part.bits] = -1
        if part.probability is None:
            weighed[part.bits] = False
        else:
            after[part.bits] = part.probability
        if part.best is None:
            found = False
        else:
            best[part.bits] = part.best
    settled = forced >= 0
    after[settled] = forced[settled]
    free = int(count - np.count_nonzero(touched))
    counts = [part.count for part in parts]
    total = None if any(each is None for each in counts) else prod(each or 0 for each in counts) << free
    alone = np.maximum(probability, 1 - probability)[~touched]
    chance = prod(part.best_probability for part in parts) * float(np.prod(alone))
    return Solved(
        byte, bit, total, sum(part.log2_count for part in parts) + free, parts, forced, touched, after,
        weighed, best if found else None, chance if found else 0.0, conflict,
    )  # fmt: skip


# -- one part ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _System:
    """Parities in reduced form: each row is one pivot bit and free bits.

    Args:
        rows: ``bool (rank, n)``.
        sides: ``bool (rank,)`` right-hand sides.
        pivots: ``intp (rank,)``.
        free: ``intp (n - rank,)``.
        possible: The system has a solution.
    """

    rows: NDArray[np.bool_]
    sides: NDArray[np.bool_]
    pivots: NDArray[np.intp]
    free: NDArray[np.intp]
    possible: bool


def eliminate(parities: Sequence[Parity], count: int) -> _System:
    """Gauss-Jordan elimination over GF(2); a row is one long integer, its side the bit above the others."""
    waiting: list[int] = []
    for parity in parities:
        for equation in range(parity.width):
            ones = (parity.columns >> np.uint64(equation)) & np.uint64(1)
            row = int.from_bytes(np.packbits(ones.astype(np.uint8), bitorder="little").tobytes(), "little")
            waiting.append(row | (parity.target >> equation & 1) << count)
    side, possible = 1 << count, True
    rows: list[int] = []
    pivots: list[int] = []
    while waiting:
        row = waiting.pop()
        if row in (0, side):
            possible &= row == 0
            continue
        lowest = row & -row
        waiting = [each ^ row if each & lowest else each for each in waiting]
        rows = [each ^ row if each & lowest else each for each in rows]
        rows.append(row)
        pivots.append(lowest.bit_length() - 1)
    size = count // 8 + 1
    table = np.array([list(row.to_bytes(size, "little")) for row in rows], np.uint8).reshape(len(rows), size)
    bits = np.unpackbits(table, axis=1, bitorder="little").astype(np.bool_)
    at = np.array(pivots, np.intp)
    free = np.setdiff1d(np.arange(count), at)
    return _System(bits[:, :count], bits[:, count], at, free, possible)


def _part(
    demands: Sequence[Parity | Total], numbers: tuple[int, ...], probability: NDArray[np.float64]
) -> Part:
    mine = [demands[number] for number in numbers]
    touched = np.zeros(len(probability), np.bool_)
    for each in mine:
        touched |= each.touched
    at = np.flatnonzero(touched)
    parities = [
        Parity(each.columns[at], each.target, each.width) for each in mine if isinstance(each, Parity)
    ]
    totals = [_narrowed(each, at) for each in mine if isinstance(each, Total)]
    width = sum(each.width for each in mine)
    system = eliminate(parities, len(at))
    solver = _Solver(at, numbers, width, system, probability[at])
    smaller = [each.reduced() for each in totals]
    sound = [each for each in smaller if each is not None]
    if not system.possible or len(sound) < len(smaller):
        return solver.nothing()
    return solver.run(sound)


def _narrowed(total: Total, at: NDArray[np.intp]) -> Total:
    """A sum over some of its bits, the others weighing nothing."""
    return Total(
        total.weights[at], total.target, total.modulus, total.width, total.marks_one[at],
        total.marks_zero[at], total.marked, total.accepted, total.marks,
    )  # fmt: skip


@dataclass(frozen=True)
class _Solver:
    """Chooses the way that is exact and cheapest."""

    at: NDArray[np.intp]
    numbers: tuple[int, ...]
    width: int
    system: _System
    probability: NDArray[np.float64]

    @property
    def rank(self) -> int:
        return len(self.system.pivots)

    def run(self, totals: list[Total]) -> Part:
        free = len(self.system.free)
        trellis = Trellis(totals, self._coordinates(), self.rank, self._goal()) if self.rank <= 24 else None
        within = trellis is not None and trellis.work <= MOST_WORK
        if free <= CHEAP_BITS or (free <= FREE_BITS and not within):
            return self._try_all(totals)
        if trellis is not None and within:
            return self._by_residues(trellis, linear=not totals)
        if not totals:
            return self._linear()
        return self._too_large(trellis)

    def _coordinates(self) -> NDArray[np.uint64]:
        """Each bit's column in the reduced system."""
        powers = np.uint64(1) << np.arange(self.rank, dtype=np.uint64)
        return np.asarray((self.system.rows * powers[:, None]).sum(axis=0, dtype=np.uint64))

    def _goal(self) -> int:
        return sum(1 << place for place, side in enumerate(self.system.sides) if side)

    def nothing(self) -> Part:
        """No assignment of the bits will do."""
        return self._made(0, float("-inf"), how="the constraints contradict each other or the known bits")

    def _made(
        self,
        count: int | None,
        log2_count: float,
        *,
        can: tuple[NDArray[np.bool_], NDArray[np.bool_]] | None = None,
        probability: NDArray[np.float64] | None = None,
        best: tuple[Bytes, float] | None = None,
        solutions: Bytes | None = None,
        spare: float = 0.0,
        how: str,
    ) -> Part:
        every = np.ones(len(self.at), np.bool_)
        zero, one = (every, every) if can is None else can
        chosen, chance = (None, 0.0) if best is None else best
        listed = np.empty((0, len(self.at)), np.uint8) if solutions is None else solutions
        return Part(
            self.at, self.numbers, count, log2_count, zero, one, probability, chosen, chance, listed, spare,
            how,
        )  # fmt: skip

    # -- every assignment of the free bits

    def _try_all(self, totals: list[Total]) -> Part:
        packed = _all_solutions(self.system, len(self.at))
        reached = 1.0
        for total in totals:
            residue = _weigh(packed, total.weights) % total.modulus
            reached *= len(np.unique(residue))
            fits = (residue == total.target) & _accepted(packed, total)
            packed = packed[fits]
            if not len(packed):
                return self.nothing()
        spare = max(self.width - self.rank - log2(reached), 0.0)
        n = len(self.at)
        zero = ~_unpack(np.bitwise_and.reduce(packed, axis=0)[None], n)[0].astype(np.bool_)
        one = _unpack(np.bitwise_or.reduce(packed, axis=0)[None], n)[0].astype(np.bool_)
        odds = np.log(self.probability) - np.log1p(-self.probability)
        score = _weigh(packed, odds)
        weight = np.exp(score - score.max())
        weight /= weight.sum()
        first = int(weight.argmax())
        how = "linear algebra" if not totals else f"all 2^{len(self.system.free)} assignments tried"
        return self._made(
            len(packed),
            log2(len(packed)),
            can=(zero, one),
            probability=_marginals(packed, weight, n),
            best=(_unpack(packed[first : first + 1], n)[0], float(weight[first])),
            solutions=_unpack(packed[:LISTED], n),
            spare=spare,
            how=how,
        )

    # -- residues

    def _by_residues(self, trellis: Trellis, *, linear: bool) -> Part:
        count, log2_count = trellis.count()
        if count == 0 or log2_count == float("-inf"):
            return self.nothing()
        if linear:
            count, log2_count = 1 << len(self.system.free), float(len(self.system.free))
        best, log_best = trellis.best(self.probability)
        return self._made(
            count,
            log2_count,
            can=trellis.possible(),
            probability=trellis.marginals(self.probability),
            best=(best, min(exp(log_best - trellis.evidence(self.probability)), 1.0)),
            solutions=trellis.solutions(LISTED),
            spare=max(self.width - log2(trellis.reached()), 0.0),
            how="linear algebra" if linear else f"counted over {trellis.width} residues",
        )

    # -- too large for either

    def _linear(self) -> Part:
        """Count and settled bits by algebra alone; the probabilities are out of reach."""
        free = len(self.system.free)
        return self._made(
            1 << free,
            float(free),
            can=self._settled(),
            spare=float(self.width - self.rank),
            how=f"linear algebra; {free} free bits are too many to weigh the solutions (at most {FREE_BITS})",
        )

    def _settled(self) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Which bits may be 0, and which 1, by the parities alone."""
        system = self.system
        alone = system.rows.sum(axis=1) == 1
        zero, one = np.ones(len(self.at), np.bool_), np.ones(len(self.at), np.bool_)
        zero[system.pivots[alone & system.sides]] = False
        one[system.pivots[alone & ~system.sides]] = False
        return zero, one

    def _too_large(self, trellis: Trellis | None) -> Part:
        free = len(self.system.free)
        told = (
            f"not enumerated: {free} free bits, at most {FREE_BITS} are tried. Another reading, a twin or "
            "one more checksum over a part would help"
        )
        if trellis is None or trellis.work > FLOAT_WORK:
            return self._made(None, float("nan"), can=self._settled(), how=told)
        count, log2_count = trellis.count()
        if log2_count == float("-inf"):
            return self.nothing()
        return self._made(count, log2_count, can=self._settled(), how=f"counted only; {told}")


def _all_solutions(system: _System, count: int) -> Packed:
    """``uint64 (2^free, words)`` solutions of the parities, bit j in bit j % 64 of word j // 64."""
    words = count // 64 + 1
    first = np.zeros(count, np.bool_)
    first[system.pivots] = system.sides
    packed = _pack(first, words)
    for bit in system.free:
        vector = np.zeros(count, np.bool_)
        vector[bit] = True
        vector[system.pivots[system.rows[:, bit]]] = True
        packed = np.concatenate([packed, packed ^ _pack(vector, words)])
    return packed


def _pack(bits: NDArray[np.bool_], words: int) -> Packed:
    whole = np.zeros(words * 64, np.uint8)
    whole[: len(bits)] = bits
    return np.packbits(whole, bitorder="little").view("<u8").astype(np.uint64)[None, :]


def _unpack(packed: Packed, count: int) -> Bytes:
    return np.unpackbits(_bytes(packed), axis=1, bitorder="little")[:, :count]


def _bytes(packed: Packed) -> Bytes:
    return np.ascontiguousarray(packed.astype("<u8")).view(np.uint8).reshape(len(packed), -1)


_BITS = np.unpackbits(np.arange(256, dtype=np.uint8)[:, None], axis=1, bitorder="little")
"""``uint8 (256, 8)`` bits of each byte."""


def _weigh(packed: Packed, weights: NDArray[Any]) -> NDArray[Any]:
    """For each solution the weights of the bits that are 1, a byte of bits at a time."""
    columns = _bytes(packed)
    whole = np.zeros(columns.shape[1] * 8, weights.dtype)
    whole[: len(weights)] = weights
    result = np.zeros(len(packed), weights.dtype)
    for place in range(-(-len(weights) // 8)):
        table = _BITS.astype(weights.dtype) @ whole[8 * place : 8 * place + 8]
        result += table[columns[:, place]]
    return result


def _marginals(packed: Packed, weight: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """For each bit the weight of the solutions in which it is 1."""
    columns = _bytes(packed)
    result = np.zeros(columns.shape[1] * 8)
    for place in range(columns.shape[1]):
        share = np.bincount(columns[:, place], weights=weight, minlength=256)
        result[8 * place : 8 * place + 8] = share @ _BITS
    return np.clip(result[:count], 0.0, 1.0)


def _accepted(packed: Packed, total: Total) -> NDArray[np.bool_]:
    """Solutions whose marks a one's complement sum may end with."""
    marks = np.full(len(packed), total.marked, np.int64)
    if total.marks > 1:
        words = packed.shape[1]
        for mark in (1, 2):
            by_one = _pack((total.marks_one & mark) != 0, words)
            by_zero = _pack((total.marks_zero & mark) != 0, words)
            set_ = ((packed & by_one) | (~packed & by_zero)).any(axis=1)
            marks[set_] |= mark
    return np.isin(marks, sorted(total.accepted))


def _smallest_conflict(
    demands: Sequence[Parity | Total], numbers: tuple[int, ...], probability: NDArray[np.float64]
) -> tuple[int, ...]:
    """Constraints that contradict each other, of which none can be left out."""
    kept = list(numbers)
    for number in numbers:
        fewer = tuple(each for each in kept if each != number)
        if fewer and any(_part(demands, group, probability).count == 0 for group in _split(demands, fewer)):
            kept = list(fewer)
    return tuple(kept)


def _split(demands: Sequence[Parity | Total], numbers: tuple[int, ...]) -> list[tuple[int, ...]]:
    """The groups that are left when some constraints are."""
    groups = _tied([demands[number] for number in numbers])
    return [tuple(numbers[place] for place in group) for group in groups]


@dataclass(frozen=True)
class Flips:
    """Known bits of which one alone, if wrong, lets all constraints hold.

    Args:
        byte: ``int64 (k,)`` byte of each.
        bit: ``uint8 (k,)`` its place in the byte.
        tried: Number of bits that were looked at: the more, the likelier one fits by chance.
    """

    byte: NDArray[np.int64]
    bit: Bytes
    tried: int


NO_FLIPS = Flips(np.empty(0, np.int64), np.empty(0, np.uint8), 0)
"""Nothing was found."""

MOST_FLIPS = 64
"""Fitting bits beyond which none is told: they would explain nothing."""


def single_flips(data: Bytes, known: Bytes, constraints: Sequence[Constraint]) -> Flips:
    """Look for one wrong bit among those that were taken as known.

    Parities sieve: what a bit changes must be the missing sum, up to what unknown bits can make. The few
    that are left are solved in full.

    Args:
        data: ``uint8 (n_bytes,)``; unknown bits are not looked at.
        known: ``uint8 (n_bytes,)`` a 1 for each known bit.
        constraints: What the bytes should obey, and cannot.
    """
    zeroed = data & known
    byte, bit = _covered(known, constraints)
    tried = len(byte)
    unknown = unknown_places(known)
    for constraint in constraints:
        form = demand(constraint, zeroed, *unknown)
        mine = demand(constraint, zeroed, byte, bit)
        if isinstance(form, Parity) and isinstance(mine, Parity):
            fits = _beyond(form.columns, mine.columns ^ np.uint64(form.target)) == 0
        elif isinstance(form, Total) and isinstance(mine, Total) and not form.touched.any():
            level = (zeroed[byte] >> bit) & 1
            fits = np.where(level == 1, -mine.weights, mine.weights) % form.modulus == form.target
        else:
            continue
        byte, bit = byte[fits], bit[fits]
    if len(byte) > MOST_FLIPS:
        return Flips(NO_FLIPS.byte, NO_FLIPS.bit, tried)
    keep = []
    for place in range(len(byte)):
        changed = zeroed.copy()
        changed[byte[place]] ^= 1 << bit[place]
        if not solve(changed, known, constraints).conflict:
            keep.append(place)
    return Flips(byte[keep], bit[keep], tried)


def _covered(known: Bytes, constraints: Sequence[Constraint]) -> tuple[NDArray[np.int64], Bytes]:
    """Byte and place of the known bits that any constraint looks at."""
    covered = np.zeros(len(known), np.bool_)
    for constraint in constraints:
        for run in constraint.covered():
            covered[run] = True
    at = np.flatnonzero(covered)
    row, bit = np.nonzero(np.unpackbits(known[at][:, None], axis=1, bitorder="little"))
    return at[row].astype(np.int64), bit.astype(np.uint8)


def _beyond(span: NDArray[np.uint64], vectors: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """What is left of vectors over GF(2) after taking off whatever the span can make; 0: it makes them."""
    basis: list[int] = []
    for vector in span.tolist():
        for each in basis:
            vector = min(vector, vector ^ each)
        if vector:
            basis = [min(each, each ^ vector) for each in basis]
            basis.append(vector)
    left = vectors.copy()
    for each in sorted(basis, reverse=True):
        left = np.minimum(left, left ^ np.uint64(each))
    return left
