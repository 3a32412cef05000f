"""From samples to bus cycles, in one pass with carried state.

The work on every sample is in `wrongbit.bus.edges`; here only edges are handled: latches are loaded by
their events, and each transfer's event completes a cycle when its terms hold. Chunks may be of any size;
the result does not depend on where they are cut.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import mask_of
from wrongbit.bus.cycles import KIND_CODE, NO_TIME, UNSETTLED, Cycles, doubtful_bytes, held_values
from wrongbit.bus.edges import (
    Edges,
    Strobe,
    Window,
    changes,
    close,
    describe_edges,
    find_edges,
    settle,
    strobe_masks,
)
from wrongbit.bus.pins import Field, Pins, Rows, Words, concatenate
from wrongbit.bus.recipes import resolve_recipe
from wrongbit.bus.state import implied_by_clock
from wrongbit.capture.capture import Capture, Layout, Times
from wrongbit.capture.columns import bit_name
from wrongbit.capture.source import SampleSource
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point, Processor
from wrongbit.machine.recipe import Latch, Recipe, Transfer, parse_event, parse_part, parse_term
from wrongbit.units import parse_bits

Bools = NDArray[np.bool_]


@dataclass
class Tally:
    """What happened to the transfers' events, for explaining a capture without cycles.

    Args:
        events: Number of events seen, by event as `parse_event` gives it.
        failed: Number of events of a transfer at which a term did not hold, by (transfer number, term).
        unused: Number of events that completed no transfer, by event.
    """

    events: dict[tuple[str, str], int] = field(default_factory=dict)
    failed: dict[tuple[int, str], int] = field(default_factory=dict)
    unused: dict[tuple[str, str], int] = field(default_factory=dict)


@dataclass(frozen=True)
class _Latched:
    """A latch's loads among the events at hand, and what it held before them."""

    loaded: NDArray[np.intp]
    value: Words
    known: Words


class Rebuilder:
    """Rebuilds one processor's bus cycles from chunks of one capture.

    Feed the chunks in order, then call `finish`; each returns the cycles that became certain.

    Args:
        processor: Whose bus it is.
        point: Where the capture was taken; gives mode, clock and skew.
        recipe: How the bus is read; left out: the processor's own or built-in recipe.

    Attributes:
        tally: What happened to the events so far.
        reads_changes: The capture is a list of changes, not samples of a clock.
        notes: What was taken for granted, known from the first chunk on.
    """

    def __init__(self, processor: Processor, point: Point, recipe: Recipe | None = None) -> None:
        self.processor = processor
        self.point = point
        self.recipe = resolve_recipe(processor) if recipe is None else recipe
        self.tally = Tally()
        self._pins: Pins | None = None
        self._tail: Capture | None = None
        self._open: dict[str, Edges] = {}
        self._waiting: dict[tuple[str, str], Edges] = {}
        self._latch: dict[str, tuple[int, int]] = {}
        self._last_word = 0
        # What several terms look at is read once for the events at hand; the rows are kept so that they live
        # as long as what is known by their identity.
        self._seen: dict[tuple[int, Field], tuple[Rows, Words, Words]] = {}
        self._source = ""
        self.reads_changes = False
        self.notes: tuple[str, ...] = ()

    def feed(self, chunk: Capture) -> Cycles:
        """Take the next chunk; return the cycles that are certain now."""
        if self._pins is None:
            self._begin(chunk)
        if not len(chunk):
            return Cycles.empty()
        window = Window(chunk, self._tail)
        horizon = chunk.first_sample + len(chunk)
        events: dict[tuple[str, str], Edges] = {}
        for strobe, final in self._edges(window):
            still_open = self._open[strobe.name]
            if len(still_open):
                horizon = min(horizon, int(still_open.at[0]))
            self._sort_in(events, strobe.name, final)
        if self._clock is not None:
            events[self._clock] = self._every_sample(window)
        self._keep_tail(window)
        return self._complete(events, horizon)

    def finish(self) -> Cycles:
        """The cycles that only the end of the capture makes certain."""
        events: dict[tuple[str, str], Edges] = {}
        for name, edges in self._open.items():
            self._sort_in(events, name, close(edges))
        self._open = {}
        return self._complete(events, np.iinfo(np.int64).max)

    def read_all(self, source: SampleSource, progress: Callable[[int, int], None] | None = None) -> Cycles:
        """All cycles of an opened capture.

        Args:
            source: The capture; nothing may have been fed before.
            progress: Told now and then the bytes done and the bytes in all.
        """

        def parts() -> Iterator[Cycles]:
            for chunk in source.chunks():
                yield self.feed(chunk)
                if progress is not None:
                    progress(source.bytes_done(), source.byte_count)
            yield self.finish()

        return Cycles.gather(parts())

    @property
    def unseen_bank(self) -> tuple[str, ...]:
        """Bank signals of the recipe that the capture lacks; known from the first chunk on."""
        names = dict.fromkeys(parse_part(part)[0] for part in self.recipe.bank)
        return tuple(name for name in names if name in self._missing)

    def lacking(self, item: Latch | Transfer) -> frozenset[str]:
        """What a latch or transfer needs and the capture does not give, so that it is left out."""
        return self._missing & self._needs(item)

    # -- the first chunk settles how everything is read ------------------------------------------------

    def _begin(self, chunk: Capture) -> None:
        self._pins = pins = Pins(self.processor, self.recipe, chunk.layout, self.point.tied)
        if self.point.mode == "state" and self.point.clock is not None:
            latches = {latch.name for latch in self.recipe.latch}
            implied = implied_by_clock(
                self.recipe,
                self.point.clock,
                lambda name: name in latches or pins.has(name),
                lambda one, other: pins.canonical(one) == pins.canonical(other),
            )
            self.recipe, self.notes = implied.recipe, implied.notes
        self._source = chunk.source
        self.reads_changes = chunk.change_list
        state = self.point.mode == "state"
        times = chunk.times
        self._has_time = times.stamps_ps is not None or times.period_ps is not None
        skew = self.point.skew
        setup = 0 if state else self.recipe.setup_ps
        if times.stamps_ps is not None:  # everything in picoseconds
            regular_ticks = not state and not chunk.change_list and len(chunk) > 1
            step = int(np.diff(times.stamps_ps).min()) if regular_ticks else 0
            self._guard = 0 if state else step if skew is None else skew
            self._setup = setup
            self._guard_moment = self._guard
        else:  # everything in samples
            period = times.period_ps or 0
            if skew and not period and not state:
                raise CaptureError(
                    f"The probe point {self.point.name!r} gives a skew, but the capture has no time.",
                    "Give the time between samples as 'period' at the probe point.",
                    file=chunk.source or None,
                )
            self._guard = 0 if state else 1 if skew is None else -(-skew // (period or 1))
            self._setup = -(-setup // period) if period else 0
            self._guard_moment = self._guard * (period or 1)
        self._clock = self._state_clock() if state else None
        self._missing = self._check_signals()
        self._check_lowest_wires()
        self._events = {parse_event(item.at) for item in self._steps() if not self.lacking(item)}
        self._strobes = tuple(
            self._strobe(name)
            for name in sorted({name for name, _ in self._events})
            if (self._clock is None or name != self._clock[0]) and self._moves(name)
        )

    def _state_clock(self) -> tuple[str, str] | None:
        if self.point.clock is None:
            return None
        pins = self._resolved
        signal, edge = parse_event(self.point.clock)
        for item in self._steps():
            name, at_edge = parse_event(item.at)
            if pins.canonical(name) == pins.canonical(signal) and at_edge == edge:
                return name, edge
        return None

    @property
    def _resolved(self) -> Pins:
        if self._pins is None:
            raise RuntimeError("no chunk was fed yet")
        return self._pins

    def _check_signals(self) -> frozenset[str]:
        """Names of optional signals that the capture lacks, and of latches that need one of them.

        Raises:
            CaptureError: A signal without which the recipe cannot work is missing.
        """
        pins = self._resolved
        latches = {latch.name for latch in self.recipe.latch}
        optional = set(self.recipe.optional)
        needed: list[str] = []
        for item in self._steps():
            strobe = parse_event(item.at)[0]
            if self._clock is None or self._clock[0] != strobe:
                needed += strobe.split("|")
            needed += [parse_term(term)[1] for term in item.where]
            parts = item.bus if isinstance(item, Latch) else (*item.address, item.data)
            needed += [parse_part(part)[0] for part in parts]
        needed += [parse_part(part)[0] for part in self.recipe.bank]
        needed += [parse_term(term)[1] for enable in self.recipe.enable for term in enable.when]
        absent = [name for name in dict.fromkeys(needed) if name not in latches and not pins.has(name)]
        fatal = [name for name in absent if name not in optional]
        if fatal:
            have = ", ".join(_carried(pins.layout)) or "no signal"
            raise CaptureError(
                f"The bus recipe of {self.processor.name} needs {', '.join(map(repr, fatal))}, "
                f"which this capture does not carry. It carries: {have}.",
                self._remedy(fatal),
                file=self._source or None,
            )
        lost = set(absent)
        for latch in self.recipe.latch:  # a latch may refer to one above it
            if self._needs(latch) & lost:
                lost.add(latch.name)
        return frozenset(lost)

    def _check_lowest_wires(self) -> None:
        """A bus whose wires begin above 0 has no number without saying which wire is its lowest digit.

        Instruments show A1 to A23 as a number that is half of the address; taken for the address it would
        move every read to another place.

        Raises:
            CaptureError: A column has such a bus in one number without a range.
        """
        pins = self._resolved
        used: dict[str, set[int]] = {}
        for item in self._steps():
            for part in item.bus if isinstance(item, Latch) else item.address:
                name, bits = parse_part(part)
                used.setdefault(name, set()).update(bits if bits is not None else (0,))
        for name, wires in used.items():
            lowest, highest, bus = min(wires), max(wires), pins.canonical(name)
            heading = pins.layout.whole.get(bus)
            if heading is None or lowest == 0:
                continue
            short, long = f"{bus}[{highest}:{lowest}]", f"{bus}[{highest}:0]"
            raise CaptureError(
                f"The column {heading!r} has {bus} in one number, and {self.processor.name} has the lines "
                f"{bit_name(bus, lowest)} to {bit_name(bus, highest)}: it does not tell whether that number "
                "is the address or what these lines alone amount to.",
                f'Map it under \'columns\' of the probe point {self.point.name!r}: "{heading}" = "{long}" if '
                f'it is the address as the listing has it, "{heading}" = "{short}" if the address is '
                f"{1 << lowest} times that number, as where the instrument's group has only these lines.",
                file=self._source or None,
            )

    def _remedy(self, fatal: Sequence[str]) -> str:
        """What to do about signals that the capture lacks."""
        name, point = fatal[0], self.point.name
        strobes = {piece for step in self._steps() for piece in parse_event(step.at)[0].split("|")}
        rest = int(name in strobes and self._resolved.active_low(name))
        told = (
            f"If the file has such a column, map it under 'columns' of the probe point {point!r}, such as "
            f'"COLUMN" = "{name}", or rename the signal under \'signals\' of the processor.'
        )
        buses = {part for step in self._steps() for part in _buses(step)}
        wires = [each for each in fatal if each not in buses]
        if not wires:
            return told
        told += (
            f" A line that never moves and is not clipped: tied = {{ {name} = {rest} }} at the probe point."
        )
        if self.point.mode != "state":
            return told
        events = dict.fromkeys(step.at for step in resolve_recipe(self.processor).transfer)
        return (
            f"{told} A state capture needs no column for the strobe that clocks it: write the event at which "
            f"the analyser takes its samples as 'clock' of the probe point, which says '{self.point.clock}'; "
            f"the recipe knows {', '.join(map(repr, events))}."
        )

    def _steps(self) -> tuple[Latch | Transfer, ...]:
        return (*self.recipe.latch, *self.recipe.transfer)

    def _needs(self, item: Latch | Transfer) -> set[str]:
        parts = item.bus if isinstance(item, Latch) else (*item.address, item.data)
        return {
            *parse_event(item.at)[0].split("|"),
            *(parse_term(term)[1] for term in item.where),
            *(parse_part(part)[0] for part in parts),
        }

    def _moves(self, name: str) -> bool:
        """Whether any wire of a strobe is clipped to; one that is tied never moves."""
        pins = self._resolved
        return any(p >= 0 for piece in name.split("|") for p in pins.field(piece, None).positions)

    def _strobe(self, name: str) -> Strobe:
        pins = self._resolved
        wires = []
        for piece in name.split("|"):
            positions = pins.field(piece, None).positions
            if positions == (-1,):  # tied: it never moves
                continue
            if len(positions) != 1:
                raise CaptureError(
                    f"{piece!r} is a bus of {len(positions)} wires, but the recipe waits for its edge.",
                    "Name one signal.",
                    file=self._source or None,
                )
            wires.append((positions[0], 0 if pins.active_low(piece) else 1))
        return Strobe(name, tuple(wires))

    # -- every sample ----------------------------------------------------------------------------------

    def _edges(self, window: Window) -> Iterator[tuple[Strobe, Edges]]:
        """Edges of each strobe that became final with this chunk; the open cluster is kept aside."""
        chunk = window.chunk
        masks = strobe_masks(self._strobes, len(chunk.planes))
        doubtful = [
            (plane, mask) for plane, mask in zip(chunk.unknown, masks, strict=True) if plane is not None
        ]
        planes = [*chunk.planes, *(plane for plane, _ in doubtful)]
        found = changes(planes, [*masks, *(mask for _, mask in doubtful)])
        if window.tail is not None:  # the border between two chunks is looked at on its own
            found = np.concatenate([np.zeros(1, np.int64), found])
        for strobe in self._strobes:
            index, begins = find_edges(window, strobe, found)
            old = self._open.get(strobe.name)
            before = 0 if old is None else len(old)
            moment = window.moments(index)
            if old is not None:
                moment = np.concatenate([old.moment, moment])
            real, open_from = settle(moment, self._guard_moment)
            # Rows are taken only for edges that somebody waits for, and for those still undecided.
            fresh = real[real >= before] - before
            fresh = fresh[self._awaited(strobe.name, begins[fresh])]
            undecided = np.arange(max(open_from - before, 0), len(index))
            chosen = np.concatenate([fresh, undecided])
            taken = describe_edges(window, index[chosen], begins[chosen], self._guard, self._setup)
            final = taken.take(slice(0, len(fresh)))
            open_edges = taken.take(slice(len(fresh), None))
            if old is not None and before:
                final = Edges.join([old.take(real[real < before]), final])
                open_edges = Edges.join([old.take(slice(min(open_from, before), None)), open_edges])
            self._open[strobe.name] = open_edges
            yield strobe, final

    def _awaited(self, name: str, begins: Bools) -> Bools:
        """Which edges of a strobe are an event of the recipe."""
        result = np.zeros(len(begins), np.bool_)
        if (name, "begins") in self._events:
            result |= begins
        if (name, "ends") in self._events:
            result |= ~begins
        return result

    def _every_sample(self, window: Window) -> Edges:
        """State mode: each sample was taken at the event itself."""
        index = np.arange(len(window.chunk), dtype=np.int64)
        number = index + window.chunk.first_sample
        rows, moment = window.rows(index), window.moments(index)
        begins = np.full(len(index), self._clock is not None and self._clock[1] == "begins")
        return Edges(number + 1, moment, begins, number, moment, rows, rows)

    def _keep_tail(self, window: Window) -> None:
        """Keep the last samples, as many as a later edge may look back at."""
        span = max(self._guard, self._setup)
        chunk = window.chunk
        stamps = chunk.times.stamps_ps
        enough = len(chunk) >= span + 2 if stamps is None else stamps[0] < stamps[-1] - span
        whole = chunk if enough or window.tail is None else _append(window.tail, chunk)
        stamps = whole.times.stamps_ps
        if stamps is None:
            first = len(whole) - (span + 2)
        else:
            first = int(np.searchsorted(stamps, stamps[-1] - span, side="left")) - 1
        self._tail = _cut(whole, max(first, 0))

    def _sort_in(self, events: dict[tuple[str, str], Edges], name: str, edges: Edges) -> None:
        for edge, wanted in (("begins", edges.begins), ("ends", ~edges.begins)):
            if (name, edge) in self._events:
                events[name, edge] = edges if wanted.all() else edges.take(wanted)

    # -- every edge ------------------------------------------------------------------------------------

    def _complete(self, events: dict[tuple[str, str], Edges], horizon: int) -> Cycles:
        """Latches and transfers over all events before the horizon; later ones wait."""
        ready: dict[tuple[str, str], Edges] = {}
        for key in {*events, *self._waiting}:
            parts = [e for e in (self._waiting.get(key), events.get(key)) if e is not None and len(e)]
            if not parts:
                continue
            edges = Edges.join(parts)
            split = int(np.searchsorted(edges.at, horizon, side="left"))
            if split == len(edges):
                ready[key] = edges
                self._waiting.pop(key, None)
            else:
                ready[key] = edges.take(slice(0, split))
                self._waiting[key] = edges.take(slice(split, None))
        latched: dict[str, _Latched] = {}
        self._seen.clear()
        for latch in self.recipe.latch:
            if latch.name in self._missing:
                continue
            edges_of = ready.get(parse_event(latch.at))
            if edges_of is None or not len(edges_of):
                continue
            holds = self._hold(edges_of, latch.where, latched, None)
            chosen = edges_of.take(holds)
            if len(chosen):
                value, known = self._value(chosen, latch.bus, latched)
                latched[latch.name] = _Latched(chosen.at, value, known)
        cycles = self._transfers(ready, latched)
        for name, loads in latched.items():
            self._latch[name] = int(loads.value[-1]), int(loads.known[-1])
        self._seen.clear()
        return cycles

    def _transfers(self, ready: dict[tuple[str, str], Edges], latched: dict[str, _Latched]) -> Cycles:
        parts: list[Cycles] = []
        order: list[NDArray[np.int64]] = []
        by_event: dict[tuple[str, str], list[tuple[int, Transfer]]] = {}
        for number, transfer in enumerate(self.recipe.transfer):
            if not self.lacking(transfer):
                by_event.setdefault(parse_event(transfer.at), []).append((number, transfer))
        for key, transfers in by_event.items():
            edges = ready.get(key)
            self.tally.events[key] = self.tally.events.get(key, 0) + len(edges or ())
            if edges is None or not len(edges):
                continue
            free = np.ones(len(edges), np.bool_)
            kind = np.zeros(len(edges), np.uint8)
            # Transfers that take address and data from the same place are worked out together.
            alike: dict[tuple[tuple[str, ...], str], Bools] = {}
            for number, transfer in transfers:
                chosen = free & self._hold(edges, transfer.where, latched, number)
                free &= ~chosen
                kind[chosen] = KIND_CODE[transfer.kind]
                place = transfer.address, transfer.data
                alike[place] = alike[place] | chosen if place in alike else chosen
            self.tally.unused[key] = self.tally.unused.get(key, 0) + int(np.count_nonzero(free))
            for (address, data), chosen in alike.items():
                if chosen.any():
                    picked = edges if chosen.all() else edges.take(chosen)
                    parts.append(self._cycles(picked, kind[chosen], address, data, latched))
                    order.append(picked.at)
        if not parts:
            return Cycles.empty()
        joined = Cycles.join(parts)
        if len(parts) > 1:
            joined = joined.take(np.argsort(np.concatenate(order), kind="stable"))
        return self._with_held(joined)

    def _cycles(
        self,
        edges: Edges,
        kind: NDArray[np.uint8],
        address_parts: tuple[str, ...],
        data_part: str,
        latched: dict[str, _Latched],
    ) -> Cycles:
        word_mask = np.uint64((1 << self.processor.word_bits) - 1)
        address_mask = np.uint64((1 << self.processor.address_bits) - 1)
        shift = np.uint64(self.recipe.address_shift)
        address, address_known = self._value(edges, address_parts, latched)
        address, address_known = (
            address << shift,
            (address_known << shift) | (np.uint64(1) << shift) - np.uint64(1),
        )
        name, bits = parse_part(data_part)
        data = self._resolved.field(name, bits)
        word, known = data.read(edges.row)
        moved, doubtful = self._enabled(edges, latched)
        known = known & moved & word_mask
        flags = doubtful_bytes(doubtful)
        if edges.early is not edges.row:
            early, early_known = data.read(edges.early)
            flags[((word ^ early) & known & early_known) != 0] |= UNSETTLED
        return Cycles(
            sample=edges.sample,
            time_ps=edges.time if self._has_time else np.full(len(edges), NO_TIME),
            kind=kind,
            bank=self._bank(edges, latched),
            address=address & address_mask,
            address_known=address_known & address_mask,
            word=word & known,
            known=known,
            held=np.zeros(len(edges), np.uint64),
            flags=flags,
        )

    def _with_held(self, cycles: Cycles) -> Cycles:
        """Fill in what undriven lines would still hold in each cycle."""
        held = held_values(cycles, self.recipe.held, self.processor.word_bits, self._last_word)
        carries = np.flatnonzero(cycles.known)
        if len(carries):
            self._last_word = int(cycles.word[carries[-1]])
        return replace(cycles, held=held)

    # -- names to values -------------------------------------------------------------------------------

    def _named(
        self, edges: Edges, name: str, bits: tuple[int, ...] | None, latched: dict[str, _Latched]
    ) -> tuple[Words, Words, int]:
        """Value, known bits and width of a latch, bus or signal at each edge."""
        latch = next((each for each in self.recipe.latch if each.name == name), None)
        if latch is None:
            place = self._resolved.field(name, bits)
            if (id(edges.row), place) not in self._seen:
                value, known = place.read(edges.row)
                self._seen[id(edges.row), place] = edges.row, value, known
            _, value, known = self._seen[id(edges.row), place]
            return value, known, len(place.positions)
        value, known = self._latch_at(edges, name, latched)
        if bits is None:
            return value, known, self._latch_width(name)
        taken = concatenate(
            [(value >> np.uint64(b) & np.uint64(1), known >> np.uint64(b) & np.uint64(1), 1) for b in bits]
        )
        return (*taken, len(bits))

    def _latch_width(self, name: str) -> int:
        latch = next(each for each in self.recipe.latch if each.name == name)
        width = 0
        for part in latch.bus:
            inner, bits = parse_part(part)
            if bits is not None:
                width += len(bits)
            elif any(each.name == inner for each in self.recipe.latch):
                width += self._latch_width(inner)
            else:
                width += len(self._resolved.field(inner, None).positions)
        return width

    def _latch_at(self, edges: Edges, name: str, latched: dict[str, _Latched]) -> tuple[Words, Words]:
        """What a latch holds just before each edge: its last load, or what it held before these events."""
        value, known = (np.full(len(edges), part, np.uint64) for part in self._latch.get(name, (0, 0)))
        loads = latched.get(name)
        if loads is not None:
            last = np.searchsorted(loads.loaded, edges.at, side="left") - 1
            done = last >= 0
            value[done], known[done] = loads.value[last[done]], loads.known[last[done]]
        return value, known

    def _value(
        self, edges: Edges, parts: tuple[str, ...], latched: dict[str, _Latched]
    ) -> tuple[Words, Words]:
        return concatenate([self._named(edges, *parse_part(part), latched) for part in parts])

    def _bank(self, edges: Edges, latched: dict[str, _Latched]) -> NDArray[np.int32]:
        if not self.recipe.bank:
            return np.zeros(len(edges), np.int32)
        if self.unseen_bank:  # the bits that are left are no bank number
            return np.full(len(edges), -1, np.int32)
        pieces = [self._named(edges, *parse_part(part), latched) for part in self.recipe.bank]
        value, known = concatenate(pieces)
        width = sum(piece[2] for piece in pieces)
        whole = known == np.uint64((1 << width) - 1)
        return np.where(whole, value.astype(np.int64), -1).astype(np.int32)

    def _enabled(self, edges: Edges, latched: dict[str, _Latched]) -> tuple[Words, Words]:
        """The word bits that move at each edge, and of these the ones that may not: their strobe is missing.

        A transfer moves something: where nothing else does, a byte without its strobe has moved for sure.
        """
        if not self.recipe.enable:
            return np.full(len(edges), np.iinfo(np.uint64).max, np.uint64), np.zeros(len(edges), np.uint64)
        sure, doubtful = np.zeros((2, len(edges)), np.uint64)
        for enable in self.recipe.enable:
            terms = tuple(term for term in enable.when if parse_term(term)[1] not in self._missing)
            bits = np.uint64(mask_of(parse_bits(enable.bits)))
            moved = sure if len(terms) == len(enable.when) else doubtful
            moved[self._hold(edges, terms, latched, None)] |= bits
        return sure | doubtful, np.where(sure != 0, doubtful & ~sure, np.uint64(0))

    def _hold(
        self, edges: Edges, terms: tuple[str, ...], latched: dict[str, _Latched], transfer: int | None
    ) -> Bools:
        """Where all terms hold; a term over an unknown level does not."""
        result = np.ones(len(edges), np.bool_)
        for term in terms:
            wanted, name, bit = parse_term(term)
            value, known, _ = self._named(edges, name, None if bit is None else (bit,), latched)
            holds = ((value & np.uint64(1)) == np.uint64(wanted)) & ((known & np.uint64(1)) == 1)
            if transfer is not None:
                failed = int(np.count_nonzero(~holds))
                self.tally.failed[transfer, term] = self.tally.failed.get((transfer, term), 0) + failed
            result &= holds
        return result


def named_lines(name: str, bits: Sequence[int]) -> str:
    """Lines of a bus for a person, runs as runs.

    >>> named_lines("A", [0, 1, 2, 5]), named_lines("D", [3])
    ('A0 to A2, A5', 'D3')
    """
    runs: list[list[int]] = []
    for bit in sorted(bits):
        if runs and bit == runs[-1][-1] + 1:
            runs[-1].append(bit)
        else:
            runs.append([bit])
    told = []
    for run in runs:
        names = [bit_name(name, bit) for bit in (run[0], run[-1])]
        told.append(f"{names[0]} to {names[1]}" if len(run) > 2 else ", ".join(dict.fromkeys(names)))
    return ", ".join(told)


def _carried(layout: Layout) -> list[str]:
    """What a capture carries, for a person: ``A (A0 to A15)``, ``PHI2``; each level once, in order."""
    told, shown = [], set[int]()
    for name, places in sorted(layout.buses.items()):
        bits = [bit for bit, place in enumerate(places) if place >= 0]
        if len(bits) > 1 and not _unlike_headings(layout, name, bits):
            told.append(f"{name} ({named_lines(name, bits)})")
            shown.update(places[bit] for bit in bits)
    single = [name for name, place in layout.signals.items() if place not in shown]
    return told + sorted((layout.headings.get(name, name) for name in single), key=_counted)


def _counted(name: str) -> tuple[tuple[str, int], ...]:
    """Sorts ADR2 before ADR10."""
    return tuple((text, int(digits or 0)) for text, digits in re.findall(r"(\D*)(\d*)", name))


def _buses(step: Latch | Transfer) -> set[str]:
    """What a latch or transfer takes words and addresses from."""
    parts = step.bus if isinstance(step, Latch) else (*step.address, step.data)
    return {parse_part(part)[0] for part in parts}


def _unlike_headings(layout: Layout, bus: str, bits: Sequence[int]) -> bool:
    """Whether the file spells a bus's bits so that nobody would know them by the bus's name: 'P1.0 ADR00'."""
    names = [bit_name(bus, bit) for bit in bits]
    return any(len(layout.headings.get(name, "")) > len(name) + 3 or " " in bus for name in names)


def _cut(capture: Capture, first: int) -> Capture:
    """The samples from ``first`` on, copied so that the chunk itself can be forgotten."""
    times = capture.times
    return replace(
        capture,
        planes=tuple(plane[first:].copy() for plane in capture.planes),
        unknown=tuple(None if plane is None else plane[first:].copy() for plane in capture.unknown),
        times=Times(
            times.start_ps + first * (times.period_ps or 0),
            times.period_ps,
            None if times.stamps_ps is None else times.stamps_ps[first:].copy(),
        ),
        first_sample=capture.first_sample + first,
    )


def _append(tail: Capture, chunk: Capture) -> Capture:
    """The tail and the chunk after it as one."""

    def both(old: Words | None, new: Words | None) -> Words | None:
        if old is None and new is None:
            return None
        before = np.zeros(len(tail), np.uint64) if old is None else old
        after = np.zeros(len(chunk), np.uint64) if new is None else new
        return np.concatenate([before, after])

    old, new = tail.times.stamps_ps, chunk.times.stamps_ps
    return replace(
        tail,
        planes=tuple(np.concatenate(pair) for pair in zip(tail.planes, chunk.planes, strict=True)),
        unknown=tuple(both(*pair) for pair in zip(tail.unknown, chunk.unknown, strict=True)),
        times=replace(
            tail.times, stamps_ps=None if old is None or new is None else np.concatenate([old, new])
        ),
    )


def rebuild(
    chunks: Iterable[Capture], processor: Processor, point: Point, recipe: Recipe | None = None
) -> Iterator[Cycles]:
    """Bus cycles of a capture, chunk by chunk, in bounded memory.

    Args:
        chunks: The capture's samples in order.
        processor: Whose bus it is.
        point: Where the capture was taken.
        recipe: How the bus is read; left out: the processor's own.

    Raises:
        CaptureError: The capture lacks a signal that the recipe needs.
    """
    rebuilder = Rebuilder(processor, point, recipe)
    for chunk in chunks:
        yield rebuilder.feed(chunk)
    yield rebuilder.finish()


def rebuild_all(
    capture: Capture | Iterable[Capture], processor: Processor, point: Point, recipe: Recipe | None = None
) -> Cycles:
    """All bus cycles of a capture as one table."""
    chunks = capture.chunks() if isinstance(capture, Capture) else capture
    return Cycles.join(list(rebuild(chunks, processor, point, recipe)))
