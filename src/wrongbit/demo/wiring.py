"""A board whose parts between chip and processor can fail, seen from any probe point on the way.

`wrongbit.demo.board` puts faults into chips and onto the shared bus. Here a fault sits in one part on the
paths that the machine file describes: a socket, a buffer, a connector, a decoder. It acts from that part on,
in the direction in which the signal runs; a short in a part that only conducts holds every piece of wire up
to the next buffer. Each probe point records what passes there. The processor executes what reaches it.

Only the description of the paths is shared with the diagnosis, none of its reasoning.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from random import Random

import numpy as np

from wrongbit.demo.board import Bus
from wrongbit.demo.fault import InjectedFault
from wrongbit.demo.parts import Board, BoardChip
from wrongbit.demo.trace import CODE, BusTrace
from wrongbit.machine.model import PASSIVE, Machine, Path, Point

_READ_PORT, _WRITE_PORT = CODE["io_read"], CODE["io_write"]
_STAYS = 0.9
"""An open address input keeps its level from one access to the next with this probability."""

Piece = tuple[int, int]
"""A piece of wire: number of a path, and how many of its parts lie before it."""


@dataclass(frozen=True)
class PartFault:
    """What is wrong with a part on a path.

    Args:
        part: Reference designator.
        carries: What the faulty line carries: data, address, select, enable or bank.
        what: ``open``, ``stuck at 0``, ``stuck at 1``, ``low wins`` or ``high wins`` (it touches ``other``),
            ``silent`` (data: no line is driven; enable: it never arrives), ``always on`` (enable).
        line: The line, as the processor numbers it.
        other: The line that it touches.
        ends: Chips or buffers that a faulty enable serves.
        rate: Share of the accesses in which it acts.
        drift: How often a floating data line has drifted high.
    """

    part: str
    carries: str
    what: str
    line: int = -1
    other: int = -1
    ends: tuple[str, ...] = ()
    rate: float = 1.0
    drift: float = 0.0

    @property
    def sentence(self) -> str:
        """What is wrong, for people."""
        letter = {"data": "D", "address": "A", "select": "A"}.get(self.carries, "bank line ")
        if self.carries == "enable":
            how = "never arrives" if self.what == "silent" else "is always on"
            return f"{self.part}: the enable of {' and '.join(self.ends)} {how}."
        if self.what == "silent":
            return f"{self.part} drives none of its data lines."
        if self.what in ("low wins", "high wins"):
            return f"{letter}{self.line} and {letter}{self.other} touch in {self.part} ({self.what})."
        how = "is open" if self.what == "open" else f"is {self.what}"
        return f"{letter}{self.line} {how} in {self.part} ({self.carries})."


def lines_of(machine: Machine, path: Path, board: Board) -> tuple[int, ...]:
    """The lines that a path carries."""
    if path.signals:
        return tuple(sorted(path.signals))
    chips = [chip for chip in board.chips if chip.name in path.chips]
    bits = {bit for chip in chips for bit in (chip.lane if path.carries == "data" else chip.lines)}
    return tuple(sorted(bits)) if path.carries in ("data", "address") else ()


def part_faults(machine: Machine, board: Board) -> list[PartFault]:
    """Every fault that a part on a path can be given, at rate 1 and without drift."""
    kinds = {part.name: part.kind for part in machine.part}
    found: dict[PartFault, None] = {}
    for path in machine.path:
        lines = lines_of(machine, path, board)
        for part in path.through:
            if path.carries == "enable":
                found[PartFault(part, "enable", "silent", ends=path.chips)] = None
                if all(any(chip.name == end for chip in board.chips) for end in path.chips):
                    found[PartFault(part, "enable", "always on", ends=path.chips)] = None
                continue
            for index, line in enumerate(lines):
                for what in ("open", "stuck at 0", "stuck at 1"):
                    found[PartFault(part, path.carries, what, line)] = None
                if index + 1 < len(lines):
                    for what in ("low wins", "high wins"):
                        found[PartFault(part, path.carries, what, line, lines[index + 1])] = None
            if path.carries == "data" and kinds[part] not in PASSIVE:
                found[PartFault(part, "data", "silent")] = None
    return list(found)


def draw_part_fault(machine: Machine, board: Board, seed: int) -> PartFault:
    """A part drawn evenly among those on paths, then one of its faults; half of the contacts come and go."""
    rng = Random(f"part fault {machine.machine.name} {seed}")
    every = part_faults(machine, board)
    part = rng.choice(sorted({fault.part for fault in every}))
    fault = rng.choice([fault for fault in every if fault.part == part])
    rate = round(rng.uniform(0.3, 0.95), 2) if rng.random() < 0.3 else 1.0
    drift = round(rng.uniform(0.05, 0.4), 2) if rng.random() < 0.5 else 0.0
    return replace(fault, rate=rate, drift=drift)


class WiredBus(Bus):
    """A processor's bus with one faulty part on the paths, recorded at every probe point of that processor.

    Args:
        board: The chips.
        machine: The machine file, for paths and probe points.
        processor: Whose bus it is.
        fault: The faulty part; None: every part is sound.
        rng: Source of everything that varies from access to access.
        ports: Word that an input gives, from its address.
        chip_fault: What is wrong with a chip instead (see `wrongbit.demo.injection`).
    """

    def __init__(
        self,
        board: Board,
        machine: Machine,
        processor: str,
        fault: PartFault | None,
        rng: Random,
        ports: Callable[[int], int],
        chip_fault: InjectedFault | None = None,
    ) -> None:
        super().__init__(board, chip_fault or InjectedFault("none"), rng, ports)
        self._fault = fault
        self._inside = chip_fault
        self._machine = machine
        self._paths = {
            number: path
            for number, path in enumerate(machine.path)
            if processor in machine.processors_of(path)
        }
        self._points = [p for p in machine.point if machine.processor_of(p.processor).name == processor]
        self._begins = {} if fault is None else where_it_begins(machine, board, fault)
        self._cells = {
            chip.name: [rng.getrandbits(len(chip.lane)) for _ in range(chip.words)]
            if chip.kind == "ram"
            else chip.contents.tolist()
            for chip in board.chips
        }
        self._ways = {chip.name: self._way(chip) for chip in board.chips}
        self._float_level = 1
        self._acting = True
        self._records: dict[str, list[tuple[int, int, int, int, int]]] = {p.name: [] for p in self._points}
        self._now = 0

    def _way(self, chip: BoardChip) -> dict[str, int | None]:
        """Numbers of a chip's paths, by what they carry."""
        return {
            carries: next(
                (n for n, path in self._paths.items() if path.carries == carries and chip.name in path.chips),
                None,
            )
            for carries in ("data", "address", "select", "bank")
        }

    # One access --------------------------------------------------------------------------------------

    def read(self, kind: int, bank: int, address: int, clock: int) -> int:
        """A memory read as the processor receives it."""
        if self._fault is None:
            word = super().read(kind, bank, address, clock)
            self._note(kind, bank, address, address, (word, word), clock)
            return word
        self._step()
        held = address & self._mask if self._board.multiplexed else self._held
        before = after = self._mask
        driven = driven_after = 0
        for chip in self._answering(bank, address):
            arrived = self._arriving(chip, address)
            lane = chip.lane_mask
            outputs = (
                self._ports(arrived)
                if chip.kind == "io"
                else self._cells[chip.name][self._cell(chip, arrived)]
            )
            on_bus = _scatter(outputs, chip)
            before &= on_bus | ~lane
            driven |= lane
            driven_after |= lane & ~self._cut(chip)
        before = before & driven | held & ~driven
        after = before & driven_after | self._drifted(held) & ~driven_after
        chips = [chip for chip in self._board.chips if self._should_answer(chip, bank, address)]
        after = self._shorted(after, chips)
        self._record(kind, bank, address, after, driven_after, clock)
        self._note(kind, bank, address, self._seen_address(chips, address), (before, after), clock)
        return after

    def write(self, kind: int, bank: int, address: int, word: int, clock: int) -> None:
        """A memory write as the processor puts it out."""
        if self._fault is None:
            super().write(kind, bank, address, word, clock)
            self._note(kind, bank, address, address, (word, word), clock)
            return
        self._step()
        arriving = word
        for chip in self._answering(bank, address):
            if chip.kind != "ram":
                continue
            stored = self._shorted(
                word & ~self._cut(chip) | self._drifted(self._held) & self._cut(chip), [chip]
            )
            arriving = arriving & ~chip.lane_mask | stored & chip.lane_mask
            cell = self._cell(chip, self._arriving(chip, address))
            self._cells[chip.name][cell] = (stored & chip.lane_mask) >> chip.lane[0]
        self._record(kind, bank, address, word, self._mask, clock)
        chips = [chip for chip in self._board.chips if self._should_answer(chip, bank, address)]
        self._note(kind, bank, address, self._seen_address(chips, address), (arriving, word), clock)

    def read_port(self, bank: int, address: int, clock: int) -> int:
        """A read in the input space: it passes no part on the paths."""
        word = super().read_port(bank, address, clock)
        self._note(_READ_PORT, bank, address, address, (word, word), clock)
        return word

    def write_port(self, bank: int, address: int, word: int, clock: int) -> None:
        """A write in the output space."""
        super().write_port(bank, address, word, clock)
        self._note(_WRITE_PORT, bank, address, address, (word, word), clock)

    def _step(self) -> None:
        """What varies from access to access."""
        assert self._fault is not None
        self._acting = self._fault.rate >= 1 or self._rng.random() < self._fault.rate
        if self._rng.random() > _STAYS:
            self._float_level = self._rng.getrandbits(1)

    def _should_answer(self, chip: BoardChip, bank: int, address: int) -> bool:
        return any(
            (where is None or where == bank) and base <= address < base + count
            for where, base, count in chip.regions
        )

    def _answering(self, bank: int, address: int) -> Iterator[BoardChip]:
        """Chips that drive the bus or take a word, with a faulty select, bank line or enable."""
        fault = self._fault
        assert fault is not None
        for chip in self._board.chips:
            seen, seen_bank = address, bank
            if self._acting and self._reaches(chip, "select"):
                seen = self._on_lines(address)
            if self._acting and self._reaches(chip, "bank"):
                seen_bank = self._on_lines(bank)
            chosen = self._should_answer(chip, seen_bank, seen)
            if self._acting and fault.carries == "enable" and chip.name in fault.ends:
                chosen = fault.what == "always on"
            if chosen:
                yield chip

    def _reaches(self, chip: BoardChip, carries: str) -> bool:
        path = self._ways[chip.name][carries]
        return path is not None and path in self._begins and self._fault_carries(carries)

    def _fault_carries(self, carries: str) -> bool:
        return self._fault is not None and self._fault.carries == carries

    def _arriving(self, chip: BoardChip, address: int) -> int:
        """The address at the chip's own pins."""
        return self._on_lines(address) if self._acting and self._reaches(chip, "address") else address

    def _on_lines(self, value: int) -> int:
        """Levels behind the fault on lines that carry an address or a bank."""
        fault = self._fault
        assert fault is not None
        one = 1 << fault.line
        match fault.what:
            case "stuck at 1":
                return value | one
            case "stuck at 0":
                return value & ~one
            case "open":
                return value | one if self._float_level else value & ~one
            case _:
                both = one | 1 << fault.other
                levels = (value & one != 0, value >> fault.other & 1 != 0)
                high = all(levels) if fault.what == "low wins" else any(levels)
                return value | both if high else value & ~both

    def _cell(self, chip: BoardChip, address: int) -> int:
        return sum((address >> bit & 1) << line for line, bit in enumerate(chip.lines)) % chip.words

    # Data lines --------------------------------------------------------------------------------------

    def _cut(self, chip: BoardChip) -> int:
        """Data lines of a chip's lane that do not come through."""
        fault = self._fault
        if fault is None or not self._acting:
            return 0
        path = self._ways[chip.name]["data"]
        if fault.carries == "enable":
            buffers = set(self._paths[path].through) if path is not None else set()
            return chip.lane_mask if buffers & set(fault.ends) else 0
        if fault.carries != "data" or path not in self._begins:
            return 0
        if fault.what == "silent":
            return chip.lane_mask
        return 1 << fault.line & chip.lane_mask if fault.what == "open" else 0

    def _drifted(self, held: int) -> int:
        fault = self._fault
        if fault is None or not fault.drift:
            return held
        for bit in range(self._board.word_bits):
            if self._rng.random() < fault.drift:
                held |= 1 << bit
        return held

    def _shorted(self, word: int, chips: list[BoardChip]) -> int:
        """The word behind a stuck line or two that touch, where a chip's path leads through it."""
        fault = self._fault
        if fault is None or not self._acting or fault.carries != "data" or fault.what in ("open", "silent"):
            return word
        lanes = 0
        for chip in chips:
            if self._ways[chip.name]["data"] in self._begins:
                lanes |= chip.lane_mask
        return word & ~lanes | self._on_lines(word) & lanes

    # Probe points ------------------------------------------------------------------------------------

    def _seen_address(self, chips: list[BoardChip], address: int) -> dict[str, int]:
        """The address shown at each probe point."""
        shown = {}
        for point in self._points:
            shown[point.name] = address
            for chip in chips:
                path = self._ways[chip.name]["address"]
                if path is None or path not in self._begins or not self._fault_carries("address"):
                    continue
                if self._acting and _position(self._paths[path], point) >= self._begins[path]:
                    shown[point.name] = self._on_lines(address)
        return shown

    def _note(
        self,
        kind: int,
        bank: int,
        address: int,
        shown: dict[str, int] | int,
        words: tuple[int, int],
        clock: int,
    ) -> None:
        """Record the access at each probe point of the processor."""
        before, after = words
        for point in self._points:
            lanes = 0
            for chip in self._board.chips:
                path = self._ways[chip.name]["data"]
                if path is None or not self._should_answer(chip, bank, address):
                    continue
                if not _sees(self._machine, point, self._paths[path].name):
                    continue
                behind = self._begins.get(path)
                if self._fault is not None and self._fault.carries == "enable":
                    through = self._paths[path].through
                    behind = next((through.index(end) + 1 for end in self._fault.ends if end in through), 0)
                late = behind is None or _position(self._paths[path], point) >= behind
                lanes |= chip.lane_mask if late else 0
                lanes |= (chip.lane_mask if not late else 0) << 64
            lanes |= self._mask & ~(lanes >> 64)
            seen_after, seen_before = lanes & self._mask, lanes >> 64
            word = after & seen_after | before & seen_before
            where = shown if isinstance(shown, int) else shown[point.name]
            self._records[point.name].append((kind, bank, where, word, clock))

    def point_trace(self, point: str, clock_hz: float) -> BusTrace:
        """What passed at a probe point, whose instrument is clocked by the processor's own strobes."""
        records = self._records[point]
        columns = list(zip(*records, strict=True)) if records else [()] * 5
        address = np.array(columns[2], np.uint64)
        word = np.array(columns[3], np.uint64)
        if self._board.multiplexed:
            held = address & np.uint64(self._mask)
        else:
            held = np.concatenate((np.array([self._mask], np.uint64), word))[:-1]
        return BusTrace(
            kind=np.array(columns[0], np.uint8),
            bank=np.array(columns[1], np.int32),
            address=address,
            word=word,
            held=held,
            driven=np.full(len(records), self._mask, np.uint64),
            clock=np.array(columns[4], np.int64),
            clock_hz=clock_hz,
            word_bits=self._board.word_bits,
        )


def _scatter(outputs: int, chip: BoardChip) -> int:
    return sum((outputs >> output & 1) << bit for output, bit in enumerate(chip.lane))


def _sees(machine: Machine, point: Point, path: str) -> bool:
    """A point that names data paths sees those only; one that names none sits at the processor."""
    named = {
        name for name in point.on for each in machine.path if each.name == name and each.carries == "data"
    }
    return not named or path in named


def _position(path: Path, point: Point) -> int:
    """How many parts of a path lie before the probe."""
    if path.name in point.on:
        behind = point.on[path.name]
        return path.through.index(behind) + 1 if behind else 0
    return len(path.through) if path.carries == "data" else 0


def where_it_begins(machine: Machine, board: Board, fault: PartFault) -> dict[int, int]:
    """For each path that the fault is on, the number of parts before the first piece that shows it."""
    kinds: dict[str, str] = {part.name: part.kind for part in machine.part}
    wanted = {fault.line, fault.other} - {-1}
    paths = {
        number: path
        for number, path in enumerate(machine.path)
        if path.carries == fault.carries and wanted <= set(lines_of(machine, path, board) or wanted)
    }
    on = {
        number: path.through.index(fault.part) for number, path in paths.items() if fault.part in path.through
    }
    if fault.what in ("open", "silent", "always on") or kinds[fault.part] not in PASSIVE:
        return {number: index + 1 for number, index in on.items()}
    reached: set[Piece] = set()
    waiting = list(on.items())
    while waiting:
        piece = waiting.pop()
        if piece in reached:
            continue
        reached.add(piece)
        waiting += _joined(machine, paths, kinds, piece)
    return {number: min(k for n, k in reached if n == number) for number, _ in reached}


def _joined(machine: Machine, paths: dict[int, Path], kinds: dict[str, str], piece: Piece) -> Iterator[Piece]:
    """Pieces of wire that are one conductor with this one."""
    number, k = piece
    path = paths[number]
    for index, step in ((k - 1, -1), (k, 1)):
        if 0 <= index < len(path.through):
            part = path.through[index]
            if kinds[part] in PASSIVE:
                yield number, k + step
            for other, there in paths.items():
                if part in there.through:
                    # On the same side of the same part; behind and before it where it only conducts.
                    at = there.through.index(part)
                    yield other, at + 1 if step < 0 else at
    ends = {0: path.chips, len(path.through): machine.processors_of(path)}
    if path.carries != "data":
        ends = {len(path.through): path.chips, 0: machine.processors_of(path)}
        if not path.through:
            ends = {0: (*path.chips, *machine.processors_of(path))}
    for other, there in paths.items():
        there_ends = (there.chips, machine.processors_of(there))
        if path.carries != "data":
            there_ends = there_ends[1], there_ends[0]
        if k == 0 and set(there_ends[0]) & set(ends.get(0, ())):
            yield other, 0
        if k == len(path.through) and set(there_ends[1]) & set(ends.get(k, ())):
            yield other, len(there.through)
