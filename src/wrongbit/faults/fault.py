"""What a fault is: a place on the way from address to word, what it does there, and a sentence.

A read goes a fixed way: bank and address on the bus, the choice of chips, a chip's own address lines, its
cells, its outputs, the data lines back to the processor. A fault acts at one stage of it, so two faults
compose by letting each act at its own stage (`wrongbit.faults.predict`).

Levels that the model leaves open have two forms: ``soft`` bits are 0 or 1 with probability ½ each, ``drift``
bits float on a line that was 0: they read 1 with a probability that is tried over `DRIFTS`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.faults.rows import Words

BUS = "bus"
"""`Fault.part` of a fault on lines that all chips share."""


class Point(NamedTuple):
    """A rate or drift to try, standing for the interval ``value`` ± ``reach``.

    Args:
        value: From 0 to 1.
        belief: How much of the belief the interval has.
        reach: Half its width; 0 for a single value.
    """

    value: float
    belief: float
    reach: float = 0.0


Rates = tuple[Point, ...]


def anywhere(*certain: tuple[float, float]) -> Rates:
    """Certain values with their beliefs; the rest of the belief evenly over all values from 0 to 1."""
    points = [Point(value, belief) for value, belief in certain]
    rest = 1 - sum(point.belief for point in points)
    return (*points, *(Point((2 * step + 1) / 20, rest / 10, 1 / 20) for step in range(10)))


ALWAYS: Rates = (Point(1.0, 1.0),)
"""Rates of a fault that acts in every read."""

LOOSE: Rates = anywhere((1.0, 0.8))
"""Rates of a fault that may come and go, such as a contact. The beliefs are a choice, no source."""

DRIFTS: Rates = anywhere((0.0, 0.4), (1.0, 0.1))
"""How often a floating line that held 0 has drifted to 1. The beliefs are a choice, no source.

Circuit reasoning, no published text: 100 pF and 10 µA of leakage take 10 µs for a volt, which is longer than
a bus cycle, while the 0.4 mA of a TTL input take 250 ns.
"""


@dataclass(frozen=True)
class Fault:
    """One thing that may be wrong, with its place and parameters.

    Args:
        part: The chip's reference designator, or ``"bus"``.
        rate: Share of reads in which it acts.
        drift: Probability that a floating line which held 0 reads 1.
    """

    part: str
    rate: float = field(default=1.0, kw_only=True)
    drift: float = field(default=0.0, kw_only=True)

    @property
    def model(self) -> str:
        """Name of its family in the table of models."""
        raise NotImplementedError

    @property
    def rates(self) -> Rates:
        """Rates to try."""
        return ALWAYS

    @property
    def shares(self) -> tuple[Rates, ...]:
        """Everything about how often that is summed over: the rate, and what a fault adds to it."""
        return (self.rates,)

    def fitted(self, *values: float) -> Fault:
        """The fault with these values of its `shares`."""
        return replace(self, rate=values[0])

    @property
    def values(self) -> tuple[float, ...]:
        """The values of its `shares` that it has."""
        return (self.rate,)

    def bare(self) -> Fault:
        """The fault without anything that was fitted to observations."""
        return replace(self, rate=1.0, drift=0.0)

    def shapes(self) -> tuple[Fault | None, ...]:
        """What may hold in any one read, None standing for "as it should be"."""
        return (self,) if self.rates is ALWAYS else (self, None)

    def weights(self, *values: Any) -> tuple[Any, ...]:
        """Probability of each of the `shapes` in any one read, for values (or arrays) of its `shares`."""
        return (1.0,) if self.rates is ALWAYS else (values[0], 1.0 - values[0])

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        raise NotImplementedError

    def parameters(self) -> dict[str, Any]:
        """Place and parameters by name, for JSON and for comparison."""
        return {item.name: getattr(self, item.name) for item in fields(self) if item.compare}

    def often(self) -> str:
        """The rate as the end of a sentence, empty for a fault that is always there."""
        return "" if self.rate >= 1 else f", in {percent(self.rate)} of the reads"


def percent(share: float) -> str:
    """A share as people say it.

    >>> percent(0.3), percent(0.001), percent(0.9999)
    ('about 30%', 'less than 1%', 'more than 99%')
    """
    if share < 0.01:
        return "less than 1%"
    return "more than 99%" if share > 0.99 else f"about {share:.0%}"


class AddressStage(Fault):
    """Acts on the bank and address that all chips see."""

    def move(self, bank: NDArray[np.int32], address: Words) -> tuple[NDArray[np.int32], Words]:
        """Bank and address behind the fault."""
        raise NotImplementedError


class SelectionStage(Fault):
    """Acts on the choice of chips that answer."""

    @property
    def high_wins(self) -> bool:
        """Two outputs that drive against each other give a wired OR instead of a wired AND."""
        return False

    @property
    def chips(self) -> tuple[str, ...]:
        """Names of the chips whose choice it changes."""
        raise NotImplementedError

    def concerns(self, selected: Mapping[str, NDArray[np.bool_]]) -> NDArray[np.bool_]:
        """True in rows whose choice of chips the fault may change."""
        raise NotImplementedError

    def choose(self, selected: dict[str, NDArray[np.bool_]]) -> dict[str, NDArray[np.bool_]]:
        """For each chip the rows in which it answers, given those in which it should."""
        raise NotImplementedError


class ChipAddressStage(Fault):
    """Acts on the address lines of one chip."""

    def move_lines(self, lines: Words) -> Words:
        """Levels on the chip's address lines behind the fault."""
        raise NotImplementedError


class CellStage(Fault):
    """Acts on what the cells of one chip hold."""

    def spoil(
        self, memory_map: MemoryMap, chip: ChipMap, cell: Words, value: Words, soft: Words
    ) -> tuple[Words, Words]:
        """What the cells give."""
        raise NotImplementedError


class OutputStage(Fault):
    """Acts on the outputs of one chip."""

    def drive(self, value: Words, soft: Words, held: Words) -> tuple[Words, Words, Words]:
        """Outputs behind the fault as (value, soft, floating); floating ones are replaced by what is held."""
        raise NotImplementedError


class BusStage(Fault):
    """Acts on the data lines that all chips share."""

    def receive(self, value: Words, soft: Words) -> tuple[Words, Words, Words]:
        """Data lines behind the fault as (value, soft, floating)."""
        raise NotImplementedError
