"""Does the stand-in's output reach the levels of the input behind it? At a 5 V supply."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from wrongbit.machine.start_up import InputFamily

Status = Literal["checked", "from memory"]


@dataclass(frozen=True)
class Output:
    """What an output guarantees.

    Args:
        name: For people.
        high: Volts, at least.
        low: Volts, at most.
        source: Where the figures come from.
        status: Whether that was looked up.
    """

    name: str
    high: float
    low: float
    source: str
    status: Status


@dataclass(frozen=True)
class Input:
    """What an input wants.

    Args:
        name: For people.
        high: Volts, at least.
        low: Volts, at most.
        current: Milliamperes that flow out of it while it is held low.
        source: Where the figures come from.
        status: Whether that was looked up.
    """

    name: str
    high: float
    low: float
    current: float
    source: str
    status: Status


OUTPUTS: dict[str, Output] = {
    "bipolar": Output("bipolar 555", 2.75, 0.35, "555 data sheet: 100 mA high, 5 mA low", "from memory"),
    "cmos": Output("CMOS 555", 4.1, 0.4, "CMOS 555 data sheet: 1 mA high, 8 mA low", "from memory"),
    "hct": Output("74HCT04", 3.84, 0.33, "HCT family data sheet, 4.5 V, 4 mA", "from memory"),
}

INPUTS: dict[InputFamily, Input] = {
    "ttl": Input("TTL", 2.0, 0.8, 1.6, "74 family data sheets: VIH, VIL, IIL", "checked"),
    "cmos5": Input("5 V CMOS", 3.5, 1.5, 0.001, "HC data sheets: 70 % and 30 % of 5 V", "from memory"),
}

SERIES_RESISTOR = 100.0
"""Ohms between output and machine: holds the current down when something else still drives the line."""


@dataclass(frozen=True)
class Margins:
    """How far an output is inside what an input wants.

    Args:
        output: The output.
        input: The input.
        high: Volts; negative where the high level does not do.
        low: Volts; the series resistor's drop is taken off.
    """

    output: Output
    input: Input
    high: float
    low: float

    @property
    def status(self) -> Status:
        """How well the figures are known: as the less known of the two."""
        both = (self.output.status, self.input.status)
        return "checked" if both == ("checked", "checked") else "from memory"

    @property
    def fits(self) -> bool:
        """Whether both levels do."""
        return min(self.high, self.low) >= 0


def margins(output: Output, family: InputFamily) -> Margins:
    """An output against one input of a family.

    >>> found = margins(OUTPUTS["bipolar"], "ttl")
    >>> round(found.high, 2), round(found.low, 2)
    (0.75, 0.29)
    """
    want = INPUTS[family]
    drop = want.current * 1e-3 * SERIES_RESISTOR
    return Margins(output, want, output.high - want.high, want.low - output.low - drop)
