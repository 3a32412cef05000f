"""Packed captures: what is stored comes back, what is damaged is refused."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from wrongbit.capture.capture import Capture, Layout, Times
from wrongbit.capture.formats import open_samples
from wrongbit.capture.formats.csv import open_csv
from wrongbit.capture.store import BLOCK_ROWS, file_hash, open_stored, store_capture
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point

FILES = Path(__file__).parent / "files"
POINT = Point(name="bus", mode="timing")
LAYOUT = Layout({"A0": 0, "A1": 1, "CLK": 70}, {"A": (0, 1, -1)})
Z = np.uint64(0)


def capture(count: int, times: Times, *, unknown: bool = False, seed: int = 3) -> Capture:
    random = np.random.default_rng(seed)
    planes = tuple(random.integers(0, 1 << 63, count, np.uint64) for _ in range(2))
    doubtful = random.integers(0, 4, count, np.uint64) if unknown else None
    if doubtful is not None:
        planes = (planes[0] & ~doubtful, planes[1])
    notes = ("Columns not used: 'µ'.",)
    return Capture(LAYOUT, planes, (doubtful, None), times, source="bench/a.csv", notes=notes)


def joined(chunks: list[Capture], field: str, plane: int) -> list[int]:
    parts = [getattr(chunk, field)[plane] for chunk in chunks]
    return [v for chunk, p in zip(chunks, parts, strict=True) for v in ([0] * len(chunk) if p is None else p)]


def times_of(chunks: list[Capture]) -> list[int | None]:
    found = [(chunk, chunk.times.at(np.arange(len(chunk)))) for chunk in chunks]
    return [t for chunk, each in found for t in ([None] * len(chunk) if each is None else each.tolist())]


def check_round_trip(path: Path, original: Capture, pieces: list[Capture]) -> list[Capture]:
    assert store_capture(pieces, path, source_hash="ab" * 32) == len(original)
    source = open_stored(path, POINT)
    found = list(source.chunks())
    assert source.layout == original.layout
    assert source.source_hash == "ab" * 32
    assert source.notes == ("Packed capture of bench/a.csv.", "Columns not used: 'µ'.")
    assert source.bytes_done() == source.byte_count == path.stat().st_size
    for plane in range(2):
        assert joined(found, "planes", plane) == joined([original], "planes", plane)
        assert joined(found, "unknown", plane) == joined([original], "unknown", plane)
    assert times_of(found) == times_of([original])
    assert [c.first_sample for c in found] == np.cumsum([0, *map(len, found)])[:-1].tolist()
    return found


@pytest.mark.parametrize("unknown", [False, True])
@pytest.mark.parametrize("size", [700, 1 << 20])
@pytest.mark.parametrize("timing", ["clock", "stamps", "none"])
def test_what_is_stored_comes_back(tmp_path: Path, timing: str, size: int, unknown: bool) -> None:
    count = 2000
    stamps = np.cumsum(np.random.default_rng(1).integers(0, 9, count)) - 50
    times = {"clock": Times(-5000, 250), "stamps": Times(stamps_ps=stamps), "none": Times()}[timing]
    original = capture(count, times, unknown=unknown)
    found = check_round_trip(tmp_path / "a.parquet", original, list(original.chunks(size)))
    assert (found[0].times.period_ps is not None) == (timing == "clock")
    assert all((chunk.unknown[0] is not None) == unknown for chunk in found)
    assert found[0].source == "bench/a.csv"


def test_a_long_capture_is_kept_in_blocks_of_equal_size(tmp_path: Path) -> None:
    original = capture(2 * BLOCK_ROWS + 10, Times(0, 1000))
    path = tmp_path / "a.parquet"
    found = check_round_trip(path, original, list(original.chunks(50_000)))
    assert [len(chunk) for chunk in found] == [BLOCK_ROWS, BLOCK_ROWS, 10]
    assert [chunk.times.start_ps for chunk in found] == [0, BLOCK_ROWS * 1000, 2 * BLOCK_ROWS * 1000]


def test_a_clock_that_limps_keeps_its_times(tmp_path: Path) -> None:
    first, second = capture(10, Times(0, 100)), capture(5, Times(1050, 100), seed=4)
    path = tmp_path / "a.parquet"
    store_capture([first, replace(second, first_sample=10)], path)
    assert times_of(list(open_stored(path).chunks())) == [*range(0, 1000, 100), *range(1050, 1550, 100)]


def test_polars_reads_the_same_samples(tmp_path: Path) -> None:
    """Outside check: the file is plain Parquet, in columns whose names are documented."""
    original = capture(300, Times(-5000, 250), unknown=True)
    store_capture(original.chunks(70), tmp_path / "a.parquet")
    table = pl.read_parquet(tmp_path / "a.parquet")
    assert table["plane_0"].to_list() == original.planes[0].tolist()
    assert table["plane_1"].to_list() == original.planes[1].tolist()
    assert original.unknown[0] is not None
    assert table["unknown_0"].to_list() == original.unknown[0].tolist()
    assert table["unknown_1"].to_list() == [None] * 300
    ticks = table["origin_ps"] + pl.Series(range(300)) * table["period_ps"]
    assert ticks.to_list() == times_of([original])


def test_a_csv_by_way_of_the_store_is_the_csv(tmp_path: Path) -> None:
    widths = {"A": 16, "D": 8, "RD": 1}
    csv = FILES / "cut_last_line.csv"
    source = open_csv(csv, POINT, widths, block=1, chunk_rows=2)
    store_capture(source.chunks(), tmp_path / "a.parquet", source_hash=file_hash(csv))
    stored = open_samples(tmp_path / "a.parquet", POINT, widths)
    (first,), (again,) = open_samples(csv, POINT, widths).chunks(), stored.chunks()
    assert again.planes[0].tolist() == first.planes[0].tolist()
    assert (again.layout, again.times, again.mode) == (first.layout, first.times, first.mode)
    assert any("cut short" in note for note in stored.notes)


def test_the_hash_is_that_of_the_standard_library(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"abc" * 100_000)
    assert file_hash(path) == hashlib.sha256(b"abc" * 100_000).hexdigest()
    with pytest.raises(CaptureError, match="There is no such file"):
        file_hash(tmp_path / "none")


# -- what goes wrong ---------------------------------------------------------------------------------------


def test_an_error_while_writing_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    path.write_text("old")

    def chunks() -> Iterator[Capture]:
        yield capture(BLOCK_ROWS + 1, Times(0, 1))
        raise CaptureError("This row has 3 cells.", "Repair it.", file="a.csv", line=9)

    with pytest.raises(CaptureError, match=r"a\.csv, line 9: This row has 3 cells"):
        store_capture(chunks(), path)
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_no_sample_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="no sample to store"):
        store_capture([], tmp_path / "a.parquet")
    assert not list(tmp_path.iterdir())


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="cannot be written: No such file or directory") as caught:
        store_capture([capture(5, Times())], tmp_path / "none" / "a.parquet")
    assert "folder is there" in caught.value.remedy


@pytest.fixture
def stored(tmp_path: Path) -> Path:
    path = tmp_path / "a.parquet"
    store_capture([capture(4000, Times(0, 10), unknown=True)], path)
    return path


@pytest.mark.parametrize("keep", [3, 100, 5000, -1])
def test_a_file_cut_short_is_refused(stored: Path, keep: int) -> None:
    stored.write_bytes(stored.read_bytes()[:keep])
    with pytest.raises(CaptureError, match="no whole Parquet file") as caught:
        list(open_stored(stored).chunks())
    assert caught.value.file == str(stored)


@pytest.mark.parametrize("share", [0.01, 0.2, 0.5, 0.7])
def test_a_changed_byte_is_noticed(stored: Path, share: float) -> None:
    contents = bytearray(stored.read_bytes())
    contents[int(len(contents) * share)] ^= 0x10
    stored.write_bytes(contents)
    with pytest.raises(CaptureError, match="no whole Parquet file"):
        list(open_stored(stored).chunks())


def test_a_foreign_parquet_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    pl.DataFrame({"plane_0": [1, 2]}).write_parquet(path)
    with pytest.raises(CaptureError, match="was written by another program"):
        open_samples(path, POINT, {})


@pytest.mark.parametrize("contents", ["{}", "[]", "nonsense", '{"version": 2, "signals": {}, "buses": {}}'])
def test_a_description_that_does_not_fit_is_refused(tmp_path: Path, contents: str) -> None:
    path = tmp_path / "a.parquet"
    pl.DataFrame({"plane_0": [1, 2]}).write_parquet(path, metadata={"wrongbit.capture": contents})
    with pytest.raises(CaptureError, match="its description does not fit its columns"):
        open_stored(path)


def test_another_version_is_told(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    description = '{"version": 9, "signals": {}, "buses": {}}'
    pl.DataFrame({"plane_0": [1]}).write_parquet(path, metadata={"wrongbit.capture": description})
    with pytest.raises(CaptureError, match="has version 9; version 2 was expected"):
        open_stored(path)


def test_another_mode_than_the_probe_point_takes_is_refused(stored: Path) -> None:
    with pytest.raises(CaptureError, match="has the mode 'timing', but the probe point 'bus'"):
        open_samples(stored, Point(name="bus", mode="state"), {})


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="There is no such file"):
        open_stored(tmp_path / "none.parquet")


def test_a_damaged_page_is_told_before_polars_sees_it(tmp_path: Path) -> None:
    """A page that claims much more memory than there is would end the process; each byte of a page counts."""
    path = tmp_path / "a.parquet"
    original = capture(50, Times(0, 1000))
    store_capture([original], path)
    data = path.read_bytes()
    end = len(data) - 8 - int.from_bytes(data[-8:-4], "little")  # Apache Parquet format: the footer's length
    for place in range(4, end, 7):
        path.write_bytes(data[:place] + bytes([data[place] ^ 0x55]) + data[place + 1 :])
        with pytest.raises(CaptureError, match="its bytes do not match their checksum"):
            open_stored(path)
    path.write_bytes(data)
    assert sum(len(chunk) for chunk in open_stored(path).chunks()) == len(original)
