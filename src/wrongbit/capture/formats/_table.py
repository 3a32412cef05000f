"""Where the table begins in a CSV file, and how its cells are separated.

Exporters put lines of their own before the names of the columns: comments, titles, settings. The table is
found from its rows: the separator and the number of cells with the most rows of values win, and the names
stand above the first of these rows. Common practice, no source.
"""

from __future__ import annotations

import csv
import re
from collections import defaultdict
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache

from wrongbit.capture.columns import quoted, unit_of
from wrongbit.capture.formats._cells import LEVELS
from wrongbit.errors import CaptureError

SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}
"""Cell separators with their names."""

_FIRST_LOOK = 200
_VALUE = re.compile(
    r"^(?:[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?\s*(?:[pnuµμm]?[sS])?"
    r"|(?:0[xXoO]|\$|%|\d*'[hHbBoOdD])?[0-9A-Fa-fxXzZuU?_ -]+[hH]?)$"
)
_UNIT_CELL = re.compile(r"^[\[(<]?([A-Za-zµμ]+)[\])>]?$")


@dataclass(frozen=True)
class Table:
    """The table in a file.

    Args:
        separator: Character between cells.
        headings: Names of the columns; empty where there is none.
        heading_line: Number of their line, from 1.
        first_line: Number of the line of the first row.
        units: Unit of each column from a line of units below the names, or empty.
        rows: Cells of the first rows, for a look at what the columns hold.
    """

    separator: str
    headings: tuple[str, ...]
    heading_line: int
    first_line: int
    units: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def column(self, index: int) -> list[str]:
        """Cells of a column in the first rows."""
        return [row[index] for row in self.rows]


@dataclass(frozen=True)
class _Line:
    number: int
    text: str
    cells: tuple[str, ...]


@lru_cache(1 << 14)
def is_value(text: str) -> bool:
    """Whether a cell could be a time, a level or a word.

    >>> is_value("1.5e-9"), is_value("0x3F"), is_value(""), is_value("RD"), is_value("100 MHz")
    (True, True, True, False, False)
    """
    text = text.strip()
    return text.lower() in LEVELS or _VALUE.match(text) is not None


def find_table(head: str, is_name: Callable[[str], bool], file: str) -> Table:
    """Find the names of the columns and the first row.

    Args:
        head: Beginning of the file, whole lines.
        is_name: Whether a cell is a name that the machine, the probe point or the trade gives to columns.
        file: For messages.

    Raises:
        CaptureError: There is no table, it has no names, or names and rows do not fit each other.
    """
    texts = head.replace("\r\n", "\n").split("\n")
    if len(texts) > _FIRST_LOOK:  # the whole beginning only where its first lines are no table
        with suppress(CaptureError):
            return _find_table(texts[:_FIRST_LOOK], is_name, file)
    return _find_table(texts, is_name, file)


def _find_table(texts: Sequence[str], is_name: Callable[[str], bool], file: str) -> Table:
    best: tuple[int, str, int] = (0, "", 0)
    splits = {separator: _split(texts, separator) for separator in SEPARATORS}
    for separator, lines in splits.items():
        for count, rows in _rows_of_values(lines).items():
            if count > 1 or not best[0]:
                best = max(best, (rows * count, separator, count), key=lambda each: each[0])
    weight, separator, count = best
    if not weight:
        raise _no_table(splits[","], is_name, file)
    return _Finder(splits[separator], separator, count, is_name, file).table()


def _split(texts: Sequence[str], separator: str) -> list[_Line]:
    lines = []
    for number, text in enumerate(texts, 1):
        if text.strip():
            lines.append(_Line(number, text, split_cells(text, separator)))
    return lines


def split_cells(text: str, separator: str) -> tuple[str, ...]:
    """The cells of one line, as RFC 4180 quotes them.

    >>> split_cells('1; "2;3" ;', ";")
    ('1', '2;3', '')
    """
    if text and '"' not in text:
        return tuple(map(str.strip, text.split(separator)))
    try:
        cells = next(csv.reader([text], delimiter=separator, skipinitialspace=True))
    except (csv.Error, StopIteration):
        cells = text.split(separator)
    return tuple(cell.strip() for cell in cells)


RELATIVE = ("rel", "relative")
"""A time that is told from row to row, in a line below the names of the columns."""

_HOW_SHOWN = {
    *("v", "mv", "bit", "hex", "bin", "dec", "oct", "hexadecimal", "binary", "decimal", "octal", "ascii"),
    *("symbol", "symbols", "symbolic", "abs", "absolute", *RELATIVE),
}


def are_units(cells: Sequence[str]) -> bool:
    """Whether a line such as ``[s],,`` or ``Base >,Hex,Rel`` tells how columns are shown, and nothing else.

    >>> are_units(["", "hex", "us"]), are_units(["Base >", "Hex", "Rel"]), are_units(["0", "F3", "us"])
    (True, True, False)
    """
    told = [cell for cell in cells if cell and not cell.endswith((">", ":"))]
    marks = [_UNIT_CELL.match(cell) for cell in told]
    return bool(marks) and all(
        mark is not None and (unit_of(mark[1]) is not None or mark[1].casefold() in _HOW_SHOWN)
        for mark in marks
    )


def _rows_of_values(lines: Sequence[_Line]) -> dict[int, int]:
    """For each number of cells, how many lines with so many hold mostly values."""
    counts: dict[int, int] = defaultdict(int)
    for line in lines:
        if 2 * sum(map(is_value, line.cells)) > len(line.cells) and any(line.cells):
            counts[len(line.cells)] += 1
    return counts


class _Finder:
    """The search for names and rows once separator and number of cells are known."""

    def __init__(
        self, lines: Sequence[_Line], separator: str, count: int, is_name: Callable[[str], bool], file: str
    ) -> None:
        self.lines = [self._uncommented(line, separator, count) for line in lines]
        self.separator, self.count, self.is_name, self.file = separator, count, is_name, file
        self.rows = [line for line in self.lines if len(line.cells) == count]
        self.values = [
            index
            for index in range(count)
            if 2 * sum(is_value(row.cells[index]) for row in self.rows) >= len(self.rows)
        ]

    @staticmethod
    def _uncommented(line: _Line, separator: str, count: int) -> _Line:
        """Names behind a comment mark, as some exporters write them, are names."""
        text = line.text.lstrip()
        is_comment = text.startswith("#") or (text.startswith(";") and separator != ";")
        if len(line.cells) == count and not is_comment:
            return line
        cells = split_cells(text.lstrip("#;").lstrip(), separator)
        return _Line(line.number, line.text, cells) if len(cells) == count else line

    def table(self) -> Table:
        first = next((row for row in self.rows if self._is_row(row)), self.rows[0])
        if self._is_heading(first):
            return self._below(first, self.count)
        above = [row for row in self.rows if row.number < first.number and not are_units(row.cells)]
        named = [row for row in above if self._names(row)]
        if named:
            return self._below(max(named, key=lambda row: (self._names(row), row.number)), self.count)
        if above:
            return self._below(max(above, key=lambda row: (self._texts(row), row.number)), self.count)
        return self._other_count(first)

    def _is_row(self, row: _Line) -> bool:
        return all(is_value(row.cells[index]) for index in self.values)

    def _names(self, row: _Line) -> int:
        return sum(1 for cell in row.cells if cell and self.is_name(cell))

    def _texts(self, row: _Line) -> int:
        return sum(1 for index in self.values if not is_value(row.cells[index]))

    def _is_heading(self, row: _Line) -> bool:
        """Whether a line that could be a row of words (``A0,D3``) is the names, judged by the cells below."""
        below = [other.cells for other in self.rows if other.number > row.number]
        if not all(row.cells) or len(set(row.cells)) < self.count:
            return False
        if not below:
            return 2 * self._names(row) > self.count
        for index, cell in enumerate(row.cells):
            levels = 2 * sum(other[index].lower() in LEVELS for other in below) >= len(below)
            names_a_bit = cell[-1].isdigit()
            if levels and cell.lower() in LEVELS and not self.is_name(cell):
                return False
            if not levels and (names_a_bit or not self.is_name(cell)):
                return False
        return True

    def _other_count(self, first: _Line) -> Table:
        """Names and rows that differ by a separator at the end of the line; else there are no names."""
        above = [line for line in self.lines if line.number < first.number and len(line.cells) != self.count]
        last = above[-1] if above else None
        if last is not None and (self._names(last) or not any(map(is_value, last.cells))):
            if len(last.cells) == self.count + 1 and not last.cells[-1]:
                return self._below(last, self.count)
            if len(last.cells) == self.count - 1 and not any(row.cells[-1] for row in self.rows):
                return self._below(last, self.count)
            if len(last.cells) > 1 and 2 * self._names(last) >= len(last.cells):
                raise self._misfit(last, first)
        raise CaptureError(
            f"There is no line with the names of the columns above the first row, {first.text.strip()!r}.",
            f"Put a line above it that names all {self.count} columns, such as "
            f"{self._example()!r}, and map those names under 'columns' of the probe point if need be.",
            file=self.file,
            line=first.number,
        )

    def _example(self) -> str:
        names = ["time [ns]", *(f"D{number}" for number in range(self.count - 1))]
        shown = names if self.count <= 5 else [*names[:4], "…"]
        return self.separator.replace("\t", " ").join(shown[: self.count])

    def _misfit(self, heading: _Line, first: _Line) -> CaptureError:
        comma = self.separator == "," and self.count > len(heading.cells)
        return CaptureError(
            f"Line {heading.number} names {len(heading.cells)} columns, but the rows below have {self.count} "
            f"cells: {first.text.strip()!r}.",
            "With commas between cells, numbers need a decimal point or quotation marks."
            if comma
            else "Give every column a name.",
            file=self.file,
            line=first.number,
        )

    def _below(self, heading: _Line, count: int) -> Table:
        rows = [row for row in self.rows if row.number > heading.number]
        units: tuple[str, ...] = ()
        if rows and are_units(rows[0].cells) and not self._is_row(rows[0]):
            units = tuple(cell.strip("[]()<>") for cell in rows[0].cells)
        after = rows[0].number if units else heading.number
        rows = rows[1:] if units else rows
        following = [line.number for line in self.lines if line.number > after]
        if not following:
            raise _no_rows(heading.number, heading.cells, self.file)
        headings = (*heading.cells, "")[:count]
        return Table(
            self.separator,
            headings,
            heading.number,
            following[0],
            units,
            tuple(row.cells for row in rows),
        )


def _no_rows(line: int, cells: Sequence[str], file: str) -> CaptureError:
    return CaptureError(
        f"The file names columns ({quoted(cells)}) but has no rows below them.",
        "Export the capture again, with its samples.",
        file=file,
        line=line,
    )


def _no_table(lines: Sequence[_Line], is_name: Callable[[str], bool], file: str) -> CaptureError:
    for line in lines:
        names = [cell for cell in line.cells if cell and is_name(cell)]
        if 2 * len(names) > len(line.cells):
            return _no_rows(line.number, line.cells, file)
    if not lines:
        raise CaptureError(
            "This is no table of samples: its beginning holds blanks only, or a line that does not end.",
            "Export the capture as CSV (names of the columns, then one line a sample) or as VCD.",
            file=file,
        )
    first = lines[0]
    shown = first.text.strip()
    return CaptureError(
        f"This is no table of samples: no line holds values. The first line is "
        f"{shown[:60] + '…' if len(shown) > 60 else shown!r}.",
        "Export the capture as CSV (names of the columns, then one line a sample) or as VCD.",
        file=file,
        line=first.number,
    )


def has_decimal_comma(cells: Sequence[str]) -> bool:
    """Whether times are written with a decimal comma.

    >>> has_decimal_comma(["0,5", "1"]), has_decimal_comma(["0.5"])
    (True, False)
    """
    return any("," in cell and is_value(cell) for cell in cells)
