"""The processor models against the library emulators running the same images by themselves.

References: py65's plain ``MPU`` and the z80 package's ``Z80Machine`` with its own memory, without our bus.
"""

from collections import Counter
from itertools import pairwise
from random import Random

import numpy as np
import pytest
from py65.devices.mpu6502 import MPU
from z80 import Z80Machine

from wrongbit.demo import family_6502
from wrongbit.demo.board import Bus
from wrongbit.demo.fault import InjectedFault
from wrongbit.demo.machines import inject, machine_named, simulate
from wrongbit.demo.parts import Board, BoardChip
from wrongbit.demo.trace import CODE

NONE = InjectedFault("none")
CYCLES = 120_000  # beyond the self test, into the machines' work


def ram_at_power_up(trace, size, base=0):
    """What the first read of each RAM byte before any write showed: its level at power-up."""
    memory, seen = {}, set()
    for kind, address, word in zip(
        trace.kind.tolist(), trace.address.tolist(), trace.word.tolist(), strict=True
    ):
        if base <= address < base + size and address not in seen and kind in (0, 1, 2):
            seen.add(address)
            memory[address] = word
    return memory


class LoggedMemory(dict):
    """Memory of a plain py65: notes every access, reads its input from the same sensor as the machine."""

    def __init__(self, contents, port):
        super().__init__(contents)
        self.port, self.log = port, []

    def __getitem__(self, address):
        word = self.port(address) if address & 0xFFFC == 0xD000 else super().__getitem__(address & 0xFFFF)
        self.log.append(("read", address & 0xFFFF, word))
        return word

    def __setitem__(self, address, word):
        self.log.append(("write", address & 0xFFFF, word))
        super().__setitem__(address, word)


def test_6502_makes_the_accesses_of_py65_and_takes_its_time():
    machine = machine_named("fellgate")
    trace = simulate(machine, NONE, CYCLES, seed=1)
    contents = ram_at_power_up(trace, 2048)
    for chip in machine.board.roms:
        base = chip.regions[0][1]
        contents.update({base + i: int(word) for i, word in enumerate(chip.contents)})
    memory = LoggedMemory(contents, machine.ports(Random("ports 1")))
    reference = MPU(memory=memory, pc=0xF000)
    # The program itself sets flags and stack before it uses them.
    fetches = np.flatnonzero(trace.kind == CODE["fetch"])
    names = {CODE["fetch"]: "read", CODE["read"]: "read", CODE["write"]: "write"}
    for start, end in pairwise(fetches):
        assert reference.pc == trace.address[start]
        memory.log.clear()
        before = reference.processorCycles
        reference.step()
        ours = Counter(
            (names[k], a, w)
            for k, a, w in zip(
                trace.kind[start:end].tolist(),
                trace.address[start:end].tolist(),
                trace.word[start:end].tolist(),
                strict=True,
            )
        )
        assert not Counter(memory.log) - ours, f"an access is missing at {reference.pc:04X}"
        assert reference.processorCycles - before == end - start, (
            f"wrong length at {trace.address[start]:04X}"
        )


def _one_instruction(code, operand, index, carry):
    """Bus cycles of one instruction at 0x0200, and py65's own count of clock periods."""
    ram = BoardChip("RAM", "ram", 0x10000, tuple(range(8)), ((None, 0, 0x10000),), tuple(range(16)))
    bus = Bus(Board(8, 1, False, (ram,)), NONE, Random(1), lambda address: 0)
    processor = family_6502.Processor(bus)
    program = [code, *operand]
    for offset, byte in enumerate(program):
        bus.write(CODE["write"], 0, 0x0200 + offset, byte, 0)
    processor.pc, processor.sp = 0x0200, 0xF0
    processor.x = processor.y = index
    processor.p = 0x31 if carry else 0x30
    before, cycles = len(bus), processor.processorCycles
    processor.step()
    return len(bus) - before, processor.processorCycles - cycles


DEC_ABSOLUTE = 0xCE
"""py65 counts 3 clock periods for it, a slip: as INC and the shifts of this mode it takes 6."""


# py65's counts follow the published 6502 table but for one; a cycle is one clock period.
@pytest.mark.parametrize("index", [0, 0xFF])
@pytest.mark.parametrize("carry", [False, True])
def test_6502_fills_every_clock_period_with_a_bus_cycle(index, carry):
    for code, (name, _) in enumerate(MPU.disassemble):
        if name == "???":
            continue
        for operand in ([0x10, 0x03], [0x90, 0x10]):
            cycles, clocks = _one_instruction(code, operand, index, carry)
            if code == DEC_ABSOLUTE:
                clocks = 6
            assert cycles == clocks, f"{name} {code:02X} {operand}"


def test_z80_executes_as_the_package_does_by_itself():
    machine = machine_named("quarrybank")
    trace = simulate(machine, NONE, CYCLES, seed=1)
    reference = Z80Machine()
    for chip in machine.board.roms:
        reference.set_memory_block(chip.regions[0][1], bytes(chip.contents.astype(np.uint8)))
    for address, word in ram_at_power_up(trace, 2048, 0x8000).items():
        reference.set_memory_block(address, bytes([word]))
    port = machine.ports(Random("ports 1"))
    reference.set_input_callback(port)
    fetched = trace.address[trace.kind == CODE["fetch"]].tolist()
    position = 0
    while position < len(fetched) - 2:
        assert fetched[position] == reference.pc
        prefixed = reference.memory[reference.pc] in (0xCB, 0xDD, 0xED, 0xFD)
        assert not prefixed or fetched[position + 1] == reference.pc + 1
        position += 2 if prefixed else 1
        reference.step_over_breakpoint()
    written = {}
    for kind, address, word in zip(
        trace.kind.tolist(), trace.address.tolist(), trace.word.tolist(), strict=True
    ):
        if kind == CODE["write"]:
            written[address] = word
    assert len(written) > 1000
    # The last instruction may be cut off by the end of the trace.
    assert sum(reference.memory[address] != word for address, word in written.items()) <= 2


def test_z80_machine_cycles_have_the_lengths_of_the_manual():
    """Zilog UM0080, timing: M1 four clock periods, memory three, I/O four (the lengths are from memory, not
    checked); longer ones only where an instruction needs them inside."""
    trace = simulate("quarrybank", NONE, 30_000, seed=1)
    keep = trace.kind != CODE["refresh"]
    kind, clock = trace.kind[keep], trace.clock[keep]
    length = np.diff(clock)
    shortest = {k: int(length[kind[:-1] == CODE[k]].min()) for k in ("fetch", "read", "write", "io_write")}
    assert shortest == {"fetch": 4, "read": 3, "write": 3, "io_write": 4}
    # LD HL,(nn) at the start of each piece: 16 clock periods, M1 and four memory reads.
    at = np.flatnonzero((kind == CODE["fetch"]) & (trace.word[keep] == 0x2A))[0]
    assert clock[at + 5] - clock[at] == 16
    # POP DE: 10; ADD HL,DE: 11.
    at = np.flatnonzero((kind == CODE["fetch"]) & (trace.word[keep] == 0xD1))[0]
    assert (clock[at + 3] - clock[at], clock[at + 4] - clock[at + 3]) == (10, 11)


def test_z80_refresh_follows_each_fetch_and_counts_up():
    """UM0080: R, zero after reset, goes out on A0 to A6 in T3 and T4 of every M1 cycle; then it counts up."""
    trace = simulate("quarrybank", NONE, 5_000, seed=1)
    fetch = np.flatnonzero(trace.kind[:-1] == CODE["fetch"])
    assert (trace.kind[fetch + 1] == CODE["refresh"]).all()
    refresh = trace.address[trace.kind == CODE["refresh"]]
    assert refresh[0] == 0
    assert ((refresh[1:] - refresh[:-1]) % 128 == 1).all()
    assert (trace.clock[fetch + 1] - trace.clock[fetch] == 2).all()


@pytest.mark.parametrize("name, lamps, good", [("saltmarsh", 0x21, 2), ("quarrybank", 0x13, 0)])
def test_the_self_tests_pass_without_a_fault(name, lamps, good):
    trace = simulate(name, NONE, 250_000, seed=3)
    out = (trace.kind == CODE["io_write"]) & (trace.address & np.uint64(0xFF) == lamps)
    assert trace.word[out][-1] == good


def test_the_loom_weaves_without_a_fault():
    trace = simulate("fellgate", NONE, 100_000, seed=3)
    lamps = (trace.kind == CODE["write"]) & (trace.address == 0xD003)
    assert trace.word[lamps].tolist() == [1, 0]


@pytest.mark.parametrize(
    "name, cycles", [("saltmarsh", 20_000), ("fellgate", 50_000), ("quarrybank", 90_000)]
)
def test_the_self_test_reads_every_rom_word(name, cycles):
    machine = machine_named(name)
    trace = simulate(machine, NONE, cycles, seed=1)
    reading = trace.kind <= CODE["read"]
    for chip in machine.board.roms:
        bank, base, size = chip.regions[0]
        here = reading & (trace.address >= base) & (trace.address < base + size)
        if bank is not None:
            here &= trace.bank == bank
        assert len(np.unique(trace.address[here])) == size


def test_the_same_seed_gives_the_same_run():
    fault = inject("saltmarsh", "weak-column", seed=4)
    one, two, three = (simulate("saltmarsh", fault, 9000, seed) for seed in (7, 7, 8))
    assert (one.word == two.word).all()
    assert (one.word != three.word).any()
