"""Planning a replacement: trying everything, drawing, and the programmer's files against bincopy and numpy.

A chip of 2332 shape with two selects, on every memory, wiring, family and grade of the data files; a latched
chip's drawing; a 512 KiB device with wires in another order, and one written and read back.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import bincopy
import numpy as np

from wrongbit.image.contents import Contents
from wrongbit.replace.buses import given_times
from wrongbit.replace.catalogue import Socket, build_catalogue, load_catalogue, read_data_files
from wrongbit.replace.drawing import drawing_svg
from wrongbit.replace.fit import Choice, Plan, fit
from wrongbit.replace.programmer import device_contents, write_programmer_files
from wrongbit.replace.requirement import LatchNeed, Requirement, selects_of

BUS = given_times({"address_to_data": 900_000, "enable_to_data": 900_000, "output_to_data": 900_000})
SHARED = "VCC AD0 AD1 AD2 AD3 AD4 AD5 AD6 AD7 A8 A9 GND A10 A11 A12 A13 A14 A15 ALE /CE /RD NC NC NC"


def _best(action: Callable[[], object], times: int = 3) -> float:
    found = []
    for _ in range(times):
        start = time.perf_counter()
        action()
        found.append(time.perf_counter() - start)
    return min(found)


def _mask_rom() -> Requirement:
    socket = load_catalogue().socket_named("2332")
    return Requirement("U7", 4096, 8, socket, selects_of(socket, {"CS1": "low", "CS2": "high"}), times=BUS)


def _latched() -> Requirement:
    socket = Socket(
        name="latched", words=65536, bits=8, pins=tuple(SHARED.split()), status="given", source="invented"
    )
    latch = LatchNeed("ALE", "falling")
    return Requirement("U9", 65536, 8, socket, selects_of(socket, {}, latch="ALE"), latch, times=BUS)


def _contents(words: int) -> Contents:
    values = np.random.default_rng(1).integers(0, 256, words, dtype=np.uint64)
    return Contents(values, np.full(words, 0xFF, np.uint64), 8)


def _with_bincopy(data: bytes, folder: Path) -> None:
    image = bincopy.BinFile()
    image.add_binary(data)
    (folder / "x.hex").write_text(image.as_ihex())
    (folder / "x.srec").write_text(image.as_srec())
    (folder / "x.bin").write_bytes(image.as_binary())
    for name, read in (("x.hex", "add_ihex"), ("x.srec", "add_srec")):
        back = bincopy.BinFile()
        getattr(back, read)((folder / name).read_text())
        assert bytes(back.as_binary()) == data


def rows() -> list[tuple[str, float, float, float]]:
    """What is done, our seconds, the reference's seconds, and our time as a multiple of the reference's."""
    loading = _best(lambda: build_catalogue(read_data_files()))
    trying = _best(lambda: fit(_mask_rom()))
    plan = fit(_latched(), Choice(memory="27C512")).best
    drawing = _best(lambda: drawing_svg(plan))
    found = [
        ("try all memories, grades and families for a 2332 / reading the data files", trying, loading),
        ("draw a latched adapter with every wire / trying all memories", drawing, trying),
        _scrambled(),
        _written(),
    ]
    return [(what, ours, reference, ours / reference) for what, ours, reference in found]


def _flash(**choice: tuple[int, ...]) -> Plan:
    socket = load_catalogue().socket_named("39SF040")
    need = Requirement("U1", socket.words, 8, socket, selects_of(socket, {}), times=BUS)
    return fit(need, Choice(memory="39SF040", **choice)).best


def _scrambled() -> tuple[str, float, float]:
    plan = _flash(address_wires=tuple(range(18, -1, -1)), data_wires=(3, 1, 2, 0, 7, 6, 5, 4))
    image = _contents(1 << 19)
    order = np.random.default_rng(2).permutation(1 << 19)
    ours = _best(lambda: device_contents([image], plan))
    theirs = _best(lambda: image.words[order].copy())
    return "512 Ki words for wires in another order / numpy taking words in random order", ours, theirs


def _written() -> tuple[str, float, float]:
    plan = _flash()
    image = _contents(1 << 19)
    data = image.words.astype(np.uint8).tobytes()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        ours = _best(lambda: write_programmer_files(image, plan, folder, replace=True))
        theirs = _best(lambda: _with_bincopy(data, folder))
    return "512 KiB as binary, HEX and S-record, written and read back / bincopy", ours, theirs
