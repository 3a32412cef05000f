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

FEW_PLACES = 6
"""Places that are looked at one by one when the best jumps are sought. Measured."""

FEW_ROWS = 8
"""Down to so many rows an array is halved before it is reduced. Measured."""

NOTHING = np.float32(-1e30)
"""Logarithm of the probability of what cannot be."""

STRETCH = 256
"""Samples between two saved columns of scores."""

LEVEL = 32
"""Samples after which the best score is brought back to 0."""

KEPT_BYTES = 192 << 20
"""Scores kept for tracing back, in bytes; more are computed again when they are needed."""

LOW = 1e-5
"""Sums below this are scaled up."""

SMALLEST = 1e-14
"""Smallest probability of a word, so that single precision is enough."""

ROWS_BYTES = 256 << 20
"""Emission rows of each kind that are kept, in bytes."""

ELSEWHERE_KNOWN = 0.5
"""Share of reads elsewhere that find a word of the same memory; the others find any word. A choice.

The same is taken for a place of which nothing is known."""


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
        self._told = self._contents[1].reshape(-1) != 0
        self._likelihood: dict[int, Floats] = {}
        self.most_rows = max(16, ROWS_BYTES // (8 * len(memory)))
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
        row = np.asarray(np.maximum(table[sure, wrong], SMALLEST), np.float64).reshape(-1)
        # Words that nobody knows are like the others: some are in every program many times.
        row[~self._told] = self._anywhere(row, total)
        return row

    def _anywhere(self, row: NDArray[np.float64], total: int) -> float:
        """Probability of a word of so many bits where nothing is known of the place."""
        here = float(row[self._told].mean()) if self._told.any() else 0.5**total
        return ELSEWHERE_KNOWN * here + (1 - ELSEWHERE_KNOWN) * 0.5**total

    def likelihood(self, code: int) -> Floats:
        """``float32 (S,)`` probability of the word with this code at each address, in the order of scores."""
        row = self._likelihood.get(code)
        if row is None:
            if len(self._likelihood) >= self.most_rows:
                self._likelihood.clear()
            row = self._likelihood[code] = self._row(code).astype(np.float32)
        return row

    def logarithm(self, code: int) -> Floats:
        """The logarithm of `likelihood`, which is not kept."""
        return np.asarray(np.log(self._row(code)).astype(np.float32))

    def _elsewhere(self, code: int) -> float:
        return self._anywhere(self._row(code), int(self.masks[code]).bit_count())


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
    way; ``enter`` includes it too. ``enter`` is relative to ``remain``.
    """

    def __init__(self, habits: Habits, memory: Memory, *, logarithms: bool) -> None:
        def ready(values: Rates) -> Floats:
            return (np.log(values) if logarithms else values).astype(np.float32)

        def spread(values: Rates) -> Floats:
            return ready(memory.folded(values).reshape(-1))

        near_size = memory.block * min(3, memory.blocks)
        self.onward = spread(habits.onward)
        self.again = spread(habits.again)
        self.enter = spread(habits.away * ((1 - habits.away_again) / habits.away_again))
        self.near = ready(np.array(habits.near / near_size))[()]
        self.far = ready(np.array(habits.far / len(memory)))[()]
        self.remain = ready(np.array(habits.away_again))[()]
        self.back = np.float32(1 - habits.away_again)
        self.arc_from = memory.place(habits.arc_from)
        self.arc_to = memory.place(habits.arc_to)
        self.arc = ready(habits.arc)
        self.arcs_into: dict[int, list[tuple[int, float]]] = {}
        for source, target, each in zip(
            self.arc_from.tolist(), self.arc_to.tolist(), self.arc.tolist(), strict=True
        ):
            self.arcs_into.setdefault(target, []).append((source, each))


@dataclass(frozen=True)
class _Scores:
    """Scores of neighbouring samples.

    Args:
        code: ``float32 (length, S)`` of the walk at each place.
        away: ``float32 (length, S)`` of a read elsewhere, from which the walk comes back to the next address.
        jump: ``float32 (length, blocks)`` of the best jump into each block, the sample's word left out.
    """

    code: Floats
    away: Floats
    jump: Floats

    @staticmethod
    def room(length: int, memory: Memory) -> _Scores:
        """Room for so many samples."""
        size = (length, len(memory))
        return _Scores(
            np.empty(size, np.float32),
            np.empty(size, np.float32),
            np.empty((length, memory.blocks), np.float32),
        )


@dataclass
class _Stretch:
    """Scores of some neighbouring samples: those before the first one, and all of them while they fit."""

    start: int
    length: int
    before: tuple[Floats, Floats]
    scores: _Scores | None = None


@dataclass
class _Viterbi:
    """The forward recursion with what is needed to trace back.

    All scores of a sample are relative to that of another read elsewhere. The past is settled as soon as all
    states that can still win have one ancestor; only what lies after it is kept.
    """

    memory: Memory
    emissions: Emissions
    steps: _Steps
    count: int
    stretches: list[_Stretch] = field(default_factory=list)
    _room: list[_Scores] = field(default_factory=list)

    def __post_init__(self) -> None:
        m = self.memory
        self.address = np.zeros(self.count, np.int64)
        self.away = np.zeros(self.count, np.bool_)
        self.jump = np.zeros(self.count, np.bool_)
        self._fold = _Fold(m.block, m.blocks)
        self._beside = _Beside(m.blocks, np.maximum)
        self._shape = (m.block, m.blocks)
        everyone = np.arange(len(m))
        self._has_arc = np.zeros(len(m), np.bool_)
        self._has_arc[self.steps.arc_to] = True
        self._previous = m.place((everyone - 1) % len(m))[np.argsort(m.place(everyone))]
        elsewhere = np.log(self.emissions.elsewhere) + float(self.steps.remain)
        self._emitted = [np.float32(each) for each in elsewhere]
        self._relative: dict[int, Floats] = {}
        self._nearer = max(self.steps.near - self.steps.far, np.float32(0))
        own = range(m.blocks)
        self._around = [sorted({(each - 1) % m.blocks, each, (each + 1) % m.blocks}) for each in own]

    def _word(self, code: int) -> Floats:
        """``float32 (S,)`` logarithm of a word's probability at each place, over that of a read elsewhere."""
        row = self._relative.get(code)
        if row is None:
            if len(self._relative) >= self.emissions.most_rows:
                self._relative.clear()
            row = self._relative[code] = self.emissions.logarithm(code) - self._emitted[code]
        return row

    def run(self) -> None:
        """Settle the whole path."""
        size = len(self.memory)
        code = np.full(size, np.float32(-np.log(size)))
        away = np.full(size, NOTHING)
        start = 0
        while start < self.count:
            length = min(STRETCH, self.count - start)
            if start:
                code, away = code.copy(), away.copy()  # the rows are used again
                _level(code, away)
            stretch = _Stretch(start, length, (code, away))
            stretch.scores = self._forward(stretch)
            code, away = stretch.scores.code[length - 1], stretch.scores.away[length - 1]
            self.stretches.append(stretch)
            start += length
            if start == self.count:
                self._settle(self._best(code, away), 0)
            else:
                self._settle_what_is_certain()
                self._forget()

    def _forward(self, stretch: _Stretch) -> _Scores:
        """Scores of every sample of a stretch."""
        scores = self._room.pop() if self._room else _Scores.room(STRETCH, self.memory)
        steps, shift = self.steps, _Shift(self._shape)
        onward, again, enter = steps.onward, steps.again, steps.enter
        add, maximum = np.add, np.maximum
        code, away = stretch.before
        for at in range(stretch.length):
            word = self._word(self.emissions.code[stretch.start + at])
            new, new_away = scores.code[at], scores.away[at]
            if stretch.start + at == 0:  # the first sample is not reached by a step
                add(code, word, out=new)
                new_away[:] = NOTHING
            else:
                if at and not at % LEVEL:
                    _level(code, away)
                jump = self._jumps(code, scores.jump[at])
                add(code, onward, out=shift.here)
                maximum(shift.here, away, out=shift.here)
                add(code, again, out=new)
                maximum(new, shift.moved(), out=new)
                table = new.reshape(self._shape)
                maximum(table, jump, out=table)
                if len(steps.arc):
                    maximum.at(new, steps.arc_to, code[steps.arc_from] + steps.arc)
                add(new, word, out=new)
                add(code, enter, out=new_away)
                maximum(new_away, away, out=new_away)
            code, away = new, new_away
        return scores

    def _jumps(self, code: Floats, out: Floats) -> Floats:
        """``float32 (blocks,)`` best score of a jump into each block."""
        top = code[code.argmax()]
        # Where near jumps are likelier than far ones, only those from the few best places can win.
        (good,) = (code > top - self._nearer).nonzero()
        if len(good) > FEW_PLACES:
            self._fold(code.reshape(self._shape), self._beside.middle)
            near = self._beside(out)
            near += self.steps.near
            np.maximum(near, top + self.steps.far, out=out)
            return out
        out.fill(top + self.steps.far)
        for place in good.tolist():
            score = code[place] + self.steps.near
            for block in self._around[place % self.memory.blocks]:
                if score > out.item(block):
                    out[block] = score
        return out

    # -- tracing back ----------------------------------------------------------------------------------

    def _best(self, code: Floats, away: Floats) -> tuple[int, bool]:
        gone = bool(away.max() - np.log(self.steps.back) > code.max())  # no way back is needed any more
        return int((away if gone else code).argmax()), gone

    def _settle_what_is_certain(self) -> None:
        """Settle everything before the newest stretch, if all states at its end have one ancestor there."""
        newest = self.stretches[-1]
        if len(self.stretches) < 2:
            return
        size = len(self.memory)
        place, gone = np.arange(size), np.arange(size)
        for at in range(newest.length - 1, 0, -1):
            place, gone = self._step_back(newest, at, place, gone)
            if len(place) + len(gone) == 1:
                state = (int(place[0]), False) if len(place) else (int(gone[0]), True)
                self._settle(self._trace(newest, state, None, at), 1)
                return

    def _step_back(
        self, stretch: _Stretch, at: int, place: NDArray[np.intp], gone: NDArray[np.intp]
    ) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """The different states from which these come: places of a walk, and of walks that read elsewhere."""
        scores, (code, away) = self._kept(stretch), self._before(stretch, at)
        onward, again, enter = self.steps.onward, self.steps.again, self.steps.enter
        before = self._previous[place]
        ahead, back = code[before] + onward[before], away[before]
        came_on, stayed = np.maximum(ahead, back), code[place] + again[place]
        jumped = scores.jump[at][place % self.memory.blocks]
        best = np.maximum(np.maximum(came_on, stayed), jumped)
        came = np.where(stayed > came_on, place, before)
        from_away = (back > ahead) & (stayed <= came_on)
        jumps = np.flatnonzero(best > np.maximum(came_on, stayed))
        if len(jumps):
            came[jumps] = self._origins(code.reshape(self._shape))[place[jumps] % self.memory.blocks]
            from_away[jumps] = False
        for index in np.flatnonzero(self._has_arc[place]).tolist():
            source, score = self._arc_into(code, int(place[index]))
            if score > best[index]:
                came[index], from_away[index] = source, False
        walks, elsewhere = np.zeros((2, len(self.memory)), np.bool_)
        walks[came[~from_away]] = elsewhere[came[from_away]] = True
        remained = away[gone] > code[gone] + enter[gone]
        walks[gone[~remained]] = elsewhere[gone[remained]] = True
        return np.flatnonzero(walks), np.flatnonzero(elsewhere)

    def _kept(self, stretch: _Stretch) -> _Scores:
        """Scores of a stretch, computed again if they were dropped."""
        return stretch.scores if stretch.scores is not None else self._forward(stretch)

    def _before(self, stretch: _Stretch, at: int) -> tuple[Floats, Floats]:
        """Scores just before a sample of a stretch whose scores are kept."""
        if not at or stretch.scores is None:
            return stretch.before
        return stretch.scores.code[at - 1], stretch.scores.away[at - 1]

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
        if stretch.scores is not None:
            self._room.append(stretch.scores)
            stretch.scores = None

    def _trace(
        self, stretch: _Stretch, state: tuple[int, bool], into: _Viterbi | None, end: int | None = None
    ) -> tuple[int, bool]:
        """From a state before sample ``end`` of a stretch (left out: all) back to one before its first."""
        scores, blocks, block = self._kept(stretch), self.memory.blocks, self.memory.block
        onward, again, enter = self.steps.onward, self.steps.again, self.steps.enter
        place, gone = state
        for at in range((stretch.length if end is None else end) - 1, -1, -1):
            sample = stretch.start + at
            if into is not None:
                into.address[sample] = (place % blocks) * block + place // blocks
                into.away[sample] = gone
            if sample == 0:
                break
            code, away = (scores.code[at - 1], scores.away[at - 1]) if at else stretch.before
            if gone:
                gone = away.item(place) > code.item(place) + enter.item(place)
                continue
            before = self._previous.item(place)
            ahead, back = code.item(before) + onward.item(before), away.item(before)
            stayed = code.item(place) + again.item(place)
            simple = max(ahead, back, stayed)
            jumped = scores.jump.item(at, place % blocks)
            source, score = self._arc_into(code, place)
            if max(jumped, score) > simple:
                place = source if score > jumped else self._origin(code.reshape(self._shape), place % blocks)
                if into is not None:
                    into.jump[sample] = True
            elif stayed < simple:
                place, gone = before, back > ahead
        return place, gone

    def _arc_into(self, code: Floats, place: int) -> tuple[int, float]:
        """The best origin of an arc into a place, with its score; `NOTHING` where there is none."""
        best = -1, float(NOTHING)
        for source, cost in self.steps.arcs_into.get(place, ()):
            score = code.item(source) + cost
            if score > best[1]:
                best = source, score
        return best

    def _origins(self, code: Floats) -> NDArray[np.intp]:
        """`_origin` of every block."""
        best = self._fold(code, self._beside.middle)
        blocks = self.memory.blocks
        own = np.arange(blocks)
        beside = np.stack([(own - 1) % blocks, own, (own + 1) % blocks])
        nearest = beside[best[beside].argmax(axis=0), own]
        top = best.argmax()
        column = np.where(best[nearest] + self.steps.near >= best[top] + self.steps.far, nearest, top)
        return np.asarray(code.argmax(axis=0)[column] * blocks + column)

    def _origin(self, code: Floats, block: int) -> int:
        """Where the best jump into a block comes from, arcs apart."""
        best = self._fold(code, self._beside.middle)
        blocks = self.memory.blocks
        beside = sorted({(block - 1) % blocks, block, (block + 1) % blocks})
        nearest = max(beside, key=lambda each: best[each])
        top = int(best.argmax())
        column = nearest if best[nearest] + self.steps.near >= best[top] + self.steps.far else top
        return int(code[:, column].argmax()) * blocks + column


def _level(code: Floats, away: Floats) -> None:
    """Bring the best score to 0, so that single precision is enough."""
    top = max(code[code.argmax()], away[away.argmax()])
    code -= top
    np.maximum(away - top, NOTHING, out=away)


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
        self.here = room[1:].reshape(-1)
        self._moved = room[:-1].reshape(-1)
        self._head, self._head_rest, self._tail_rest = room[0], room[0, 1:], room[-1, :-1]
        self._last = room[-1]

    def moved(self) -> Floats:
        """``float32 (S,)`` for each address what was put into ``here`` for the one before it."""
        self._head_rest[:] = self._tail_rest
        self._head[0] = self._last[-1]
        return self._moved


class _ShiftBack:
    """As `_Shift`, the other way: for each address the value of the next one."""

    def __init__(self, shape: tuple[int, int]) -> None:
        room = np.empty((shape[0] + 1, shape[1]), np.float32)
        self.here = room[:-1].reshape(-1)
        self._moved = room[1:].reshape(-1)
        self._first, self._tail, self._tail_rest = room[0], room[-1], room[-1, :-1]
        self._first_rest = room[0, 1:]

    def moved(self) -> Floats:
        """``float32 (S,)`` for each address what was put into ``here`` for the next one."""
        self._tail_rest[:] = self._first_rest
        self._tail[-1] = self._first[0]
        return self._moved


class _Fold:
    """The greatest value of each block.

    Halving is faster in numpy than reducing along the rows, until few are left.
    """

    def __init__(self, rows: int, columns: int) -> None:
        self._halves: list[tuple[Floats, Floats, Floats]] = []
        self._middle = 0
        while rows > FEW_ROWS and rows % 2 == 0:
            rows //= 2
            half = np.empty((rows, columns), np.float32)
            self._middle = self._middle or rows
            self._halves.append((half, half[: rows // 2], half[rows // 2 :]))

    def __call__(self, values: Floats, out: Floats) -> Floats:
        """``float32 (columns,)``, which is ``out``."""
        if self._halves:
            low, high = values[: self._middle], values[self._middle :]
            for values, next_low, next_high in self._halves:
                np.maximum(low, high, out=values)
                low, high = next_low, next_high
        np.maximum.reduce(values, axis=0, out=out)
        return out


class _Beside:
    """Joins each block's value with those of its neighbours in the circle; each neighbour counts once.

    The values are put into ``middle`` beforehand.
    """

    def __init__(self, count: int, join: np.ufunc) -> None:
        room = np.empty(count + 2, np.float32)
        self._join, self._count, self._room = join, count, room
        self.middle, self._before, self._after = room[1:-1], room[:-2], room[2:]

    def __call__(self, out: Floats) -> Floats:
        """``float32 (count,)``, which is ``out``."""
        join, room = self._join, self._room
        if self._count < 3:
            out[:] = join.reduce(self.middle)
            return out
        room[0], room[-1] = room[-2], room[1]
        join(self._before, self._after, out=out)
        join(out, self.middle, out=out)
        return out


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
        self._elsewhere = [np.float32(each * float(self.steps.remain)) for each in self.emissions.elsewhere]
        self._shape = (memory.block, memory.blocks)
        self._beside = _Beside(memory.blocks, np.add)
        self._jump = np.empty(memory.blocks, np.float32)
        self._rows, self._columns = (np.ones(size, np.float32) for size in self._shape)

    def forward(self) -> tuple[NDArray[np.float64], float]:
        """Logarithm of the forward value at the path's states, and that of all words."""
        steps, count = self.steps, len(self.place)
        values, scales = np.empty(count), np.empty(count)
        places, gone, codes = self.place.tolist(), self.away.tolist(), self.emissions.code
        add, multiply, likelihood = np.add, np.multiply, self.emissions.likelihood
        code = likelihood(codes[0]) / np.float32(len(self.memory))
        away, new, shift = np.zeros_like(code), np.empty_like(code), _Shift(self._shape)
        scale = 0.0
        for sample in range(count):
            if sample:
                word = codes[sample]
                jumps, total = self._jumps(code)
                if total < LOW:
                    scale += _rescale(total, code, away, jumps)
                multiply(code, steps.onward, out=shift.here)
                add(shift.here, away, out=shift.here)
                multiply(code, steps.again, out=new)
                add(new, shift.moved(), out=new)
                table = new.reshape(self._shape)
                add(table, jumps, out=table)
                if len(steps.arc):
                    add.at(new, steps.arc_to, code[steps.arc_from] * steps.arc)
                multiply(new, likelihood(word), out=new)
                multiply(code, steps.enter, out=code)
                add(away, code, out=away)
                multiply(away, self._elsewhere[word], out=away)
                code, new = new, code
            values[sample] = (away if gone[sample] else code).item(places[sample])
            scales[sample] = scale
        every = float(code.sum(dtype=np.float64) + away.sum(dtype=np.float64) / steps.back)
        with np.errstate(divide="ignore"):
            return np.log(values) + scales, float(np.log(every)) + scale

    def backward(self) -> NDArray[np.float64]:
        """Logarithm of the backward value at the path's states."""
        steps, count = self.steps, len(self.place)
        values, scales = np.empty(count), np.empty(count)
        places, gone, codes = self.place.tolist(), self.away.tolist(), self.emissions.code
        add, multiply, likelihood = np.add, np.multiply, self.emissions.likelihood
        code = np.ones(len(self.memory), np.float32)
        away = np.full(len(self.memory), 1 / steps.back, np.float32)
        spare, shift = np.empty_like(code), _ShiftBack(self._shape)
        here, table = shift.here, code.reshape(self._shape)
        scale = 0.0
        for sample in range(count - 1, -1, -1):
            values[sample] = (away if gone[sample] else code).item(places[sample])
            scales[sample] = scale
            if not sample:
                break
            word = codes[sample]
            multiply(code, likelihood(word), out=here)
            multiply(away, self._elsewhere[word], out=away)
            following = shift.moved()
            multiply(here, steps.again, out=code)
            multiply(away, steps.enter, out=spare)
            add(code, spare, out=code)
            multiply(following, steps.onward, out=spare)
            add(code, spare, out=code)
            add(away, following, out=away)
            jumps, total = self._jumps(here)
            add(table, jumps, out=table)
            if len(steps.arc):
                add.at(code, steps.arc_from, here[steps.arc_to] * steps.arc)
            if total < LOW * len(self.memory):
                scale += _rescale(total / len(self.memory), code, away)
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(values) + scales)

    def _jumps(self, code: Floats) -> tuple[Floats, float]:
        """``float32 (blocks,)`` what jumps bring to each address of a block, and the sum of all values."""
        by_block = self._beside.middle
        np.dot(self._rows, code.reshape(self._shape), out=by_block)
        total = float(by_block.dot(self._columns))
        jumps = self._beside(self._jump)
        jumps *= self.steps.near
        jumps += np.float32(total) * self.steps.far
        return jumps, total


def _rescale(total: float, *values: Floats) -> float:
    """Divide by a total, so that single precision stays enough; returns the total's logarithm."""
    for each in values:
        each /= np.float32(total)
    return float(np.log(total))


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
