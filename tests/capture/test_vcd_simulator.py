"""A simulator's own dump: Debian's iverilog runs an invented board, and pywellen says what the dump holds."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest
from pywellen import pywellen

from wrongbit.capture.capture import Capture
from wrongbit.capture.formats.vcd import VcdSource, open_vcd
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point

BOARD = Path(__file__).parent / "files" / "simulated_board.v"

pytestmark = [
    pytest.mark.debian,
    pytest.mark.skipif(
        shutil.which("iverilog") is None, reason="the simulator iverilog is missing: apt-get install iverilog"
    ),
]


@pytest.fixture(scope="module")
def dump(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("simulation")
    subprocess.run(["iverilog", "-o", "board", str(BOARD)], cwd=folder, check=True)
    subprocess.run(["vvp", "board"], cwd=folder, check=True, capture_output=True)
    return folder / "board.vcd"


def digits(chunk: Capture, name: str, sample: int) -> str:
    text = ""
    for position in reversed(chunk.layout.bits_of(name)):
        plane, bit = divmod(position, 64)
        unknown = chunk.unknown[plane]
        hidden = unknown is not None and int(unknown[sample]) >> bit & 1
        text += "?" if hidden else str(int(chunk.planes[plane][sample]) >> bit & 1)
    return text


def states(source: VcdSource, names: list[str]) -> dict[int, list[str]]:
    """Time = digits of each signal."""
    return {
        time: [digits(chunk, name, sample) for name in names]
        for chunk in source.chunks()
        for sample, time in enumerate(chunk.times.stamps_ps.tolist())
    }


def test_every_variable_at_every_moment_is_what_pywellen_says(dump):
    """All variables of all scopes, each mapped by its full path."""
    variables = [
        v for v in pywellen.Waveform(str(dump)).all_vars() if not v.is_real and v.var_type != "Event"
    ]
    names = {f"CH{number}X": variable for number, variable in enumerate(variables)}
    point = Point(
        name="sim", mode="timing", columns={variable.full_name: name for name, variable in names.items()}
    )
    ours = states(open_vcd(dump, point, {}), list(names))
    assert len(names) == 5 + 7 + 4  # board, processor, ROM
    assert len(ours) > 50
    for place, variable in enumerate(names.values()):
        changes = [
            (
                100 * time,
                f"{value:0{variable.bitwidth}b}" if isinstance(value, int) else value,
            )  # 100 ps a step
            for time, value in variable.signal
        ]
        assert {time for time, _ in changes} <= ours.keys()
        value = "?" * variable.bitwidth
        for time, state in ours.items():
            while changes and changes[0][0] <= time:
                value = changes.pop(0)[1].replace("x", "?").replace("z", "?")
            assert state[place] == value, (variable.full_name, time)


def test_names_in_several_scopes_are_asked_for_and_scopes_can_be_ignored(dump):
    widths = {"A": 16, "D": 8, "RD": 1, "CLK": 1}
    with pytest.raises(CaptureError) as caught:
        open_vcd(dump, Point(name="sim", mode="timing"), widths)
    assert "board.D[7:0] and board.cpu.d[7:0]" in str(caught.value)
    assert '"board.cpu"' in caught.value.remedy
    point = Point(name="sim", mode="timing", ignore=("board.cpu", "board.rom"))
    source = open_vcd(dump, point, widths)
    seen = states(source, ["RD", "A", "D"])
    # The ROM answers 30 ns after the address with its address, bits turned by 5A.
    reads = [(address, word) for read, address, word in seen.values() if read == "0" and "?" not in word]
    assert {int(address, 2) & 0xFF ^ int(word, 2) for address, word in reads} == {0x5A}
