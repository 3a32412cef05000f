"""What must be right before any bus is looked at: supply rails, clocks, reset and start-up inputs."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from wrongbit.machine.fields import Name
from wrongbit.machine.limits import FrequencyLimits, ShareLimits, TimeLimits, VoltageLimits
from wrongbit.machine.recipe import Names, Strict

InputFamily = Literal["ttl", "cmos5"]
"""Levels that an input wants: TTL (and NMOS, HCT, LS, which take the same), or 5 V CMOS."""


class Rail(Strict):
    """One ``[[rail]]``: a supply voltage."""

    name: Name = Field(description="Name, such as 'VCC'.")
    voltage: VoltageLimits = Field(description="What it should be and its limits, such as '5 V ± 5 %'.")
    ripple: VoltageLimits | None = Field(
        default=None, description="Ripple from peak to peak, such as 'at most 50 mV'."
    )
    test_point: str = Field(default="", description="Where to measure it, such as 'U1 pin 40'.")


class Clock(Strict):
    """One ``[[clock]]``: a clock that must run."""

    name: Name = Field(description="Name, such as 'PHI2'.")
    signal: str = Field(default="", description="Signal that carries it in a capture; left out: its name.")
    frequency: FrequencyLimits = Field(description="Frequency with limits, such as '1 MHz ± 1 %'.")
    duty: ShareLimits | None = Field(
        default=None, description="Share of the period that it is high, such as '40 % .. 60 %'."
    )
    jitter: TimeLimits | None = Field(
        default=None, description="Jitter of the period from peak to peak, such as 'at most 5 ns'."
    )
    low_level: VoltageLimits | None = Field(
        default=None, description="Voltage while low, such as 'at most 0.4 V'."
    )
    high_level: VoltageLimits | None = Field(
        default=None, description="Voltage while high, such as 'at least 4.3 V'."
    )
    test_point: str = Field(default="", description="Where to measure it, such as 'U1 pin 37'.")


class StartInput(Strict):
    """One ``[[input]]``: a reset, or another signal without which the machine does not start."""

    name: Name = Field(description="Name, such as '/RESET'.")
    signal: str = Field(default="", description="Signal that carries it in a capture; left out: its name.")
    kind: Literal["reset", "start"] = Field(
        default="start",
        description="'reset' ends and stays ended; 'start' is anything else that is waited for.",
    )
    active: Literal["low", "high"] = Field(default="low", description="Its active level.")
    period: TimeLimits | None = Field(
        default=None,
        description="Time from pulse to pulse, such as '10 ms ± 10 %'; left out: no pulse train.",
    )
    low: TimeLimits | None = Field(
        default=None, description="How long it is low, such as '50 us ± 20 %' or 'at least 100 ms'."
    )
    high: TimeLimits | None = Field(default=None, description="How long it is high.")
    family: InputFamily = Field(
        default="ttl", description="Levels that the input behind it wants: 'ttl' (NMOS, LS, HCT) or 'cmos5'."
    )
    low_level: VoltageLimits | None = Field(
        default=None, description="Voltage while low, such as 'at most 0.8 V'; left out: by family."
    )
    high_level: VoltageLimits | None = Field(
        default=None, description="Voltage while high, such as 'at least 2 V'; left out: by family."
    )
    test_point: str = Field(default="", description="Where to measure it, such as 'J3 pin 4'.")
    comes_from: str = Field(default="", description="What makes it, for people, such as 'mains monitor'.")
    waits: Names = Field(default=(), description="What waits for it: parts, or a routine of the program.")
