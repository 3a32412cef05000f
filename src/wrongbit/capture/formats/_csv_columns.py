"""What each column of a CSV file of samples is read as, decided from its heading and its first cells."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from wrongbit.capture.columns import (
    Column,
    Target,
    assign_columns,
    check_one_each,
    is_needed,
    quoted,
    sample_heading,
    target_of,
    time_heading,
    unit_of,
)
from wrongbit.capture.formats._cells import LEVELS, time_suffix
from wrongbit.capture.formats._table import Table, is_value
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point
from wrongbit.machine.names import split_bus_bit
from wrongbit.units import PICOSECONDS


@dataclass(frozen=True)
class Uses:
    """How the columns of a file are read.

    Args:
        signals: Columns of levels and of words, in the order of the file.
        time: The column with the times, or None.
        unit_ps: Picoseconds in its unit; None where its cells carry their units.
        sample: The column with running numbers that give the times, or None.
        notes: What a person should know about it.
    """

    signals: tuple[Column, ...]
    time: Column | None
    unit_ps: int | None
    sample: Column | None
    notes: tuple[str, ...]


def is_column_name(text: str, point: Point, widths: Mapping[str, int]) -> bool:
    """Whether a cell is a name that the machine, the probe point or the trade gives to a column."""
    folded = text.strip().casefold()
    if any(folded == name.strip().casefold() for name in (*point.columns, *point.ignore)):
        return True
    target = target_of(text, widths)
    if is_needed(target, widths) or (not widths and split_bus_bit(target.name) is not None):
        return True
    return time_heading(text)[0] or sample_heading(text)


def choose_uses(table: Table, point: Point, widths: Mapping[str, int], file: str) -> Uses:
    """Decide what each column is read as.

    Args:
        table: Headings and first rows.
        point: Its ``columns``, ``ignore`` and ``period``.
        widths: Wires of the signals and buses that the machine needs, by canonical name.
        file: For messages.

    Raises:
        CaptureError: A mapped column is missing, two columns carry the same, a bus has no width, or no
            column carries a signal.
    """
    columns = assign_columns(table.headings, point, widths, file)
    signals: list[Column] = []
    unused: list[Column] = []
    for column in columns:
        if column.role == "signal":
            keep = _carries_levels(column, table, point, widths, file)
            (signals if keep else unused).append(column)
    if not signals:
        raise CaptureError(
            f"No column carries a signal. The file has: {quoted(table.headings)}.",
            f"Map its columns under 'columns' of the probe point {point.name!r}.",
            file=file,
            line=table.heading_line,
        )
    clocks = [column for column in columns if column.role in ("time", "sample")]
    check_one_each((*signals, *clocks), point, file, table.heading_line)
    notes = _signal_notes(signals, unused, columns)
    time, unit, sample, more = _time_uses(clocks, table, point)
    return Uses(tuple(signals), time, unit, sample, (*notes, *more))


def _carries_levels(column: Column, table: Table, point: Point, widths: Mapping[str, int], file: str) -> bool:
    """Whether a column can be read; one that nobody asked for and that holds no levels is left unused."""
    target = column.target or Target("")
    cells = table.column(column.index)
    if target.bits is not None:
        return True
    levels = sum(cell.lower() in LEVELS for cell in cells)
    if not column.mapped and not is_needed(target, widths):
        return levels == len(cells) and (any(cells) or not cells)
    if 2 * levels >= len(cells):
        return True
    words = [cell for cell in cells if is_value(cell) and cell.lower() not in LEVELS]
    if 2 * len(words) < len(cells):
        return True  # neither levels nor words: the first such cell is the error
    raise CaptureError(
        f"Column {column.heading!r} carries the signal {target.name}, but holds words such as {words[0]!r}.",
        f'If it is a bus, give its width: "{column.heading}" = "{target.name}[7:0]" under \'columns\' of '
        f"the probe point {point.name!r}.",
        file=file,
        line=table.first_line,
    )


def _signal_notes(
    signals: Sequence[Column], unused: Sequence[Column], columns: Sequence[Column]
) -> list[str]:
    notes = []
    if unused:
        notes.append(
            f"Columns not used, as their cells are no levels: {quoted([each.heading for each in unused])}."
        )
    nameless = [str(each.index + 1) for each in columns if not each.heading]
    if nameless:
        notes.append(f"Columns without a name, not used: number {', '.join(nameless)}.")
    upward = [each.heading for each in signals if each.target is not None and each.target.counts_upward]
    if upward:
        notes.append(f"Ranges that count upward: {quoted(upward)}; the rightmost digit is the lowest bit.")
    return notes


def _time_uses(
    clocks: Sequence[Column], table: Table, point: Point
) -> tuple[Column | None, int | None, Column | None, list[str]]:
    time = next((column for column in clocks if column.role == "time"), None)
    sample = next((column for column in clocks if column.role == "sample"), None)
    notes: list[str] = []
    if time is not None:
        cells = [cell for cell in table.column(time.index) if cell]
        usable, unit, notes = unit_of_times(time, cells, table)
        if usable:
            if sample is not None:
                notes.append(f"Column {sample.heading!r} was not used: {time.heading!r} gives the time.")
            return time, unit, None, notes
        if point.period is not None and _counts_by_one(cells):
            sample, notes = time, []
    if point.period is None:
        if sample is not None:
            notes.append(f"Column {sample.heading!r} numbers the samples; the capture has no time.")
        elif time is None:
            notes.append("The capture has no time.")
        return None, None, None, notes
    return None, None, sample, notes


def unit_of_times(time: Column, cells: Sequence[str], table: Table) -> tuple[bool, int | None, list[str]]:
    """The unit of a column of times.

    Args:
        time: The column.
        cells: Its first cells.
        table: For a line of units.

    Returns:
        Whether the column can be used as time, picoseconds in its unit (None where the cells carry their
        units), and notes for people.
    """
    unit = time.unit_ps or (unit_of(table.units[time.index]) if table.units else None)
    if unit is not None or any(time_suffix(cell) for cell in cells):
        return True, unit, []
    if all(cell.lstrip("+-").isdigit() for cell in cells):
        note = (
            f"Column {time.heading!r} has whole numbers without a unit and was not used as time. Name the "
            f'unit under \'columns\' of the probe point: "{time.heading}" = "time [ns]".'
        )
        return False, None, [note]
    return True, PICOSECONDS["s"], [f"Column {time.heading!r} gives no unit: read as seconds."]


def _counts_by_one(cells: Sequence[str]) -> bool:
    return len(cells) > 1 and int(cells[1]) - int(cells[0]) == 1


def words_and_levels(signals: Sequence[Column]) -> tuple[list[Column], list[list[Column]]]:
    """Columns of words, and runs of neighbouring columns of levels."""
    words = [column for column in signals if column.target is not None and column.target.bits is not None]
    runs: list[list[Column]] = []
    for column in signals:
        if column in words:
            continue
        if runs and runs[-1][-1].index == column.index - 1:
            runs[-1].append(column)
        else:
            runs.append([column])
    return words, runs
