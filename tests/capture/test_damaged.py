"""Damaged files: whatever is in them, they are read or refused with an error for a person, never a traceback;
and what is found does not depend on where blocks end."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wrongbit.capture.capture import Capture
from wrongbit.capture.formats import read_cycle_rows
from wrongbit.capture.formats.csv import open_csv
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point

FILES = [path for path in (Path(__file__).parent / "files").iterdir() if path.suffix in (".csv", ".txt")]
SAMPLES = sorted(path for path in FILES if not path.name.startswith(("cycles", "typed")))
CYCLES = sorted(path for path in FILES if path.name.startswith(("cycles", "typed")))
PIECES = [
    b",",
    b";",
    b"\t",
    b"\n",
    b"\r\n",
    b'"',
    b"x",
    b"0",
    b"1",
    b"-",
    b".",
    b"e",
    b" ",
    b"#",
    b"h",
    b"\xb5",
]
PIECES += [b"\xff", b"\x00", b"ns", b"0x", b"[", b"Time", b"A", b"D3", b"9" * 20, b"nan", b"=", b"1e999", b""]
WIDTHS = {"A": 16, "D": 8, "RD": 1}


def damaged(paths: list[Path]) -> st.SearchStrategy[bytes]:
    @st.composite
    def contents(draw: st.DrawFn) -> bytes:
        data = bytearray(draw(st.sampled_from(paths)).read_bytes())
        for _ in range(draw(st.integers(1, 3))):
            place = draw(st.integers(0, len(data)))
            data[place : place + draw(st.integers(0, 2))] = draw(st.sampled_from(PIECES))
        return bytes(data)

    return contents()


def found(path: Path, block: int, chunk_rows: int) -> tuple[list[object], ...] | None:
    """Planes, unknown planes and times, or None where the file is refused."""
    point = Point(name="bus", mode="timing")
    try:
        parts = list(open_csv(path, point, WIDTHS, block=block, chunk_rows=chunk_rows).chunks())
    except CaptureError as error:
        assert error.remedy
        assert error.file == str(path)
        return None
    return [v for part in parts for v in part.planes[0]], unknown(parts), times(parts)


def unknown(parts: list[Capture]) -> list[object]:
    planes = [(part.unknown[0], len(part)) for part in parts]
    return [v for plane, count in planes for v in (np.zeros(count) if plane is None else plane)]


def times(parts: list[Capture]) -> list[object]:
    all_times = [(part.times.at(np.arange(len(part))), len(part)) for part in parts]
    return [v for each, count in all_times for v in ([None] * count if each is None else each)]


@settings(deadline=None, max_examples=300)
@given(damaged(SAMPLES), st.integers(1, 90))
def test_samples_are_read_alike_or_refused(contents: bytes, block: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture.csv"
        path.write_bytes(contents)
        assert found(path, block, 3) == found(path, 1 << 20, 1 << 17)


@settings(deadline=None, max_examples=200)
@given(damaged(CYCLES), st.sampled_from([8, 16]))
def test_cycles_are_read_or_refused(contents: bytes, radix: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "cycles"
        path.write_bytes(contents)
        try:
            rows = read_cycle_rows(
                path, Point(name="s", mode="cycles", radix=radix), {"address": 16, "word": 8}
            )
        except CaptureError as error:
            assert error.remedy
            return
        assert len(rows.address) == len(rows.word) == len(rows.kind) == len(rows.sample) > 0
        assert not (rows.word & ~rows.known).any()
        assert not (rows.address & ~rows.address_known).any()


@settings(deadline=None, max_examples=100)
@given(st.binary(max_size=200))
def test_any_bytes_are_refused_or_read(contents: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture.csv"
        path.write_bytes(contents)
        found(path, 50, 3)


def test_there_are_files_to_damage() -> None:
    assert len(SAMPLES) > 40
    assert len(CYCLES) > 8


@pytest.mark.parametrize("radix", [2, 8, 10, 16])
def test_another_radix_gives_an_error_and_no_nonsense(radix: int, tmp_path: Path) -> None:
    """A word of digits that the radix does not have is refused with its line."""
    path = tmp_path / "capture.csv"
    path.write_text("A\nFFGF\n")
    with pytest.raises(CaptureError) as caught:
        list(open_csv(path, Point(name="bus", mode="state", radix=radix), WIDTHS).chunks())
    assert caught.value.line == 2
