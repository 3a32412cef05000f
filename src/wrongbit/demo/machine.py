"""What an invented machine consists of: a board with a program, a processor model, and files for a user."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from importlib.resources import files
from random import Random
from typing import Protocol

import numpy as np

from wrongbit.demo.board import Bus
from wrongbit.demo.export import Export
from wrongbit.demo.fault import InjectedFault
from wrongbit.demo.injection import FaultKind, inject_into, kinds_for
from wrongbit.demo.parts import Board
from wrongbit.demo.trace import BusTrace
from wrongbit.demo.waveform import Unrest, Waveforms


class Runs(Protocol):
    """A processor model on a bus."""

    def run(self, cycles: int) -> None:
        """Go on until the bus has seen this many cycles."""

    def trace(self, cycles: int, clock_hz: float) -> BusTrace:
        """The first ``cycles`` cycles."""


@dataclass(frozen=True)
class Built:
    """A machine as it was delivered, without a fault.

    Args:
        board: Its chips with their contents.
        files: File name = bytes, of everything that describes it: machine file, images, listings.
    """

    board: Board
    files: Mapping[str, bytes]


@dataclass(frozen=True)
class WornChip:
    """An EPROM that is shown worn, and what proves its contents.

    Args:
        chip: Reference designator.
        checksum: The sum that its contents obey, as a person writes it.
        says: How the owner knows.
        memory: A memory that fits in its place.
    """

    chip: str
    checksum: str
    says: str
    memory: str


@dataclass(frozen=True)
class DemoMachine:
    """An invented machine.

    Args:
        name: As the command line takes it.
        title: What it is called.
        text: What it is, in one sentence.
        default_fault: The fault that it is shown with.
        clock_hz: Frequency of the processor's clock.
        build: Assembles its programs; called often, so it remembers its result.
        processor: Puts its processor on a bus.
        ports: Makes what its inputs give, word by word.
        pins: Draws its processor's pins from a trace.
        period_ps: Sampling period that suits its clock.
        exports: How the captures of each probe point are written; the first one is the usual one.
        more_faults: Further faults that it is worth showing with.
        worn: The chip that is shown worn in a reader, if there is one.
        second: Further processors = their own chips instead of the first one's (name = name); what is not
            named is shared.
        second_ports: What the inputs of further processors give; None: as for the first.
        part_fault: The faulty part that it is shown with, in the notation of `wrongbit.demo.wiring`.
    """

    name: str
    title: str
    text: str
    default_fault: str
    clock_hz: float
    build: Callable[[], Built]
    processor: Callable[[Bus], Runs]
    ports: Callable[[Random], Callable[[int], int]]
    pins: Callable[[BusTrace, np.random.Generator, Unrest], Waveforms]
    period_ps: int
    exports: tuple[Export, ...]
    more_faults: tuple[str, ...] = ()
    worn: WornChip | None = None
    second: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    second_ports: Callable[[Random], Callable[[int], int]] | None = None
    part_fault: str = ""

    @property
    def board(self) -> Board:
        """Its chips with their contents."""
        return self.build().board

    def board_of(self, processor: str) -> Board:
        """The chips on the bus of a processor: of a further one with its own names."""
        own = self.second.get(processor, {})
        chips = tuple(replace(chip, name=own.get(chip.name, chip.name)) for chip in self.board.chips)
        return replace(self.board, chips=chips)

    def ports_of(self, processor: str, seed: int) -> Callable[[int], int]:
        """What the inputs of a processor give."""
        ports = self.second_ports if processor in self.second and self.second_ports else self.ports
        return ports(Random(f"ports {seed}"))

    def faults(self) -> tuple[FaultKind, ...]:
        """The kinds of fault that can be put into it."""
        return kinds_for(self.board)

    def inject(self, text: str, seed: int) -> InjectedFault:
        """The fault that ``NAME[:DETAIL][+…]`` describes (see `wrongbit.demo.injection`)."""
        return inject_into(self.board, text, seed)

    def simulate(self, fault: InjectedFault, cycles: int, seed: int) -> BusTrace:
        """Run from reset for ``cycles`` bus cycles with this fault.

        Args:
            fault: From `inject`.
            cycles: Length of the trace.
            seed: Source of everything that varies: RAM at power-up, inputs, intermittent faults.
        """
        rng = Random(f"{self.name} {seed}")
        processor = self.processor(Bus(self.board, fault, rng, self.ports(Random(f"ports {seed}"))))
        processor.run(cycles)
        return processor.trace(cycles, self.clock_hz)


def read_text(machine: str, name: str) -> str:
    """A source file of a machine."""
    return files("wrongbit.demo").joinpath(machine, name).read_text("utf-8")


def wandering(rng: Random, width: int, quiet: int = 0) -> Callable[[int], int]:
    """An input that moves a little from reading to reading, as a sensor does; ``quiet`` bits stay 0."""
    limit = (1 << width) - 1
    level = rng.getrandbits(width)

    def read(address: int) -> int:
        nonlocal level
        level = min(limit, max(0, level + rng.randint(-3, 3)))
        return level & ~quiet

    return read
