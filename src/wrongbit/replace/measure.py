"""Bus times measured in a capture: what this machine really gave, cycle by cycle, the shortest of each.

A measured time shows what the machine did while it was watched, not what its data sheet allows; it is
marked so. One sampling period is taken off every time, since either end may lie that much away, and the
skew between channels once more.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.pins import canonical_name
from wrongbit.bus.recipes import resolve_recipe
from wrongbit.capture.capture import Capture
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Processor
from wrongbit.machine.names import parse_signal
from wrongbit.machine.recipe import Recipe, parse_event, parse_term
from wrongbit.replace.buses import TIME_NAMES, BusTimes
from wrongbit.replace.figures import Term, total_ps
from wrongbit.units import format_time

Moments = NDArray[np.int64]


@dataclass(frozen=True)
class Event:
    """An edge of a signal.

    Args:
        signal: Its name, in any of the trade's spellings.
        edge: Which edge.
        others: Signals that act with it as one, such as the second of two byte strobes: it begins with the
            first of them and ends with the last. Those that the capture lacks are left out.
        low: With others: they are active low.
    """

    signal: str
    edge: Literal["rising", "falling"]
    others: tuple[str, ...] = ()
    low: bool = False


@dataclass(frozen=True)
class Watch:
    """Which edges bound the times.

    Args:
        taken: The data is taken.
        where: Levels (signal, high) just before the data is taken that tell a read from a write which ends
            with the same edge. A signal that the capture lacks tells nothing.
        address: Names of the address lines, single wires or a bus. Their last change before the access begins
            (the latch closes, or else the strobe or the enable begins) is when the address became valid;
            what they do later is data on shared lines, a glitch, or of no interest.
        enable: The chip enable becomes active.
        output: The read strobe becomes active.
        latch_opens: The address latch opens.
        latch_closes: The address latch closes.
        setup_ps: The data must be there this long before it is taken.
        skew_ps: Channels may differ by this much; None: one sampling period, and not at all in a change list.
    """

    taken: Event
    where: tuple[tuple[str, bool], ...] = ()
    address: tuple[str, ...] = ()
    enable: Event | None = None
    output: Event | None = None
    latch_opens: Event | None = None
    latch_closes: Event | None = None
    setup_ps: int = 0
    skew_ps: int | None = None


def watch_of(processor: Processor) -> Watch:
    """The edges that bound a processor's read cycles, by its bus recipe.

    The data is taken at the event of the recipe's first read transfer. The other edge of that signal begins
    the time for the outputs: of an active-low strobe the time from the read strobe, of a clock the time from
    the chip enable.

    Raises:
        MachineFileError: The processor names a recipe that does not exist.

    >>> taken = watch_of(Processor(name="U1", word_bits=8, address_bits=16, recipe="z80")).taken
    >>> taken.signal, taken.edge
    ('RD', 'rising')
    """
    recipe = resolve_recipe(processor)
    transfer = next((each for each in recipe.transfer if each.kind in ("read", "fetch")), recipe.transfer[0])
    taken, begins = _edges(processor, recipe, transfer.at)
    latch = next((each for each in recipe.latch if each.name in transfer.address), None)
    strobe = _is_active_low(processor, recipe, parse_event(transfer.at)[0])
    closes = opens = None
    if latch is not None:
        closes, opens = _edges(processor, recipe, latch.at)
    lines = transfer.address if latch is None else latch.bus
    return Watch(
        taken=taken,
        where=_reads(processor, recipe, transfer.at),
        address=tuple(canonical_name(processor, each.partition(".")[0]) for each in lines),
        enable=None if strobe else begins,
        output=begins if strobe else None,
        latch_opens=opens,
        latch_closes=closes,
        setup_ps=recipe.setup_ps,
    )


def _reads(processor: Processor, recipe: Recipe, at: str) -> tuple[tuple[str, bool], ...]:
    """What tells the reads at an event from the writes at the same one; nothing where there are none."""
    here = [each for each in recipe.transfer if each.at == at]
    writes = [set(each.where) for each in here if each.kind == "write"]
    reads = [set(each.where) for each in here if each.kind in ("read", "fetch")]
    if not writes or not reads:
        return ()
    found = []
    for term in sorted(set.intersection(*reads)):
        wanted, name, bit = parse_term(term)
        opposite = f"!{name}" if wanted else name
        if bit is None and all(opposite in each for each in writes):
            found.append((canonical_name(processor, name), wanted != _is_active_low(processor, recipe, name)))
    return tuple(found)


def _edges(processor: Processor, recipe: Recipe, text: str) -> tuple[Event, Event]:
    """The edge of an event, and the opposite edge of the same signal."""
    signal, change = parse_event(text)
    low = _is_active_low(processor, recipe, signal)
    name, *others = (canonical_name(processor, each) for each in signal.split("|"))
    beside, low_ones = tuple(others), low and bool(others)
    rising = Event(name, "rising", beside, low_ones)
    falling = Event(name, "falling", beside, low_ones)
    return (rising, falling) if (change == "begins") != low else (falling, rising)


def _is_active_low(processor: Processor, recipe: Recipe, name: str) -> bool:
    wanted = parse_signal(name.partition("|")[0]).base
    for role, level in processor.active.items():
        if parse_signal(role).base == wanted:
            return level == "low"
    return any(parse_signal(each).base == wanted for each in recipe.active_low)


def measure_chunks(chunks: Iterable[Capture], watch: Watch) -> BusTimes:
    """The shortest times over the pieces of a long capture; a cycle that is cut in two is left out.

    Raises:
        CaptureError: As `measure_bus`, where no piece can be measured.
    """
    found: BusTimes | None = None
    refused: CaptureError | None = None
    for chunk in chunks:
        try:
            times = measure_bus(chunk, watch)
        except CaptureError as error:
            refused = refused or error
        else:
            found = times if found is None else _shorter(found, times)
    if found is None:
        raise refused or CaptureError("the capture is empty.", "Take it again.")
    return found


def _shorter(one: BusTimes, other: BusTimes) -> BusTimes:
    pairs = {name: (one.ps(name), other.ps(name)) for name in TIME_NAMES}
    shorter: dict[str, Any] = {
        name: getattr(other, name)
        for name, (first, second) in pairs.items()
        if second is not None and (first is None or second < first)
    }
    return replace(one, **shorter)


def measure_bus(capture: Capture, watch: Watch) -> BusTimes:
    """The shortest times of all cycles in a capture.

    Args:
        capture: A timing-mode capture with times.
        watch: The edges that bound the times. Cycles in which an edge does not occur are left out of that
            edge's time.

    Raises:
        CaptureError: The capture has no times, lacks a signal, or the data is never taken in it.
    """
    if capture.mode != "timing" or capture.times.at(np.zeros(1, np.int64)) is None or not len(capture):
        raise CaptureError(
            "a capture of one sample a clock, or without times, does not show how long anything took.",
            "Take one in timing mode, with the instrument's own clock.",
            file=capture.source or None,
        )
    clock = _Clock(capture, watch.skew_ps)
    taken = clock.edges(watch.taken, watch.where)
    if not len(taken):
        raise CaptureError(
            f"{watch.taken.signal} never has a {watch.taken.edge} edge.",
            "Name the edge on which the processor takes the data.",
            file=capture.source or None,
        )
    address = clock.changes(watch.address) if watch.address else None
    closes = clock.edges(watch.latch_closes)
    enable, output, opens = (clock.edges(each) for each in (watch.enable, watch.output, watch.latch_opens))
    starts = {"enable_to_data": enable, "output_to_data": output, "open_to_data": opens}
    spans = {name: _before(start, taken) for name, start in starts.items()}
    if address is not None:
        begins = next((each for each in (closes, output, enable) if len(each)), taken)
        spans["address_to_data"] = _since_address(address, begins, taken)
    times: dict[str, Any] = {
        name: clock.shortest(name, found, watch.setup_ps) for name, found in spans.items()
    }
    if watch.latch_closes is not None:
        if address is not None:
            times["address_before_close"] = clock.shortest("address_before_close", _before(address, closes))
            times["hold_after_close"] = clock.shortest("hold_after_close", _after(address, closes))
        if watch.latch_opens is not None:
            times["open_width"] = clock.shortest("open_width", _before(opens, closes))
    note = (
        f"Times measured in {capture.source or 'a capture'} over {len(taken)} cycles, the shortest of each."
    )
    return BusTimes(**{name: terms for name, terms in times.items() if terms is not None}, notes=(note,))


class _Clock:
    """Moments of edges in a capture."""

    def __init__(self, capture: Capture, skew_ps: int | None) -> None:
        self.capture = capture
        period = capture.times.period_ps or 0
        self.uncertain = period + (period if skew_ps is None else skew_ps)

    def _level(self, name: str) -> NDArray[np.uint64]:
        """``uint64 (n, …)`` the wire's samples, each 0 or 1."""
        base = parse_signal(name).base
        position = self.capture.layout.signals.get(base)
        if position is None:
            raise CaptureError(
                f"the capture has no signal {name!r}.",
                f"It has: {', '.join(sorted(self.capture.layout.signals))}.",
                file=self.capture.source or None,
            )
        plane, bit = divmod(position, 64)
        return (self.capture.planes[plane] >> np.uint64(bit)) & np.uint64(1)

    def _at(self, index: NDArray[np.intp]) -> Moments:
        moments = self.capture.times.at(index.astype(np.int64))
        assert moments is not None
        return np.asarray(moments, np.int64)

    def _has(self, name: str) -> bool:
        return parse_signal(name).base in self.capture.layout.signals

    def _joined(self, event: Event) -> NDArray[np.uint64]:
        """``uint64 (n,)`` the level of an event's signals together: active while any of them is."""
        names = [name for name in (event.signal, *event.others) if self._has(name)] or [event.signal]
        level, *others = (self._level(name) for name in names)
        for other in others:
            level = level & other if event.low else level | other
        return level

    def edges(self, event: Event | None, where: Sequence[tuple[str, bool]] = ()) -> Moments:
        """``int64 (m,)`` picoseconds of the first sample after each such edge, at these levels before it."""
        if event is None:
            return np.empty(0, np.int64)
        level = self._joined(event)
        before, after = level[:-1], level[1:]
        found = (before < after) if event.edge == "rising" else (before > after)
        for name, high in where:
            if self._has(name):
                found &= (self._level(name)[:-1] != 0) == high
        return self._at(np.flatnonzero(found) + 1)

    def changes(self, names: Sequence[str]) -> Moments:
        """``int64 (m,)`` moments at which any of these wires or buses changes."""
        moved = np.zeros(len(self.capture) - 1, np.bool_)
        for name in names:
            for wire in self._wires(name):
                level = self._level(wire)
                moved |= level[:-1] != level[1:]
        return self._at(np.flatnonzero(moved) + 1)

    def _wires(self, name: str) -> tuple[str, ...]:
        """A wire's own name, or the names of a bus's wires."""
        positions = self.capture.layout.buses.get(parse_signal(name).base)
        if positions is None:
            return (name,)
        names = {position: wire for wire, position in self.capture.layout.signals.items()}
        return tuple(names[position] for position in positions if position >= 0)

    def shortest(self, name: str, spans: Moments, less: int = 0) -> tuple[Term, ...] | None:
        """The shortest span as terms, None where there is none or the sampling is too coarse for it."""
        if not len(spans):
            return None
        source = self.capture.source or "capture"
        what = f"{name.replace('_', ' ')}, shortest of {len(spans)}"
        terms = [Term(what, int(spans.min()), "measured", source)]
        if self.uncertain:
            doubt = format_time(self.uncertain)
            terms.append(Term(f"sampling and skew {doubt}", -self.uncertain, "measured", source))
        if less:
            terms.append(Term("data set-up", -less, "given", "bus recipe"))
        return tuple(terms) if total_ps(terms) > 0 else None


def _since_address(changes: Moments, begins: Moments, ends: Moments) -> Moments:
    """Time from the last change before an access begins to the access's end, for each end that has both."""
    access = np.searchsorted(begins, ends, side="right") - 1
    access, kept = access[access >= 0], ends[access >= 0]
    change = np.searchsorted(changes, begins[access], side="right") - 1
    valid = change >= 0
    return kept[valid] - changes[change[valid]]


def _before(starts: Moments, ends: Moments) -> Moments:
    """Time from the last start before each end, ends without one left out.

    Each start counts for the first end after it only: a chip enabled once for several reads is timed once.
    """
    at = np.searchsorted(starts, ends, side="right") - 1
    valid = at >= 0
    at, kept = at[valid], ends[valid]
    first = np.ones(len(at), np.bool_)
    first[1:] = at[1:] != at[:-1]
    return kept[first] - starts[at[first]]


def _after(changes: Moments, ends: Moments) -> Moments:
    """Time from each end to the first change after it."""
    at = np.searchsorted(changes, ends, side="right")
    valid = at < len(changes)
    return changes[at[valid]] - ends[valid]
