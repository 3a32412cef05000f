"""Do errors depend on how the chip was read: on the reader's speed, the supply voltage, the temperature?

Passes differ by chance too (a contact comes and goes), so the passes are what is counted, not the words: if
the errors of all passes stand in the order of a condition, chance would have done that once in so many
orders. Two passes can never prove it; three speeds read twice each come to 1 in 90.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import factorial, log, prod
from typing import Literal

from wrongbit.reading.conditions import Conditions

Quantity = Literal["speed_ns", "voltage_mv", "temperature_c"]
QUANTITIES: dict[Quantity, str] = {
    "speed_ns": "wait",
    "voltage_mv": "supply voltage",
    "temperature_c": "temperature",
}
"""Conditions with a number, and what people call them."""


@dataclass(frozen=True)
class Dependence:
    """Errors that rise or fall with a condition throughout.

    Args:
        quantity: The condition.
        rises: Errors grow with it; else they fall.
        groups: (value, wrong words in each of its passes), values rising.
        chance: One in how many orders of the passes looks so by chance.
        passes: Numbers of the passes of each group.
    """

    quantity: Quantity
    rises: bool
    groups: tuple[tuple[float, tuple[int, ...]], ...]
    chance: int
    passes: tuple[tuple[int, ...], ...]

    @property
    def gain(self) -> float:
        """Log of the odds against chance, at most."""
        return log(self.chance)

    def say(self) -> str:
        """What was found, in a sentence for people."""
        told = "; ".join(f"{self.unit(value)}: {', '.join(map(str, wrong))}" for value, wrong in self.groups)
        way = "grow" if self.rises else "shrink"
        name = QUANTITIES[self.quantity]
        return (
            f"Errors {way} as the {name} grows ({told} wrong words a pass); passes in any order would look "
            f"so once in {self.chance} times."
        )

    def unit(self, value: float) -> str:
        """A value with its unit."""
        if self.quantity == "voltage_mv":
            return f"{value / 1000:g} V"
        return f"{value:g} ns" if self.quantity == "speed_ns" else f"{value:g} °C"


def find_dependences(conditions: Sequence[Conditions], wrong: Sequence[int]) -> tuple[Dependence, ...]:
    """Conditions with which the errors of all passes stand in order.

    Args:
        conditions: Of each pass.
        wrong: Number of wrong (or wavering) words of each pass.

    >>> passes = [Conditions(speed_ns=ns) for ns in (150, 150, 450, 450)]
    >>> find_dependences(passes, [80, 70, 0, 0])[0].chance
    6
    """
    found = []
    for quantity in QUANTITIES:
        by_value: dict[float, list[int]] = {}
        for number, each in enumerate(conditions):
            value = getattr(each, quantity)
            if value is not None:
                by_value.setdefault(float(value), []).append(number)
        if len(by_value) < 2:
            continue
        passes = tuple(tuple(by_value[value]) for value in sorted(by_value))
        groups = tuple(
            (value, tuple(wrong[number] for number in by_value[value])) for value in sorted(by_value)
        )
        counts = [count for _, group in groups for count in group]
        for rises in (True, False):
            ordered = groups if rises else groups[::-1]
            edges = pairwise(group for _, group in ordered)
            if all(max(low) <= min(high) for low, high in edges) and len(set(counts)) > 1:
                found.append(
                    Dependence(quantity, rises, groups, _orders([group for _, group in groups]), passes)
                )
    return tuple(found)


def _orders(groups: Sequence[Sequence[int]]) -> int:
    """One in how many ways to deal the passes out to the groups keeps the order of their errors."""
    counts = [count for group in groups for count in group]
    ways = factorial(len(counts)) // prod(factorial(len(group)) for group in groups)
    for value in set(counts):  # passes with equal errors may change places between groups
        shares = [group.count(value) for group in groups]
        ways //= factorial(sum(shares)) // prod(factorial(share) for share in shares)
    return ways
