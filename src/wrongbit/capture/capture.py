"""A capture: packed samples with their times.

A sample is one row of levels. Every signal (one wire) has a position; position p is bit ``p % 64`` of
plane ``p // 64``. A plane is a ``uint64`` array with one element a sample, so that finding edges on a few
signals in a hundred million samples is a handful of passes over plain memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Mode = Literal["timing", "state"]


@dataclass(frozen=True)
class Layout:
    """Which signal sits at which position of a packed sample.

    Args:
        signals: Signal name = position. Names are canonical: `wrongbit.machine.names.parse_signal`'s
            ``base`` (capitals, no polarity mark), so that ``/RD``, ``nRD`` and ``RD#`` are all ``RD``;
            the bits of a bus are signals too: ``A0``, ``A1``, ….
        buses: Canonical bus name = positions of its bits, bit 0 first. A bus bit that no probe carries
            has position -1 and is never known. Every run of names with a common stem and numbers is a
            bus here, whether or not anybody calls it one.
        headings: Signal name = how the file spells it, where it is a column of its own; for messages only.
        whole: Bus name = the column that has all of it in one number, without a range that says which bit
            is the lowest.
    """

    signals: Mapping[str, int]
    buses: Mapping[str, tuple[int, ...]]
    headings: Mapping[str, str] = field(default_factory=dict, compare=False)
    whole: Mapping[str, str] = field(default_factory=dict, compare=False)

    def bits_of(self, name: str) -> tuple[int, ...]:
        """Positions of a bus, or the single position of a signal.

        Raises:
            KeyError: The capture has neither.
        """
        if name in self.signals:
            return (self.signals[name],)
        return self.buses[name]

    @property
    def plane_count(self) -> int:
        """Number of 64-bit planes that the positions need."""
        highest = max([*self.signals.values(), *(p for bits in self.buses.values() for p in bits)], default=0)
        return highest // 64 + 1


@dataclass(frozen=True)
class Times:
    """When samples were taken, in picoseconds.

    Exactly one of three: a regular clock (``period_ps``), explicit stamps (``stamps_ps``), or neither,
    when the instrument gave no time.

    Args:
        start_ps: Time of the first sample of this chunk (regular clock).
        period_ps: Sampling period, or None.
        stamps_ps: ``int64 (n,)`` non-decreasing, or None.
    """

    start_ps: int = 0
    period_ps: int | None = None
    stamps_ps: NDArray[np.int64] | None = None

    def at(self, index: NDArray[np.int64]) -> NDArray[np.int64] | None:
        """Times of the samples with these indices in this chunk, or None where there is no time."""
        if self.stamps_ps is not None:
            return self.stamps_ps[index]
        if self.period_ps is not None:
            return self.start_ps + index * self.period_ps
        return None


@dataclass(frozen=True)
class Capture:
    """A whole capture, or one chunk of a long one.

    Args:
        layout: Positions of the signals.
        planes: One ``uint64 (n,)`` array for every 64 positions.
        unknown: For each plane ``uint64 (n,)`` with a 1 where the level is not known (``x``, ``z``,
            empty cell), or None where every level is known. An unknown level is 0 in the plane.
        times: When the samples were taken.
        mode: 'timing' (many samples a clock, or a change list) or 'state' (one sample a clock edge).
        first_sample: Number of the first sample in the whole capture, for chunks.
        change_list: Samples are changes at their times (VCD), not ticks of a sampling clock.
        source: File, for messages.
        notes: What the reader wants to tell (for example which columns were not used).
    """

    layout: Layout
    planes: tuple[NDArray[np.uint64], ...]
    unknown: tuple[NDArray[np.uint64] | None, ...]
    times: Times
    mode: Mode = "timing"
    first_sample: int = 0
    change_list: bool = False
    source: str = ""
    notes: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        if not self.planes or len(self.planes) != len(self.unknown):
            raise ValueError("a capture has one plane or more, and one unknown entry for each")
        for plane, unknown in zip(self.planes, self.unknown, strict=True):
            if plane.dtype != np.uint64 or plane.shape != self.planes[0].shape or plane.ndim != 1:
                raise ValueError("planes are uint64 of one length")
            if unknown is not None and (unknown.dtype != np.uint64 or unknown.shape != plane.shape):
                raise ValueError("unknown planes have the type and length of their plane")
        if self.times.stamps_ps is not None and self.times.stamps_ps.shape != self.planes[0].shape:
            raise ValueError("stamps_ps has one entry a sample")

    def __len__(self) -> int:
        return len(self.planes[0])

    def chunks(self, size: int = 1 << 20) -> Iterator[Capture]:
        """The capture in pieces of ``size`` samples; arrays are views, nothing is copied."""
        for start in range(0, len(self), size):
            part = slice(start, start + size)
            stamps = self.times.stamps_ps
            yield replace(
                self,
                planes=tuple(plane[part] for plane in self.planes),
                unknown=tuple(None if unknown is None else unknown[part] for unknown in self.unknown),
                times=Times(
                    self.times.start_ps + start * (self.times.period_ps or 0),
                    self.times.period_ps,
                    None if stamps is None else stamps[part],
                ),
                first_sample=self.first_sample + start,
            )
