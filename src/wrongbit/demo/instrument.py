"""A logic analyser with its habits: it turns waveforms into samples.

In timing mode it samples at its own clock, which has nothing to do with the machine's; every channel is
sampled a little later than it should be, each by another delay of less than one sample; a bus that has just
changed may show a wrong level in the first sample after it. In state mode it takes one sample at each edge
of a clock line of the machine. Its memory ends; its trigger sits somewhere in it, so that times before the
trigger are negative.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from wrongbit.demo.waveform import Line, Times, Unrest, Waveforms, Words
from wrongbit.units import format_time

_SETUP_PS = 5_000
"""State mode looks at the levels so long before the clock edge."""


@dataclass(frozen=True)
class Instrument:
    """Settings and habits.

    Args:
        period_ps: Sampling period in timing mode; None: the machine's usual one.
        depth: Samples that its memory holds; None: enough for the whole run.
        start_cycle: Bus cycle with which the capture begins, counted from reset.
        skew: Largest delay of a channel, in samples, at most 1.
        glitches: Share of the changes of a bus after which one wire shows a wrong level in one sample.
        trigger: Where the trigger sits, as a share of the samples.
        unrest: What the lines do where nothing looks at them.

    Raises:
        ValueError: A setting is out of range.
    """

    period_ps: int | None = None
    depth: int | None = None
    start_cycle: int = 0
    skew: float = 0.9
    glitches: float = 0.03
    trigger: float = 0.1
    unrest: Unrest = field(default_factory=Unrest)

    def __post_init__(self) -> None:
        if self.period_ps is not None and self.period_ps <= 0:
            raise ValueError(f"the sampling period is {format_time(self.period_ps)}, more than 0 expected")
        if self.depth is not None and self.depth < 1:
            raise ValueError(f"the depth is {self.depth}, at least 1 sample expected")
        if self.start_cycle < 0:
            raise ValueError(f"the capture starts at cycle {self.start_cycle}, at least 0 expected")
        shares = (self.skew, self.glitches, self.trigger, self.unrest.wandering, self.unrest.drift)
        if not all(0 <= share <= 1 for share in shares):
            raise ValueError("skew, glitches, trigger, wandering and drift are shares from 0 to 1")


@dataclass(frozen=True)
class Channel:
    """One wire that a probe is clipped to.

    Args:
        line: Name of the line, as in `Waveforms.lines`.
        bit: Which wire of it.
    """

    line: str
    bit: int


@dataclass(frozen=True)
class Recording:
    """What the instrument kept.

    Args:
        channels: Channel i is bit i of each sample.
        samples: ``uint64 (n,)``.
        period_ps: Sampling period, or None in state mode.
        first: Number of the first sample, counted from the trigger.
        at_ps: ``int64 (n,)`` when each sample was taken, from the first cycle's beginning; the instrument
            does not write this.
    """

    channels: tuple[Channel, ...]
    samples: Words
    period_ps: int | None
    first: int
    at_ps: Times

    def __len__(self) -> int:
        return len(self.samples)

    def of(self, line: str) -> Words:
        """``uint64 (n,)`` the samples of one line, its bit 0 in bit 0."""
        result = np.zeros(len(self), np.uint64)
        for position, channel in enumerate(self.channels):
            if channel.line == line:
                result |= (self.samples >> np.uint64(position) & np.uint64(1)) << np.uint64(channel.bit)
        return result

    @property
    def trigger_ps(self) -> NDArray[np.int64]:
        """``int64 (n,)`` times as the instrument shows them, 0 at the trigger (timing mode only)."""
        if self.period_ps is None:
            raise ValueError("state mode has no times")
        return (np.arange(len(self), dtype=np.int64) + self.first) * self.period_ps


def record_timing(
    waveforms: Waveforms,
    lines: Sequence[str],
    instrument: Instrument,
    period_ps: int,
    rng: np.random.Generator,
) -> Recording:
    """Sample these lines at the instrument's own clock.

    Args:
        waveforms: What happens at the pins.
        lines: The lines that probes are clipped to.
        instrument: Its habits.
        period_ps: Sampling period.
        rng: Source of phase, delays and wrong levels.
    """
    start = waveforms.begin_ps - int(rng.integers(1, 4 * period_ps))
    whole = (waveforms.end_ps - start) // period_ps
    count = whole if instrument.depth is None else min(whole, instrument.depth)
    channels = channels_of(waveforms, lines)
    delay = (rng.random(len(channels)) * instrument.skew * period_ps).astype(np.int64)
    samples = np.zeros(count, np.uint64)
    for position, channel in enumerate(channels):
        first_ps = start + int(delay[position])
        wire = _sampled_wire(waveforms.lines[channel.line], channel.bit, first_ps, period_ps, count)
        samples |= wire << np.uint64(position)
    for name in waveforms.buses:
        places = [position for position, channel in enumerate(channels) if channel.line == name]
        if places:
            _disturb(samples, waveforms.lines[name], places, start, period_ps, instrument.glitches, rng)
    at = start + np.arange(count, dtype=np.int64) * period_ps
    return Recording(channels, samples, period_ps, -int(count * instrument.trigger), at)


def record_state(waveforms: Waveforms, lines: Sequence[str], instrument: Instrument) -> Recording:
    """Take one sample of these lines at each clock edge of the machine."""
    clock = waveforms.lines[waveforms.clock]
    edges = clock.at_ps[1:][clock.level[1:] == waveforms.clock_level]
    edges = edges[(edges > waveforms.begin_ps) & (edges <= waveforms.end_ps)]
    if instrument.depth is not None:
        edges = edges[: instrument.depth]
    channels = channels_of(waveforms, lines)
    samples = np.zeros(len(edges), np.uint64)
    for position, channel in enumerate(channels):
        line = waveforms.lines[channel.line]
        level = line.level[np.searchsorted(line.at_ps, edges - _SETUP_PS, "right") - 1]
        samples |= (level >> np.uint64(channel.bit) & np.uint64(1)) << np.uint64(position)
    return Recording(channels, samples, None, -int(len(edges) * instrument.trigger), edges)


def channels_of(waveforms: Waveforms, lines: Sequence[str]) -> tuple[Channel, ...]:
    """A channel for every wire of these lines, bit 0 of a bus first."""
    return tuple(Channel(name, bit) for name in lines for bit in range(waveforms.lines[name].width))


def _sampled_wire(line: Line, bit: int, first_ps: int, period_ps: int, count: int) -> Words:
    """Levels (0 or 1) of one wire at ``first_ps`` and every period after it."""
    level = line.level >> np.uint64(bit) & np.uint64(1)
    changes = np.flatnonzero(level[1:] != level[:-1]) + 1
    index = -((first_ps - line.at_ps[changes]) // period_ps)  # the first sample at or after the change
    index = np.maximum(index, 0)
    toggles = np.bincount(index[index < count], minlength=count)
    wire: Words = (np.cumsum(toggles) & 1).astype(np.uint64) ^ level[0]
    return wire


def _disturb(
    samples: Words,
    bus: Line,
    places: Sequence[int],
    start_ps: int,
    period_ps: int,
    share: float,
    rng: np.random.Generator,
) -> None:
    """Turn one wire of the bus over in the first whole sample after some of its changes."""
    changed = bus.at_ps[1:][rng.random(len(bus.at_ps) - 1) < share]
    index = -((start_ps - changed) // period_ps)
    index = np.unique(index[(index >= 0) & (index < len(samples))])
    wires = np.array(places, np.uint64)[rng.integers(0, len(places), len(index))]
    samples[index] ^= np.uint64(1) << wires
