"""Captures whose every row is one whole bus cycle: a CSV with named columns, or typed text.

It is a CSV where a line names columns for address and word, in the probe point's ``columns`` or by the names
in `COLUMN_NAMES`, as words or bit by bit (``A0``, ``A1``, …); every other file is typed text
(`wrongbit.capture.formats.typed`).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wrongbit.capture.columns import (
    Column,
    find_columns,
    heading_unit,
    quoted,
    sample_heading,
    time_heading,
)
from wrongbit.capture.formats._cells import HIGH, UNKNOWN, read_kind
from wrongbit.capture.formats._csv_columns import unit_of_times
from wrongbit.capture.formats._level_columns import read_levels
from wrongbit.capture.formats._packing import BadCell, Words, each_text
from wrongbit.capture.formats._rows import RowReader
from wrongbit.capture.formats._table import RELATIVE, SEPARATORS, Table, are_units, split_cells
from wrongbit.capture.formats._times import read_times
from wrongbit.capture.formats._tokens import Cells, Places, RaggedRow
from wrongbit.capture.formats._word_columns import read_words
from wrongbit.capture.source import CycleRows
from wrongbit.capture.text import TextBlock, TextFile
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point
from wrongbit.machine.names import parse_signal, split_bus_bit

ROLES = ("address", "word", "kind", "bank", "time", "sample")
"""What a column of whole cycles can be; a probe point's ``columns`` map to these names."""

COLUMN_NAMES: dict[str, tuple[str, ...]] = {
    "address": ("address", "addr", "adr", "address bus", "a", "ab"),
    "word": ("word", "data", "dat", "data bus", "value", "d", "db"),
    "kind": ("kind", "status", "stat", "type", "cycle", "operation", "op", "r/w", "rw", "rd/wr"),
    "bank": ("bank", "bk"),
}
"""Headings that need no mapping, in lower case; common practice, no source. Times and running numbers are
recognised as in a capture of samples."""

BIT_NAMES: dict[str, str] = {
    **dict.fromkeys(("A", "AB", "ADR", "ADDR", "ADDRESS"), "A"),
    **dict.fromkeys(("D", "DB", "DAT", "DATA"), "D"),
}
"""Headings of columns that have one line each, without its number: those of the address and of the word."""

_BUSES = {"A": "address", "D": "word"}
_MOST_BITS = 64
_BANK_BITS = 31
_UNREAD = -2
"""Stands for a status text without a meaning, until all rows are read."""


def read_cycles(path: Path, point: Point, widths: Mapping[str, int]) -> CycleRows:
    """Read a capture of whole cycles.

    Args:
        path: The file.
        point: Its ``columns``, ``kinds``, ``radix`` and ``address_radix``.
        widths: ``address`` and ``word`` = their bits, left out: up to 64, not checked; and each byte strobe
            that a column may have, by its canonical name.

    Raises:
        CaptureError: The file cannot be used.
    """
    from wrongbit.capture.formats.typed import read_typed

    text = TextFile(path)
    strobes = _strobe_names(widths)
    _check_targets(point, text.name, strobes)
    table = _find_table(text.head, point)
    if table is not None:
        return _CycleTable(text, table, point, widths).read()
    try:
        return read_typed(text, point, widths)
    except CaptureError as error:
        if point.columns:
            find_columns(point.columns, _best_headings(text.head), point, text.name)
        error.notes += (
            "It is no CSV either: no line names columns for address and word. Known names are "
            f"{quoted(COLUMN_NAMES['address'])} and {quoted(COLUMN_NAMES['word'])}.",
        )
        raise


# -- columns -----------------------------------------------------------------------------------------------


def _check_targets(point: Point, file: str, strobes: Sequence[str]) -> None:
    more = f", or byte strobes ({', '.join(strobes)})" if strobes else ""
    for column, target in point.columns.items():
        if _role_of_target(target, strobes) is None:
            raise CaptureError(
                f"The probe point {point.name!r} maps the column {column!r} to {target!r}; a column of whole "
                f"cycles is one of {', '.join(ROLES)}, or one bit of address or word, such as A0 or "
                f"D7{more}.",
                "Correct the mapping, or set the probe point's mode to 'timing' or 'state'.",
                file=file,
            )


def _role_of_target(target: str, strobes: Sequence[str] = ()) -> str | None:
    folded = target.strip()
    if (several := _strobes_of(folded, strobes)) is not None:
        return several
    if folded in ROLES:
        return folded
    if (bit := _bit_of_heading(folded)) is not None:
        return bit
    return "time" if folded.startswith("time") and time_heading(folded)[0] else None


def _strobes_of(text: str, strobes: Sequence[str]) -> str | None:
    """The byte strobes that a column has, a digit each, as one role; None for any other column.

    >>> _strobes_of("/UDS, /LDS", ["LDS", "UDS"]), _strobes_of("UDS/LDS", ["LDS", "UDS"])
    ('UDS LDS', 'UDS LDS')
    >>> _strobes_of("/UDS", ["LDS", "UDS"]), _strobes_of("R/W", ["LDS", "UDS"])
    ('UDS', None)
    """
    for pieces in ([text], re.split(r"[\s,;|]+", text), re.split(r"[\s,;|/]+", text)):
        names = [parse_signal(piece).base for piece in pieces if piece]
        if names and len(set(names)) == len(names) and set(names) <= set(strobes):
            return " ".join(names)
    return None


def role_of_heading(heading: str) -> str | None:
    """What a column is by its own name.

    >>> role_of_heading("Addr"), role_of_heading("R/W"), role_of_heading("Time [ns]"), role_of_heading("Foo")
    ('address', 'kind', 'time', None)
    """
    folded = " ".join(heading.split()).lower()
    for role, names in COLUMN_NAMES.items():
        if folded in names:
            return role
    if time_heading(heading)[0]:
        return "time"
    return "sample" if sample_heading(heading) else None


def _bit_of_heading(heading: str) -> str | None:
    """The line of address or word that a column has alone, such as ``A5``; None for any other column.

    >>> _bit_of_heading("Addr[5]"), _bit_of_heading("D3"), _bit_of_heading("/A5"), _bit_of_heading("CH5")
    ('A5', 'D3', None, None)
    """
    found = split_bus_bit(heading)
    if found is None or parse_signal(heading).active_low or found[1] >= _MOST_BITS:
        return None
    bus = BIT_NAMES.get(found[0])
    return None if bus is None else f"{bus}{found[1]}"


def _bus_of(role: str) -> str | None:
    """``address`` or ``word`` for the role of one of its lines, such as ``A5``."""
    return _BUSES.get(role.rstrip("0123456789"))


def _strobe_names(widths: Mapping[str, int]) -> list[str]:
    """The byte strobes among what columns may carry."""
    return [name for name in widths if name not in _BUSES.values()]


def _has_both(roles: Iterable[str]) -> bool:
    """Whether there are an address and a word, as columns of their own or bit by bit."""
    there = {_bus_of(role) or role for role in roles}
    return {"address", "word"} <= there


def roles_of(headings: Sequence[str], point: Point, strobes: Sequence[str] = ()) -> dict[int, str]:
    """Role of each column that has one; a mapped column outranks one that is only named so.

    A role is one of `ROLES`, a single line such as ``A5`` or ``D3``, or byte strobes such as ``UDS LDS``, of
    those that the processor has. Single lines are left unused where a column has the whole address or word.
    """
    mapped: dict[int, str] = {}
    for name, target in point.columns.items():
        folded = " ".join(name.split()).casefold()
        for index, heading in enumerate(headings):
            if " ".join(heading.split()).casefold() == folded:
                mapped[index] = _role_of_target(target, strobes) or target
    ignored = {" ".join(name.split()).casefold() for name in point.ignore}
    named = {}
    for index, heading in enumerate(headings):
        role = _strobes_of(heading, strobes) or role_of_heading(heading) or _bit_of_heading(heading)
        free = index not in mapped and " ".join(heading.split()).casefold() not in ignored
        if role is not None and free and role not in mapped.values():
            named[index] = role
    found = mapped | named
    whole = set(found.values()) & set(_BUSES.values())
    return {index: role for index, role in found.items() if _bus_of(role) not in whole}


def _find_table(head: str, point: Point) -> Table | None:
    """The table below the first line that names address and word."""
    texts = head.replace("\r\n", "\n").split("\n")
    for number, text in enumerate(texts, 1):
        for separator in SEPARATORS:
            headings = split_cells(text.lstrip().removeprefix("#"), separator)
            if _has_both(roles_of(headings, point).values()):
                return _table(texts, number, separator, headings)
    return None


def _table(texts: Sequence[str], number: int, separator: str, headings: tuple[str, ...]) -> Table:
    rows = [split_cells(text, separator) for text in texts[number:] if text.strip()]
    if rows and len(rows[0]) == len(headings) + 1 and not rows[0][-1]:
        headings = (*headings, "")
    elif rows and len(rows[0]) == len(headings) - 1 and not headings[-1]:
        headings = headings[:-1]
    whole = tuple(row for row in rows if len(row) == len(headings))
    first = number + 1
    units: tuple[str, ...] = ()
    if whole and whole[0] == rows[0] and are_units(whole[0]):  # a line of units below the names is no row
        first = next(n for n, text in enumerate(texts[number:], number + 1) if text.strip()) + 1
        units, whole = tuple(cell.strip("[]()<>") for cell in whole[0]), whole[1:]
    return Table(separator, headings, number, first, units, whole)


def _best_headings(head: str) -> tuple[str, ...]:
    """The first line with several cells, to name the columns that the file has."""
    texts = [text for text in head.splitlines() if text.strip()]
    lines = [split_cells(text, separator) for text in texts for separator in SEPARATORS]
    return next((cells for cells in lines if len(cells) > 1), ())


# -- rows --------------------------------------------------------------------------------------------------


@dataclass
class _Parts:
    """Columns of the rows read so far, a block each."""

    address: list[tuple[Words, Words]] = field(default_factory=list)
    word: list[tuple[Words, Words]] = field(default_factory=list)
    kind: list[NDArray[np.int8]] = field(default_factory=list)
    bank: list[NDArray[np.int32]] = field(default_factory=list)
    time: list[NDArray[np.int64]] = field(default_factory=list)
    levels: list[dict[str, NDArray[np.uint8]]] = field(default_factory=list)


class _CycleTable:
    """A CSV of whole cycles."""

    def __init__(self, text: TextFile, table: Table, point: Point, widths: Mapping[str, int]) -> None:
        self.rows = RowReader(text, table, point)
        self.table, self.point = table, point
        find_columns(point.columns, table.headings, point, text.name)
        self.strobes = _strobe_names(widths)
        self.place = self._places(roles_of(table.headings, point, self.strobes))
        if point.kinds and "kind" not in self.place:
            raise self._no_kind()
        self.address_bits, self.word_bits = widths.get("address", 64), widths.get("word", 64)
        self.notes: list[str] = []
        self._check_bits()
        self.unknown_kinds: dict[str, int] = {}
        self.unit_ps = self._unit()
        self.relative = self._time_is_relative()

    def _places(self, roles: Mapping[int, str]) -> dict[str, int]:
        place: dict[str, int] = {}
        for index, role in sorted(roles.items()):
            if role in place:
                headings = self.table.headings
                raise CaptureError(
                    f"Two columns carry the {role}: {headings[place[role]]!r} (column {place[role] + 1}) and "
                    f"{headings[index]!r} (column {index + 1}).",
                    f"Name one of them under 'ignore' of the probe point {self.point.name!r}.",
                    file=self.rows.text.name,
                    line=self.table.heading_line,
                )
            place[role] = index
        return place

    def _check_bits(self) -> None:
        """No column has a line that the processor does not have; those missing are told with the cycles."""
        for letter, bits in (("A", self.address_bits), ("D", self.word_bits)):
            lines = self._lines(letter)
            if not lines or bits == _MOST_BITS:
                continue
            bus = _BUSES[letter]
            beyond = [line for line in lines if line >= bits]
            if beyond:
                index = lines[beyond[0]]
                raise CaptureError(
                    f"Column {self.table.headings[index]!r} is line {letter}{beyond[0]} of the {bus}, which "
                    f"has only {letter}0 to {letter}{bits - 1}.",
                    f"Name it under 'ignore' of the probe point {self.point.name!r}, or map it under "
                    "'columns' to the line that it is.",
                    file=self.rows.text.name,
                    line=self.table.heading_line,
                )

    def _lines(self, letter: str) -> dict[int, int]:
        """Columns of the single lines of a bus, by the number of the line."""
        return {
            int(role[1:]): index
            for role, index in self.place.items()
            if role[:1] == letter and role[1:].isdigit()
        }

    def _bus(self, cells: Cells, letter: str, radix: int, bits: int) -> tuple[Words, Words]:
        """Address or word of each row, and its unknown bits."""
        column = self.place.get(_BUSES[letter])
        if column is not None:
            return _words(cells, column, radix, bits)
        value = np.zeros(len(cells), np.uint64)
        unknown = np.full(len(cells), _whole(bits))
        for line, place in self._lines(letter).items():
            levels = read_levels(cells, place)
            value |= (levels == HIGH).astype(np.uint64) << np.uint64(line)
            unknown ^= (levels != UNKNOWN).astype(np.uint64) << np.uint64(line)
        return value, unknown

    def _no_kind(self) -> CaptureError:
        """The error for a file of which no column is known to give what each cycle does, though texts are.

        To take every cycle for a read would blame a sound chip for every write and every idle cycle.
        """
        texts = {text.casefold() for text in self.point.kinds}
        rest = [index for index in range(len(self.table.headings)) if index not in self.place.values()]
        fitting = [i for i in rest if any(cell.casefold() in texts for cell in self.table.column(i))]
        name = self.table.headings[fitting[0]] if fitting else "COLUMN"
        return CaptureError(
            f"The probe point {self.point.name!r} says under 'kinds' what texts mean, but no column is known "
            f"to hold them. The file has: {quoted([each for each in self.table.headings if each])}.",
            f'Write columns = {{ "{name}" = "kind" }} in the probe point {self.point.name!r}, or take '
            "'kinds' out if the file does not tell reads from writes.",
            file=self.rows.text.name,
            line=self.table.heading_line,
        )

    def _unit(self) -> int | None:
        """Picoseconds in the time's unit; a time without one is not used."""
        index = self.place.get("time")
        if index is None:
            return None
        heading = self.table.headings[index]
        mapped = next((t for t in self.point.columns.values() if _role_of_target(t) == "time"), "")
        unit = time_heading(mapped)[1] or heading_unit(heading)
        cells = [cell for cell in self.table.column(index) if cell]
        usable, unit, notes = unit_of_times(Column(index, heading, "time", unit_ps=unit), cells, self.table)
        self.notes += notes
        if not usable:
            del self.place["time"]
        return unit

    def _time_is_relative(self) -> bool:
        """Whether a line below the names says that each row's time counts from the row before it."""
        index = self.place.get("time")
        told = self.table.units[index] if index is not None and self.table.units else ""
        if told.casefold() not in RELATIVE:
            return False
        self.notes.append(f"Times in column {self.table.headings[index or 0]!r} count from row to row.")
        return True

    def read(self) -> CycleRows:
        parts = _Parts()
        for block in self.rows.text.blocks(self.table.first_line):
            self._read_block(block, parts)
        count = sum(len(each[0]) for each in parts.address)
        if not count:
            raise self.rows.no_rows()
        self._tell()
        address, address_unknown = _joined(parts.address)
        word, word_unknown = _joined(parts.word)
        kind = np.concatenate(parts.kind)
        return CycleRows(
            sample=np.arange(count, dtype=np.int64),
            time_ps=np.concatenate(parts.time) if "time" in self.place else None,
            kind=np.maximum(kind, -1),
            bank=np.concatenate(parts.bank) if "bank" in self.place else None,
            address=address,
            address_known=~address_unknown & _whole(self.address_bits),
            word=word,
            known=~word_unknown & _whole(self.word_bits),
            source=self.rows.text.name,
            notes=(*self.rows.notes, *self.notes),
            unread_status=kind == _UNREAD,
            levels={name: np.concatenate([each[name] for each in parts.levels]) for name in parts.levels[0]},
        )

    def _read_block(self, block: TextBlock, parts: _Parts) -> None:
        try:
            cells = self.rows.cells(block)
        except RaggedRow as ragged:
            self._read_block(self.rows.before(block, ragged.start), parts)  # an earlier mistake is told first
            raise self.rows.ragged_error(block, ragged) from None
        try:
            self._read_cells(cells, block, parts)
        except BadCell as bad:
            self._read_block(self.rows.before(block, cells.row_start(bad.row)), parts)
            raise self.rows.cell_error(cells, block, bad) from None

    def _read_cells(self, cells: Cells, block: TextBlock, parts: _Parts) -> None:
        point = self.point
        address_radix = point.address_radix or point.radix
        parts.address.append(self._bus(cells, "A", address_radix, self.address_bits))
        parts.word.append(self._bus(cells, "D", point.radix, self.word_bits))
        parts.kind.append(self._kinds(cells))
        parts.levels.append(self._strobe_levels(cells))
        if "bank" in self.place:
            bank, unknown = _words(cells, self.place["bank"], point.radix, _BANK_BITS)
            parts.bank.append(np.where(unknown == 0, bank, np.uint64(0)).astype(np.int32) - (unknown != 0))
        if "time" in self.place:
            times = read_times(cells, self.place["time"], self.unit_ps).time_ps
            if self.relative:
                times = np.cumsum(times) + (parts.time[-1][-1] if parts.time and len(parts.time[-1]) else 0)
            self._check_order(cells, block, times, parts.time[-1] if parts.time else times[:0])
            parts.time.append(times)

    def _strobe_levels(self, cells: Cells) -> dict[str, NDArray[np.uint8]]:
        """Level of each byte strobe; where one column has several, the first name is the leftmost digit."""
        found: dict[str, NDArray[np.uint8]] = {}
        for role, column in self.place.items():
            names = role.split()
            if not set(names) <= set(self.strobes):
                continue
            if len(names) == 1:
                found[names[0]] = read_levels(cells, column)
                continue
            value, unknown = _words(cells, column, 2, len(names))
            for bit, name in enumerate(reversed(names)):
                one, blind = (each >> np.uint64(bit) & np.uint64(1) for each in (value, unknown))
                found[name] = np.where(blind == 1, UNKNOWN, one).astype(np.uint8)
        return found

    def _kinds(self, cells: Cells) -> NDArray[np.int8]:
        kinds = np.full(len(cells), -1, np.int8)
        column = self.place.get("kind")
        if column is None:
            return kinds

        def read(text: str) -> tuple[str, int]:
            return text.strip(), read_kind(text, self.point.kinds)

        def use(group: Places, found: tuple[str, int]) -> None:
            text, kind = found
            kinds[group] = _UNREAD if kind < 0 and text else kind
            if kind < 0 and text:
                self.unknown_kinds[text] = self.unknown_kinds.get(text, 0) + len(group)

        each_text(cells, column, np.arange(len(cells)), read, use)
        return kinds

    def _check_order(
        self, cells: Cells, block: TextBlock, times: NDArray[np.int64], before: NDArray[np.int64]
    ) -> None:
        back = np.flatnonzero(np.diff(np.concatenate([before[-1:], times])) < 0)
        if not len(back):
            return
        row = int(back[0]) + 1 - len(before[-1:])
        column = self.place["time"]
        raise CaptureError(
            f"Time goes back in column {self.table.headings[column]!r}, at {cells.text(row, column)!r}.",
            "Cycles must follow each other in time, counted from the start and not from row to row: export "
            "one recording a file, and name the column under 'ignore' of the probe point "
            f"{self.point.name!r} if it is no time.",
            file=self.rows.text.name,
            line=self.rows.line_of(cells, block, row),
        )

    def _tell(self) -> None:
        used = set(self.place.values())
        unused = [name for index, name in enumerate(self.table.headings) if index not in used and name]
        if unused:
            self.notes.append(f"Columns not used: {quoted(unused)}.")
        if "kind" not in self.place:
            self.notes.append("No column gives the kind of the cycles.")
        if self.unknown_kinds:
            self.notes.append(unknown_kinds_note(self.unknown_kinds, self.point))


def unknown_kinds_note(found: Mapping[str, int], point: Point) -> str:
    """Which texts of a status column mean nothing here."""
    shown = ", ".join(
        f"{text!r} in {count} row{'s' * (count != 1)}" for text, count in list(found.items())[:8]
    )
    more = f" and {len(found) - 8} more" if len(found) > 8 else ""
    return (
        f"Status texts that are not known: {shown}{more}. Say what they mean under 'kinds' of the probe "
        f"point {point.name!r}."
    )


def _words(cells: Cells, column: int, radix: int, bits: int) -> tuple[Words, Words]:
    value, unknown = read_words(cells, column, radix, bits)
    return value, np.zeros(len(value), np.uint64) if unknown is None else unknown


def _joined(parts: Sequence[tuple[Words, Words]]) -> tuple[Words, Words]:
    return np.concatenate([part[0] for part in parts]), np.concatenate([part[1] for part in parts])


def _whole(bits: int) -> np.uint64:
    return np.uint64((1 << bits) - 1)
