"""File formats of captures, one module each, behind the tables below.

A probe point's ``mode`` says whether its captures hold raw samples or whole bus cycles; the file's content
says which format it has. Neither is ever guessed in silence: every reader's notes begin with how it read.
A new format is a module here and a row in a table.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

from wrongbit.capture.source import CycleRows, SampleSource
from wrongbit.errors import CaptureError, UsageError, why_unreadable
from wrongbit.machine.model import Point

_LOOK = 4096


@dataclass(frozen=True)
class SampleFormat:
    """A format of raw samples.

    Args:
        name: For people.
        recognises: Whether a file that begins like this is one.
        module: Module of this folder (or above it) that reads it, imported when it is needed.
        opener: Function there: (path, point, widths) to a `SampleSource`.
    """

    name: str
    recognises: Callable[[bytes], bool]
    module: str
    opener: str


def _is_vcd(head: bytes) -> bool:
    """A VCD begins with a keyword such as ``$date`` (IEEE Std 1364, value change dump)."""
    return re.match(rb"(?:\xef\xbb\xbf)?\s*\$[a-z]+\s", head) is not None


SAMPLE_FORMATS: tuple[SampleFormat, ...] = (
    SampleFormat(
        "packed capture (Parquet)",
        lambda head: head.startswith(b"PAR1"),
        "wrongbit.capture.store",
        "open_stored",
    ),
    SampleFormat("VCD", _is_vcd, "wrongbit.capture.formats.vcd", "open_vcd"),
    SampleFormat("CSV", lambda head: True, "wrongbit.capture.formats.csv", "open_csv"),
)
"""Formats of raw samples; the first that recognises the file reads it."""


def open_samples(path: Path, point: Point, widths: Mapping[str, int]) -> SampleSource:
    """Open a capture of raw samples, for probe points of the modes 'timing' and 'state'.

    Args:
        path: The file: CSV, VCD or a packed capture.
        point: Probe point where it was taken.
        widths: Wires of the signals and buses that the machine needs, by canonical name.

    Raises:
        UsageError: The probe point's captures hold whole cycles.
        CaptureError: The file cannot be used.
    """
    if point.mode == "cycles":
        raise UsageError(
            f"The probe point {point.name!r} takes whole bus cycles, not samples.",
            "Choose another probe point, or set its mode to 'timing' or 'state'.",
        )
    head = _beginning(path)
    chosen = next(each for each in SAMPLE_FORMATS if each.recognises(head))
    opener = getattr(import_module(chosen.module), chosen.opener)
    source: SampleSource = opener(path, point, widths)
    return source


def read_cycle_rows(path: Path, point: Point, widths: Mapping[str, int]) -> CycleRows:
    """Read a capture whose rows are whole bus cycles, for probe points of the mode 'cycles'.

    Args:
        path: The file: CSV with columns for address and word, or typed text.
        point: Probe point where it was taken.
        widths: ``address`` and ``word`` = their bits. Left out: up to 64, not checked.

    Raises:
        UsageError: The probe point's captures hold samples.
        CaptureError: The file cannot be used.
    """
    if point.mode != "cycles":
        raise UsageError(
            f"The probe point {point.name!r} takes samples, not whole bus cycles.",
            "Choose another probe point, or set its mode to 'cycles'.",
        )
    if _is_vcd(_beginning(path)):
        raise CaptureError(
            "A VCD holds samples, but the probe point takes whole bus cycles.",
            f"Set the mode of the probe point {point.name!r} to 'timing' or 'state'.",
            file=str(path),
        )
    from wrongbit.capture.formats.cycle_rows import read_cycles

    return read_cycles(path, point, widths)


def _beginning(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(_LOOK)
    except OSError as error:
        raise CaptureError(*why_unreadable(error), file=str(path)) from error
