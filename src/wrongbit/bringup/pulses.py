"""Periods and widths of one signal of a capture, in one pass over its chunks and in constant memory.

Every interval between edges is counted in a bin of a logarithmic scale. A bin keeps the number, the extremes
and the sums of its intervals, so that means and deviations are as exact as from the whole list, whatever the
length of the capture; only the borders between usual, missing and short pulses are as coarse as a bin.

What is usual is the median. A period of more than one and a half usual ones has pulses missing. A pulse of
less than a quarter of the usual width of its level is short: a glitch, or a runt that hardly reached the
threshold. (Half the width would not do: a glitch in the middle of a pulse leaves two halves.) These borders
are a choice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.edges import changes
from wrongbit.capture.capture import Capture
from wrongbit.errors import CaptureError

Edge = Literal["rising", "falling"]
Times = NDArray[np.int64]

SHORT = 0.25
"""A narrower pulse than this share of its level's usual width is left out and counted as short."""

BRIEF, LONG = 0.5, 1.5
"""Borders of usual periods, as shares of the median."""

FEWEST = 4
"""Intervals of a level from which on a median says what is usual."""

_STEP = math.log1p(1 / 512)
_BINS = math.ceil(math.log(2.0**63) / _STEP) + 1
_LONGEST_CLUSTER = 4096


@dataclass(frozen=True)
class Spread:
    """Statistics of intervals, in picoseconds.

    Args:
        count: How many there were.
        mean: Their mean.
        least: The shortest.
        most: The longest.
        rms: Standard deviation of the whole population: for periods, the r.m.s. period jitter.
    """

    count: int
    mean: float
    least: int
    most: int
    rms: float

    @property
    def peak_to_peak(self) -> int:
        """Longest less shortest: for periods, the peak-to-peak period jitter."""
        return self.most - self.least


@dataclass(frozen=True)
class Events:
    """Something that should not happen, with how often and when first.

    Args:
        count: How often.
        first_ps: Time of the first, in the capture's own time; None where there was none.
    """

    count: int = 0
    first_ps: int | None = None


@dataclass(frozen=True)
class PulseTrain:
    """What one signal did in a capture. Times in picoseconds.

    Args:
        samples: Samples in the capture.
        begin_ps: Time of the first sample.
        end_ps: Time of the last.
        resolution_ps: Sampling period, by which each interval may be off; 0 for a list of changes.
        unknown: Samples whose level was not known; the level before was taken.
        edges: Changes of level, short pulses left out.
        first_level: First known level; None where none is known.
        last_level: Last known level.
        before_first_ps: From the beginning to the first edge: the first level lasted at least so long.
        low: Complete low pulses, but for those that a missing high pulse has joined.
        high: Complete high pulses likewise.
        period: From leading edge to leading edge, those of usual length.
        missing: Pulses that periods of unusual length lack.
        extra: Periods of less than half the usual length.
        short: Pulses of less than a quarter of the usual width of their level, left out of all the others.
        silent_ps: From the last leading edge to the end, where that is more than one and a half periods.
    """

    samples: int
    begin_ps: int
    end_ps: int
    resolution_ps: int
    unknown: int
    edges: int
    first_level: int | None
    last_level: int | None
    before_first_ps: int
    low: Spread | None
    high: Spread | None
    period: Spread | None
    missing: Events
    extra: Events
    short: Events
    silent_ps: int

    @property
    def duty(self) -> float | None:
        """Share of the period that the signal is high, from the mean widths."""
        if self.low is None or self.high is None:
            return None
        return self.high.mean / (self.high.mean + self.low.mean)

    @property
    def frequency(self) -> float | None:
        """Hertz, from the mean period."""
        return None if self.period is None or not self.period.mean else 1e12 / self.period.mean


class _Spans:
    """Intervals counted on a logarithmic scale; memory does not grow with their number."""

    def __init__(self) -> None:
        self.count = np.zeros(_BINS, np.int64)
        self.origin = np.zeros(_BINS, np.int64)
        self.sum = np.zeros(_BINS)
        self.square = np.zeros(_BINS)
        self.least = np.full(_BINS, np.iinfo(np.int64).max)
        self.most = np.full(_BINS, -1)
        self.first = np.full(_BINS, np.iinfo(np.int64).max)

    def add(self, spans: Times, begins: Times) -> None:
        """Count intervals, both ``int64 (n,)``: how long, and when each began."""
        if not len(spans):
            return
        bins = (np.log(np.maximum(spans, 1)) / _STEP).astype(np.int64)
        fresh = self.count[bins] == 0
        self.origin[bins[fresh]] = spans[fresh]
        # Sums are of the small distances within a bin, so that no digits are lost.
        off = (spans - self.origin[bins]).astype(np.float64)
        np.add.at(self.count, bins, 1)
        np.add.at(self.sum, bins, off)
        np.add.at(self.square, bins, off * off)
        np.minimum.at(self.least, bins, spans)
        np.maximum.at(self.most, bins, spans)
        np.minimum.at(self.first, bins, begins)

    def total(self) -> int:
        return int(self.count.sum())

    def means(self) -> NDArray[np.float64]:
        """Mean of each bin; nan where it is empty."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.count > 0, self.origin + self.sum / self.count, np.nan)

    def usual(self) -> float | None:
        """The median, to within a bin; None with no interval."""
        total = self.total()
        if not total:
            return None
        middle = int(np.searchsorted(np.cumsum(self.count), (total + 1) // 2))
        return float(self.means()[middle])

    def spread(self, low: float, high: float) -> Spread | None:
        """Statistics of the intervals in bins whose mean lies in a range."""
        means = self.means()
        chosen = np.flatnonzero((means >= low) & (means <= high))
        number = int(self.count[chosen].sum())
        if not number:
            return None
        count, base = self.count[chosen], self.origin[chosen[0]]
        shift = (self.origin[chosen] - base).astype(np.float64)
        mean = float((count * shift + self.sum[chosen]).sum() / number)
        away = shift - mean
        variance = (self.square[chosen] + 2 * away * self.sum[chosen] + count * away * away).sum() / number
        return Spread(
            number,
            float(base) + mean,
            int(self.least[chosen].min()),
            int(self.most[chosen].max()),
            math.sqrt(max(float(variance), 0.0)),
        )

    def first_among(self, chosen: NDArray[np.bool_]) -> int | None:
        return int(self.first[chosen].min()) if chosen.any() else None


class PulseMeter:
    """Takes the chunks of a capture in order and measures one signal.

    Args:
        position: Position of the signal, see `wrongbit.capture.capture.Layout`.
        leading: Edge from which a period counts.
        shortest: Widths in picoseconds below which a low and a high pulse is left out as short.
    """

    def __init__(
        self, position: int, *, leading: Edge = "rising", shortest: tuple[float, float] = (0.0, 0.0)
    ) -> None:
        self.plane, self.bit = divmod(position, 64)
        self.leading = 1 if leading == "rising" else 0
        self.shortest = np.array(shortest)
        self.widths = (_Spans(), _Spans())
        self.periods = _Spans()
        self.samples = self.unknown = self.edges = self.shorts = 0
        self.begin = self.end = self.resolution = 0
        self.first_level: int | None = None
        self.level: int | None = None
        self.first_edge: int | None = None
        self.first_short: int | None = None
        self.last_leading: int | None = None
        self._open = np.empty(0, np.int64), np.empty(0, np.int64)
        self._last: tuple[int, int] | None = None

    def feed(self, chunk: Capture) -> None:
        """Measure one chunk.

        Raises:
            CaptureError: The capture has no time.
        """
        if not len(chunk):
            return
        ends = chunk.times.at(np.array([0, len(chunk) - 1]))
        if ends is None:
            raise CaptureError(
                "The capture has no time, so that nothing can be measured in it.",
                "Export it with a time column, or give the probe point a period.",
                file=chunk.source or None,
            )
        if not self.samples:
            self.begin = int(ends[0])
            self.resolution = 0 if chunk.change_list else chunk.times.period_ps or 0
        self.end = int(ends[1])
        self.samples += len(chunk)
        index, level = self._edges_of(chunk)
        moments = chunk.times.at(index)
        assert moments is not None
        self._take(moments, level)

    def _edges_of(self, chunk: Capture) -> tuple[Times, Times]:
        """Index of the first sample after each edge, and the level that begins there."""
        plane, doubt = chunk.planes[self.plane], chunk.unknown[self.plane]
        bit = np.uint64(self.bit)
        if doubt is not None:
            plane, known = self._filled(plane, doubt)
            if not known:
                return np.empty(0, np.int64), np.empty(0, np.int64)
        index = changes((plane,), (1 << self.bit,))
        first = int((plane[0] >> bit) & np.uint64(1))
        if self.level is None:
            self.first_level = first
        elif first != self.level:
            index = np.concatenate([np.zeros(1, np.int64), index])
        self.level = int((plane[-1] >> bit) & np.uint64(1))
        return index, ((plane[index] >> bit) & np.uint64(1)).astype(np.int64)

    def _filled(
        self, plane: NDArray[np.uint64], doubt: NDArray[np.uint64]
    ) -> tuple[NDArray[np.uint64], bool]:
        """The signal alone, the last known level where it is not known, and whether anything is known."""
        mask = np.uint64(1 << self.bit)
        known = (doubt & mask) == 0
        self.unknown += int(len(known) - known.sum())
        if not known.any() and self.level is None:
            return plane, False
        source = np.maximum.accumulate(np.where(known, np.arange(len(plane)), -1))
        begin = (
            self.level if self.level is not None else int(plane[known.argmax()] >> np.uint64(self.bit)) & 1
        )
        filled = plane[np.maximum(source, 0)] & mask
        filled[source < 0] = mask if begin else np.uint64(0)
        return filled, True

    def _take(self, moments: Times, level: Times) -> None:
        """Edges of a chunk: leave out short pulses, keep the cluster that may still grow."""
        if not self.shortest.any():
            self._count(moments, level)
            return
        moments = np.concatenate([self._open[0], moments])
        level = np.concatenate([self._open[1], level])
        if not len(moments):
            return
        close = np.diff(moments) < self.shortest[level[:-1]]
        first = np.concatenate([[0], np.flatnonzero(~close) + 1])
        if len(moments) - first[-1] > _LONGEST_CLUSTER:
            first = np.concatenate([first, [len(moments)]])
        length = np.diff(np.concatenate([first, [len(moments)]]))[: len(first) - 1]
        self._open = moments[first[-1] :], level[first[-1] :]
        self._settle(moments, level, first[:-1], length)

    def _settle(self, moments: Times, level: Times, first: Times, length: Times) -> None:
        """Closed clusters: an odd number of edges is the first of them, an even number is none."""
        several = length > 1
        if several.any():
            self.shorts += int((length[several] // 2).sum())
            if self.first_short is None:
                self.first_short = int(moments[first[several][0]])
        keep = first[length % 2 == 1]
        self._count(moments[keep], level[keep])

    def _count(self, moments: Times, level: Times) -> None:
        if not len(moments):
            return
        self.edges += len(moments)
        if self.first_edge is None:
            self.first_edge = int(moments[0])
        leads = moments[level == self.leading]
        if self._last is not None:
            moments = np.concatenate([[self._last[0]], moments])
            level = np.concatenate([[self._last[1]], level])
        self._last = int(moments[-1]), int(level[-1])
        spans = np.diff(moments)
        for each in (0, 1):
            here = level[:-1] == each
            self.widths[each].add(spans[here], moments[:-1][here])
        if not len(leads):
            return
        if self.last_leading is not None:
            leads = np.concatenate([[self.last_leading], leads])
        self.last_leading = int(leads[-1])
        self.periods.add(np.diff(leads), leads[:-1])

    def finish(self) -> PulseTrain:
        """What the signal did.

        Raises:
            CaptureError: There was no sample.
        """
        if not self.samples:
            raise CaptureError("There is no sample to measure.", "Check the capture.")
        moments, level = self._open
        if len(moments):
            self._settle(moments, level, np.zeros(1, np.int64), np.array([len(moments)]))
        usual = self.periods.usual()
        means = self.periods.means()
        long = means > LONG * usual if usual is not None else np.zeros(_BINS, np.bool_)
        brief = means < BRIEF * usual if usual is not None else np.zeros(_BINS, np.bool_)
        lost = (
            np.rint(means[long] / usual).astype(np.int64) - 1 if usual is not None else np.zeros(0, np.int64)
        )
        silent = 0
        if usual is not None and self.last_leading is not None:
            since = self.end - self.last_leading
            silent = since if since > LONG * usual else 0
        return PulseTrain(
            samples=self.samples,
            begin_ps=self.begin,
            end_ps=self.end,
            resolution_ps=self.resolution,
            unknown=self.unknown,
            edges=self.edges,
            first_level=self.first_level,
            last_level=self.level,
            before_first_ps=(self.end if self.first_edge is None else self.first_edge) - self.begin,
            low=_usual_widths(self.widths[0], usual),
            high=_usual_widths(self.widths[1], usual),
            period=None if usual is None else self.periods.spread(BRIEF * usual, LONG * usual),
            missing=Events(int((lost * self.periods.count[long]).sum()), self.periods.first_among(long)),
            extra=Events(int(self.periods.count[brief].sum()), self.periods.first_among(brief)),
            short=Events(self.shorts, self.first_short),
            silent_ps=silent,
        )

    def shortest_usual(self) -> tuple[float, float]:
        """Widths below which a low and a high pulse would be short; 0 where too few were seen to tell."""
        low, high = (
            SHORT * (spans.usual() or 0) if spans.total() >= FEWEST else 0.0 for spans in self.widths
        )
        return low, high

    def has_shorter(self, shortest: tuple[float, float]) -> bool:
        """Whether any pulse was shorter than this."""
        return any(
            bool((spans.means() < least).any()) for spans, least in zip(self.widths, shortest, strict=True)
        )


def _usual_widths(spans: _Spans, period: float | None) -> Spread | None:
    """All widths, but for those that a missing pulse has joined, which are longer by a whole period."""
    usual = spans.usual()
    if usual is None:
        return None
    return spans.spread(0, math.inf if period is None else usual + BRIEF * period)


def measure(
    chunks: Callable[[], Iterable[Capture]], position: int, *, leading: Edge = "rising"
) -> PulseTrain:
    """Measure one signal of a capture; see `measure_all`."""
    return measure_all(chunks, {"": (position, leading)})[""]


def measure_all(
    chunks: Callable[[], Iterable[Capture]], signals: Mapping[str, tuple[int, Edge]]
) -> dict[str, PulseTrain]:
    """Measure signals of a capture; it is read a second time, without them, where there are short pulses.

    Args:
        chunks: Gives the capture from its start; called once or twice.
        signals: Name = position of the signal, edge from which a period counts.

    Raises:
        CaptureError: The capture cannot be read, has no time, or no sample.
    """
    meters = {name: PulseMeter(position, leading=edge) for name, (position, edge) in signals.items()}
    _feed(chunks, meters)
    again = {
        name: PulseMeter(signals[name][0], leading=signals[name][1], shortest=meter.shortest_usual())
        for name, meter in meters.items()
        if meter.has_shorter(meter.shortest_usual())
    }
    if again:
        _feed(chunks, again)
    return {name: meter.finish() for name, meter in (meters | again).items()}


def _feed(chunks: Callable[[], Iterable[Capture]], meters: Mapping[str, PulseMeter]) -> None:
    for chunk in chunks():
        for meter in meters.values():
            meter.feed(chunk)
