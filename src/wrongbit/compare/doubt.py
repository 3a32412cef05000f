"""Whether the set-up is to be doubted before the machine: clips, columns, probe point, images."""

from __future__ import annotations

from wrongbit.compare.summary import Summary

FEW = 8
"""Judged words below which nothing is made of how many agree. A choice."""

RIGHT = 0.9
"""Share of its judged levels that a data line must have right to speak for the set-up. A choice: by chance
about half are right."""

SET_UP = (
    "Check the set-up first: order and polarity of the data lines, which bits each chip feeds, images and "
    "their bases, the probe point's columns and radix, the clips. A mistake there looks like this too."
)


def set_up_doubtful(summary: Summary) -> bool:
    """Whether so little agrees that another machine, another probe point or wrong columns are likelier.

    It is where less than half of what could be judged agrees, and fewer than half of the data lines are
    mostly right: an output that is stuck, or a whole lane of two that is dead, leaves the other lines right,
    while a capture of something else leaves none.

    Args:
        summary: From `wrongbit.compare.summary.summarise`.
    """
    judged = summary.agrees + summary.differs
    if judged < FEW or 2 * summary.agrees >= judged:
        return False
    lines = [each for each in summary.bits if each.judged]
    right = [each for each in lines if each.read_as_one + each.read_as_zero <= (1 - RIGHT) * each.judged]
    return 2 * len(right) < len(lines)
