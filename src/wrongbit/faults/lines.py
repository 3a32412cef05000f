"""What can happen to wires: one algebra for data lines, address lines and bank lines.

A word of levels has two arrays: ``value``, and ``soft`` with a 1 where the level is not settled by the
model (either level, each with probability ½; ``value`` is 0 there). Positions are line numbers; all
functions broadcast, so that many faults (as a column of positions) meet many words (as a row) at once.

Sources: wired-AND and wired-OR bridges are K. C. Y. Mei, "Bridging and Stuck-At Faults", IEEE Transactions
on Computers C-23 (1974), pp. 720-727, whose abstract excepts TTL; that a low level usually wins between two
TTL or NMOS outputs follows from their ratings (they sink about twenty times what they source) and is a
first guess only, so all of the forms compete.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Words = NDArray[np.uint64]
What = Literal["stuck at 0", "stuck at 1", "low wins", "high wins", "follows", "swapped", "open"]
"""``low wins`` and ``high wins`` are bridges as wired AND and wired OR; ``follows`` is a bridge in which the
second line is so strong that the first only repeats it; ``open`` leaves the first line without a level."""

ONE = np.uint64(1)


def wire(what: What, first: Any, second: Any, value: Words, soft: Words | None = None) -> tuple[Words, Words]:
    """Levels behind a fault on one or two lines.

    Args:
        what: The fault.
        first: Its line, or an array of lines that broadcasts with ``value``.
        second: The other line of a bridge or swap; not looked at otherwise.
        value: ``uint64`` levels before the fault.
        soft: ``uint64`` unsettled levels before the fault; None: every level is settled.

    Returns:
        ``value`` and ``soft`` behind the fault.

    >>> value, soft = wire("low wins", 0, 1, np.array([0b01, 0b11], np.uint64))
    >>> value.tolist(), soft.tolist()
    ([0, 3], [0, 0])
    """
    if soft is None:
        moved = levels(what, first, second, value)
        lost = ONE << np.asarray(first, np.uint64) if what == "open" else np.uint64(0)
        return moved, np.full(moved.shape, lost)
    i = np.asarray(first, np.uint64)
    if what in ("stuck at 0", "stuck at 1", "open"):
        mask = ONE << i
        moved = value | mask if what == "stuck at 1" else value & ~mask
        return moved, (soft | mask if what == "open" else soft & ~mask) + np.zeros_like(moved)
    j = np.asarray(second, np.uint64)
    both = (ONE << i) | (ONE << j)
    p, q, r, s = _unsettled(what, _bit(value, i), _bit(value, j), _bit(soft, i), _bit(soft, j))
    return (value & ~both) | (p << i) | (q << j), (soft & ~both) | (r << i) | (s << j)


def levels(what: What, first: Any, second: Any, value: Words) -> Words:
    """As `wire`, where every level is settled before the fault and only the value is wanted.

    >>> levels("stuck at 1", 1, -1, np.array([0b01], np.uint64)).tolist()
    [3]
    """
    i = np.asarray(first, np.uint64)
    one = ONE << i
    if what == "stuck at 1":
        return np.asarray(value | one)
    if what in ("stuck at 0", "open"):
        return np.asarray(value & ~one)
    j = np.asarray(second, np.uint64)
    p, q = _settled(what, _bit(value, i), _bit(value, j))
    return np.asarray((value & ~(one | (ONE << j))) | (p << i) | (q << j))


def _bit(words: Words, position: Words) -> Words:
    return (words >> position) & ONE


def _settled(what: What, x: Words, y: Words) -> tuple[Words, Words]:
    if what == "low wins":
        return x & y, x & y
    if what == "high wins":
        return x | y, x | y
    return (y, y) if what == "follows" else (y, x)


def _unsettled(what: What, x: Words, y: Words, r: Words, s: Words) -> tuple[Words, Words, Words, Words]:
    """As `_settled`, where r and s say that x and y are not settled."""
    if what in ("low wins", "high wins"):
        combine = wired_and if what == "low wins" else wired_or
        level, open_ = combine(x, r, y, s)
        return level & ONE, level & ONE, open_ & ONE, open_ & ONE
    return (y, y, s, s) if what == "follows" else (y, x, s, r)


def wired_and(x: Words, soft_x: Words, y: Words, soft_y: Words) -> tuple[Words, Words]:
    """Two drivers on one line where a low level wins, as (value, soft)."""
    low = (~x & ~soft_x) | (~y & ~soft_y)
    high = x & ~soft_x & y & ~soft_y
    return high, ~(low | high)


def wired_or(x: Words, soft_x: Words, y: Words, soft_y: Words) -> tuple[Words, Words]:
    """Two drivers on one line where a high level wins, as (value, soft)."""
    high = (x & ~soft_x) | (y & ~soft_y)
    low = ~x & ~soft_x & ~y & ~soft_y
    return high, ~(low | high)
