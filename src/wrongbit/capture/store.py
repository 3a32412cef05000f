"""A packed capture as a Parquet file: read a slow format once, keep what was recorded.

One column a plane (``plane_0``), one for the levels in it that are not known (``unknown_0``), and the times:
``time_ps`` for each sample, or ``origin_ps`` and ``period_ps`` of a regular clock, with which a sample's time
is origin + number × period. Columns without any value take no space. Layout, mode, notes, the hash of the
file that the capture was read from, and checksums of every block of rows and of the bytes that hold them, are
key-value metadata: any Parquet reader can show the samples, and this one can tell that they are whole.
"""

from __future__ import annotations

import hashlib
import json
import os
import zlib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from functools import lru_cache
from itertools import chain, pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pydantic import BaseModel, Field

from wrongbit.capture.capture import Capture, Layout, Times
from wrongbit.capture.columns import PLANE_BITS
from wrongbit.errors import CaptureError, why_unreadable
from wrongbit.machine.model import Point

KEY = "wrongbit.capture"
VERSION = 2
BLOCK_ROWS = 1 << 17
"""Samples in a row group, but for the last one; each has its checksum."""

_TIME_COLUMNS = ("time_ps", "origin_ps", "period_ps")
_FARTHEST = 1 << 62
"""Samples and picoseconds that can be counted, with room to add two of them."""


def file_hash(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal.

    Raises:
        CaptureError: The file cannot be read.
    """
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise _unreadable(path, error) from error


# -- writing -----------------------------------------------------------------------------------------------


def store_capture(chunks: Iterable[Capture], path: Path, *, source_hash: str = "") -> int:
    """Write a capture as Parquet, in bounded memory. An existing file is replaced when all is written.

    Args:
        chunks: The capture from its start, in order.
        path: Where to write.
        source_hash: SHA-256 of the file that it was read from, see `file_hash`.

    Returns:
        Number of samples.

    Raises:
        CaptureError: There is no sample, or the file cannot be written. Errors of the reader that gives the
            chunks pass through; in every case nothing is left behind.
    """
    pieces = iter(chunks)
    first = next(pieces, None)
    if first is None:
        raise CaptureError("There is no sample to store.", "Check the capture.", file=str(path))
    writer = _Writer(first, source_hash)
    with _replacing(path) as temporary:
        writer.write(chain([first], pieces), temporary)
        try:
            _seal(temporary)
        except OSError as error:
            raise _unwritable(path, error) from error
    return writer.count


@contextmanager
def _replacing(path: Path) -> Iterator[Path]:
    """A temporary file beside ``path`` that takes its place at the end, or vanishes."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        temporary.open("xb").close()
    except OSError as error:
        raise _unwritable(path, error) from error
    try:
        yield temporary
        try:
            temporary.replace(path)
        except OSError as error:
            raise _unwritable(path, error) from error
    finally:
        temporary.unlink(missing_ok=True)


class _Writer:
    """Chunks of any size as blocks of equal size, with what the metadata needs."""

    def __init__(self, first: Capture, source_hash: str) -> None:
        self.first, self.last, self.source_hash = first, first, source_hash
        self.count = 0
        self.checksums: list[int] = []
        self.error: CaptureError | None = None

    def write(self, chunks: Iterable[Capture], path: Path) -> None:
        from polars.io.plugins import register_io_source

        def blocks(*_: object) -> Iterator[pl.DataFrame]:
            try:
                yield from self._blocks(chunks)
            except CaptureError as error:
                self.error = error
                raise

        schema = _schema(len(self.first.planes))
        try:
            register_io_source(blocks, schema=schema).sink_parquet(
                path, row_group_size=BLOCK_ROWS, statistics=False, metadata=self._metadata
            )
        except Exception as error:
            if self.error is not None:
                raise self.error from None
            if isinstance(error, (OSError, pl.exceptions.PolarsError)):
                raise _unwritable(path, error) from error
            raise

    def _blocks(self, chunks: Iterable[Capture]) -> Iterator[pl.DataFrame]:
        held: list[pl.DataFrame] = []
        for chunk in chunks:
            self.last = chunk
            held.append(_frame(chunk))
            self.count += len(chunk)
            while sum(frame.height for frame in held) >= BLOCK_ROWS:
                whole = pl.concat(held)
                yield self._checked(whole[:BLOCK_ROWS])
                held = [whole[BLOCK_ROWS:]]
        rest = pl.concat(held)
        if rest.height:
            yield self._checked(rest)

    def _checked(self, block: pl.DataFrame) -> pl.DataFrame:
        self.checksums.append(_checksum(block))
        return block

    def _metadata(self, _: object) -> dict[str, str]:
        first = self.first
        contents = {
            "version": VERSION,
            "signals": dict(first.layout.signals),
            "buses": {name: list(bits) for name, bits in first.layout.buses.items()},
            "mode": first.mode,
            "change_list": first.change_list,
            "first_sample": first.first_sample,
            "source": first.source,
            "source_sha256": self.source_hash,
            "notes": list(self.last.notes),
            "block_rows": BLOCK_ROWS,
            "checksums": self.checksums,
            "whole": _OPEN,
        }
        return {KEY: json.dumps(contents, ensure_ascii=False)}


def _schema(planes: int) -> dict[str, Any]:
    words = [name for plane in range(planes) for name in (f"plane_{plane}", f"unknown_{plane}")]
    return dict.fromkeys(words, pl.UInt64) | dict.fromkeys(_TIME_COLUMNS, pl.Int64)


def _frame(chunk: Capture) -> pl.DataFrame:
    count = len(chunk)
    columns: dict[str, Any] = {}
    for number, (plane, unknown) in enumerate(zip(chunk.planes, chunk.unknown, strict=True)):
        columns[f"plane_{number}"] = plane
        columns[f"unknown_{number}"] = _nothing(count, pl.UInt64) if unknown is None else unknown
    times = chunk.times
    columns |= {name: _nothing(count, pl.Int64) for name in _TIME_COLUMNS}
    if times.stamps_ps is not None:
        columns["time_ps"] = times.stamps_ps
    elif times.period_ps is not None:
        origin = times.start_ps - chunk.first_sample * times.period_ps
        columns["origin_ps"] = np.full(count, origin, np.int64)
        columns["period_ps"] = np.full(count, times.period_ps, np.int64)
    return pl.DataFrame(columns, schema=_schema(len(chunk.planes)))


def _nothing(count: int, kind: type[pl.DataType]) -> pl.Series:
    return pl.repeat(None, count, dtype=kind, eager=True)


def _checksum(block: pl.DataFrame) -> int:
    """CRC-32 of all columns of a block."""
    checksum = 0
    for column in block.get_columns():
        checksum = zlib.crc32(column.null_count().to_bytes(8, "little"), checksum)
        if column.null_count() < len(column):
            checksum = zlib.crc32(np.ascontiguousarray(column.fill_null(0).to_numpy()).data, checksum)
    return checksum


_MARK, _OPEN = "wrongbit-crc32-", "wrongbit-crc32-00000000"
"""What the file's metadata has in the place of a checksum that is known only when all is written."""


def _seal(path: Path) -> None:
    """Write the checksum of the bytes that hold the samples into its place in the footer."""
    end = _footer(path)
    with path.open("r+b") as file:
        file.seek(end)
        footer = file.read()
        file.seek(end)
        file.write(footer.replace(_OPEN.encode(), f"{_MARK}{_crc32(path, end):08x}".encode()))


def _footer(path: Path) -> int:
    """Where a Parquet file's footer begins: what stands before it are pages of samples."""
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(size - 8, 0))
        length = int.from_bytes(file.read(4), "little")
    return max(size - 8 - length, 0)


def _crc32(path: Path, count: int) -> int:
    """CRC-32 of the first bytes of a file."""
    found = 0
    with path.open("rb") as file:
        while count > 0 and (data := file.read(min(count, 1 << 20))):
            found = zlib.crc32(data, found)
            count -= len(data)
    return found


@lru_cache(64)
def _is_whole(path: Path, modified_ns: int, size: int, expected: str) -> bool:
    """The bytes that hold the samples are as they were written; worked out once for each state of a file."""
    return f"{_MARK}{_crc32(path, _footer(path)):08x}" == expected


# -- reading -----------------------------------------------------------------------------------------------


def open_stored(
    path: Path, point: Point | None = None, widths: Mapping[str, int] | None = None
) -> StoredSource:
    """Open a packed capture.

    Args:
        path: The Parquet file.
        point: Probe point where it was taken; its mode must be the capture's. None: any.
        widths: Not needed, as the signals have their places already.

    Raises:
        CaptureError: The file is no Parquet, was not written here, is damaged or has another mode.
    """
    contents = _contents(path)
    if point is not None and point.mode != contents["mode"]:
        raise CaptureError(
            f"The packed capture has the mode {contents['mode']!r}, but the probe point {point.name!r} takes "
            f"captures of the mode {point.mode!r}.",
            "Choose the probe point at which it was taken.",
            file=str(path),
        )
    return StoredSource(path, contents)


def _contents(path: Path) -> dict[str, Any]:
    with _damage(path):
        metadata = pl.read_parquet_metadata(path)
        schema = pl.read_parquet_schema(path)
    if KEY not in metadata:
        raise CaptureError(
            "This Parquet file is no packed capture: it was written by another program.",
            "Use the capture as the instrument exported it, as CSV or VCD.",
            file=str(path),
        )
    try:
        contents = dict(json.loads(metadata[KEY]))
        version = contents["version"]
        if version == VERSION:
            _Description.model_validate(contents, strict=True)
        planes = (len(schema) - len(_TIME_COLUMNS)) // 2
        fits = version != VERSION or (schema == _schema(planes) and _highest(contents) < planes * PLANE_BITS)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        fits, version = False, VERSION
    if not fits:
        raise _damaged(path, "its description does not fit its columns")
    if version != VERSION:
        raise CaptureError(
            f"The packed capture has version {version!r:.40}; version {VERSION} was expected.",
            "Read the capture again from the file that the instrument exported.",
            file=str(path),
        )
    # A reader of Parquet takes a damaged page's word for how much memory it needs, and may end the process.
    with _damage(path):
        now = path.stat()
        whole = _is_whole(path, now.st_mtime_ns, now.st_size, contents["whole"])
    if not whole:
        raise _damaged(path, "its bytes do not match their checksum")
    return contents


class _Description(BaseModel):
    """What the metadata must hold, so that nothing in it can ask for the impossible."""

    signals: dict[str, Annotated[int, Field(ge=0)]]
    buses: dict[str, list[Annotated[int, Field(ge=-1)]]]
    mode: Literal["timing", "state"]
    change_list: bool
    first_sample: int = Field(ge=0, le=_FARTHEST)
    source: str
    source_sha256: str
    notes: list[str]
    block_rows: int = Field(ge=1, le=8 * BLOCK_ROWS)
    checksums: list[int]
    whole: str


def _highest(contents: Mapping[str, Any]) -> int:
    """The highest position that the description gives to a wire."""
    return max([*contents["signals"].values(), *chain.from_iterable(contents["buses"].values())], default=0)


class StoredSource:
    """An opened packed capture, as `wrongbit.capture.source.SampleSource` describes it.

    Args:
        path: The file.
        contents: Its description.
    """

    def __init__(self, path: Path, contents: Mapping[str, Any]) -> None:
        self._path, self._contents = path, contents
        buses = {name: tuple(bits) for name, bits in contents["buses"].items()}
        self._layout = Layout(contents["signals"], buses)
        self._byte_count = path.stat().st_size
        self._done = 0

    @property
    def layout(self) -> Layout:
        """Positions of the signals; the same in every chunk."""
        return self._layout

    @property
    def notes(self) -> tuple[str, ...]:
        """What the reader of the original file had to tell."""
        return (
            f"Packed capture of {self._contents['source'] or 'an unnamed file'}.",
            *self._contents["notes"],
        )

    @property
    def source_hash(self) -> str:
        """SHA-256 of the file that the capture was read from, or an empty string."""
        return str(self._contents["source_sha256"])

    @property
    def byte_count(self) -> int:
        """Size of the file."""
        return self._byte_count

    def bytes_done(self) -> int:
        """How far the running `chunks` has read."""
        return self._done

    def chunks(self, first: int | None = None, last: int | None = None) -> Iterator[Capture]:
        """The samples in order, a block at a time.

        Args:
            first: Leave out blocks that end before this sample.
            last: Leave out blocks that begin after this one.

        Raises:
            CaptureError: A block is damaged.
        """
        start = self._contents["first_sample"]
        self._done = 0
        checksums, size = self._contents["checksums"], self._contents["block_rows"]
        with _damage(self._path):
            rows = pl.scan_parquet(self._path, glob=False)
        for number, checksum in enumerate(checksums):
            begin = start + number * size
            if (first is not None and begin + size <= first) or (last is not None and begin > last):
                continue
            with _damage(self._path):
                block = rows.slice(number * size, size).collect()
            whole = block.height == size or (number + 1 == len(checksums) and block.height)
            if not whole or _checksum(block) != checksum:
                raise _damaged(self._path, f"samples from {number * size} on do not match their checksum")
            if not _is_sound(block, self._contents["first_sample"] + number * size):
                raise _damaged(self._path, f"samples from {number * size} on have impossible levels or times")
            self._done = self._byte_count * (number + 1) // len(checksums)
            yield from self._captures(block, self._contents["first_sample"] + number * size)

    def _captures(self, block: pl.DataFrame, first: int) -> Iterator[Capture]:
        planes = range(self._layout.plane_count)
        words = [block[f"plane_{number}"].to_numpy() for number in planes]
        unknown = [_values(block[f"unknown_{number}"]) for number in planes]
        for part, times in _times(block, first):
            yield Capture(
                layout=self._layout,
                planes=tuple(word[part] for word in words),
                unknown=tuple(
                    None if word is None or not word[part].any() else word[part] for word in unknown
                ),
                times=times,
                mode=self._contents["mode"],
                first_sample=first + part.start,
                change_list=self._contents["change_list"],
                source=self._contents["source"],
                notes=tuple(self._contents["notes"]),
            )


def _is_sound(block: pl.DataFrame, first: int) -> bool:
    """Whether a block keeps what every capture promises, as a checksum says nothing of who made the file."""
    for name in block.columns:
        if name.startswith("unknown_") and block[name].null_count() < block.height:
            levels = block[name.replace("unknown", "plane")].to_numpy()
            if (block[name].fill_null(0).to_numpy() & levels).any():
                return False
        elif name.startswith("plane_") and block[name].null_count():
            return False
    stamps, origin, period = (block[name] for name in _TIME_COLUMNS)
    if not (stamps.null_count() in (0, block.height) or origin.null_count() < block.height):
        return False
    if stamps.null_count() == 0 and not stamps.is_sorted():
        return False
    clocks = block.select("origin_ps", "period_ps").drop_nulls().unique()
    last = first + block.height
    return (origin.is_null() == period.is_null()).all() and all(
        abs(start) + abs(step) * last < _FARTHEST for start, step in clocks.iter_rows()
    )


def _values(column: pl.Series) -> NDArray[Any] | None:
    """A column's numbers with 0 where there is none, or None where there is no number at all."""
    if column.null_count() == len(column):
        return None
    return column.fill_null(0).to_numpy()


def _times(block: pl.DataFrame, first: int) -> Iterator[tuple[slice, Times]]:
    """Pieces of a block that have one clock, or stamps, or no time."""
    stamps, origin, period = (_values(block[name]) for name in _TIME_COLUMNS)
    if origin is None or period is None:
        yield slice(0, block.height), Times(stamps_ps=stamps)
        return
    regular = block["origin_ps"].is_not_null().to_numpy()
    changes = (np.diff(origin) != 0) | (np.diff(period) != 0) | np.diff(regular)
    for begin, end in pairwise([0, *(np.flatnonzero(changes) + 1).tolist(), block.height]):
        if regular[begin]:
            start = int(origin[begin]) + (first + begin) * int(period[begin])
            yield slice(begin, end), Times(start, int(period[begin]))
        else:
            yield slice(begin, end), Times(stamps_ps=None if stamps is None else stamps[begin:end])


# -- errors ------------------------------------------------------------------------------------------------


@contextmanager
def _damage(path: Path) -> Iterator[None]:
    """Turns what a Parquet reader says about a file that it cannot read into the error for a person."""
    try:
        yield
    except OSError as error:
        raise _unreadable(path, error) from error
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
        raise _damaged(path, str(error).splitlines()[0]) from None


def _damaged(path: Path, what: str) -> CaptureError:
    return CaptureError(
        f"The file is no whole Parquet file: {what}.",
        "Read the capture again from the file that the instrument exported.",
        file=str(path),
    )


def _unreadable(path: Path, error: OSError) -> CaptureError:
    return CaptureError(*why_unreadable(error), file=str(path))


def _unwritable(path: Path, error: Exception) -> CaptureError:
    reason = error.strerror if isinstance(error, OSError) and error.strerror else error
    return CaptureError(
        f"The file cannot be written: {reason}.",
        "Check that the folder is there, may be written to and has room.",
        file=str(path),
    )
