"""Faults of wires: outputs, data lines, address lines, bank lines; stuck, open, bridged, swapped.

One algebra (`wrongbit.faults.lines`) at five places. Van de Goor's classes of address decoder faults (from
memory, not checked: "Testing Semiconductor Memories", 1991, ch. 2) are seen here from outside the chip: a
stuck or bridged address line makes one cell answer to several addresses (AF4) and leaves others that answer
to none (AF2).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from wrongbit.faults.fault import (
    LOOSE,
    AddressStage,
    BusStage,
    ChipAddressStage,
    Fault,
    OutputStage,
    Rates,
    anywhere,
    percent,
)
from wrongbit.faults.lines import What, levels, wire
from wrongbit.faults.rows import Words

LEVELS: Rates = anywhere((0.0, 0.05), (1.0, 0.15))
"""How often an open address input is high: it floats. The beliefs are a choice, no source; TTL inputs source
current, so that always high is likelier than always low."""

_KINDS: dict[What, str] = {
    "stuck at 0": "stuck",
    "stuck at 1": "stuck",
    "open": "open",
    "low wins": "bridged",
    "high wins": "bridged",
    "follows": "bridged",
    "swapped": "swapped",
}


@dataclass(frozen=True)
class WireFault(Fault):
    """Something on one or two lines.

    Args:
        what: What it is.
        first: The line (or an array of lines, one for each row of a prediction).
        second: The other line of a bridge or swap, else -1.
        names: What people call the lines, line 0 first.
    """

    PLACE: ClassVar[str] = ""
    WHERE: ClassVar[str] = ""

    what: What
    first: Any
    second: Any = -1
    names: tuple[str, ...] = field(default=(), compare=False, repr=False)

    @property
    def model(self) -> str:
        """Name of its family in the table of models."""
        plural = "s" if _KINDS[self.what] in ("bridged", "swapped") else ""
        return f"{self.PLACE}{plural} {_KINDS[self.what]}"

    @property
    def rates(self) -> Rates:
        """Rates to try: a contact may come and go."""
        return LOOSE

    def name(self, line: int) -> str:
        """What people call a line."""
        return self.names[line] if line < len(self.names) else f"line {line}"

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        place = self.PLACE.removeprefix("chip ")
        place = place[0].upper() + place[1:]
        where = self.WHERE.format(self.part)
        one, two = self.name(self.first), self.name(max(self.second, 0))
        match self.what:
            case "stuck at 0" | "stuck at 1":
                text = f"{place} {one}{where} is {self.what}"
            case "open":
                text = f"{place} {one}{where} is open: {self._floats()}"
            case "follows":
                text = f"{place} {one}{where} is bridged to {two}, which is stronger and wins"
            case "swapped":
                text = f"{place}s {one} and {two}{where} are swapped"
            case _:
                level = "low" if self.what == "low wins" else "high"
                text = f"{place}s {one} and {two}{where} are bridged; a {level} level wins"
        return f"{text}{self.often()}."

    def _floats(self) -> str:
        if self.drift >= 1:
            return "it reads 1"
        drifted = f", or drifts to 1 ({percent(self.drift)})" if self.drift else ""
        return f"it reads what was left on the line{drifted}"

    def _behind(self, lines: Words) -> Words:
        return levels(self.what, self.first, np.maximum(self.second, 0), lines)

    def _data(self, value: Words, soft: Words) -> tuple[Words, Words, Words]:
        if self.what == "open":
            mask = np.uint64(1 << self.first)
            return value & ~mask, soft & ~mask, np.full_like(value, mask)
        value, soft = wire(self.what, self.first, np.maximum(self.second, 0), value, soft)
        return value, soft, np.zeros_like(value)


@dataclass(frozen=True)
class OutputFault(WireFault, OutputStage):
    """At the outputs of one chip."""

    PLACE = "output"
    WHERE = " of {}"

    def drive(self, value: Words, soft: Words, held: Words) -> tuple[Words, Words, Words]:
        """Outputs behind the fault as (value, soft, floating)."""
        return self._data(value, soft)


@dataclass(frozen=True)
class DataLineFault(WireFault, BusStage):
    """On the data lines that all chips share."""

    PLACE = "data line"
    WHERE = " of the bus"

    def receive(self, value: Words, soft: Words) -> tuple[Words, Words, Words]:
        """Data lines behind the fault as (value, soft, floating)."""
        return self._data(value, soft)


@dataclass(frozen=True)
class _Addressing(WireFault):
    """Lines that carry an address: an open one has a level of its own in every read."""

    @property
    def rates(self) -> Rates:
        """Rates to try; of an open line how often it is high."""
        return LEVELS if self.what == "open" else LOOSE

    def shapes(self) -> tuple[Fault | None, ...]:
        """What may hold in any one read."""
        if self.what == "open":
            return replace(self, what="stuck at 1"), replace(self, what="stuck at 0")
        return self, None

    def often(self) -> str:
        """The rate as the end of a sentence."""
        return "" if self.what == "open" else super().often()

    def _floats(self) -> str:
        return f"its level drifts, high in {percent(self.rate)} of the reads"


@dataclass(frozen=True)
class ChipAddressFault(_Addressing, ChipAddressStage):
    """On the address lines of one chip."""

    PLACE = "chip address line"
    WHERE = " at {}"

    def move_lines(self, lines: Words) -> Words:
        """Levels on the chip's address lines behind the fault."""
        return self._behind(lines)


@dataclass(frozen=True)
class AddressFault(_Addressing, AddressStage):
    """On the address lines that all chips share."""

    PLACE = "address line"
    WHERE = " of the bus"

    def move(self, bank: NDArray[np.int32], address: Words) -> tuple[NDArray[np.int32], Words]:
        """Bank and address behind the fault."""
        return bank, self._behind(address)


@dataclass(frozen=True)
class BankFault(_Addressing, AddressStage):
    """On the lines that choose the bank."""

    PLACE = "bank line"

    def move(self, bank: NDArray[np.int32], address: Words) -> tuple[NDArray[np.int32], Words]:
        """Bank and address behind the fault; an unknown bank (-1) stays unknown."""
        moved = self._behind(np.maximum(bank, 0).astype(np.uint64))
        return np.where(bank < 0, bank, moved.astype(np.int32)), address
