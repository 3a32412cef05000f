"""The machine files and images that a machine brings, read as a user's: they describe the board that runs.

Outside checks: intelhex and bincopy read the images.
"""

from io import StringIO

import bincopy
import numpy as np
import pytest
from intelhex import IntelHex

from wrongbit.bus.recipes import recipe_names
from wrongbit.compare.build import build_memory_map
from wrongbit.demo.machines import machine_named, machines
from wrongbit.machine.load import load_machine


@pytest.fixture(params=[machine.name for machine in machines()])
def case(request, tmp_path):
    machine = machine_named(request.param)
    for name, content in machine.build().files.items():
        (tmp_path / name).write_bytes(content)
    return machine, load_machine(tmp_path / f"{machine.name}.toml", recipe_names=recipe_names()), tmp_path


def test_chips_are_those_of_the_board(case):
    machine, described, folder = case
    memory = build_memory_map(described, described.processor[0], folder)
    assert [chip.name for chip in memory.chips] == [chip.name for chip in machine.board.chips]
    for ours, theirs in zip(machine.board.chips, memory.chips, strict=True):
        assert (ours.kind, ours.lane, ours.lines) == (theirs.kind, theirs.lane, theirs.address_lines)
        assert (ours.rows, ours.columns) == (theirs.rows, theirs.columns)
        assert list(ours.regions) == [(region.bank, region.base, region.size) for region in theirs.regions]
        if ours.kind == "rom":
            assert (theirs.contents == ours.contents).all()
            assert (theirs.known == 0xFF).all()


def test_it_says_that_it_is_invented_and_what_is_dangerous(case):
    _, described, _ = case
    assert described.machine.invented
    assert any("mains" in caution for caution in described.machine.cautions)
    assert any("capacitor" in caution or "C3" in caution for caution in described.machine.cautions)


def test_intel_hex_files_read_by_intelhex():
    files = machine_named("saltmarsh").build().files
    image = IntelHex(StringIO(files["bank1.hex"].decode())).tobinarray(start=0, size=8192)
    lower, upper = (machine_named("saltmarsh").board.chip(name).contents for name in ("U13", "U14"))
    assert (np.array(image[0::2]) == lower).all() and (np.array(image[1::2]) == upper).all()
    assert sum(a | b << 8 for a, b in zip(image[0::2], image[1::2], strict=True)) % 0x10000 == 0

    files = machine_named("quarrybank").build().files
    image = IntelHex(StringIO(files["u2.hex"].decode())).tobinarray(start=0, size=8192)
    assert (np.array(image) == machine_named("quarrybank").board.chip("U2").contents).all()


def test_s_records_read_by_bincopy():
    machine = machine_named("fellgate")
    image = bincopy.BinFile()
    image.add_srec(machine.build().files["u4.s19"].decode())
    assert (image.minimum_address, image.maximum_address) == (0xF000, 0x10000)
    assert image.as_binary() == bytes(machine.board.chip("U4").contents.astype(np.uint8))


def test_roms_are_full_enough_to_be_worth_reading():
    """Erased areas hide faults; no value may fill a tenth of a ROM."""
    for machine in machines():
        for chip in machine.board.roms:
            values, counts = np.unique(chip.contents, return_counts=True)
            assert counts.max() / chip.words < 0.1, f"{chip.name} is mostly {values[counts.argmax()]:02X}"
