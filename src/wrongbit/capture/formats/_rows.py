"""The rows of a table, block by block, and the errors that a row or a cell can give."""

from __future__ import annotations

from dataclasses import replace

from wrongbit.capture.formats._packing import BadCell
from wrongbit.capture.formats._table import SEPARATORS, Table
from wrongbit.capture.formats._tokens import Cells, RaggedRow
from wrongbit.capture.text import TextBlock, TextFile
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point

_LONGEST_SHOWN = 60


class RowReader:
    """The rows of a table.

    Args:
        text: The file.
        table: Where the table is in it.
        point: For messages.
    """

    def __init__(self, text: TextFile, table: Table, point: Point) -> None:
        self.text, self.table, self.point = text, table, point
        self.cut_line: int | None = None
        """Number of the last line where it was left out because it is cut short."""

    @property
    def notes(self) -> tuple[str, ...]:
        """How the file was read."""
        table = self.table
        unit = ", units below them" if table.units else ""
        notes = (
            f"Read as CSV: {SEPARATORS[table.separator]} between cells, names of the columns in line "
            f"{table.heading_line}{unit}.",
            *self.text.notes,
        )
        if self.cut_line is not None:
            notes += (f"Line {self.cut_line}, the last one, is cut short and was left out.",)
        return notes

    def cells(self, block: TextBlock) -> Cells:
        """The cells of a block's rows, but for a last line that is cut short.

        Raises:
            RaggedRow: A row has too few or too many cells.
        """
        data = block.data
        try:
            return Cells(data, ord(self.table.separator), len(self.table.headings))
        except RaggedRow as ragged:
            last_line = data.find(b"\n", ragged.start) + 1 == len(data)
            if block.last and block.cut and last_line and ragged.cells < len(self.table.headings):
                self.cut_line = block.line + data.count(b"\n", 0, ragged.start)
                return self.cells(self.before(block, ragged.start))
            raise

    @staticmethod
    def before(block: TextBlock, start: int) -> TextBlock:
        """The rows of a block before the one that begins at this offset, to look for earlier mistakes."""
        return replace(block, data=block.data[:start], cut=False)

    def ragged_error(self, block: TextBlock, ragged: RaggedRow) -> CaptureError:
        """The error for a row with the wrong number of cells."""
        garbage = self.text.garbage(block)
        if garbage is not None:
            return garbage
        line = block.line + block.data.count(b"\n", 0, ragged.start)
        found = block.data[ragged.start : block.data.find(b"\n", ragged.start)].decode(errors="replace")
        shown = found.strip() if len(found) <= _LONGEST_SHOWN else f"{found[:_LONGEST_SHOWN].strip()}…"
        if not ragged.cells:
            return CaptureError(
                f"A quotation mark is opened here and never closed: {shown!r}.",
                "Close it, or remove it.",
                file=self.text.name,
                line=line,
            )
        count = len(self.table.headings)
        return CaptureError(
            f"This row has {ragged.cells} cell{'s' * (ragged.cells != 1)}; {count} were expected, as line "
            f"{self.table.heading_line} names {count} columns. It reads {shown!r}.",
            "Repair or remove the line, or export the capture again.",
            file=self.text.name,
            line=line,
        )

    def line_of(self, cells: Cells, block: TextBlock, row: int) -> int:
        """Number of the line in which a row begins."""
        return block.line + block.data.count(b"\n", 0, cells.row_start(row))

    def cell_error(self, cells: Cells, block: TextBlock, bad: BadCell) -> CaptureError:
        """The error for a cell that cannot be read."""
        garbage = self.text.garbage(block)
        if garbage is not None:
            return garbage
        heading = self.table.headings[bad.column]
        other_base = ""
        if " word of " in bad.expected:
            other_base = "; if its numbers have another base, say so with 'radix' or 'address_radix'"
        return CaptureError(
            f"Column {heading!r} has {cells.text(bad.row, bad.column)!r}; expected {bad.expected}.",
            f"Correct the cell; if the column carries something else, map it under 'columns' of the probe "
            f"point {self.point.name!r}, or name it under 'ignore'{other_base}.",
            file=self.text.name,
            line=self.line_of(cells, block, bad.row),
        )

    def no_rows(self) -> CaptureError:
        """The error for a table without rows."""
        return CaptureError(
            "The file names columns but has no whole row below them.",
            "Export the capture again, with its samples.",
            file=self.text.name,
            line=self.table.heading_line,
        )
