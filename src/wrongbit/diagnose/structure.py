"""The board as paths: which faults its parts can have, and what each probe point sees of them.

The rules, per line:

- An **open** line, or a dead output, is seen behind the part and not before it.
- A **short** (a line held at a level, or touching its neighbour) in a part that only conducts holds the whole
  net: everything up to the next buffer on either side, on every path that shares the net. In a buffer or gate
  it is its output that fails, so it is seen behind it.
- **Data** runs from chip to processor: a probe sees a fault that lies between the chip and where it touches
  the path. A part that several processors share is seen by all of them, a part of one by that one only.
- **Addresses** run the other way: a fault between the place where the probe reads the address and the chip
  makes the chip answer with another of its words. Where the probe reads the address behind the fault, every
  word fits the address shown, and only the address columns can tell (a line that never moves).
- **Selects and enables** change who answers, which is seen wherever data is read.

A multiplexed line counts as two signals, one for each thing that it carries.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property

from wrongbit.bits import mask_of
from wrongbit.diagnose.effects import NOTHING, AlwaysOn, Effect, LinesFloat, LooseAddress, LooseBank, Shown
from wrongbit.diagnose.rates import part_rate
from wrongbit.faults.fault import BUS, Fault
from wrongbit.faults.models.wires import AddressFault, BankFault, DataLineFault
from wrongbit.machine.model import PASSIVE, Chip, Machine, Part, Path, Point, default_address_lines

PASSIVE_SHARES = {"open": 0.82, "stuck at 0": 0.05, "stuck at 1": 0.03, "low wins": 0.07, "high wins": 0.03}
"""Ways in which a line of a part that only conducts fails: contacts open. A choice, no source."""

ACTIVE_SHARES = {"open": 0.30, "stuck at 0": 0.28, "stuck at 1": 0.28, "low wins": 0.05, "high wins": 0.03}
"""Ways in which a line of a buffer or gate fails, besides all at once. A choice, no source."""

SILENT_SHARE = 0.06
"""Share of a buffer's failures in which all of its lines are dead. A choice, no source."""

LOOSE_SHARE = 0.2
"""Share of the open address lines that come and go. As in `wrongbit.faults`, a choice, no source."""

ENABLE_SHARES = {"silent": 0.8, "always on": 0.2}
"""Ways in which an enable line fails. A choice, no source."""

LEAD_RATE = 0.02
"""Failures in a million hours that a probe lead counts for: a bad clip does happen, but does not by itself
keep a machine from starting. A choice, no source."""

SHORTS = ("stuck at 0", "stuck at 1", "low wins", "high wins")


@dataclass(frozen=True)
class Hypothesis:
    """One thing that may be wrong with the machine (or with the probe).

    Args:
        part: Part, chip, or ``lead of POINT``.
        carries: What the faulty lines carry; ``inside`` for a fault within a chip, ``probe`` for a lead.
        what: ``open``, ``loose`` (open now and then), ``stuck at 0``, ``stuck at 1``, ``low wins``,
            ``high wins`` (a bridge), ``silent``, ``always on``, ``inside``, or ``unseen``: within a chip, in
            words that no capture shows.
        line: Line, as the processor numbers it; -1 where all are concerned.
        other: The other line of a bridge, else -1.
        ends: Chips that an enable line serves; else empty.
        fault: The fault within a chip.
        weight: Failures in a million hours.
    """

    part: str
    carries: str
    what: str
    line: int = -1
    other: int = -1
    ends: tuple[str, ...] = ()
    fault: Fault | None = None
    weight: float = field(default=1.0, compare=False)

    def say(self) -> str:
        """What is wrong, in a few words."""
        if self.fault is not None:
            return self.fault.say().rstrip(".")
        letter = {"data": "D", "address": "A", "select": "A", "bank": "bank bit ", "probe": "D"}.get(
            self.carries, ""
        )
        if self.carries == "enable":
            ends = " and ".join(self.ends)
            return (
                f"the enable of {ends} never arrives"
                if self.what == "silent"
                else f"{ends} is always enabled"
            )
        line = f"{letter}{self.line}"
        match self.what:
            case "silent":
                return "none of its data lines is driven"
            case "unseen":
                return "something within it that no capture shows"
            case "low wins" | "high wins":
                return f"{line} and {letter}{self.other} touch (a {self.what.partition(' ')[0]} level wins)"
            case "open":
                return f"{line} is open"
            case "loose":
                return f"{line} is open now and then"
            case _:
                return f"{line} is {self.what}"

    @property
    def is_open(self) -> bool:
        """A line is interrupted, always or now and then."""
        return self.what in ("open", "loose", "silent")

    @property
    def is_short(self) -> bool:
        """A line is held at a level, or two touch."""
        return self.what in SHORTS


@dataclass(frozen=True)
class Structure:
    """A machine's paths with what can be worked out from them.

    Args:
        machine: A machine that `wrongbit.machine.load` has checked.
    """

    machine: Machine

    @cached_property
    def parts(self) -> dict[str, Part]:
        """Parts by name."""
        return {part.name: part for part in self.machine.part}

    @cached_property
    def chips(self) -> dict[str, Chip]:
        """Chips by name."""
        return {chip.name: chip for chip in self.machine.chip}

    @cached_property
    def processors(self) -> tuple[tuple[str, ...], ...]:
        """Processors at the end of each path."""
        return tuple(self.machine.processors_of(path) for path in self.machine.path)

    @cached_property
    def bits(self) -> tuple[tuple[int, ...], ...]:
        """Lines of each path, lowest first."""
        return tuple(tuple(sorted(path.signals or self._default_bits(path))) for path in self.machine.path)

    def _default_bits(self, path: Path) -> set[int]:
        found: set[int] = set()
        for processor in self.machine.processor:
            for chip in self.machine.chips_of(processor):
                if chip.name in path.chips and path.carries == "data":
                    found.update(chip.lane)
                elif chip.name in path.chips and path.carries == "address":
                    found.update(default_address_lines(chip, processor))
        return found

    @cached_property
    def sockets(self) -> dict[str, tuple[str, ...]]:
        """For each chip the sockets next to it on its paths."""
        found: dict[str, set[str]] = {}
        for path in self.machine.path:
            if path.through:
                next_to = path.through[0 if path.carries == "data" else -1]
                if self.parts[next_to].kind == "socket":
                    for chip in path.chips:
                        found.setdefault(chip, set()).add(next_to)
        return {chip: tuple(sorted(names)) for chip, names in found.items()}

    def passive(self, part: str) -> bool:
        """The part only conducts."""
        return self.parts[part].kind in PASSIVE

    # Nets ------------------------------------------------------------------------------------------

    def segment(self, path: int, count: int) -> int:
        """Number of isolating parts among the first ``count`` parts of a path."""
        return sum(not self.passive(name) for name in self.machine.path[path].through[:count])

    @cached_property
    def _nets(self) -> dict[tuple[int, int], int]:
        """Net of each (path, segment): paths meet in shared parts and at their ends."""
        nodes = [
            (number, segment)
            for number, path in enumerate(self.machine.path)
            for segment in range(self.segment(number, len(path.through)) + 1)
        ]
        net = {node: index for index, node in enumerate(nodes)}
        meeting: dict[object, tuple[int, int]] = {}
        for number, path in enumerate(self.machine.path):
            for place, segment in self._places(number, path):
                node = (number, segment)
                first = meeting.setdefault((path.carries, place), node)
                old, new = net[node], net[first]
                net = {each: new if value == old else value for each, value in net.items()}
        return net

    def _places(self, number: int, path: Path) -> Iterator[tuple[object, int]]:
        """What the segments of a path touch: conducting parts, sides of isolating ones, pins at the ends."""
        for index, name in enumerate(path.through):
            before = self.segment(number, index)
            if self.passive(name):
                yield name, before
            else:
                yield (name, "in"), before
                yield (name, "out"), before + 1
        last = self.segment(number, len(path.through))
        chip_end, processor_end = (0, last) if path.carries == "data" else (last, 0)
        if path.carries != "enable":
            yield from ((chip, chip_end) for chip in path.chips)
            yield from ((processor, processor_end) for processor in self.processors[number])

    # Hypotheses ------------------------------------------------------------------------------------

    def hypotheses(self) -> tuple[Hypothesis, ...]:
        """Everything that may be wrong with the parts on the paths."""
        return tuple(each for name in self.parts for each in self._of_part(name))

    def leads(self, point: Point) -> tuple[Hypothesis, ...]:
        """What may be wrong with the leads on the data lines of a probe point."""
        bits = self.machine.processor_of(point.processor).word_bits
        shares = {"open": 0.6, "stuck at 0": 0.2, "stuck at 1": 0.2}
        return tuple(
            Hypothesis(f"lead of {point.name}", "probe", what, bit, weight=LEAD_RATE * share / bits)
            for bit in range(bits)
            for what, share in shares.items()
        )

    def _of_part(self, name: str) -> Iterator[Hypothesis]:
        lines: dict[tuple[str, tuple[str, ...]], set[int]] = {}
        for number, path in enumerate(self.machine.path):
            if name in path.through:
                ends = path.chips if path.carries == "enable" else ()
                lines.setdefault((path.carries, ends), set()).update(self.bits[number])
        if not lines:
            return
        count = sum(max(len(bits), 1) for bits in lines.values())
        each = part_rate(self.parts[name], count) / count
        for (carries, ends), bits in lines.items():
            if carries == "enable":
                for what, share in ENABLE_SHARES.items():
                    if what == "silent" or all(end in self.chips for end in ends):
                        yield Hypothesis(name, carries, what, ends=ends, weight=each * share)
                continue
            shares = PASSIVE_SHARES if self.passive(name) else ACTIVE_SHARES
            yield from _of_lines(name, carries, sorted(bits), shares, each)
            if carries == "data" and not self.passive(name):
                yield Hypothesis(name, carries, "silent", weight=each * len(bits) * SILENT_SHARE)

    # What is seen ----------------------------------------------------------------------------------

    def position(self, path: int, point: Point) -> int | None:
        """Number of parts of a path before the place where a probe touches it; None where it does not.

        Left open in the machine file, the probe sits at the processor's own pins.
        """
        described = self.machine.path[path]
        if self.machine.processor_of(point.processor).name not in self.processors[path]:
            return None
        behind = point.on.get(described.name)
        if behind is None:
            return len(described.through) if described.carries == "data" else 0
        return described.through.index(behind) + 1 if behind else 0

    def effect(self, hypothesis: Hypothesis, point: Point) -> Effect:
        """What a probe point sees when this is wrong."""
        match hypothesis.carries:
            case "inside":
                own = self.chips_seen(point) & {hypothesis.part}
                return Effect(hypothesis.fault, own) if own and hypothesis.fault is not None else NOTHING
            case "probe":
                if hypothesis.part != f"lead of {point.name}":
                    return NOTHING
                return Effect(self._data_fault(hypothesis), self.chips_seen(point))
            case "data":
                return self._data(hypothesis, point)
            case "enable":
                return self._enable(hypothesis, point)
            case _:
                return self._address(hypothesis, point)

    def chips_seen(self, point: Point) -> frozenset[str]:
        """Chips whose words pass a probe point: those of the data paths that it names, or all of the bus."""
        processor = self.machine.processor_of(point.processor)
        every = frozenset(chip.name for chip in self.machine.chips_of(processor))
        named = [p for p in self.machine.path if p.carries == "data" and p.name in point.on]
        return every & {chip for path in named for chip in path.chips} if named else every

    def _data_fault(self, hypothesis: Hypothesis) -> Fault:
        what = hypothesis.what
        return DataLineFault(BUS, what, hypothesis.line, hypothesis.other)  # type: ignore[arg-type]

    def _touched(self, hypothesis: Hypothesis) -> Iterator[tuple[int, int | None, int]]:
        """Paths that the fault is on, as (path, number of parts passed before it shows or None, net segment).

        With a number of parts the fault shows from there on; with None it shows from the segment on.
        """
        wanted = {hypothesis.line, hypothesis.other} - {-1}
        everywhere = hypothesis.is_short and self.passive(hypothesis.part)
        nets = set()
        for number, path in enumerate(self.machine.path):
            if path.carries != hypothesis.carries or not wanted <= set(self.bits[number]):
                continue
            if hypothesis.part in path.through:
                index = path.through.index(hypothesis.part)
                if not everywhere:
                    yield number, index + 1, 0
                nets.add(self._nets[number, self.segment(number, index)])
        if not everywhere:
            return
        for (number, segment), net in sorted(self._nets.items()):
            path = self.machine.path[number]
            if net in nets and path.carries == hypothesis.carries and wanted & set(self.bits[number]):
                yield number, None, segment

    def _behind(self, path: int, position: int, count: int | None, segment: int) -> bool:
        """A probe at this position sees a fault that shows from ``count`` parts, or from the segment, on."""
        return position >= count if count is not None else self.segment(path, position) >= segment

    def shows_behind(self, hypothesis: Hypothesis, part: str) -> bool:
        """The fault shows on the line where it leaves a part."""
        if hypothesis.part not in self.parts or part not in self.parts:
            return False
        return any(
            part in self.machine.path[number].through
            and self._behind(number, self.machine.path[number].through.index(part) + 1, count, segment)
            for number, count, segment in self._touched(hypothesis)
        )

    def shares_net(self, hypothesis: Hypothesis, part: str) -> bool:
        """A line held by the fault is one conductor with the line at a part, on either of its sides."""
        if hypothesis.part not in self.parts or part not in self.parts:
            return False
        own: set[int] = set()
        other: set[int] = set()
        for number, path in enumerate(self.machine.path):
            if path.carries == hypothesis.carries and hypothesis.line in self.bits[number]:
                if hypothesis.part in path.through:
                    index = path.through.index(hypothesis.part)
                    own.add(self._nets[number, self.segment(number, index + 1)])
                if part in path.through:
                    index = path.through.index(part)
                    other.update(self._nets[number, self.segment(number, index + side)] for side in (0, 1))
        return bool(own & other)

    def _data(self, hypothesis: Hypothesis, point: Point) -> Effect:
        chips: set[str] = set()
        for number, count, segment in self._touched(hypothesis):
            position = self.position(number, point)
            if position is not None and self._behind(number, position, count, segment):
                chips.update(self.machine.path[number].chips)
        chips &= self.chips_seen(point)
        if not chips:
            return NOTHING
        if hypothesis.what == "silent":
            bits = mask_of(self._bits_through(hypothesis.part))
            return Effect(LinesFloat(BUS, bits), frozenset(chips))
        return Effect(self._data_fault(hypothesis), frozenset(chips))

    def _bits_through(self, part: str) -> list[int]:
        paths = enumerate(self.machine.path)
        return sorted(
            {
                bit
                for number, path in paths
                if path.carries == "data" and part in path.through
                for bit in self.bits[number]
            }
        )

    def _address(self, hypothesis: Hypothesis, point: Point) -> Effect:
        """Address, select and bank lines: seen in the words where the probe reads the address before it."""
        chips: set[str] = set()
        shown = False
        for number, count, segment in self._touched(hypothesis):
            position = self.position(number, point)
            if position is None:
                continue
            if self._behind(number, position, count, segment):
                shown = True
            else:
                chips.update(self.machine.path[number].chips)
        chips &= self.chips_seen(point)
        what, line, other = hypothesis.what, hypothesis.line, hypothesis.other
        told = Shown(what, line, other) if shown and hypothesis.is_short and self._tells(hypothesis) else None
        if not chips:
            return Effect(shown=told) if told else NOTHING
        bank = hypothesis.carries == "bank"
        if what == "loose":
            loose = LooseBank(BUS, "open", line) if bank else LooseAddress(BUS, "open", line)
            return Effect(loose, frozenset(chips), told)
        make = BankFault if bank else AddressFault
        return Effect(make(BUS, what, line, other), frozenset(chips), told)  # type: ignore[arg-type]

    @staticmethod
    def _tells(hypothesis: Hypothesis) -> bool:
        return hypothesis.carries == "address"

    def _enable(self, hypothesis: Hypothesis, point: Point) -> Effect:
        """Who answers changes, wherever data is read; a buffer that is off is seen behind it."""
        seen = self.chips_seen(point)
        ends = [end for end in hypothesis.ends if end in self.chips]
        chips = seen.intersection(ends)
        for number, path in enumerate(self.machine.path):
            position = self.position(number, point)
            for buffer in set(hypothesis.ends) & set(path.through):
                if path.carries == "data" and position is not None and position > path.through.index(buffer):
                    chips |= seen.intersection(path.chips)
        if not chips and hypothesis.what == "silent":
            return NOTHING
        if hypothesis.what == "always on":
            others = seen - set(ends)
            return Effect(AlwaysOn(ends[0], tuple(ends)), others) if others else NOTHING
        return Effect(
            LinesFloat(BUS, mask_of([b for c in chips for b in self.chips[c].lane])), frozenset(chips)
        )


def _of_lines(
    part: str, carries: str, bits: list[int], shares: dict[str, float], each: float
) -> Iterator[Hypothesis]:
    """Faults of single lines, and of neighbours that touch."""
    for index, bit in enumerate(bits):
        for what in ("stuck at 0", "stuck at 1"):
            yield Hypothesis(part, carries, what, bit, weight=each * shares[what])
        # Of data lines one model tells both; an open address line floats, always or now and then.
        loose = 0.0 if carries == "data" else LOOSE_SHARE
        yield Hypothesis(part, carries, "open", bit, weight=each * shares["open"] * (1 - loose))
        if loose:
            yield Hypothesis(part, carries, "loose", bit, weight=each * shares["open"] * loose)
        if index + 1 < len(bits):
            for what in ("low wins", "high wins"):
                yield Hypothesis(part, carries, what, bit, bits[index + 1], weight=each * shares[what])
