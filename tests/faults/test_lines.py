"""The algebra of wires, by truth tables.

Wired AND and wired OR: K. C. Y. Mei, "Bridging and Stuck-At Faults", IEEE Transactions on Computers C-23
(1974), pp. 720-727 (abstract).
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wrongbit.faults.lines import wire

BEFORE = [0b00, 0b01, 0b10, 0b11]  # line 1, line 0


@pytest.mark.parametrize(
    ("what", "after"),
    [
        ("stuck at 0", [0b00, 0b00, 0b10, 0b10]),
        ("stuck at 1", [0b01, 0b01, 0b11, 0b11]),
        ("low wins", [0b00, 0b00, 0b00, 0b11]),
        ("high wins", [0b00, 0b11, 0b11, 0b11]),
        ("follows", [0b00, 0b00, 0b11, 0b11]),
        ("swapped", [0b00, 0b10, 0b01, 0b11]),
    ],
)
def test_two_lines(what, after):
    value, soft = wire(what, 0, 1, np.array(BEFORE, np.uint64))
    assert value.tolist() == after
    assert not soft.any()


def test_an_open_line_has_no_level():
    value, soft = wire("open", 1, 0, np.array(BEFORE, np.uint64))
    assert value.tolist() == [0, 1, 0, 1]
    assert soft.tolist() == [2, 2, 2, 2]


@given(
    st.sampled_from(["low wins", "high wins", "follows", "swapped", "stuck at 0", "stuck at 1"]),
    st.integers(0, 63),
    st.integers(0, 63),
    st.integers(0, 2**64 - 1),
    st.integers(0, 2**64 - 1),
)
def test_an_unsettled_level_stands_for_both(what, first, second, word, open_):
    """What is settled behind the fault does not depend on the open levels; what is open does."""
    if first == second:
        return
    lines = [line for line in {first, second} if open_ >> line & 1]
    results = []
    for choice in range(1 << len(lines)):
        levels = word
        for number, line in enumerate(lines):
            levels = levels & ~(1 << line) | (choice >> number & 1) << line
        results.append(int(wire(what, first, second, np.array([levels], np.uint64))[0][0]))
    value, soft = wire(
        what, first, second, np.array([word & ~open_], np.uint64), np.array([open_], np.uint64)
    )
    both = 1 << first | 1 << second
    varies = 0
    for result in results:
        varies |= (result ^ results[0]) & both
    assert int(soft[0]) & both == varies
    assert int(value[0]) & both & ~varies == results[0] & both & ~varies
    assert (int(value[0]) ^ word) & ~both & ~open_ == 0
    assert (int(soft[0]) ^ open_) & ~both == 0


def test_many_faults_meet_many_words():
    words = np.array(BEFORE, np.uint64)
    first, second = np.array([[0], [1]], np.uint64), np.array([[1], [0]], np.uint64)
    together, _ = wire("follows", first, second, words)
    for row, (one, two) in zip(together, [(0, 1), (1, 0)], strict=True):
        assert row.tolist() == wire("follows", one, two, words)[0].tolist()
