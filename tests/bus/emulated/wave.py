"""Drawn waveforms: what each wire does at which time, and what an instrument would record of it.

Everything here is the tests' own; it shares no code with the rebuild. Times are picoseconds, levels are
physical (an active-low strobe is drawn low while it is active).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.cycles import Cycles
from wrongbit.capture.capture import Capture, Layout, Times
from wrongbit.machine.recipe import KINDS

NS = 1_000


class Access(NamedTuple):
    """One transfer that must come back: what it does, where, and what was on the data bus."""

    kind: str
    address: int
    word: int


class Wave:
    """A waveform under construction.

    Args:
        widths: Signal or bus = number of wires, in the order in which they are packed.
        idle: Levels before the first `put`; 0 where not named.
        lowest: Bus = number of its lowest wire, where that is not 0 (the 68000 has no A0 pin).
    """

    def __init__(
        self,
        widths: Mapping[str, int],
        idle: Mapping[str, int] | None = None,
        lowest: Mapping[str, int] | None = None,
    ) -> None:
        self.widths = dict(widths)
        self.idle = {name: (idle or {}).get(name, 0) for name in widths}
        self.lowest = dict(lowest or {})
        self._events: dict[str, list[tuple[int, int | None]]] = {name: [] for name in widths}

    def put(self, time_ps: int, **levels: int | None) -> None:
        """Set signals and buses from this time on; None lets them float."""
        for name, level in levels.items():
            self._events[name].append((time_ps, level))

    def rest_as_first(self) -> None:
        """Before the first event everything is as the first event leaves it."""
        for name, events in self._events.items():
            if events:
                self.idle[name] = min(events, key=lambda event: event[0])[1] or 0

    def without(self, *names: str) -> Wave:
        """The same waveform seen by a probe that leaves some signals out."""
        wave = Wave({n: w for n, w in self.widths.items() if n not in names}, self.idle, self.lowest)
        wave._events = {name: self._events[name] for name in wave.widths}
        return wave

    def inverted(self, *names: str) -> Wave:
        """The same waveform behind inverters on some signals and buses."""
        wave = Wave(self.widths, self.idle, self.lowest)
        wave._events = dict(self._events)
        for name in names:
            ones = (1 << self.widths[name]) - 1
            wave.idle[name] = self.idle[name] ^ ones
            wave._events[name] = [(t, None if v is None else v ^ ones) for t, v in self._events[name]]
        return wave

    @property
    def end_ps(self) -> int:
        """Time of the last event."""
        return max(events[-1][0] for events in self._events.values() if events)

    def layout(self, order: NDArray[np.int64] | None = None) -> Layout:
        """Positions in the order of ``widths``, or as ``order`` shuffles them."""
        count = sum(self.widths.values())
        places = iter(range(count) if order is None else order.tolist())
        signals: dict[str, int] = {}
        buses: dict[str, tuple[int, ...]] = {}
        for name, width in self.widths.items():
            if width == 1:
                signals[name] = next(places)
                continue
            low = self.lowest.get(name, 0)
            positions = (*([-1] * low), *(next(places) for _ in range(width)))
            buses[name] = positions
            signals |= {f"{name}{bit}": p for bit, p in enumerate(positions) if p >= 0}
        return Layout(signals, buses)

    def change_list(self, order: NDArray[np.int64] | None = None) -> Capture:
        """What a simulation's change dump holds: a sample at every change, floating wires unknown."""
        stamps = np.unique(np.array([t for events in self._events.values() for t, _ in events], np.int64))
        stamps = np.concatenate([[min(0, int(stamps[0])) - 1], stamps])
        layout = self.layout(order)
        levels = _Planes(layout.plane_count, len(stamps))
        doubts = _Planes(layout.plane_count, len(stamps))
        for name in self.widths:
            times, values, floats = self._settled(name)
            at = np.searchsorted(stamps, times, side="left")
            for bit, position in self._wires(layout, name):
                wire = (values >> np.uint64(bit)) & np.uint64(1)
                levels.draw(position, at, np.where(floats, 0, wire).astype(np.uint64))
                doubts.draw(position, at, floats.astype(np.uint64))
        unknown = doubts.finish()
        return Capture(
            layout,
            levels.finish(),
            tuple(plane if plane.any() else None for plane in unknown),
            Times(stamps_ps=stamps),
            change_list=True,
        )

    def sampled(
        self,
        period_ps: int,
        seed: int = 0,
        *,
        phase_ps: int = 0,
        skew: bool = True,
        glitches: Mapping[str, float] | None = None,
        order: NDArray[np.int64] | None = None,
    ) -> Capture:
        """What an instrument with its own sampling clock records.

        Args:
            period_ps: Time between samples.
            seed: Of the skew, the junk on floating wires and the glitches.
            phase_ps: Time of the first sample.
            skew: Each channel sees its wire late by its own constant part of one sample.
            glitches: Signal = chance that an edge bounces: one sample later the old level shows once more.
            order: Positions of the wires.
        """
        rng = np.random.default_rng(seed)
        layout = self.layout(order)
        count = (self.end_ps - phase_ps) // period_ps + 6
        levels = _Planes(layout.plane_count, count)
        for name in self.widths:
            times, values, floats = self._settled(name)
            junk = rng.integers(0, 1 << self.widths[name], len(values), np.uint64)
            values = np.where(floats, junk, values)
            for bit, position in self._wires(layout, name):
                late = int(rng.integers(0, period_ps)) if skew else 0
                at = np.clip(-((phase_ps - times - late) // period_ps), 0, count)
                wire = (values >> np.uint64(bit)) & np.uint64(1)
                levels.draw(position, at, wire)
                chance = (glitches or {}).get(name, 0.0)
                edges = at[1:][np.diff(wire.astype(np.int8)) != 0]
                hit = edges[rng.random(len(edges)) < chance]
                levels.toggle(position, hit + 1)
                levels.toggle(position, hit + 2)
        planes = levels.finish()
        return Capture(layout, planes, tuple(None for _ in planes), Times(phase_ps, period_ps))

    def at_edges(self, name: str, level: int) -> Capture:
        """State mode: one sample at each edge of a signal to this level, taken just before the edge."""
        times, values, _ = self._settled(name)
        values = values.astype(np.int64)
        edges = times[1:][(values[1:] == level) & (values[:-1] != level)]
        rest = self.without(name)
        whole = rest.change_list()
        stamps = whole.times.stamps_ps
        assert stamps is not None
        at = np.searchsorted(stamps, edges, side="left") - 1
        return Capture(
            whole.layout,
            tuple(plane[at] for plane in whole.planes),
            tuple(None if plane is None else plane[at] for plane in whole.unknown),
            Times(),
            mode="state",
        )

    def _wires(self, layout: Layout, name: str) -> Iterator[tuple[int, int]]:
        if self.widths[name] == 1:
            yield 0, layout.signals[name]
            return
        yield from enumerate(position for position in layout.buses[name] if position >= 0)

    def _settled(self, name: str) -> tuple[NDArray[np.int64], NDArray[np.uint64], NDArray[np.bool_]]:
        """Times, values and floating flags of one name, the idle level first, in order of time."""
        first = min(self._events[name], default=(0, 0), key=lambda event: event[0])[0]
        events = [
            (min(0, first) - 1, self.idle[name]),
            *sorted(self._events[name], key=lambda event: event[0]),
        ]
        times = np.array([time for time, _ in events], np.int64)
        values = np.array([value or 0 for _, value in events], np.uint64)
        floats = np.array([value is None for _, value in events])
        last = np.append(times[1:] != times[:-1], True)  # of several levels at one time the last counts
        return times[last], values[last], floats[last]


class _Planes:
    """Packed samples drawn as toggles: where a wire changes, not what it is at every sample."""

    def __init__(self, plane_count: int, count: int) -> None:
        self._toggles = [np.zeros(count + 1, np.uint64) for _ in range(plane_count)]

    def draw(self, position: int, at: NDArray[np.int64], wire: NDArray[np.uint64]) -> None:
        """The wire has these levels (0 or 1) from these samples on; the first level holds from the start."""
        if wire[0]:
            self.toggle(position, np.zeros(1, np.int64))
        self.toggle(position, at[1:][wire[1:] != wire[:-1]])

    def toggle(self, position: int, at: NDArray[np.int64]) -> None:
        """Turn the wire round from each of these samples on."""
        plane = self._toggles[position // 64]
        np.bitwise_xor.at(plane, np.minimum(at, len(plane) - 1), np.uint64(1 << (position % 64)))

    def finish(self) -> tuple[NDArray[np.uint64], ...]:
        return tuple(np.bitwise_xor.accumulate(plane)[:-1] for plane in self._toggles)


def cut(capture: Capture, sizes: list[int]) -> Iterator[Capture]:
    """The capture in pieces of these sizes, over and over."""
    start = 0
    turn = 0
    while start < len(capture):
        part = slice(start, start + sizes[turn % len(sizes)])
        stamps = capture.times.stamps_ps
        yield replace(
            capture,
            planes=tuple(plane[part] for plane in capture.planes),
            unknown=tuple(None if plane is None else plane[part] for plane in capture.unknown),
            times=replace(
                capture.times,
                start_ps=capture.times.start_ps + start * (capture.times.period_ps or 0),
                stamps_ps=None if stamps is None else stamps[part],
            ),
            first_sample=start,
        )
        start = part.stop
        turn += 1


def accesses(cycles: Cycles, *leave_out: str) -> list[Access]:
    """Rebuilt cycles in the form in which the tests expect them."""
    kinds = [KINDS[code] for code in cycles.kind]
    rows = zip(kinds, cycles.address.tolist(), cycles.word.tolist(), strict=True)
    return [Access(*row) for row in rows if row[0] not in leave_out]


def all_known(cycles: Cycles, word_bits: int, address_bits: int) -> bool:
    """True where every bit of every address and word is known."""
    words = np.uint64((1 << word_bits) - 1)
    addresses = np.uint64((1 << address_bits) - 1)
    return bool((cycles.known == words).all() and (cycles.address_known == addresses).all())
