"""A simulated board: chips, the lines between them and the processor, and one fault put into a part.

Every access goes the physical way: the processor's address and bank, the bus lines, the selection of chips,
a chip's own address inputs, its cell array, its outputs, the joining of outputs on the bus, the data lines
back to the processor. A fault acts at its place on this way and nowhere else, so a faulty processor really
executes what it received.

Faults called "of the bus" sit beyond the address and data buffers, where they act on every chip; the
processor's own pins, where the probes are, still show the address that it put out and the word that it got.
Everything that does not change from access to access is worked out once for all addresses (`_Tables`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from random import Random
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import gather_bits, mask_of, scatter_bits
from wrongbit.demo.fault import InjectedFault
from wrongbit.demo.trace import CODE, BusTrace

Words = NDArray[np.uint64]

_READ_PORT, _WRITE_PORT, _WRITE = CODE["io_read"], CODE["io_write"], CODE["write"]
_STAYS = 0.9
"""An open input keeps the level that it drifted to from one access to the next with this probability."""


@dataclass(frozen=True)
class BoardChip:
    """A chip as it is soldered in.

    Args:
        name: Reference designator.
        kind: rom, ram or io.
        words: Number of words.
        lane: Word bit that each output feeds, output 0 first; consecutive and upward for RAM and ports.
        regions: (bank or None for every bank, first address, number of addresses).
        lines: Processor address bit on each of its address lines, line 0 first.
        rows: Its address lines that choose the row of the array.
        columns: Its address lines that choose the column.
        contents: ``uint64 (words,)`` of a ROM, else empty.
    """

    name: str
    kind: Literal["rom", "ram", "io"]
    words: int
    lane: tuple[int, ...]
    regions: tuple[tuple[int | None, int, int], ...]
    lines: tuple[int, ...]
    rows: tuple[int, ...] = ()
    columns: tuple[int, ...] = ()
    contents: Words = field(default_factory=lambda: np.empty(0, np.uint64))

    @property
    def lane_mask(self) -> int:
        """The word bits that it feeds."""
        return mask_of(self.lane)


@dataclass(frozen=True)
class Board:
    """Everything on one processor's bus.

    Args:
        word_bits: Width of the data bus.
        banks: Number of banks, 1 where the machine has none.
        multiplexed: Address and data share the bus, so undriven lines hold the address.
        chips: All chips in memory space.
    """

    word_bits: int
    banks: int
    multiplexed: bool
    chips: tuple[BoardChip, ...]

    @property
    def roms(self) -> tuple[BoardChip, ...]:
        """The chips with fixed contents."""
        return tuple(chip for chip in self.chips if chip.kind == "rom")

    def chip(self, name: str) -> BoardChip:
        """The chip with this designator.

        Raises:
            KeyError: There is none.
        """
        for chip in self.chips:
            if chip.name == name:
                return chip
        raise KeyError(name)


class Bus:
    """The board at work: what the processor model reads from and writes to, with a record of every cycle.

    Args:
        board: What is on it.
        fault: What is wrong with it.
        rng: Source of everything that varies from access to access.
        ports: Word that an input gives, from its address.
    """

    def __init__(self, board: Board, fault: InjectedFault, rng: Random, ports: Callable[[int], int]) -> None:
        self._board, self._rng, self._ports = board, rng, ports
        self._mask = (1 << board.word_bits) - 1
        self._single = tuple(fault.single())
        self._volatile = [chip for chip in board.chips if chip.kind != "rom"]
        self._memory = [
            [rng.getrandbits(len(chip.lane)) for _ in range(chip.words)] for chip in self._volatile
        ]
        self._outputs = [_output_map(chip, self._single) for chip in self._volatile]
        self._open_line = any(f.model == "address-open" for f in self._single)
        levels = (0, 1) if self._open_line else (0,)
        self._variants = [_Tables(board, self._single, self._volatile, level) for level in levels]
        self._level = rng.randrange(len(self._variants))
        self._bus_map = _bus_map(board.word_bits, self._single)
        self._open = mask_of([b for f in self._single if f.model == "open-data" and f.on_bus for b in f.bits])
        self._drift = max(
            (f.rate for f in self._single if f.model in ("open-data", "floating-data")), default=0.0
        )
        self._slow = next((f for f in self._single if f.model == "slow-data"), None)
        self._weak = next((f for f in self._single if f.model == "weak-column"), None)
        # The bus at power-up has no defined level; NMOS and TTL inputs pull it up.
        self._held = self._mask
        self.kinds: list[int] = []
        self.banks: list[int] = []
        self.addresses: list[int] = []
        self.words: list[int] = []
        self.driven: list[int] = []
        self.clocks: list[int] = []

    def __len__(self) -> int:
        return len(self.kinds)

    def read(self, kind: int, bank: int, address: int, clock: int) -> int:
        """A memory read as the processor receives it."""
        tables = self._tables()
        index = bank << 16 | address
        held = address & self._mask if self._board.multiplexed else self._held
        word, driven = tables.word[index], tables.driven[index]
        if code := tables.volatile[index]:
            word, driven = self._volatile_read(tables, index, code, word, driven, address)
        if self._weak is not None and tables.weak[index] and self._rng.random() < self._weak.rate:
            word = word | tables.weak[index] if self._weak.level else word & ~tables.weak[index]
        if self._slow is not None and tables.slow[index] and self._rng.random() < self._slow.rate:
            late = tables.slow[index]
            if self._rng.random() < 0.5:  # else nothing of the new word has arrived yet
                late &= self._rng.getrandbits(self._board.word_bits)
            word = word & ~late | held & late
        return self._receive(kind, bank, address, word, driven, held, clock)

    def write(self, kind: int, bank: int, address: int, word: int, clock: int) -> None:
        """A memory write as the processor puts it out."""
        tables = self._tables()
        index = bank << 16 | address
        if code := tables.volatile[index]:
            arriving = (self._bus_map[word] if self._bus_map else word) | self._open
            for number, chip in enumerate(self._volatile):
                if code >> number & 1 and chip.kind == "ram":
                    low = chip.lane[0]
                    self._memory[number][tables.cell[number][index]] = (arriving & chip.lane_mask) >> low
        self._record(kind, bank, address, word, self._mask, clock)

    def read_port(self, bank: int, address: int, clock: int) -> int:
        """A read in the input space of a processor that has one."""
        held = address & self._mask if self._board.multiplexed else self._held
        return self._receive(_READ_PORT, bank, address, self._ports(address), self._mask, held, clock)

    def write_port(self, bank: int, address: int, word: int, clock: int) -> None:
        """A write in the output space of a processor that has one."""
        self._record(_WRITE_PORT, bank, address, word, self._mask, clock)

    def trace(self, cycles: int, clock_hz: float) -> BusTrace:
        """The first ``cycles`` recorded cycles."""
        address = np.array(self.addresses[:cycles], np.uint64)
        word = np.array(self.words[:cycles], np.uint64)
        if self._board.multiplexed:
            held = address & np.uint64(self._mask)
        else:
            held = np.concatenate((np.array([self._mask], np.uint64), word))[:-1]
        return BusTrace(
            kind=np.array(self.kinds[:cycles], np.uint8),
            bank=np.array(self.banks[:cycles], np.int32),
            address=address,
            word=word,
            held=held,
            driven=np.array(self.driven[:cycles], np.uint64),
            clock=np.array(self.clocks[:cycles], np.int64),
            clock_hz=clock_hz,
            word_bits=self._board.word_bits,
        )

    def _tables(self) -> _Tables:
        if self._open_line and self._rng.random() > _STAYS:
            self._level = self._rng.getrandbits(1)
        return self._variants[self._level]

    def _volatile_read(
        self, tables: _Tables, index: int, code: int, word: int, driven: int, address: int
    ) -> tuple[int, int]:
        """RAM and ports join the bus; outputs that drive against each other give a wired AND."""
        for number, chip in enumerate(self._volatile):
            if code >> number & 1:
                if chip.kind == "io":
                    outputs = self._ports(address)
                else:
                    outputs = self._memory[number][tables.cell[number][index]]
                changed = self._outputs[number]
                if changed:
                    outputs = changed[outputs]
                word &= outputs << chip.lane[0] | ~chip.lane_mask
                driven |= chip.lane_mask & ~tables.undriven[number]
        return word, driven

    def _receive(
        self, kind: int, bank: int, address: int, word: int, driven: int, held: int, clock: int
    ) -> int:
        driven &= ~self._open
        if driven != self._mask:
            floating = held & ~driven
            if self._drift:
                for bit in range(self._board.word_bits):
                    # Input current of TTL and NMOS parts pulls a floating line up.
                    if not driven >> bit & 1 and self._rng.random() < self._drift:
                        floating |= 1 << bit
            word = word & driven | floating
        if self._bus_map:
            word = self._bus_map[word]
        self._record(kind, bank, address, word, driven, clock)
        return word

    def _record(self, kind: int, bank: int, address: int, word: int, driven: int, clock: int) -> None:
        self._held = word
        self.kinds.append(kind)
        self.banks.append(bank)
        self.addresses.append(address)
        self.words.append(word)
        self.driven.append(driven)
        self.clocks.append(clock)


class _Tables:
    """What the board answers at every address, worked out once.

    Index: bank in the bits above 16, address below. ``word`` and ``driven`` are the ROMs' share, wired AND
    where two drive; ``volatile`` has a 1 for each RAM or port that is selected, ``cell`` its cell.
    """

    def __init__(
        self, board: Board, faults: tuple[InjectedFault, ...], volatile: list[BoardChip], open_level: int
    ) -> None:
        size = board.banks << 16
        index = np.arange(size, dtype=np.uint64)
        bank = (index >> np.uint64(16)).astype(np.int32)
        address = index & np.uint64(0xFFFF)
        for fault in faults:
            if fault.model == "wrong-bank":
                bank = np.full_like(bank, fault.level)
        address = _lines(address, [f for f in faults if f.on_bus], open_level)
        selected = {chip.name: _decode(chip, bank, address) for chip in board.chips}
        _disturb_selection(selected, faults)

        mask = (1 << board.word_bits) - 1
        word, driven = np.full(size, mask, np.uint64), np.zeros(size, np.uint64)
        weak, slow = np.zeros(size, np.uint64), np.zeros(size, np.uint64)
        code = np.zeros(size, np.uint64)
        self.cell: list[list[int]] = []
        self.undriven: list[int] = []
        for chip in board.chips:
            own = [f for f in faults if f.chip == chip.name]
            cell = _lines(gather_bits(address, chip.lines), own, open_level) % np.uint64(chip.words)
            undriven = scatter_bits(np.array([_open_outputs(own)], np.uint64), chip.lane)[0]
            here = selected[chip.name]
            if chip.kind == "rom":
                lane = np.uint64(chip.lane_mask)
                joined = scatter_bits(_cells(chip, own)[cell], chip.lane) | ~lane
                word = np.where(here, word & joined, word)
                driven = np.where(here, driven | lane & ~undriven, driven)
                weak |= np.where(here, scatter_bits(_weak_cells(chip, own)[cell], chip.lane), np.uint64(0))
                slow |= np.where(here, lane if _has(own, "slow-data") else np.uint64(0), np.uint64(0))
            else:
                code |= here.astype(np.uint64) << np.uint64(volatile.index(chip))
                self.cell.append(cell.tolist())
                self.undriven.append(int(undriven))
        self.word: list[int] = word.tolist()
        self.driven: list[int] = driven.tolist()
        self.volatile: list[int] = code.tolist()
        self.weak: list[int] = weak.tolist() if _has(faults, "weak-column") else []
        self.slow: list[int] = slow.tolist() if _has(faults, "slow-data") else []


def _has(faults: Iterable[InjectedFault], model: str) -> bool:
    return any(fault.model == model for fault in faults)


def _decode(chip: BoardChip, bank: NDArray[np.int32], address: Words) -> NDArray[np.bool_]:
    """Where the address decoder selects the chip."""
    here = np.zeros(len(address), np.bool_)
    for in_bank, base, count in chip.regions:
        inside = (address >= np.uint64(base)) & (address < np.uint64(base + count))
        here |= inside if in_bank is None else inside & (bank == in_bank)
    return here


def _disturb_selection(selected: dict[str, NDArray[np.bool_]], faults: tuple[InjectedFault, ...]) -> None:
    for fault in faults:
        one, two = fault.chip, fault.other
        if fault.model == "wrong-chip":
            selected[one], selected[two] = selected[two], selected[one]
        elif fault.model == "two-chips":
            selected[one] = selected[two] = selected[one] | selected[two]
        elif fault.model == "floating-data":
            selected[one] = np.zeros_like(selected[one])


def _lines(address: Words, faults: Iterable[InjectedFault], open_level: int) -> Words:
    """Address lines as they arrive behind a fault on them."""
    for fault in faults:
        if not fault.model.startswith("address-"):
            continue
        first = np.uint64(1 << fault.lines[0])
        if fault.model == "address-stuck-high" or (fault.model == "address-open" and open_level):
            address = address | first
        elif fault.model in ("address-stuck-low", "address-open"):
            address = address & ~first
        else:
            address = _two_lines(address, fault)
    return address


def _two_lines(value: Words, fault: InjectedFault) -> Words:
    """Two lines bridged (wired AND or OR) or swapped; lines are bit numbers of ``value``."""
    one, two = (np.uint64(n) for n in (fault.lines or fault.bits))
    a, b = value >> one & np.uint64(1), value >> two & np.uint64(1)
    if fault.model.endswith("-and"):
        a = b = a & b
    elif fault.model.endswith("-or"):
        a = b = a | b
    else:
        a, b = b, a
    both: Words = a << one | b << two
    return value & ~np.uint64(mask_of(fault.lines or fault.bits)) | both


def _static_outputs(values: Words, faults: Iterable[InjectedFault]) -> Words:
    """Data lines behind stuck levels and bridges."""
    for fault in faults:
        mask = np.uint64(mask_of(fault.bits))
        if fault.model == "stuck-high":
            values = values | mask
        elif fault.model == "stuck-low":
            values = values & ~mask
        elif fault.model in ("bridged-data-and", "bridged-data-or"):
            values = _two_lines(values, fault)
    return values


def _cells(chip: BoardChip, faults: list[InjectedFault]) -> Words:
    """What the chip's outputs give for each of its addresses, fixed faults included."""
    values = chip.contents
    for fault in faults:
        if fault.model in ("failed-cells", "lost-charge"):
            values = values.copy()
            cells = np.array(fault.addresses, np.intp)
            values[cells] ^= np.array(fault.masks, np.uint64)
        elif fault.model in ("dead-row", "dead-column"):
            values = _array_line(chip, fault, values)
    return _static_outputs(values, faults)


def _array_line(chip: BoardChip, fault: InjectedFault, values: Words) -> Words:
    """A row (all outputs) or a column (its own outputs) of the array that reads one level only."""
    lines = chip.rows if fault.model == "dead-row" else chip.columns
    here = gather_bits(np.arange(chip.words, dtype=np.uint64), lines) == np.uint64(fault.line)
    dead: Words = np.where(here, np.uint64(mask_of(fault.bits)), np.uint64(0))
    return values | dead if fault.level else values & ~dead


def _weak_cells(chip: BoardChip, faults: list[InjectedFault]) -> Words:
    """For each address of the chip the outputs whose cell sits in a weak column."""
    weak = np.zeros(chip.words, np.uint64)
    for fault in faults:
        if fault.model == "weak-column":
            here = gather_bits(np.arange(chip.words, dtype=np.uint64), chip.columns) == np.uint64(fault.line)
            weak |= np.where(here, np.uint64(mask_of(fault.bits)), np.uint64(0))
    return weak


def _open_outputs(faults: list[InjectedFault]) -> int:
    return mask_of([bit for fault in faults if fault.model == "open-data" for bit in fault.bits])


def _output_map(chip: BoardChip, faults: tuple[InjectedFault, ...]) -> list[int]:
    """Outputs of a RAM behind faults at its own pins, for each word; empty without any."""
    own = [f for f in faults if f.chip == chip.name]
    if not own:
        return []
    return _as_list(_static_outputs(np.arange(1 << len(chip.lane), dtype=np.uint64), own))


def _bus_map(word_bits: int, faults: tuple[InjectedFault, ...]) -> list[int]:
    """Words as they arrive over faulty data lines of the bus, for each word; empty without any."""
    own = [f for f in faults if f.on_bus and f.model in _BUS_DATA]
    if not own:
        return []
    return _as_list(_static_outputs(np.arange(1 << word_bits, dtype=np.uint64), own))


def _as_list(values: Words) -> list[int]:
    return [int(value) for value in values]


_BUS_DATA = ("stuck-high", "stuck-low", "bridged-data-and", "bridged-data-or")
