"""What an instrument's export looks like: one description a probe point, one writer a file format.

The styles differ on purpose, as those of real exporters do: lines of their own before the headings, buses as
one column or as one column a wire, comma, semicolon or tab, decimal comma, times in any unit or none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import polars as pl

from wrongbit.demo.instrument import Recording
from wrongbit.demo.trace import BusTrace
from wrongbit.machine.recipe import KINDS
from wrongbit.units import PICOSECONDS, format_time

Mode = Literal["timing", "state", "cycles"]
Format = Literal["csv", "vcd", "screen"]


@dataclass(frozen=True)
class Export:
    """How the captures of one probe point are written.

    Args:
        point: Name of the probe point in the machine file.
        mode: What the instrument does there.
        format: File format; ``screen`` is text as somebody types it off an instrument's screen.
        file: File name.
        lines: Line of the board = heading in the file, in the order of the columns. In cycles mode the
            lines are ``address``, ``bank``, ``word`` and ``kind``.
        by_wire: A bus gets one column for each wire (heading and number) instead of one in hex.
        separator: Between cells.
        decimal_comma: Fractions have a comma.
        time: Heading of the time column and its unit, or None.
        sample: Heading of a column with the sample's number, or None.
        before: Lines before the headings; ``{count}``, ``{period}`` and ``{trigger}`` are filled in.
        kinds: Cycles mode: kind of cycle = text in the status column; other kinds are left out.
    """

    point: str
    mode: Mode
    format: Format
    file: str
    lines: Mapping[str, str]
    by_wire: bool = False
    separator: str = ","
    decimal_comma: bool = False
    time: tuple[str, str] | None = None
    sample: str | None = None
    before: tuple[str, ...] = ()
    kinds: Mapping[str, str] = field(default_factory=dict)


def csv_of_samples(recording: Recording, export: Export) -> bytes:
    """Samples as CSV."""
    columns: dict[str, pl.Series] = {}
    if export.sample is not None:
        numbers = np.arange(len(recording), dtype=np.int64)
        columns[export.sample] = pl.Series(
            numbers if recording.period_ps is None else numbers + recording.first
        )
    if export.time is not None:
        heading, unit = export.time
        columns[heading] = _times(recording, unit)
    for line, heading in export.lines.items():
        width = 1 + max(channel.bit for channel in recording.channels if channel.line == line)
        words = recording.of(line)
        if width == 1:
            columns[heading] = pl.Series(words)
        elif export.by_wire:
            for bit in range(width):
                columns[f"{heading}{bit}"] = pl.Series(words >> np.uint64(bit) & np.uint64(1))
        else:
            columns[heading] = hex_column(words, width)
    return _preamble(recording, export) + _csv(pl.DataFrame(columns), export)


def csv_of_cycles(trace: BusTrace, export: Export) -> bytes:
    """One row for each bus cycle, as instruments with a processor's own probe export them."""
    chosen, status = chosen_cycles(trace, export)
    columns: dict[str, pl.Series] = {}
    if export.sample is not None:
        columns[export.sample] = pl.Series(np.arange(len(chosen)))
    values = {
        "address": hex_column(trace.address[chosen], 16),
        "bank": pl.Series(trace.bank[chosen]),
        "word": hex_column(trace.word[chosen], trace.word_bits),
        "kind": pl.Series(status),
    }
    columns.update({heading: values[line] for line, heading in export.lines.items()})
    before = "".join(line.format(count=len(chosen), period="", trigger="") + "\n" for line in export.before)
    return before.encode() + _csv(pl.DataFrame(columns), export)


def screen_of_cycles(trace: BusTrace, export: Export, rows: int) -> bytes:
    """Address, word and status of the first cycles, as somebody types them off a screen."""
    chosen, status = chosen_cycles(trace, export)
    digits = trace.word_bits // 4
    lines = [
        f"{int(trace.address[row]):04X}  {int(trace.word[row]):0{digits}X}  {text}"
        for row, text in zip(chosen[:rows].tolist(), status, strict=False)
    ]
    return ("\n".join([*export.before, *lines]) + "\n").encode()


def chosen_cycles(
    trace: BusTrace, export: Export
) -> tuple[np.ndarray[tuple[int], np.dtype[np.intp]], list[str]]:
    """Rows of the cycles that the export shows, and the text of each one's status."""
    texts = [export.kinds.get(kind, "") for kind in KINDS]
    shown = np.array([bool(text) for text in texts])
    rows = np.flatnonzero(shown[trace.kind])
    return rows, [texts[code] for code in trace.kind[rows].tolist()]


_HEX: dict[int, pl.Series] = {}


def hex_column(words: np.ndarray[tuple[int], np.dtype[np.uint64]], width: int) -> pl.Series:
    """Words as hex digits, all of one length."""
    if width not in _HEX:
        digits = (width + 3) // 4
        _HEX[width] = pl.Series([f"{word:0{digits}X}" for word in range(1 << width)])
    return _HEX[width].gather(pl.Series(words.astype(np.int64)))


def _times(recording: Recording, unit: str) -> pl.Series:
    ps = recording.trigger_ps
    scale = PICOSECONDS[unit]
    return pl.Series(ps // scale) if not (ps % scale).any() else pl.Series(ps / scale)


def _csv(table: pl.DataFrame, export: Export) -> bytes:
    in_seconds = export.time is not None and export.time[1] == "s"
    return table.write_csv(
        separator=export.separator,
        decimal_comma=export.decimal_comma,
        float_precision=None if in_seconds else 3,
        float_scientific=True if in_seconds else None,
    ).encode()


def _preamble(recording: Recording, export: Export) -> bytes:
    period = format_time(recording.period_ps) if recording.period_ps else "external clock"
    filled = [
        line.format(count=len(recording), period=period, trigger=-recording.first) for line in export.before
    ]
    return "".join(line + "\n" for line in filled).encode()
