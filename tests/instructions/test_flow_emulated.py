"""Where real code goes, foretold instruction by instruction, against reference emulators that execute it.

6502: py65 runs a program assembled by Debian's cc65 (``tests/bus/files/exercise.s``), and every branch both
ways. Z80: the z80 package runs Debian's C-BIOS. Both emulators' own counts of clock cycles are held against
the tables as well.
"""

from __future__ import annotations

import shutil
import subprocess
from collections import Counter
from pathlib import Path

import pytest
from py65.devices.mpu6502 import MPU
from z80 import HL

from bus.emulated.z80_machine import Z80Board
from instructions.captures import by_hand
from wrongbit.instructions.instruction import Instruction
from wrongbit.instructions.loops import clock_cycles, find_loops
from wrongbit.instructions.sets import built_in_set
from wrongbit.machine.model import Processor

FILES = Path(__file__).parents[1] / "bus" / "files"
CBIOS = Path("/usr/share/cbios/cbios_main_msx1.rom")
ENOUGH = 100_000

PY65_COUNTS_LESS = {0xCE: 3}
"""py65 1.2.0 gives DEC absolute 3 clock cycles; the programming manual gives 6 (from memory)."""


def foretold(found: Instruction | None, went: int, return_to: int | None) -> bool:
    """The instruction leads to where the emulator went."""
    assert found is not None
    if found.flow == "return" and not (found.conditional and went == found.following):
        return went == return_to
    if found.flow == "indirect":
        return True
    assert found.successors is not None, found
    return went in found.successors


@pytest.mark.debian
@pytest.mark.skipif(shutil.which("ca65") is None, reason="ca65 is missing: apt-get install cc65")
def test_6502_program_of_cc65(tmp_path: Path) -> None:
    made, binary = tmp_path / "exercise.o", tmp_path / "exercise.bin"
    subprocess.run(["ca65", "-o", str(made), str(FILES / "exercise.s")], check=True)
    subprocess.run(["ld65", "-C", str(FILES / "exercise.cfg"), "-o", str(binary), str(made)], check=True)
    mpu = MPU(memory=list(bytes(0xF000) + binary.read_bytes()))
    mpu.pc = mpu.WordAt(mpu.RESET)
    flows = run_6502(mpu, ENOUGH)
    assert flows["branch"] > 10_000
    assert flows["call"] > 1000
    assert flows["return"] > 1000


def run_6502(mpu: MPU, count: int) -> Counter[str]:
    """Step the emulator, foretelling each step; counts of the flows that occurred."""
    found_set = built_in_set("6502")
    assert found_set is not None
    flows: Counter[str] = Counter()
    for _ in range(count):
        found = found_set.decode(lambda address: int(mpu.memory[address & 0xFFFF]), mpu.pc)
        assert found is not None
        top = 0x100 + (mpu.sp + (2 if found.text == "RTI" else 1) & 0xFF)
        return_to = (mpu.memory[top] | mpu.memory[top + 1] << 8) + (found.text == "RTS") & 0xFFFF
        before = mpu.processorCycles
        mpu.step()
        assert foretold(found, mpu.pc, return_to), (hex(mpu.pc), found)
        took = mpu.processorCycles - before
        counts = clock_cycles(found, mpu.pc)
        assert counts is not None
        assert counts[0] <= took + 6 - PY65_COUNTS_LESS.get(found.words[0], 6) <= counts[1], (found, took)
        flows[found.flow] += 1
    return flows


BRANCHES = {0x10: 0x80, 0x30: 0x80, 0x50: 0x40, 0x70: 0x40, 0x90: 0x01, 0xB0: 0x01, 0xD0: 0x02, 0xF0: 0x02}
"""Operation code = the flag it looks at; bit 5 of the code is the level at which it is taken."""


@pytest.mark.parametrize("code", BRANCHES)
@pytest.mark.parametrize("distance", [0x02, 0x7F, 0x80, 0xFE, 0xF0])
def test_6502_every_branch_both_ways(code: int, distance: int) -> None:
    for at in (0x10F0, 0x1002):
        for level in (0, 1):
            mpu = MPU()
            mpu.memory[at : at + 2] = [code, distance]
            mpu.pc, mpu.p = at, 0x30 | BRANCHES[code] * level
            taken = level == code >> 5 & 1
            run_6502(mpu, 1)
            signed = distance - 256 if distance > 127 else distance
            assert mpu.pc == at + 2 + signed * taken


@pytest.mark.debian
@pytest.mark.skipif(not CBIOS.exists(), reason=f"{CBIOS} is missing: apt-get install cbios")
def test_z80_cbios() -> None:
    """After reset, and past the memory test, with interrupts between some instructions."""
    board = Z80Board(CBIOS.read_bytes(), ports={0x99: 0x80})
    machine, found_set = board.machine, built_in_set("z80")
    assert found_set is not None
    flows: Counter[str] = Counter()
    steps = skipped = 0
    while sum(flows.values()) < ENOUGH:
        steps += 1
        if sum(flows.values()) == 10_000 and not skipped:
            skipped = sum(len(board.step().accesses) for _ in range(250_000))
        if steps % 997 == 0:
            board.interrupt()
        if machine.index_rp_kind is not HL:
            board.step()  # in the middle of a prefixed instruction
            continue
        start, ticks = machine.pc, machine.frame_tick
        found = found_set.decode(lambda address: board.memory[address & 0xFFFF], start)
        top = machine.sp
        return_to = board.memory[top] | board.memory[top + 1 & 0xFFFF] << 8
        board.step()
        while machine.index_rp_kind is not HL:
            board.step()  # a prefix may be a step of its own
        assert foretold(found, machine.pc, return_to), (hex(machine.pc), found)
        assert found is not None
        counts = clock_cycles(found, machine.pc)
        assert counts is not None
        took = machine.frame_tick - ticks
        if took >= 0:  # the emulator's clock starts again now and then
            assert counts[0] == took, (found, took)
        flows[found.flow] += 1
    assert min(flows[flow] for flow in ("next", "branch", "jump")) > 1000, flows
    assert min(flows["call"], flows["return"]) > 20, flows


class TestLoopTimes:
    """Delay loops whose time the makers' tables give."""

    def test_z80_djnz(self) -> None:
        """UM0080: DJNZ takes 13 clock cycles when it goes back: at 4 MHz 100 rounds are 325 µs."""
        rows = []
        for _ in range(100):
            rows += [("fetch", 0x20, 0x10), ("refresh", 0, 0), ("read", 0x21, 0xFE)]
        rows += [("fetch", 0x22, 0), ("fetch", 0x23, 0)]
        processor = Processor(name="U1", word_bits=8, address_bits=16, recipe="z80", clock="4 MHz")
        execution = by_hand(rows, {}, instructions="z80", processor=processor, period_ns=13 * 250 / 3)
        (loop,) = find_loops(execution)
        assert loop.cycles == (13, 13)
        assert loop.iterations == 100
        assert loop.expected_ps == (325_000_000, 325_000_000)
        assert loop.ratio == pytest.approx(1, abs=0.001)

    def test_6502_dex_bne(self) -> None:
        """MOS manual: DEX 2, BNE 3 when taken within a page, 4 across one: 5 or 6 a round (from memory)."""
        for base, a_round in ((0xF010, 5), (0xF0FE, 6)):
            mpu = MPU()
            mpu.memory[base - 2 : base + 3] = [0xA2, 0xC8, 0xCA, 0xD0, 0xFD]
            mpu.pc = base - 2
            rows: list[tuple[str, int, int]] = []
            for _ in range(300):
                before, pc = mpu.processorCycles, mpu.pc
                mpu.step()
                rows.append(("fetch", pc, mpu.memory[pc]))
                for more in range(1, mpu.processorCycles - before):
                    rows.append(("read", pc + more, mpu.memory[pc + more]))
            processor = Processor(name="U1", word_bits=8, address_bits=16, recipe="6502", clock="1 MHz")
            execution = by_hand(rows, {}, instructions="6502", processor=processor, period_ns=1000)
            (loop,) = find_loops(execution)
            assert [found.text.split()[0] for found in loop.body] == ["DEX", "BNE"]
            assert loop.cycles == (a_round, a_round)
            assert loop.measured_ps == loop.iterations * a_round * 1_000_000
            assert loop.ratio == 1

    def test_another_clock_shows(self) -> None:
        rows = []
        for _ in range(50):
            rows += [("fetch", 0x20, 0x18), ("read", 0x21, 0xFE)]
        processor = Processor(name="U1", word_bits=8, address_bits=16, recipe="z80", clock="4 MHz")
        # JR takes 12 clock cycles (UM0080): 3 µs; here each takes 6 µs.
        execution = by_hand(rows, {}, instructions="z80", processor=processor, period_ns=3000)
        (loop,) = find_loops(execution)
        assert loop.ratio == pytest.approx(2)

    def test_what_a_halted_z80_fetches_is_no_loop(self) -> None:
        """UM0080: while halted the processor executes NOPs to keep refreshing; it goes on fetching (M1)."""
        rows = [("fetch", 0x20, 0x00), ("refresh", 0, 0), ("fetch", 0x21, 0x76), ("refresh", 0, 0)]
        for _ in range(30):
            rows += [("fetch", 0x22, 0x3C), ("refresh", 0, 0)]
        processor = Processor(name="U1", word_bits=8, address_bits=16, recipe="z80", clock="4 MHz")
        execution = by_hand(rows, {}, instructions="z80", processor=processor, period_ns=500)
        (halt,) = find_loops(execution)
        assert halt.halted_by is not None
        assert (halt.halted_by.address, halt.halted_by.text) == (0x21, "halt")
        assert execution.cycles.address[halt.first_row] == 0x22
        # The same fetches behind a jump to that place are a loop: nothing stopped the processor.
        rows[2] = ("fetch", 0x21, 0x00)
        (loop,) = find_loops(by_hand(rows, {}, instructions="z80", processor=processor, period_ns=500))
        assert loop.halted_by is None
