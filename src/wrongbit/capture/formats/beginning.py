"""The beginning of a table of samples or cycles as text, for a person who decides what its columns are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from wrongbit.capture.columns import assign_columns
from wrongbit.capture.formats import cycle_rows
from wrongbit.capture.formats._csv_columns import is_column_name
from wrongbit.capture.formats._table import Table, find_table
from wrongbit.capture.text import TextFile
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point


@dataclass(frozen=True)
class Beginning:
    """Names of columns, what each is used for, and the first rows.

    Args:
        headings: As the file spells them.
        uses: For each column a signal, a bus, time, sample, or for whole cycles one of
            `wrongbit.capture.formats.cycle_rows.ROLES`; empty where it is not used.
        rows: The first rows, a cell for each column.
        own: What each would be used for by its own name alone.
    """

    headings: tuple[str, ...]
    uses: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    own: tuple[str, ...]


def read_beginning(path: Path, point: Point, widths: Mapping[str, int], count: int = 6) -> Beginning | None:
    """Look at the first rows of a table; in constant memory, however long the file is.

    Args:
        path: The file.
        point: Probe point at which it may have been captured.
        widths: Wires of the signals and buses that the machine needs.
        count: Rows wanted.

    Returns:
        None where the file is text without a table, such as typed lines.

    Raises:
        CaptureError: The file is no text.
    """
    text = TextFile(path)
    cycles = point.mode == "cycles"
    try:
        found = find_table(
            text.head,
            lambda cell: (
                (cycles and cycle_rows.role_of_heading(cell) is not None)
                or is_column_name(cell, point, widths)
            ),
            text.name,
        )
    except CaptureError:
        return None
    plain = point.model_copy(update={"columns": {}, "ignore": ()})
    uses, own = (
        _cycle_uses(found, each) if cycles else _sample_uses(found, each, widths, text.name)
        for each in (point, plain)
    )
    rows = tuple(row[: len(found.headings)] for row in found.rows[:count])
    return Beginning(found.headings, uses, rows, own)


def _cycle_uses(found: Table, point: Point) -> tuple[str, ...]:
    roles = cycle_rows.roles_of(found.headings, point)
    return tuple(roles.get(index, "") for index in range(len(found.headings)))


def _sample_uses(found: Table, point: Point, widths: Mapping[str, int], file: str) -> tuple[str, ...]:
    present = {" ".join(name.split()).casefold() for name in found.headings}
    # A mapping of a column that is not there is told when the capture is opened; here it is only left out.
    columns = {
        name: target for name, target in point.columns.items() if " ".join(name.split()).casefold() in present
    }
    usable = point.model_copy(update={"columns": columns})
    uses = []
    for column in assign_columns(found.headings, usable, widths, file):
        target = column.target
        if column.role == "signal" and target is not None:
            few = target.bits is not None and widths.get(target.name) != len(target.bits)
            span = f"[{max(target.bits)}:{min(target.bits)}]" if few and target.bits else ""
            uses.append(target.name + span)
        else:
            uses.append("" if column.role == "ignored" else column.role)
    return tuple(uses)
