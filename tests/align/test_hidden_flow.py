"""The likeliest walk and its confidence, against hmmlearn and against every possible walk."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wrongbit.align.hidden_flow import (
    Emissions,
    Flow,
    Habits,
    Memory,
    Path,
    confidence_of,
    learned,
    likeliest_path,
    memory_of,
)

Matrix = np.ndarray


def chain(memory: Memory, habits: Habits, join: np.ufunc = np.add) -> tuple[Matrix, Matrix]:
    """Start and transition probabilities written down state by state: addresses, then reads elsewhere.

    ``join`` says what becomes of several kinds of step between the same states: their sum, or the likeliest.
    """
    size, block, blocks = len(memory), memory.block, memory.blocks
    arcs = list(zip(habits.arc_from, habits.arc_to, habits.arc, strict=True))
    step = np.zeros((2 * size, 2 * size))
    for s in range(size):
        onward = (s + 1) % size
        beside = {(s // block + shift) % blocks for shift in (-1, 0, 1)}
        near = [t for t in range(size) if t // block in beside]
        kinds = [
            (onward, habits.onward[s]),
            (s, habits.again[s]),
            *((t, habits.near / len(near)) for t in near),
            *((t, habits.far / size) for t in range(size)),
            (size + s, habits.away[s]),
            *((t, each) for source, t, each in arcs if source == s),
        ]
        for target, each in kinds:
            step[s, target] = join(step[s, target], each)
        step[size + s, size + s] = join(step[size + s, size + s], habits.away_again)
        step[size + s, onward] = join(step[size + s, onward], 1 - habits.away_again)
    return np.r_[np.full(size, 1 / size), np.zeros(size)], step


def emitted(memory: Memory, seen: Matrix, masks: Matrix, noise: float) -> Matrix:
    """``(n, states)`` probability of each word, bit by bit."""
    size = len(memory)
    table = np.empty((len(seen), 2 * size))
    for n, (word, mask) in enumerate(zip(seen.tolist(), masks.tolist(), strict=True)):
        for s in range(size):
            each = 1.0
            for bit in range(memory.width):
                if not mask >> bit & 1:
                    continue
                if not int(memory.known[s]) >> bit & 1:
                    each *= 0.5
                else:
                    same = int(memory.words[s]) >> bit & 1 == word >> bit & 1
                    each *= 1 - noise if same else noise
            table[n, s] = each
        anything = 0.5 ** int(mask).bit_count()
        table[n, size:] = 0.5 * table[n, :size].mean() + 0.5 * anything
    return table


@st.composite
def cases(draw: st.DrawFn) -> tuple[Memory, Matrix, Matrix, Habits]:
    """A small memory, words seen, and a model that differs from address to address, with arcs."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    block = draw(st.sampled_from([1, 2, 3, 4]))
    size, width = block * draw(st.integers(1, 5)), 3
    memory = Memory(
        rng.integers(0, 8, size).astype(np.uint64),
        rng.choice([7, 7, 7, 5], size).astype(np.uint64),
        width,
        block,
    )
    count = draw(st.integers(1, 12))
    masks = rng.choice([7, 7, 3], count).astype(np.uint64)
    return memory, rng.integers(0, 8, count).astype(np.uint64) & masks, masks, random_habits(rng, size)


def random_habits(rng: np.random.Generator, size: int) -> Habits:
    rates = rng.dirichlet([8, 2, 2], size) * 0.8
    source, target = np.array([0]), np.array([size // 2])
    arcs = size > 3
    onward = rates[:, 0].copy()
    arc = onward[source] / 2
    if arcs:
        onward[source] -= arc
    return Habits(
        onward=onward,
        again=rates[:, 1],
        away=rates[:, 2],
        near=0.15,
        far=0.05,
        away_again=0.4,
        noise=0.1,
        arc_from=source if arcs else source[:0],
        arc_to=target if arcs else target[:0],
        arc=arc if arcs else arc[:0],
    )


def states(path: Path, size: int) -> Matrix:
    return path.address + size * path.away


def log_probability(walk: Matrix, start: Matrix, step: Matrix, table: Matrix) -> float:
    with np.errstate(divide="ignore"):
        total = np.log(start[walk[0]]) + np.log(table[np.arange(len(walk)), walk]).sum()
        return float(total + np.log(step[walk[:-1], walk[1:]]).sum())


@given(cases())
@settings(max_examples=150)
def test_path_and_confidence_are_those_of_hmmlearn(case: tuple[Memory, Matrix, Matrix, Habits]) -> None:
    """hmmlearn's own recursions over the full matrices (hmmlearn._hmmc, BSD licence)."""
    from hmmlearn import _hmmc

    memory, seen, masks, habits = case
    start, step = chain(memory, habits)
    assert np.allclose(step.sum(axis=1), 1)
    table = emitted(memory, seen, masks, habits.noise)
    with np.errstate(divide="ignore"):
        likeliest = chain(memory, habits, np.maximum)[1]
        best, _ = _hmmc.viterbi(start, likeliest, np.log(table))
    total, ahead = _hmmc.forward_log(start, step, np.log(table))
    behind = _hmmc.backward_log(start, step, np.log(table))
    path = likeliest_path(memory, seen, masks, habits)
    walk = states(path, len(memory))
    # Several walks may be equally likely: ours must be as likely as theirs.
    assert log_probability(walk, start, likeliest, table) == pytest.approx(best, abs=1e-3)
    posterior = np.exp(ahead + behind - total)[np.arange(len(walk)), walk]
    assert confidence_of(path, memory, seen, masks, habits) == pytest.approx(posterior, abs=1e-3)


def test_path_is_the_best_of_all_possible_walks() -> None:
    rng = np.random.default_rng(5)
    for _ in range(20):
        memory = Memory(rng.integers(0, 4, 4).astype(np.uint64), np.full(4, 3, np.uint64), 2, 2)
        habits = random_habits(rng, 4)
        seen = rng.integers(0, 4, 5).astype(np.uint64)
        masks = np.full(5, 3, np.uint64)
        start, step = chain(memory, habits, np.maximum)
        table = emitted(memory, seen, masks, habits.noise)
        every = max(
            log_probability(np.array(walk), start, step, table) for walk in product(range(8), repeat=5)
        )
        found = states(likeliest_path(memory, seen, masks, habits), 4)
        assert log_probability(found, start, step, table) == pytest.approx(every, abs=1e-3)


def test_long_captures_are_as_exact_as_short_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    """Over many stretches, with the scores kept and with the scores computed again, as hmmlearn finds it."""
    from hmmlearn import _hmmc

    rng = np.random.default_rng(7)
    memory = memory_of(rng.integers(0, 16, 32).astype(np.uint64), np.full(32, 15, np.uint64), 4)
    habits = random_habits(rng, 32)
    start, step = chain(memory, habits, np.maximum)
    seen = rng.integers(0, 16, 1500).astype(np.uint64)
    masks = np.full(1500, 15, np.uint64)
    table = emitted(memory, seen, masks, habits.noise)
    with np.errstate(divide="ignore"):
        best, _ = _hmmc.viterbi(start, step, np.log(table))
    for kept in (192 << 20, 1):
        monkeypatch.setattr("wrongbit.align.hidden_flow.KEPT_BYTES", kept)
        walk = states(likeliest_path(memory, seen, masks, habits), 32)
        assert log_probability(walk, start, step, table) == pytest.approx(best, abs=0.05)


def test_words_that_say_nothing_leave_the_past_open_without_harm() -> None:
    """All words equal: nothing is ever settled before the end, and the scores are computed again."""
    memory = memory_of(np.zeros(64, np.uint64), np.full(64, 15, np.uint64), 4)
    path = likeliest_path(memory, np.zeros(3000, np.uint64), np.full(3000, 15, np.uint64), Flow())
    assert (np.diff(path.address) % 64 == 1).all() and not path.away.any()


def test_learning_finds_a_loop() -> None:
    rng = np.random.default_rng(3)
    words = rng.integers(0, 256, 256).astype(np.uint64)
    memory = memory_of(words, np.full(256, 255, np.uint64), 8)
    walked = np.tile(np.arange(40, 60), 40)
    usual, habits = learned(memory, words[walked], np.full(800, 255, np.uint64), Flow(), [slice(0, 800)])
    assert list(zip(habits.arc_from, habits.arc_to, strict=True)) == [(59, 40)]
    assert habits.arc[0] > 0.9 and usual.noise < 0.02
    rows = habits.onward + habits.again + habits.away + habits.near + habits.far
    rows[habits.arc_from] += habits.arc
    assert np.allclose(rows, 1)


def test_a_flow_that_leaves_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="onward"):
        Flow(again=0.5, near=0.3, far=0.1, away=0.2)
    with pytest.raises(ValueError, match="noise"):
        Flow(noise=0.5)
    with pytest.raises(ValueError, match="blocks"):
        Memory(np.zeros(5, np.uint64), np.zeros(5, np.uint64), 4, 2)


def test_rows_are_dropped_when_there_are_too_many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("wrongbit.align.hidden_flow.ROWS_BYTES", 0)
    words = np.arange(64, dtype=np.uint64)
    full = np.full(64, 63, np.uint64)
    emissions = Emissions(memory_of(words, full, 6), words, full, 0.02)
    for code in range(64):
        assert emissions.likelihood(code).max() == pytest.approx(0.98**6)
    assert len(emissions._likelihood) <= 16
