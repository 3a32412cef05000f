"""A hidden Markov model of how a processor walks through a memory, for captures that show words only.

Hidden: the address. Most reads go to the next address; some repeat, some jump, and some are single reads
elsewhere (of a table, or of another chip) after which the walk goes on where it was. Seen: the word at the
address, each bit wrong with a probability. With S addresses in B blocks, both counted round in a circle, the
next state of a walk that stands at s is

- s + 1 with probability ``onward``, s with ``again``,
- any address in the block of s and in the blocks beside it, ``near`` in all,
- any address at all, ``far`` in all,
- elsewhere, to come back to s + 1, with ``away``; each further read there has ``away_again``;
- t, where an arc from s to t was learned, with the arc's probability.

The likeliest walk is that of addresses and kinds of step together; the posterior adds over the kinds.

`Flow` says how often these happen at any address, `Habits` how often at each: programs run in loops, and what
a walk did at an address it will do there again.

`likeliest_path` is the Viterbi path (Viterbi 1967), `confidence_of` the posterior of its states by the
forward-backward recursions (Baum 1970; both as in Rabiner, "A tutorial on hidden Markov models", Proc. IEEE
77(2), 1989). As a jump goes to all addresses alike, its best origin is one number a step; so a step costs
O(S), not O(S²).

Addresses lie in the arrays with the place within the block as the row and the block as the column: the sums
over a block then run along whole rows, which is what numpy is fast at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_bits

Floats = NDArray[np.float32]
Words = NDArray[np.uint64]
Rates = NDArray[np.float64]
Number = TypeVar("Number", bound=np.generic)

BLOCK = 64
"""Addresses in a block, where there are many: a near jump is one of at most two blocks. A choice."""

FEW_ROWS = 8
"""Down to so many rows an array is halved before it is reduced. Measured."""

NOTHING = np.float32(-1e30)
"""Logarithm of the probability of what cannot be."""

STRETCH = 256
"""Samples between two saved columns of scores."""

KEPT_BYTES = 192 << 20
"""Scores kept for tracing back, in bytes; more are computed again when they are needed."""

LOW = 1e-5
"""Sums below this are scaled up."""

SMALLEST = 1e-14
"""Smallest probability of a word, so that single precision is enough."""

ROWS_BYTES = 256 << 20
"""Emission rows that are kept, in bytes."""

ELSEWHERE_KNOWN = 0.5
"""Share of reads elsewhere that find a word of the same memory; the others find any word. A choice."""


@dataclass(frozen=True)
class Flow:
    """Probabilities of the model; ``onward``, ``again``, ``near``, ``far`` and ``away`` add up to 1.

    Args:
        again: The same address is read again.
        near: Jump within the block or to one beside it.
        far: Jump to any address.
        away: A read elsewhere, after which the walk goes on.
        away_again: One more read elsewhere.
        noise: Probability that a bit is read wrong.

    Raises:
        ValueError: A probability is not between 0 and 1, or nothing is left for ``onward``.
    """

    again: float = 0.02
    near: float = 0.03
    far: float = 0.02
    away: float = 0.03
    away_again: float = 0.3
    noise: float = 0.02

    def __post_init__(self) -> None:
        if not (min(self.again, self.near, self.far, self.away, self.away_again) > 0 and self.onward > 0):
            raise ValueError(f"{self} leaves nothing for a step onward, or rules something out")
        if not (0 < self.noise < 0.5 and self.away_again < 1):
            raise ValueError(f"{self}: noise below 0.5 and away_again below 1 expected")

    @property
    def onward(self) -> float:
        """The next address is read."""
        return 1 - self.again - self.near - self.far - self.away


@dataclass(frozen=True)
class Memory:
    """The words that a walk may find.

    Args:
        words: ``uint64 (S,)`` by address.
        known: ``uint64 (S,)`` a 1 for each bit that is known.
        width: Bits in a word.
        block: Addresses in a block; it divides S.
    """

    words: Words
    known: Words
    width: int
    block: int

    def __post_init__(self) -> None:
        if not len(self.words) or len(self.words) % self.block or self.words.shape != self.known.shape:
            raise ValueError(f"{len(self.words)} words do not fill blocks of {self.block}")

    def __len__(self) -> int:
        return len(self.words)

    @property
    def blocks(self) -> int:
        """Number of blocks."""
        return len(self) // self.block

    def place(self, address: NDArray[np.intp]) -> NDArray[np.intp]:
        """Index in an array of scores of these addresses."""
        return (address % self.block) * self.blocks + address // self.block

    def folded(self, by_address: NDArray[Number]) -> NDArray[Number]:
        """Values by address in the order in which scores lie."""
        return np.ascontiguousarray(by_address.reshape(self.blocks, self.block).T)


def memory_of(words: Words, known: Words, width: int, block: int | None = None) -> Memory:
    """Words as a `Memory`, filled up with unknown words to whole blocks.

    Args:
        words: ``uint64 (S,)`` by address.
        known: ``uint64 (S,)`` a 1 for each bit that is known.
        width: Bits in a word.
        block: Addresses in a block; left out: 64, or fewer in a small memory.
    """
    if block is None:
        block = min(BLOCK, max(1, len(words) // 4))
    more = -len(words) % block
    return Memory(np.pad(words, (0, more)), np.pad(known, (0, more)), width, block)


class Emissions:
    """Probability of each seen word at each address.

    Equal words share one row, computed when it is first wanted.

    Args:
        memory: What is at the addresses.
        seen: ``uint64 (n,)`` words.
        seen_known: ``uint64 (n,)`` a 1 for each bit that was seen.
        noise: Probability that a bit is read wrong.
    """

    def __init__(self, memory: Memory, seen: Words, seen_known: Words, noise: float) -> None:
        self.memory = memory
        pairs, code = np.unique(np.stack([seen & seen_known, seen_known]), axis=1, return_inverse=True)
        self.words, self.masks = pairs
        self.code: list[int] = code.reshape(-1).tolist()
        self._noise = noise
        self._contents = memory.folded(memory.words), memory.folded(memory.known)
        self._likelihood: dict[int, Floats] = {}
        self._logarithm: dict[int, Floats] = {}
        self._most = max(16, ROWS_BYTES // (8 * len(memory)))
        self.elsewhere = [self._elsewhere(code) for code in range(len(self.words))]

    def _row(self, code: int) -> NDArray[np.float64]:
        contents, known = self._contents
        mask = self.masks[code]
        judged = known & mask
        wrong = count_bits((contents ^ self.words[code]) & judged)
        sure = count_bits(judged)
        bits = np.arange(self.memory.width + 1)
        total = int(mask).bit_count()
        # By number of known bits, then by number of wrong ones among them.
        table = 0.5 ** (total - bits[:, None]) * self._noise ** bits[None, :]
        table = table * (1 - self._noise) ** np.maximum(bits[:, None] - bits[None, :], 0)
        return np.asarray(np.maximum(table[sure, wrong], SMALLEST), np.float64)

    def likelihood(self, code: int) -> Floats:
        """``float32 (block, blocks)`` probability of the word with this code at each address."""
        row = self._likelihood.get(code)
        if row is None:
            if len(self._likelihood) >= self._most:
                self._likelihood.clear()
            row = self._likelihood[code] = self._row(code).astype(np.float32)
        return row

    def logarithm(self, code: int) -> Floats:
        """The logarithm of `likelihood`."""
        row = self._logarithm.get(code)
        if row is None:
            if len(self._logarithm) >= self._most:
                self._logarithm.clear()
            row = self._logarithm[code] = np.log(self._row(code)).astype(np.float32)
        return row

    def _elsewhere(self, code: int) -> float:
        anything = 0.5 ** int(self.masks[code]).bit_count()
        here = float(self._row(code).mean())
        return ELSEWHERE_KNOWN * here + (1 - ELSEWHERE_KNOWN) * anything


@dataclass(frozen=True)
class Path:
    """A walk, sample by sample.

    Args:
        address: ``int64 (n,)`` where the walk stands; during a read elsewhere, where it stood before.
        away: ``bool (n,)`` the read is elsewhere.
        jump: ``bool (n,)`` the sample was reached by a near or far jump.
    """

    address: NDArray[np.int64]
    away: NDArray[np.bool_]
    jump: NDArray[np.bool_]


@dataclass(frozen=True)
class Habits:
    """Probabilities of the model at each address; those of one address add up to 1.

    Args:
        onward: ``float64 (S,)`` the next address is read.
        again: ``float64 (S,)`` the same address is read again.
        away: ``float64 (S,)`` a read elsewhere, then onward.
        near: Jump near, from any address.
        far: Jump anywhere, from any address.
        away_again: One more read elsewhere.
        noise: Probability that a bit is read wrong.
        arc_from: ``int64 (k,)`` addresses from which a jump was learned.
        arc_to: ``int64 (k,)`` where it leads; neither the same address nor the next.
        arc: ``float64 (k,)`` its probability.
    """

    onward: Rates
    again: Rates
    away: Rates
    near: float
    far: float
    away_again: float
    noise: float
    arc_from: NDArray[np.int64]
    arc_to: NDArray[np.int64]
    arc: Rates

    @staticmethod
    def of(flow: Flow, count: int) -> Habits:
        """The same at each of ``count`` addresses, and no arcs."""
        none = np.empty(0, np.int64)
        return Habits(
            onward=np.full(count, flow.onward),
            again=np.full(count, flow.again),
            away=np.full(count, flow.away),
            near=flow.near,
            far=flow.far,
            away_again=flow.away_again,
            noise=flow.noise,
            arc_from=none,
            arc_to=none,
            arc=none.astype(np.float64),
        )


class _Steps:
    """Probabilities of the transitions in the order in which scores lie.

    Args:
        habits: The model.
        memory: What is at the addresses.
        logarithms: Take the logarithm of each.

    The score of a state elsewhere includes the way back, so that both kinds of state step onward in the same
    way; ``enter`` includes it too.
    """

    def __init__(self, habits: Habits, memory: Memory, *, logarithms: bool) -> None:
        def ready(values: Rates) -> Floats:
            return (np.log(values) if logarithms else values).astype(np.float32)

        def spread(values: Rates) -> Floats:
            return ready(memory.folded(values))

        near_size = memory.block * min(3, memory.blocks)
        self.onward = spread(habits.onward)
        self.again = spread(habits.again)
        self.enter = spread(habits.away * (1 - habits.away_again))
        self.near = ready(np.array(habits.near / near_size))[()]
        self.far = ready(np.array(habits.far / len(memory)))[()]
        self.remain = ready(np.array(habits.away_again))[()]
        self.back = np.float32(1 - habits.away_again)
        self.arc_from = memory.place(habits.arc_from)
        self.arc_to = memory.place(habits.arc_to)
        self.arc = ready(habits.arc)
        self.arcs_into: dict[int, list[tuple[int, np.float32]]] = {}
        for source, target, each in zip(self.arc_from.tolist(), self.arc_to.tolist(), self.arc, strict=True):
            self.arcs_into.setdefault(target, []).append((source, each))


@dataclass
class _Stretch:
    """Scores of some neighbouring samples: those before the first one, and all of them while they fit."""

    start: int
    length: int
    before: tuple[Floats, Floats]
    rows: tuple[Floats, Floats] | None = None


@dataclass
class _Viterbi:
    """The forward recursion with what is needed to trace back.

    The past is settled as soon as all states that can still win have one ancestor; only what lies after it is
    kept.
    """

    memory: Memory
    emissions: Emissions
    steps: _Steps
    count: int
    stretches: list[_Stretch] = field(default_factory=list)
    _room: list[tuple[Floats, Floats]] = field(default_factory=list)

    def __post_init__(self) -> None:
        m = self.memory
        self.address = np.zeros(self.count, np.int64)
        self.away = np.zeros(self.count, np.bool_)
        self.jump = np.zeros(self.count, np.bool_)
        self._fold = _Fold(m.block, m.blocks, np.maximum)
        self._beside = _Beside(m.blocks, np.maximum)
        self._shape = (m.block, m.blocks)
        everyone = np.arange(len(m))
        self._has_arc = np.zeros(len(m), np.bool_)
        self._has_arc[self.steps.arc_to] = True
        self._previous = m.place((everyone - 1) % len(m))[np.argsort(m.place(everyone))]
        self._elsewhere = [np.float32(each) for each in np.log(self.emissions.elsewhere)]

    def run(self) -> None:
        """Settle the whole path."""
        code = np.full(self._shape, np.float32(-np.log(len(self.memory))))
        away = np.full(self._shape, NOTHING)
        start = 0
        while start < self.count:
            length = min(STRETCH, self.count - start)
            if start:
                top = np.float32(max(code.max(), away.max()))
                code, away = code - top, np.maximum(away - top, NOTHING)  # copies: the rows are used again
            stretch = _Stretch(start, length, (code, away))
            stretch.rows = self._rows(stretch)
            code, away = stretch.rows[0][length - 1], stretch.rows[1][length - 1]
            self.stretches.append(stretch)
            start += length
            if start == self.count:
                self._settle(self._best(code, away), 0)
            else:
                self._settle_what_is_certain()
                self._forget()

    def _rows(self, stretch: _Stretch) -> tuple[Floats, Floats]:
        """Scores of every sample of a stretch: ``float32 (length, block, blocks)``, twice."""
        codes, aways = self._room.pop() if self._room else self._more_room()
        spare = np.empty(self._shape, np.float32)
        shift, steps, logarithm = _Shift(self._shape), self.steps, self.emissions.logarithm
        code, away = stretch.before
        for at in range(stretch.length):
            word = self.emissions.code[stretch.start + at]
            new, new_away = codes[at], aways[at]
            if stretch.start + at == 0:  # the first sample is not reached by a step
                np.add(code, logarithm(word), out=new)
                new_away[:] = NOTHING
            else:
                np.add(code, steps.onward, out=shift.here)
                np.maximum(shift.here, away, out=shift.here)
                np.add(code, steps.again, out=new)
                np.maximum(new, shift.moved(), out=new)
                np.maximum(new, self._jumps(code), out=new)
                if len(steps.arc):
                    np.maximum.at(new.reshape(-1), steps.arc_to, code.reshape(-1)[steps.arc_from] + steps.arc)
                np.add(new, logarithm(word), out=new)
                np.add(away, steps.remain, out=new_away)
                np.add(code, steps.enter, out=spare)
                np.maximum(new_away, spare, out=new_away)
                np.add(new_away, self._elsewhere[word], out=new_away)
            code, away = new, new_away
        return codes, aways

    def _more_room(self) -> tuple[Floats, Floats]:
        shape = (STRETCH, *self._shape)
        return np.empty(shape, np.float32), np.empty(shape, np.float32)

    def _jumps(self, code: Floats) -> Floats:
        """``float32 (blocks,)`` best score of a jump into each block."""
        best = self._fold(code)
        near = self._beside(best)
        near += self.steps.near
        np.maximum(near, np.maximum.reduce(best) + self.steps.far, out=near)
        return near

    # -- tracing back ----------------------------------------------------------------------------------

    def _best(self, code: Floats, away: Floats) -> tuple[int, bool]:
        gone = bool(away.max() - np.log(self.steps.back) > code.max())  # no way back is needed any more
        return int((away if gone else code).argmax()), gone

    def _settle_what_is_certain(self) -> None:
        """Settle everything before the newest stretch, if all states at its end have one ancestor there."""
        newest = self.stretches[-1]
        size = len(self.memory)
        place, gone = np.tile(np.arange(size), 2), np.repeat([False, True], size)
        for at in range(newest.length - 1, -1, -1):
            place, gone = self._step_back(newest, at, place, gone)
            if len(place) == 1:
                if at and len(self.stretches) > 1:
                    self._settle(self._trace(newest, (int(place[0]), bool(gone[0])), None, at), 1)
                return

    def _step_back(
        self, stretch: _Stretch, at: int, place: NDArray[np.intp], gone: NDArray[np.bool_]
    ) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
        """The different states from which these states at a sample come."""
        codes, _ = self._kept(stretch)
        code, away = self._before(stretch, at)
        flat, flat_away = code.reshape(-1), away.reshape(-1)
        steps = self.steps
        enter, remain = flat + steps.enter.reshape(-1), flat_away + steps.remain
        before = self._previous[place]
        onward, back = (flat + steps.onward.reshape(-1))[before], flat_away[before]
        again = (flat + steps.again.reshape(-1))[place]
        simple = np.maximum(np.maximum(onward, back), again)
        came = np.where(again > np.maximum(onward, back), place, before)
        from_away = (came == before) & (back > onward)
        word = self.emissions.code[stretch.start + at]
        walked = simple + self.emissions.logarithm(word).reshape(-1)[place] >= codes[at].reshape(-1)[place]
        origin = self._origins(code)
        came = np.where(walked, came, origin[place % self.memory.blocks])
        for index in np.flatnonzero(~walked & ~gone & self._has_arc[place]):
            came[index] = self._jumped_from(code, int(place[index]))
        states = np.unique(
            np.where(gone, 2 * place + (remain > enter)[place], 2 * came + (from_away & walked))
        )
        return states // 2, (states & 1).astype(np.bool_)

    def _kept(self, stretch: _Stretch) -> tuple[Floats, Floats]:
        """Scores of a stretch, computed again if they were dropped."""
        return stretch.rows if stretch.rows is not None else self._rows(stretch)

    def _before(self, stretch: _Stretch, at: int) -> tuple[Floats, Floats]:
        """Scores just before a sample of a stretch whose scores are kept."""
        if not at or stretch.rows is None:
            return stretch.before
        return stretch.rows[0][at - 1], stretch.rows[1][at - 1]

    def _settle(self, state: tuple[int, bool], leave: int) -> None:
        """Write the path that ends in this state before the last ``leave`` stretches; forget its scores."""
        done = self.stretches[: len(self.stretches) - leave]
        for stretch in reversed(done):
            state = self._trace(stretch, state, self)
            self._drop(stretch)
        self.stretches = self.stretches[len(done) :]

    def _forget(self) -> None:
        """Drop the oldest scores beyond what may be kept; their beginnings stay."""
        size = 2 * STRETCH * 4 * len(self.memory)
        for stretch in self.stretches[: -max(2, KEPT_BYTES // size)]:
            self._drop(stretch)

    def _drop(self, stretch: _Stretch) -> None:
        """Scores are dropped, and their room, already in the computer's fast memory, is used again."""
        if stretch.rows is not None:
            self._room.append(stretch.rows)
            stretch.rows = None

    def _trace(
        self, stretch: _Stretch, state: tuple[int, bool], into: _Viterbi | None, end: int | None = None
    ) -> tuple[int, bool]:
        """From a state before sample ``end`` of a stretch (left out: all) back to one before its first."""
        codes, aways = self._kept(stretch)
        blocks, steps = self.memory.blocks, self.steps
        onward, stay, enter = steps.onward.reshape(-1), steps.again.reshape(-1), steps.enter.reshape(-1)
        place, gone = state
        for at in range((stretch.length if end is None else end) - 1, -1, -1):
            sample = stretch.start + at
            if into is not None:
                into.address[sample] = (place % blocks) * self.memory.block + place // blocks
                into.away[sample] = gone
            if sample == 0:
                break
            code, away = (codes[at - 1], aways[at - 1]) if at else stretch.before
            flat, flat_away = code.reshape(-1), away.reshape(-1)
            word = self.emissions.code[sample]
            if gone:
                gone = bool(flat_away[place] + steps.remain > flat[place] + enter[place])
                continue
            before = self._previous[place]
            ahead, back, again = flat[before] + onward[before], flat_away[before], flat[place] + stay[place]
            simple = max(ahead, back, again)
            if simple + self.emissions.logarithm(word).reshape(-1)[place] < codes[at].reshape(-1)[place]:
                place = self._jumped_from(code, place)
                if into is not None:
                    into.jump[sample] = True
            elif again <= max(ahead, back):
                place, gone = int(before), bool(back > ahead)
        return place, gone

    def _jumped_from(self, code: Floats, place: int) -> int:
        """Where the best jump to a place comes from: along an arc, or any jump into its block."""
        flat = code.reshape(-1)
        origin = self._origin(code, place % self.memory.blocks)
        best = self._jumps(code)[place % self.memory.blocks]
        for source, cost in self.steps.arcs_into.get(place, ()):
            if flat[source] + cost > best:
                origin, best = source, flat[source] + cost
        return origin

    def _origins(self, code: Floats) -> NDArray[np.intp]:
        """`_origin` of every block."""
        best = self._fold(code)
        blocks = self.memory.blocks
        own = np.arange(blocks)
        beside = np.stack([(own - 1) % blocks, own, (own + 1) % blocks])
        nearest = beside[best[beside].argmax(axis=0), own]
        top = best.argmax()
        column = np.where(best[nearest] + self.steps.near >= best[top] + self.steps.far, nearest, top)
        return np.asarray(code.argmax(axis=0)[column] * blocks + column)

    def _origin(self, code: Floats, block: int) -> int:
        """Where the best jump into a block comes from, arcs apart."""
        best = self._fold(code)
        blocks = self.memory.blocks
        beside = sorted({(block - 1) % blocks, block, (block + 1) % blocks})
        nearest = max(beside, key=lambda each: best[each])
        top = int(best.argmax())
        column = nearest if best[nearest] + self.steps.near >= best[top] + self.steps.far else top
        return int(code[:, column].argmax()) * blocks + column


def likeliest_path(memory: Memory, seen: Words, seen_known: Words, flow: Flow | Habits) -> Path:
    """The single likeliest walk behind the words seen.

    Exact up to single precision. Keeps the scores of about a thousand samples, and more only while the walk's
    past is undecided.

    Args:
        memory: What is at the addresses.
        seen: ``uint64 (n,)`` words.
        seen_known: ``uint64 (n,)`` a 1 for each bit that was seen.
        flow: Probabilities.

    >>> words = np.array([5, 9, 2, 7], np.uint64)
    >>> memory = memory_of(words, np.full(4, 15, np.uint64), 4)
    >>> likeliest_path(memory, words[[1, 2, 3]], np.full(3, 15, np.uint64), Flow()).address.tolist()
    [1, 2, 3]
    """
    habits = Habits.of(flow, len(memory)) if isinstance(flow, Flow) else flow
    emissions = Emissions(memory, seen, seen_known, flow.noise)
    found = _Viterbi(memory, emissions, _Steps(habits, memory, logarithms=True), len(seen))
    found.run()
    return Path(found.address, found.away, found.jump)


class _Shift:
    """Room for values that are moved on by one address, so that moving costs one row only.

    Args:
        shape: Shape of an array of scores.
    """

    def __init__(self, shape: tuple[int, int]) -> None:
        room = np.empty((shape[0] + 1, shape[1]), np.float32)
        self.here = room[1:]
        self._moved = room[:-1]
        self._head, self._head_rest, self._tail_rest = room[0], room[0, 1:], room[-1, :-1]
        self._last = room[-1]

    def moved(self) -> Floats:
        """For each address what was put into ``here`` for the one before it."""
        self._head_rest[:] = self._tail_rest
        self._head[0] = self._last[-1]
        return self._moved


class _Fold:
    """Joins the rows of an array: the sum, or the greatest, of each block.

    Halving is faster in numpy than reducing along the rows, until few are left.
    """

    def __init__(self, rows: int, columns: int, join: np.ufunc) -> None:
        self._join = join
        self._row = np.empty(columns, np.float32)
        self._halves: list[tuple[Floats, Floats, Floats]] = []
        self._middle = 0
        while rows > FEW_ROWS and rows % 2 == 0:
            rows //= 2
            half = np.empty((rows, columns), np.float32)
            self._middle = self._middle or rows
            self._halves.append((half, half[: rows // 2], half[rows // 2 :]))

    def __call__(self, values: Floats) -> Floats:
        """``float32 (columns,)``; the next call overwrites it."""
        join = self._join
        if self._halves:
            low, high = values[: self._middle], values[self._middle :]
            for values, next_low, next_high in self._halves:
                join(low, high, out=values)
                low, high = next_low, next_high
        row: Floats = join.reduce(values, axis=0, out=self._row)
        return row


class _Beside:
    """Joins each block's value with those of its neighbours in the circle; each neighbour counts once."""

    def __init__(self, count: int, join: np.ufunc) -> None:
        room = np.empty(count + 2, np.float32)
        self._join, self._count, self._room = join, count, room
        self._middle, self._before, self._after = room[1:-1], room[:-2], room[2:]
        self._result = np.empty(count, np.float32)

    def __call__(self, values: Floats) -> Floats:
        """``float32 (count,)``; the next call overwrites it."""
        join, room, result = self._join, self._room, self._result
        if self._count < 3:
            result[:] = join.reduce(values)
            return result
        self._middle[:] = values
        room[0], room[-1] = values[-1], values[0]
        join(self._before, self._after, out=result)
        join(result, values, out=result)
        return result


# -- the posterior -----------------------------------------------------------------------------------------


def confidence_of(path: Path, memory: Memory, seen: Words, seen_known: Words, flow: Flow | Habits) -> Floats:
    """Posterior probability of each state of a path, given all words.

    Args:
        path: From `likeliest_path`.
        memory: What is at the addresses.
        seen: ``uint64 (n,)`` words.
        seen_known: ``uint64 (n,)`` a 1 for each bit that was seen.
        flow: Probabilities.

    Returns:
        ``float32 (n,)``.
    """
    if not len(seen):
        return np.empty(0, np.float32)
    habits = Habits.of(flow, len(memory)) if isinstance(flow, Flow) else flow
    emissions = Emissions(memory, seen, seen_known, flow.noise)
    steps = _Steps(habits, memory, logarithms=False)
    sums = _Sums(memory, emissions, steps, memory.place(path.address), path.away)
    ahead, total = sums.forward()
    behind = sums.backward()
    return np.exp(np.minimum(ahead + behind - total, 0.0)).astype(np.float32)


@dataclass
class _Sums:
    """The forward and the backward recursion, of which only the path's own values are kept."""

    memory: Memory
    emissions: Emissions
    steps: _Steps
    place: NDArray[np.intp]
    away: NDArray[np.bool_]

    def __post_init__(self) -> None:
        memory = self.memory
        self._elsewhere = [np.float32(each) for each in self.emissions.elsewhere]
        self._fold = _Fold(memory.block, memory.blocks, np.add)
        self._beside = _Beside(memory.blocks, np.add)
        self._shape = (memory.block, memory.blocks)

    def forward(self) -> tuple[NDArray[np.float64], float]:
        """Logarithm of the forward value at the path's states, and that of all words."""
        steps, count = self.steps, len(self.place)
        values, scales = np.empty(count), np.empty(count)
        places, gone = self.place.tolist(), self.away.tolist()
        likelihood, codes = self.emissions.likelihood, self.emissions.code
        code = likelihood(codes[0]) / np.float32(len(self.memory))
        away = np.zeros(self._shape, np.float32)
        new, shift = np.empty(self._shape, np.float32), _Shift(self._shape)
        scale = 0.0
        for sample in range(count):
            if sample:
                word = codes[sample]
                by_block = self._fold(code)
                total = float(np.add.reduce(by_block))
                if total < LOW:
                    by_block = by_block / np.float32(total)
                    scale += _rescale(total, code, away)
                np.multiply(code, steps.onward, out=shift.here)
                np.add(shift.here, away, out=shift.here)
                np.multiply(code, steps.again, out=new)
                np.add(new, shift.moved(), out=new)
                np.add(new, self._jumps(by_block), out=new)
                if len(steps.arc):
                    np.add.at(new.reshape(-1), steps.arc_to, code.reshape(-1)[steps.arc_from] * steps.arc)
                np.multiply(new, likelihood(word), out=new)
                np.multiply(code, steps.enter, out=code)
                np.multiply(away, steps.remain, out=away)
                np.add(away, code, out=away)
                np.multiply(away, self._elsewhere[word], out=away)
                code, new = new, code
            values[sample] = (away if gone[sample] else code).reshape(-1)[places[sample]]
            scales[sample] = scale
        every = float(code.sum(dtype=np.float64) + away.sum(dtype=np.float64) / steps.back)
        with np.errstate(divide="ignore"):
            return np.log(values) + scales, float(np.log(every)) + scale

    def backward(self) -> NDArray[np.float64]:
        """Logarithm of the backward value at the path's states."""
        steps, count = self.steps, len(self.place)
        values, scales = np.empty(count), np.empty(count)
        places, gone = self.place.tolist(), self.away.tolist()
        likelihood, codes = self.emissions.likelihood, self.emissions.code
        code = np.ones(self._shape, np.float32)
        away = np.full(self._shape, 1 / steps.back, np.float32)
        here, spare = np.empty(self._shape, np.float32), np.empty(self._shape, np.float32)
        scale = 0.0
        for sample in range(count - 1, -1, -1):
            values[sample] = (away if gone[sample] else code).reshape(-1)[places[sample]]
            scales[sample] = scale
            if not sample:
                break
            word = codes[sample]
            np.multiply(code, likelihood(word), out=here)
            np.multiply(away, self._elsewhere[word], out=away)
            np.multiply(here, steps.again, out=code)
            np.multiply(away, steps.enter, out=spare)
            np.add(code, spare, out=code)
            np.multiply(away, steps.remain, out=away)
            _step_back(here, spare)
            np.add(away, spare, out=away)
            np.multiply(spare, steps.onward, out=spare)
            np.add(code, spare, out=code)
            by_block = self._fold(here)
            np.add(code, self._jumps(by_block), out=code)
            if len(steps.arc):
                np.add.at(code.reshape(-1), steps.arc_from, here.reshape(-1)[steps.arc_to] * steps.arc)
            total = float(np.add.reduce(by_block))
            if total < LOW * len(self.memory):
                scale += _rescale(total / len(self.memory), code, away)
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(values) + scales)

    def _jumps(self, by_block: Floats) -> Floats:
        """``float32 (blocks,)`` what jumps bring to each address of a block."""
        jumps = self._beside(by_block)
        jumps *= self.steps.near
        jumps += np.add.reduce(by_block) * self.steps.far
        return jumps


def _rescale(total: float, *values: Floats) -> float:
    """Divide by a total, so that single precision stays enough; returns the total's logarithm."""
    for each in values:
        each /= np.float32(total)
    return float(np.log(total))


def _step_back(here: Floats, out: Floats) -> None:
    """For each address the value of the next one."""
    out[:-1] = here[1:]
    out[-1, :-1] = here[0, 1:]
    out[-1, -1] = here[0, 0]


# -- learning ----------------------------------------------------------------------------------------------

FEWEST = 3
"""A jump is learned when it was seen this often. A choice."""

MOST_ARCS = 1024
"""Jumps that are learned at most."""

TRUST = 2.0
"""What is known of an address beforehand counts as so many steps from it. A choice."""


@dataclass
class _Tally:
    """What likely walks did, by address."""

    size: int

    def __post_init__(self) -> None:
        self.onward, self.again, self.away = (np.zeros(self.size, np.int64) for _ in range(3))
        self.jumps: list[NDArray[np.int64]] = []
        self.remained = self.entered = self.wrong = self.bits = 0

    def add(self, path: Path, memory: Memory, words: Words, masks: Words) -> None:
        """Count one walk."""
        address, away = path.address, path.away
        judged = masks & memory.known[address]
        judged[away] = 0
        self.wrong += int(count_bits((words ^ memory.words[address]) & judged).sum())
        self.bits += int(count_bits(judged).sum())
        self.remained += int(np.count_nonzero(away[1:] & away[:-1]))
        start, end, stands = address[:-1], address[1:], ~away[:-1]
        walks = stands & ~away[1:]
        self.entered += int(np.count_nonzero(stands & away[1:]))
        self._count(self.away, start[stands & away[1:]])
        self._count(self.again, start[walks & (end == start)])
        onward = end == (start + 1) % self.size
        self._count(self.onward, start[walks & onward])
        jumps = walks & ~onward & (end != start)
        self.jumps.append(start[jumps] * self.size + end[jumps])

    def _count(self, counts: NDArray[np.int64], addresses: NDArray[np.int64]) -> None:
        counts += np.bincount(addresses, minlength=self.size)

    def flow(self, memory: Memory) -> Flow:
        """How often things happen at any address."""
        near, far = self._near_and_far(memory, *np.unique(self._all_jumps(), return_counts=True))
        every = np.array([self.again.sum(), near, far, self.away.sum()]) + 2.0
        again_rate, near_rate, far_rate, away_rate = (every / (every.sum() + self.onward.sum() + 8)).tolist()
        return Flow(again_rate, near_rate, far_rate, away_rate, self._away_again(), self._noise())

    def _all_jumps(self) -> NDArray[np.int64]:
        return np.concatenate([*self.jumps, np.empty(0, np.int64)])

    def _near_and_far(
        self, memory: Memory, arcs: NDArray[np.int64], times: NDArray[np.int64]
    ) -> tuple[int, int]:
        apart = np.abs(arcs % self.size // memory.block - arcs // self.size // memory.block)
        close = (apart <= 1) | (apart == memory.blocks - 1)
        return int(times[close].sum()), int(times[~close].sum())

    def _away_again(self) -> float:
        return float(np.clip((self.remained + 1) / (self.entered + self.remained + 4), 0.02, 0.9))

    def _noise(self) -> float:
        return float(np.clip((self.wrong + 1) / (self.bits + 100), 1e-3, 0.2))

    def habits(self, memory: Memory) -> Habits:
        """Probabilities from these counts, smoothed so that nothing is ruled out."""
        arcs, times = np.unique(self._all_jumps(), return_counts=True)
        often = np.flatnonzero(times >= FEWEST)
        often = np.sort(often[np.argsort(-times[often], kind="stable")[:MOST_ARCS]])
        rare = np.setdiff1d(np.arange(len(arcs)), often)
        arc_from, arc_to, taken = arcs[often] // self.size, arcs[often] % self.size, times[often]
        every = [int(each.sum()) for each in (self.onward, self.again, self.away)]
        steps = sum(every) + int(times.sum()) + 1
        near, far = (
            float(np.clip((count + 2) / (steps + 400), 0.002, 0.2))
            for count in self._near_and_far(memory, arcs[rare], times[rare])
        )
        usual = (np.array(every) + steps / 200 + 1) / (sum(every) + 3 * (steps / 200 + 1))
        seen = self.onward + self.again + self.away + np.bincount(arc_from, taken, self.size)
        share = (1 - near - far) / (seen + TRUST)
        return Habits(
            onward=share * (self.onward + TRUST * usual[0]),
            again=share * (self.again + TRUST * usual[1]),
            away=share * (self.away + TRUST * usual[2]),
            near=near,
            far=far,
            away_again=self._away_again(),
            noise=self._noise(),
            arc_from=arc_from,
            arc_to=arc_to,
            arc=np.asarray(share[arc_from] * taken, np.float64),
        )


def learned(
    memory: Memory, seen: Words, seen_known: Words, flow: Flow | Habits, pieces: Sequence[slice]
) -> tuple[Flow, Habits]:
    """The model's probabilities, for any address and for each, as likely walks through some pieces show them.

    Args:
        memory: What is at the addresses.
        seen: ``uint64 (n,)`` words.
        seen_known: ``uint64 (n,)`` a 1 for each bit that was seen.
        flow: Where to begin.
        pieces: Samples to look at, each piece one without gaps.
    """
    tally = _Tally(len(memory))
    for piece in pieces:
        words, masks = seen[piece], seen_known[piece]
        tally.add(likeliest_path(memory, words, masks, flow), memory, words, masks)
    return tally.flow(memory), tally.habits(memory)
