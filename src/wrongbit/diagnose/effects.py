"""What a fault looks like from a probe point: a fault of the faults room, and the chips that it touches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wrongbit.faults.fault import ALWAYS, LOOSE, BusStage, Fault, Rates, SelectionStage, anywhere
from wrongbit.faults.lines import What
from wrongbit.faults.models.wires import LEVELS, AddressFault, BankFault, ChipAddressFault
from wrongbit.faults.rows import Words

SOMETIMES: Rates = anywhere()
"""Rates of what comes and goes."""


@dataclass(frozen=True)
class LinesFloat(BusStage):
    """Nobody drives some data lines: a buffer is off or dead, or a chip is never enabled.

    Args:
        mask: The word bits.
    """

    mask: int

    @property
    def model(self) -> str:
        """Name of its family."""
        return "lines float"

    @property
    def rates(self) -> Rates:
        """Rates to try: an enable may come and go."""
        return LOOSE

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        return f"The data lines float: they keep what was on them{self.often()}."

    def receive(self, value: Words, soft: Words) -> tuple[Words, Words, Words]:
        """Data lines behind the fault as (value, soft, floating)."""
        mask = np.uint64(self.mask)
        return value & ~mask, soft & ~mask, np.full_like(value, mask)


@dataclass(frozen=True)
class AlwaysOn(SelectionStage):
    """A chip (``part``) answers at every address, as well as the one that should; a low level wins.

    Args:
        others: All chips that do, with ``part`` first.
    """

    others: tuple[str, ...]

    @property
    def model(self) -> str:
        """Name of its family."""
        return "always selected"

    @property
    def chips(self) -> tuple[str, ...]:
        """Names of the chips whose choice it changes."""
        return self.others

    @property
    def rates(self) -> Rates:
        """Rates to try: an enable may come and go."""
        return LOOSE

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        return f"{' and '.join(self.others)} answer at every address{self.often()}."

    def concerns(self, selected: dict[str, NDArray[np.bool_]]) -> NDArray[np.bool_]:  # type: ignore[override]
        """Rows in which it should not answer."""
        return np.asarray(~np.logical_and.reduce([selected[name] for name in self.others]))

    def choose(self, selected: dict[str, NDArray[np.bool_]]) -> dict[str, NDArray[np.bool_]]:
        """For each chip the rows in which it answers."""
        return selected | {name: np.ones_like(selected[name]) for name in self.others}


@dataclass(frozen=True)
class _Loose(Fault):
    """An address or bank line that is open now and then, and either level then, with probability ½ each."""

    @property
    def rates(self) -> Rates:
        """Rates to try."""
        return SOMETIMES

    def shapes(self) -> tuple[Fault | None, ...]:
        """What may hold in any one read."""
        return (*(replace(self, what=what) for what in ("stuck at 0", "stuck at 1")), None)  # type: ignore[call-arg]

    def weights(self, rate: float) -> tuple[float, ...]:
        """Probability of each of the `shapes` in any one read."""
        return rate / 2, rate / 2, 1.0 - rate


@dataclass(frozen=True)
class LooseAddress(_Loose, AddressFault):
    """An address line that is open now and then."""


@dataclass(frozen=True)
class LooseBank(_Loose, BankFault):
    """A bank line that is open now and then."""


# Ways in which one and the same fault of an address line shows in all captures -------------------------


class _Steady:
    """It is the same in every read."""

    @property
    def rates(self) -> Rates:
        """Rates to try."""
        return ALWAYS

    def shapes(self) -> tuple[Fault | None, ...]:
        """What may hold in any one read."""
        return (self,)  # type: ignore[return-value]

    def weights(self, *values: float) -> tuple[float, ...]:
        """Probability of each of the `shapes` in any one read."""
        return (1.0,)


class _AtTimes:
    """It comes and goes."""

    @property
    def rates(self) -> Rates:
        """Rates to try."""
        return SOMETIMES


@dataclass(frozen=True)
class SteadyAddress(_Steady, AddressFault):
    """Something on an address line that is there in every read."""


@dataclass(frozen=True)
class SteadyBank(_Steady, BankFault):
    """Something on a bank line that is there in every read."""


@dataclass(frozen=True)
class SteadyChipAddress(_Steady, ChipAddressFault):
    """Something on an address line of a chip that is there in every read."""


@dataclass(frozen=True)
class VaryingAddress(_AtTimes, AddressFault):
    """A short of an address line that comes and goes, or an open one whose level wanders."""


@dataclass(frozen=True)
class VaryingBank(_AtTimes, BankFault):
    """A short of a bank line that comes and goes, or an open one whose level wanders."""


@dataclass(frozen=True)
class VaryingChipAddress(_AtTimes, ChipAddressFault):
    """An open address line of a chip whose level wanders."""


Addressing = AddressFault | BankFault | ChipAddressFault
Way = Literal["steady", "at times", "low", "high", "wanders"]

WAYS_OF_A_SHORT: tuple[tuple[Way, float], ...] = (
    ("steady", LOOSE[0].belief),
    ("at times", 1 - LOOSE[0].belief),
)
"""Ways of a short with the belief in each, as in `wrongbit.faults`: a rate of 1, or any other."""

WAYS_OF_AN_OPEN_LINE: tuple[tuple[Way, float], ...] = (
    ("low", LEVELS[0].belief),
    ("high", LEVELS[1].belief),
    ("wanders", 1 - LEVELS[0].belief - LEVELS[1].belief),
)
"""Ways of an open input with the belief in each, as in `wrongbit.faults`."""


def in_this_way(fault: Fault, way: Way) -> Fault:
    """A fault of an address or bank line as it is in one of its ways."""
    assert isinstance(fault, Addressing)
    what: What = {"low": "stuck at 0", "high": "stuck at 1"}.get(way, fault.what)  # type: ignore[assignment]
    varies = way in ("at times", "wanders")
    kinds: dict[type[Fault], tuple[type[Addressing], type[Addressing]]] = {
        AddressFault: (SteadyAddress, VaryingAddress),
        BankFault: (SteadyBank, VaryingBank),
        ChipAddressFault: (SteadyChipAddress, VaryingChipAddress),
    }
    return kinds[type(fault)][varies](fault.part, what, fault.first, fault.second, fault.names)


def wanders(faults: Sequence[Fault]) -> bool:
    """It is one open input, whose level wanders."""
    varying = VaryingAddress | VaryingBank | VaryingChipAddress
    return len(faults) == 1 and isinstance(faults[0], varying) and faults[0].what == "open"


@dataclass(frozen=True)
class Shown:
    """A fault that shows in the address columns themselves, while every word fits the address shown.

    Args:
        what: ``stuck at 0``, ``stuck at 1``, ``low wins`` or ``high wins``.
        line: Address line.
        other: The other line of a bridge, else -1.
    """

    what: str
    line: int
    other: int = -1


@dataclass(frozen=True)
class Effect:
    """What a probe point sees.

    Args:
        fault: What the words show, None for nothing.
        chips: Chips whose reads are concerned; empty with ``fault`` None.
        shown: What the address columns show.
    """

    fault: Fault | None = None
    chips: frozenset[str] = frozenset()
    shown: Shown | None = None

    @property
    def words_wrong(self) -> bool:
        """Some word may differ from what it should be."""
        return self.fault is not None


NOTHING = Effect()
"""All that is seen is as it should be."""
