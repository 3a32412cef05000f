"""What can be computed again, kept in files beside the originals; never believed unless it is whole.

A table of cycles is a Parquet file, one column for each of `wrongbit.bus.cycles.Cycles`, with its key, the
readers' notes and a checksum as metadata; smaller things are JSON with the same. A file that is missing,
damaged, foreign or of another key counts as absent.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import fields
from pathlib import Path
from typing import Any
from uuid import uuid4

import numpy as np
import polars as pl

from wrongbit.bus.cycles import Cycles
from wrongbit.machine.recipe import KINDS

KEY = "wrongbit.cycles"
ROW_GROUP = 1 << 17

_SCHEMA: dict[str, Any] = {
    "sample": pl.Int64, "time_ps": pl.Int64, "kind": pl.UInt8, "bank": pl.Int32, "address": pl.UInt64,
    "address_known": pl.UInt64, "word": pl.UInt64, "known": pl.UInt64, "held": pl.UInt64, "flags": pl.UInt8,
}  # fmt: skip


def save_cycles(path: Path, key: str, cycles: Cycles, notes: tuple[str, ...]) -> None:
    """Write a table of cycles, whole or not at all.

    Raises:
        OSError: It cannot be written.
    """
    frame = pl.DataFrame({each.name: getattr(cycles, each.name) for each in fields(Cycles)}, schema=_SCHEMA)
    about = {"key": key, "notes": list(notes), "checksum": _checksum(cycles)}
    with _whole(path) as beside:
        frame.write_parquet(
            beside, row_group_size=ROW_GROUP, statistics=False, metadata={KEY: json.dumps(about)}
        )


def load_cycles(path: Path, key: str) -> tuple[Cycles, tuple[str, ...]] | None:
    """A table of cycles with its notes; None where there is none with this key that is whole."""
    try:
        about = json.loads(pl.read_parquet_metadata(path)[KEY])
        if about["key"] != key or dict(pl.read_parquet_schema(path)) != _SCHEMA:
            return None
        frame = pl.read_parquet(path, glob=False)
        if any(column.null_count() for column in frame.get_columns()):
            return None
        cycles = Cycles(*(np.ascontiguousarray(frame[each.name].to_numpy()) for each in fields(Cycles)))
        notes = tuple(str(note) for note in about["notes"])
        sound = _checksum(cycles) == about["checksum"] and (cycles.kind < len(KINDS)).all()
    except (
        OSError,
        ValueError,
        KeyError,
        TypeError,
        pl.exceptions.PolarsError,
        pl.exceptions.PanicException,
    ):
        return None
    return (cycles, notes) if sound else None


def _checksum(cycles: Cycles) -> int:
    """CRC-32 of all columns."""
    checksum = 0
    for column in fields(Cycles):
        checksum = zlib.crc32(np.ascontiguousarray(getattr(cycles, column.name)).data, checksum)
    return checksum


def save_values(path: Path, key: str, values: Any) -> None:
    """Write JSON values, whole or not at all.

    Raises:
        OSError: They cannot be written.
    """
    text = json.dumps(values, ensure_ascii=True)
    about = json.dumps({"key": key, "checksum": zlib.crc32(text.encode("ascii")), "values": text})
    with _whole(path) as beside:
        beside.write_text(about, "ascii")


def load_values(path: Path, key: str) -> Any:
    """JSON values; None where there are none with this key that are whole."""
    try:
        about = json.loads(path.read_text("ascii"))
        text = about["values"]
        if about["key"] != key or zlib.crc32(text.encode("ascii")) != about["checksum"]:
            return None
        return json.loads(text)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


@contextmanager
def _whole(path: Path) -> Iterator[Path]:
    """A name beside the file, which takes its place when the block is left without an error."""
    beside = path.with_name(f".{path.name}.{uuid4().hex}.part")  # threads may write the same at once
    try:
        yield beside
        beside.replace(path)
    finally:
        with suppress(OSError):
            beside.unlink(missing_ok=True)


def keep(write: Callable[[], None]) -> None:
    """Try to keep something that can be computed again: no room, or no permission, is no mistake."""
    with suppress(OSError, pl.exceptions.PolarsError):
        write()
