"""Intel HEX and S-records: ours against bincopy and intelhex, on the same bytes in the same run.

A quarter of a megabyte with a gap, as a pair of large EPROMs would hold. Each time is the best of three.
"""

from __future__ import annotations

import io
import time
from collections.abc import Callable

import bincopy
import intelhex
import numpy as np

from wrongbit.image.contents import Contents
from wrongbit.image.formats import intel_hex, s_record

SIZE = 1 << 18


def _best(action: Callable[[], object]) -> float:
    times = []
    for _ in range(3):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return min(times)


def _contents() -> Contents:
    words = np.random.default_rng(1).integers(0, 256, SIZE, dtype=np.uint64)
    known = np.full(SIZE, 0xFF, np.uint64)
    known[SIZE // 2 : SIZE // 2 + 4096] = 0
    return Contents(words & known, known, 8)


def _read_with_intelhex(text: str) -> intelhex.IntelHex:
    image = intelhex.IntelHex()
    image.loadhex(io.StringIO(text))
    return image


def _write_with_intelhex(image: intelhex.IntelHex) -> str:
    stream = io.StringIO()
    image.write_hex_file(stream)
    return stream.getvalue()


def _read_with_bincopy(text: str, kind: str) -> bincopy.BinFile:
    image = bincopy.BinFile()
    (image.add_ihex if kind == "hex" else image.add_srec)(text)
    return image


def rows() -> list[tuple[str, float, float, float]]:
    """What is done, our seconds, the reference's seconds, and our time as a multiple of the reference's."""
    contents = _contents()
    hex_data, s_data = intel_hex.write(contents), s_record.write(contents)
    hex_text, s_text = hex_data.decode(), s_data.decode()
    by_intelhex = _read_with_intelhex(hex_text)
    by_bincopy = _read_with_bincopy(hex_text, "hex")
    pairs: list[tuple[str, Callable[[], object], Callable[[], object]]] = [
        (
            "read Intel HEX / intelhex",
            lambda: intel_hex.read(hex_data, "x"),
            lambda: _read_with_intelhex(hex_text),
        ),
        (
            "read Intel HEX / bincopy",
            lambda: intel_hex.read(hex_data, "x"),
            lambda: _read_with_bincopy(hex_text, "hex"),
        ),
        (
            "read S-records / bincopy",
            lambda: s_record.read(s_data, "x"),
            lambda: _read_with_bincopy(s_text, "s"),
        ),
        (
            "write Intel HEX / intelhex",
            lambda: intel_hex.write(contents),
            lambda: _write_with_intelhex(by_intelhex),
        ),
        ("write Intel HEX / bincopy", lambda: intel_hex.write(contents), lambda: by_bincopy.as_ihex(16)),
        ("write S-records / bincopy", lambda: s_record.write(contents), lambda: by_bincopy.as_srec(16)),
    ]
    table = []
    for what, ours, reference in pairs:
        our_time, their_time = _best(ours), _best(reference)
        table.append((what, our_time, their_time, our_time / their_time))
    return table


if __name__ == "__main__":
    for what, ours, reference, ratio in rows():
        print(f"{what:30}  {ours * 1000:8.1f} ms  {reference * 1000:8.1f} ms  {ratio:6.3f}")
