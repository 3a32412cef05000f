"""Demo machines with one faulty part, captured at any probe point: what tests and benchmarks observe.

The simulator (`wrongbit.demo.wiring`) shares the description of the paths with the diagnosis and no
reasoning.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random

import numpy as np

from wrongbit.bus.cycles import Cycles
from wrongbit.compare.build import build_memory_map
from wrongbit.compare.judge import judge
from wrongbit.compare.memory_map import MemoryMap
from wrongbit.demo.bench import PartBench
from wrongbit.demo.fault import InjectedFault
from wrongbit.demo.machine import DemoMachine
from wrongbit.demo.machines import machine_named
from wrongbit.demo.trace import BusTrace
from wrongbit.demo.wiring import PartFault, WiredBus
from wrongbit.diagnose.looks import Look
from wrongbit.diagnose.structure import Structure
from wrongbit.faults.evidence import gather_evidence
from wrongbit.machine.load import load_machine

CYCLES = 2500
NOISE = 1e-4


@dataclass(frozen=True)
class Loaded:
    """A demo machine with its machine file read as a user's."""

    demo: DemoMachine
    structure: Structure
    maps: dict[str, MemoryMap]


@cache
def loaded(name: str) -> Loaded:
    demo = machine_named(name)
    with tempfile.TemporaryDirectory() as folder:
        for file, data in demo.build().files.items():
            (Path(folder) / file).write_bytes(data)
        machine = load_machine(Path(folder) / f"{name}.toml")
        maps = {p.name: build_memory_map(machine, p, Path(folder)) for p in machine.processor}
    return Loaded(demo, Structure(machine), maps)


class LevelBus(WiredBus):
    """A bus of which an open address line is high in a given share of the accesses, in runs of about ten."""

    level = 0.5
    _now_at: int | None = None

    def _step(self) -> None:
        super()._step()
        if self._now_at is None or self._rng.random() > 0.9:
            self._now_at = int(self._rng.random() < self.level)
        self._float_level = self._now_at


@dataclass
class LevelBench(PartBench):
    """A `PartBench` with a `LevelBus`."""

    level: float = 0.5

    def trace(self, point: str) -> BusTrace:
        processor = self.machine.processor_of(self.machine.point_of(point).processor).name
        if processor not in self._runs:
            rng = Random(f"{self.demo.name} {self.seed} {processor}")
            ports = self.demo.ports_of(processor, self.seed)
            bus = LevelBus(self.demo.board_of(processor), self.machine, processor, self.fault, rng, ports)
            bus.level = self.level
            self.demo.processor(bus).run(self.cycles)
            self._runs[processor] = bus
        return super().trace(point)


@dataclass
class Bench:
    """A machine on the bench: one fault, captures wherever the probe is clipped.

    Args:
        on: The machine.
        fault: The faulty part.
        seed: Source of everything that varies.
        cycles: Bus cycles from reset that each capture has at most.
        noise: Share of bits that are read wrong.
        chip_fault: What is wrong with a chip instead.
        level: How often an open address line is high; None: as `WiredBus` has it.
    """

    on: Loaded
    fault: PartFault | None
    seed: int
    cycles: int = CYCLES
    noise: float = 0.0
    chip_fault: InjectedFault | None = None
    level: float | None = None

    def __post_init__(self) -> None:
        machine = self.on.structure.machine
        what = self.on.demo, machine, self.fault, self.seed, self.cycles, self.chip_fault
        self.on_bench = PartBench(*what) if self.level is None else LevelBench(*what, level=self.level)

    def look(self, point: str) -> Look:
        described = self.on.structure.machine.point_of(point)
        memory_map = self.on.maps[self.on.structure.machine.processor_of(described.processor).name]
        cycles = cycles_of(self.on_bench.trace(point), memory_map, self.noise, f"{self.seed} {point}")
        evidence = gather_evidence(cycles, judge(cycles, memory_map))
        chips = self.on.structure.chips_seen(described)
        return Look.of(described, point, evidence, memory_map, NOISE, chips)


def cycles_of(trace: BusTrace, memory_map: MemoryMap, noise: float, seed: str) -> Cycles:
    """The trace as a capture gives it, single bits read wrong at the noise rate."""
    n = len(trace)
    word = trace.word
    if noise:
        flips = np.random.default_rng(list(seed.encode())).random((n, memory_map.word_bits)) < noise
        word = word ^ (flips.astype(np.uint64) << np.arange(memory_map.word_bits, dtype=np.uint64)).sum(
            axis=1
        )
    return Cycles(
        sample=np.arange(n),
        time_ps=np.arange(n) * 1_000_000,
        kind=trace.kind,
        bank=trace.bank,
        address=trace.address,
        address_known=np.full(n, (1 << memory_map.address_bits) - 1, np.uint64),
        word=word,
        known=np.full(n, (1 << memory_map.word_bits) - 1, np.uint64),
        held=trace.held,
        flags=np.zeros(n, np.uint8),
    )


def points_of(on: Loaded) -> list[str]:
    """One probe point for each place: those at the processor's own pins are the same place."""
    machine = on.structure.machine
    seen: dict[object, str] = {}
    for point in machine.point:
        key = (machine.processor_of(point.processor).name, tuple(sorted(point.on.items())))
        seen.setdefault(key, point.name)
    return list(seen.values())
