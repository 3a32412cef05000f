"""A simulated board at work, with one fault or several put into its parts.

Every access goes the physical way: the processor's address and bank, the bus lines, the selection of chips,
a chip's own address inputs, its cell array, its outputs, the joining of outputs on the bus, the data lines
back to the processor. A fault acts at its place on this way and nowhere else, so a faulty processor really
executes what it received.

Faults called "of the bus" sit beyond the address and data buffers, where they act on every chip; the
processor's own pins, where the probes are, still show the address that it put out and the word that it got.
Everything that does not change from access to access is worked out once (`wrongbit.demo.answers`).
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

import numpy as np

from wrongbit.bits import mask_of
from wrongbit.demo.answers import Answers, bus_map, output_map
from wrongbit.demo.fault import InjectedFault
from wrongbit.demo.parts import Board
from wrongbit.demo.trace import CODE, BusTrace

_READ_PORT, _WRITE_PORT = CODE["io_read"], CODE["io_write"]
_STAYS = 0.9
"""An open input keeps the level that it drifted to from one access to the next with this probability."""


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
        self._outputs = [output_map(chip, self._single) for chip in self._volatile]
        self._open_line = any(f.model == "address-open" for f in self._single)
        levels = (0, 1) if self._open_line else (0,)
        self._variants = [Answers(board, self._single, self._volatile, level) for level in levels]
        self._level = rng.randrange(len(self._variants))
        self._bus_map = bus_map(board.word_bits, self._single)
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
        tables = self._answers()
        index = bank % self._board.banks << 16 | address  # lines that are not there do not count
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
        tables = self._answers()
        index = bank % self._board.banks << 16 | address  # lines that are not there do not count
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

    def _answers(self) -> Answers:
        if self._open_line and self._rng.random() > _STAYS:
            self._level = self._rng.getrandbits(1)
        return self._variants[self._level]

    def _volatile_read(
        self, tables: Answers, index: int, code: int, word: int, driven: int, address: int
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
