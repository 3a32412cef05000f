"""Random faults put into the demo machines, and whether the weighing names the true one.

The simulator (`wrongbit.demo.board`) shares no code with the fault models but the bit gathering of
`wrongbit.bits`. The table `TRUE` says which of our faults is the same thing as an injected one; nothing else
counts.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from wrongbit.bus.cycles import Cycles
from wrongbit.compare.build import build_memory_map
from wrongbit.compare.judge import judge
from wrongbit.compare.memory_map import MemoryMap
from wrongbit.demo.fault import InjectedFault
from wrongbit.demo.machine import DemoMachine
from wrongbit.demo.machines import machine_named
from wrongbit.demo.trace import BusTrace
from wrongbit.faults.evidence import Evidence, gather_evidence
from wrongbit.faults.fault import Fault
from wrongbit.faults.findings import Findings
from wrongbit.faults.models.arrays import DeadColumn, DeadRow, WeakColumn
from wrongbit.faults.models.cells import LostCharge, ScatteredCells
from wrongbit.faults.models.selection import ChipSilent, SelectsExchanged, SlowData, TwoChips
from wrongbit.faults.models.wires import (
    AddressFault,
    BankFault,
    ChipAddressFault,
    DataLineFault,
    OutputFault,
)
from wrongbit.faults.posterior import weigh
from wrongbit.machine.load import load_machine

CYCLES = 8_000

NAMES = ("saltmarsh", "fellgate", "quarrybank")
"""The demo machines with one processor."""


def demo_machines() -> list[DemoMachine]:
    """The machines that faults are put into."""
    return [machine_named(name) for name in NAMES]


def cycles_of(trace: BusTrace, memory_map: MemoryMap) -> Cycles:
    """The trace as a capture without an instrument's habits would give it."""
    n = len(trace)
    return Cycles(
        sample=np.arange(n),
        time_ps=np.arange(n) * 1_000_000,
        kind=trace.kind,
        bank=trace.bank,
        address=trace.address,
        address_known=np.full(n, (1 << memory_map.address_bits) - 1, np.uint64),
        word=trace.word,
        known=np.full(n, (1 << memory_map.word_bits) - 1, np.uint64),
        held=trace.held,
        flags=np.zeros(n, np.uint8),
    )


def memory_map_of(machine: DemoMachine) -> MemoryMap:
    """The memory map, made from the machine's own files like a user's."""
    return _memory_map_named(machine.name)


@cache
def _memory_map_named(name: str) -> MemoryMap:
    machine = machine_named(name)
    with tempfile.TemporaryDirectory() as folder:
        for name, data in machine.build().files.items():
            (Path(folder) / name).write_bytes(data)
        loaded = load_machine(Path(folder) / f"{machine.name}.toml")
        return build_memory_map(loaded, loaded.processor_of(None), Path(folder))


def _wire(what: str, lines: str) -> Callable[[InjectedFault], Fault]:
    def make(fault: InjectedFault) -> Fault:
        kinds = {"bits": (OutputFault, DataLineFault), "lines": (ChipAddressFault, AddressFault)}
        return kinds[lines][fault.on_bus](fault.chip, what, *getattr(fault, lines))

    return make


def _array(kind: type[Fault], which: str, machine: DemoMachine, fault: InjectedFault) -> Fault:
    lines = getattr(machine.board.chip(fault.chip), which)
    output = {} if kind is DeadRow else {"output": fault.bits[0]}
    return kind(fault.chip, lines, fault.line, fault.level, **output)


TRUE: dict[str, Callable[[DemoMachine, InjectedFault], Fault]] = {
    "stuck-high": lambda _, fault: _wire("stuck at 1", "bits")(fault),
    "stuck-low": lambda _, fault: _wire("stuck at 0", "bits")(fault),
    "bridged-data-and": lambda _, fault: _wire("low wins", "bits")(fault),
    "bridged-data-or": lambda _, fault: _wire("high wins", "bits")(fault),
    "open-data": lambda _, fault: _wire("open", "bits")(fault),
    "address-stuck-high": lambda _, fault: _wire("stuck at 1", "lines")(fault),
    "address-stuck-low": lambda _, fault: _wire("stuck at 0", "lines")(fault),
    "address-open": lambda _, fault: _wire("open", "lines")(fault),
    "address-bridged-and": lambda _, fault: _wire("low wins", "lines")(fault),
    "address-bridged-or": lambda _, fault: _wire("high wins", "lines")(fault),
    "address-swapped": lambda _, fault: _wire("swapped", "lines")(fault),
    "wrong-bank": lambda _, fault: BankFault("bus", f"stuck at {fault.level}", 0),
    "wrong-chip": lambda _, fault: SelectsExchanged(*sorted((fault.chip, fault.other))),
    "two-chips": lambda _, fault: TwoChips(*sorted((fault.chip, fault.other)), False, True),
    "floating-data": lambda _, fault: ChipSilent(fault.chip),
    "slow-data": lambda _, fault: SlowData(fault.chip),
    "failed-cells": lambda _, fault: ScatteredCells(fault.chip),
    "lost-charge": lambda _, fault: LostCharge(fault.chip, 1),
    "dead-row": lambda machine, fault: _array(DeadRow, "rows", machine, fault),
    "dead-column": lambda machine, fault: _array(DeadColumn, "columns", machine, fault),
    "weak-column": lambda machine, fault: _array(WeakColumn, "columns", machine, fault),
}
"""Kind of injected fault = our fault that is the same thing, but for rates, drifts and lists of cells."""


def same(one: Fault, two: Fault) -> bool:
    """The same thing at the same place: everything but what was fitted to the observations."""
    return one.bare() == two.bare()


@dataclass(frozen=True)
class Outcome:
    """One injection and what became of it."""

    machine: DemoMachine
    fault: InjectedFault
    evidence: Evidence
    findings: Findings

    @property
    def shown(self) -> bool:
        """At least one captured word differs from what it should have been."""
        return self.findings.wrong_bits > 0

    @property
    def right(self) -> bool:
        """The true fault is among the top ties, or none is seen where none shows."""
        if not self.shown:
            return not self.findings.fault_seen and len(self.findings.findings) == 1
        true = TRUE[self.fault.model](self.machine, self.fault)
        return any(len(tie.faults) == 1 and same(tie.faults[0], true) for tie in self.findings.ties)


def observe(machine: DemoMachine, fault: InjectedFault, seed: int, cycles: int = CYCLES) -> Evidence:
    """Evidence from a run of the machine with this fault."""
    memory_map = memory_map_of(machine)
    captured = cycles_of(machine.simulate(fault, cycles, seed), memory_map)
    return gather_evidence(captured, judge(captured, memory_map))


def machines_for(model: str) -> list[DemoMachine]:
    """The machines that can have this kind of fault; mask ROMs have no charge to lose."""
    able = [machine for machine in demo_machines() if model in {kind.name for kind in machine.faults()}]
    if model == "lost-charge":
        able = [
            machine for machine in able if any(chip.stores_charge for chip in memory_map_of(machine).roms)
        ]
    return able


def inject_and_weigh(machine: DemoMachine, model: str, seed: int, cycles: int = CYCLES) -> Outcome:
    """Draw a fault of this kind, run the machine with it and weigh what was seen."""
    fault = machine.inject(model, seed)
    evidence = observe(machine, fault, seed, cycles)
    return Outcome(machine, fault, evidence, weigh(evidence, memory_map_of(machine)))
