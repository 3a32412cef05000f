"""A real core at register-transfer level: every transfer that its memory logged must come back from the VCD.

The core is picorv32 (Verilog in the PyPI package ``pythondata-cpu-picorv32``), simulated with Debian's
iverilog on the board of ``files/rv32_board.v``. The bus recipe is an own one in ``files/rv32_board.toml``,
after the core's README, section "PicoRV32 Native Memory Interface".
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import pythondata_cpu_picorv32

from wrongbit.bus.cycles import Cycles
from wrongbit.bus.rebuild import rebuild, rebuild_all
from wrongbit.bus.recipes import bus_widths, needed_signals, resolve_recipe
from wrongbit.capture.formats.vcd import open_vcd
from wrongbit.machine.load import load_machine
from wrongbit.machine.recipe import KINDS

FILES = Path(__file__).parent / "files"
CORE = Path(pythondata_cpu_picorv32.data_location) / "picorv32.v"

pytestmark = [
    pytest.mark.debian,
    pytest.mark.skipif(
        shutil.which("iverilog") is None, reason="the simulator iverilog is missing: apt-get install iverilog"
    ),
]


class Transfer(NamedTuple):
    """What the board's memory saw; bytes that a write did not select are 0."""

    time_ps: int
    kind: str
    address: int
    word: int
    mask: int


@pytest.fixture(scope="module")
def simulation(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with the simulation's VCD and its memory's log."""
    folder = tmp_path_factory.mktemp("rv32")
    shutil.copy(FILES / "rv32_exercise.hex", folder)
    program = str(folder / "board")
    sources = [str(FILES / "rv32_board.v"), str(CORE)]
    subprocess.run(["iverilog", "-g2012", "-s", "board", "-o", program, *sources], check=True)
    subprocess.run(["vvp", program], cwd=folder, check=True, capture_output=True)
    return folder


def logged(folder: Path) -> list[Transfer]:
    transfers = []
    for line in (folder / "transfers.log").read_text().splitlines():
        time, instruction, address, strobes, word = line.split()
        mask = sum(0xFF << 8 * byte for byte in range(4) if strobes[3 - byte] == "1")
        kind = "write" if mask else "fetch" if instruction == "1" else "read"
        mask = mask or 0xFFFF_FFFF
        transfers.append(Transfer(int(time), kind, int(address, 16), int(word, 16) & mask, mask))
    return transfers


def listed(cycles: Cycles, times: list[int]) -> list[Transfer]:
    rows = zip(times, cycles.kind, cycles.address, cycles.word, cycles.known, strict=True)
    return [Transfer(time, KINDS[kind], int(a), int(w), int(known)) for time, kind, a, w, known in rows]


def test_every_transfer_comes_back(simulation: Path) -> None:
    machine = load_machine(FILES / "rv32_board.toml")
    processor, point = machine.processor[0], machine.point[0]
    truth = logged(simulation)
    assert len(truth) == 4000
    assert {each.kind for each in truth} == {"fetch", "read", "write"}
    assert {each.mask for each in truth} == {
        0xFFFF_FFFF, 0xFF, 0xFF00, 0xFF00_0000, 0xFFFF, 0xFFFF_0000,
    }  # fmt: skip
    source = open_vcd(simulation / "bus.vcd", point, bus_widths(processor))
    cycles = rebuild_all(source.chunks(), processor, point)
    # A cycle's time is that of the sample just before the clock edge; the log has the edge's own.
    assert listed(cycles, [each.time_ps for each in truth]) == truth
    early = np.array([each.time_ps for each in truth]) - cycles.time_ps
    assert early.min() > 0 and early.max() <= 5_000  # half a clock


def test_small_chunks_give_the_same(simulation: Path) -> None:
    machine = load_machine(FILES / "rv32_board.toml")
    processor, point = machine.processor[0], machine.point[0]
    source = open_vcd(simulation / "bus.vcd", point, bus_widths(processor))
    chunks = (piece for chunk in source.chunks() for piece in chunk.chunks(257))
    cycles = Cycles.join(list(rebuild(chunks, processor, point)))
    truth = logged(simulation)
    assert listed(cycles, [each.time_ps for each in truth]) == truth


def test_the_own_recipe_says_what_it_needs() -> None:
    processor = load_machine(FILES / "rv32_board.toml").processor[0]
    assert dict(bus_widths(processor)) == {
        "CLK": 1, "MEM_VALID": 1, "MEM_READY": 1, "MEM_INSTR": 1, "MEM_WSTRB": 4,
        "MEM_ADDR": 32, "MEM_RDATA": 32, "MEM_WDATA": 32,
    }  # fmt: skip
    assert set(needed_signals(resolve_recipe(processor))) == {
        "clk", "mem_valid", "mem_ready", "mem_instr", "mem_wstrb", "mem_addr", "mem_rdata", "mem_wdata",
    }  # fmt: skip
