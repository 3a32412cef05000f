"""6502: py65 runs a program assembled by Debian's cc65; every access of its own must come back.

The program is ``files/exercise.s``; the pins follow the published timing (see `bus.emulated.clocked_pins`).
"""

from __future__ import annotations

import shutil
import subprocess
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from py65.devices.mpu6502 import MPU

from bus.emulated.clocked_pins import ClockedPins
from bus.emulated.wave import Access, accesses, all_known
from wrongbit.bus.rebuild import rebuild_all
from wrongbit.machine.model import Point, Processor

FILES = Path(__file__).parent / "files"
PROCESSOR = Processor(name="U1", word_bits=8, address_bits=16, recipe="6502")
TIMING = Point(name="bus", mode="timing")
STATE = Point(name="bus", mode="state", clock="PHI2 ends")

pytestmark = [
    pytest.mark.debian,
    pytest.mark.skipif(
        shutil.which("ca65") is None, reason="the assembler ca65 is missing: apt-get install cc65"
    ),
]


class LoggedMemory:
    """RAM below the ROM at F000; remembers every access of the emulator."""

    def __init__(self, rom: bytes) -> None:
        self.cells = bytearray(0xF000) + rom
        self.log: list[Access] = []

    def __getitem__(self, address: int) -> int:
        word = self.cells[address]
        self.log.append(Access("read", address, word))
        return word

    def __setitem__(self, address: int, word: int) -> None:
        self.log.append(Access("write", address, word))
        if address < 0xF000:
            self.cells[address] = word


@pytest.fixture(scope="module")
def rom(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    folder = tmp_path_factory.mktemp("exercise")
    source, target = str(FILES / "exercise.s"), str(folder / "exercise.o")
    binary = folder / "exercise.bin"
    subprocess.run(["ca65", "-o", target, source], check=True)
    subprocess.run(["ld65", "-C", str(FILES / "exercise.cfg"), "-o", str(binary), target], check=True)
    return binary.read_bytes()


@cache
def run(rom: bytes) -> tuple[Access, ...]:
    """The emulator's accesses from reset, the first of each instruction being its opcode fetch."""
    memory = LoggedMemory(rom)
    processor = MPU(memory=memory, pc=None)
    while len(memory.log) < 52_000:
        first = len(memory.log)
        processor.step()
        memory.log[first] = memory.log[first]._replace(kind="fetch")
    return tuple(memory.log)


def drive(
    log: tuple[Access, ...], *, ideal: bool = False, waits: float = 0.0
) -> tuple[ClockedPins, list[Access]]:
    """The pins, and the accesses with the cycles in which RDY held the processor."""
    pins = ClockedPins("PHI2", {"SYNC": 0, "RDY": 1}, ideal=ideal)
    rng = np.random.default_rng(7)
    expected: list[Access] = []
    for access in log:
        if access.kind == "write":
            pins.write(access.address, access.word, SYNC=0, RDY=1)
            expected.append(access)
            continue
        sync = int(access.kind == "fetch")
        while rng.random() < waits:  # the memory is not ready: junk on the bus
            junk = int(rng.integers(0, 256))
            pins.read(access.address, junk, SYNC=sync, RDY=0)
            expected.append(Access("idle", access.address, junk))
        pins.read(access.address, access.word, SYNC=sync, RDY=1)
        expected.append(access)
    return pins, expected


def test_the_log_has_all_kinds_of_traffic(rom: bytes) -> None:
    log = run(rom)
    assert len(log) >= 50_000
    assert log[:2] == (Access("read", 0xFFFC, 0x00), Access("read", 0xFFFD, 0xF0))
    assert {access.kind for access in log} == {"fetch", "read", "write"}
    touched = {access.address >> 8 for access in log}
    assert {0x00, 0x01, 0x02, 0x07, 0xF0, 0xFF} < touched and len(touched) >= 10


@pytest.mark.parametrize("waits", [0.0, 0.3])
def test_timing_mode(rom: bytes, waits: float) -> None:
    log = run(rom)[: 52_000 if not waits else 8_000]
    pins, expected = drive(log, waits=waits)
    capture = pins.wave.sampled(61_700, seed=3, phase_ps=-5_000, glitches={"PHI2": 0.05})
    cycles = rebuild_all(capture, PROCESSOR, TIMING)
    assert accesses(cycles) == expected
    assert accesses(cycles, "idle") == list(log)
    assert all_known(cycles, 8, 16)


def test_state_mode(rom: bytes) -> None:
    log = run(rom)
    pins, expected = drive(log, waits=0.1)
    cycles = rebuild_all(pins.wave.at_edges("PHI2", 0), PROCESSOR, STATE)
    assert accesses(cycles) == expected


def test_change_list_without_delays(rom: bytes) -> None:
    log = run(rom)
    pins, expected = drive(log, ideal=True)
    assert accesses(rebuild_all(pins.wave.change_list(), PROCESSOR, TIMING)) == expected


def test_without_sync_and_rdy_fetches_are_reads(rom: bytes) -> None:
    log = run(rom)[:5_000]
    pins, _ = drive(log)
    capture = pins.wave.without("SYNC", "RDY").sampled(43_100, seed=9)
    want = [access._replace(kind="read") if access.kind == "fetch" else access for access in log]
    assert accesses(rebuild_all(capture, PROCESSOR, TIMING)) == want
