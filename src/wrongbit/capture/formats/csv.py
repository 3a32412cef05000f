"""CSV: one line a sample, columns of levels, words of buses, and a time; RFC 4180 and its many dialects.

The table is found by `_table`, its columns are given their use by `_csv_columns`; then block by block
`_tokens` finds the cells of all rows at once, `_packing` and `_times` read them. Plain numpy on the block's
bytes is measurably faster here than a general CSV reader followed by packing, and it knows the line of
everything that it cannot read.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

import numpy as np

from wrongbit.capture.capture import Capture, Layout, Mode, Times
from wrongbit.capture.columns import build_layout
from wrongbit.capture.formats._cells import CellError, read_time
from wrongbit.capture.formats._csv_columns import Uses, choose_uses, is_column_name, words_and_levels
from wrongbit.capture.formats._level_columns import LevelRun
from wrongbit.capture.formats._packing import BadCell, Planes, Words
from wrongbit.capture.formats._rows import RowReader
from wrongbit.capture.formats._sampling import SamplingClock
from wrongbit.capture.formats._table import find_table, has_decimal_comma, split_cells
from wrongbit.capture.formats._times import ReadTimes, read_times
from wrongbit.capture.formats._tokens import Cells, RaggedRow
from wrongbit.capture.formats._word_columns import read_words
from wrongbit.capture.text import BLOCK, TextBlock, TextFile
from wrongbit.cores import cores, keep_freed_memory
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point
from wrongbit.units import format_time

CHUNK_ROWS = 1 << 17

_MOST_WORKERS = 4


def open_csv(
    path: Path,
    point: Point,
    widths: Mapping[str, int],
    *,
    block: int = BLOCK,
    chunk_rows: int = CHUNK_ROWS,
) -> CsvSource:
    """Open a CSV file of samples: find its table and its columns, leave the rows for `CsvSource.chunks`.

    Args:
        path: The file.
        point: Probe point where it was taken: its ``columns``, ``ignore``, ``radix`` and ``period``.
        widths: Wires of the signals and buses that the machine needs, by canonical name.
        block: Bytes to read at a time.
        chunk_rows: Samples a chunk, at least, but for the last one.

    Raises:
        CaptureError: The file cannot be read, has no table, or its columns cannot be used.
    """
    text = TextFile(path)
    table = find_table(text.head, lambda cell: is_column_name(cell, point, widths), text.name)
    uses = choose_uses(table, point, widths, text.name)
    return CsvSource(RowReader(text, table, point), uses, point, widths, block, chunk_rows)


@dataclass(frozen=True)
class _Rows:
    """What a block's rows hold."""

    levels: list[Words]
    unknown: list[Words | None]
    times: ReadTimes | None

    def __len__(self) -> int:
        return len(self.levels[0])


class CsvSource:
    """An opened CSV file, as `wrongbit.capture.source.SampleSource` describes it.

    Args:
        rows: Its rows.
        uses: How its columns are read.
        point: Its probe point.
        widths: Wires of the buses that the machine needs.
        block: Bytes to read at a time.
        chunk_rows: Samples a chunk.
    """

    def __init__(
        self,
        rows: RowReader,
        uses: Uses,
        point: Point,
        widths: Mapping[str, int],
        block: int,
        chunk_rows: int,
    ) -> None:
        self._rows, self._uses, self._point = rows, uses, point
        self._block, self._chunk_rows = block, chunk_rows
        targets = [column.target for column in uses.signals if column.target is not None]
        spelt = {
            column.target.name: column.heading
            for column in uses.signals
            if column.target is not None and column.target.bits is None and not column.mapped
        }
        whole = {
            column.target.name: column.heading
            for column in uses.signals
            if column.target is not None and column.target.is_whole
        }
        self._layout = replace(build_layout(targets, widths), headings=spelt, whole=whole)
        words, runs = words_and_levels(uses.signals)
        self._words = [
            (column.index, tuple(self._layout.signals[name] for name in column.target.signals))
            for column in words
            if column.target is not None
        ]
        self._runs = [
            LevelRun(
                run[0].index,
                tuple(
                    self._layout.signals[column.target.name] for column in run if column.target is not None
                ),
            )
            for run in runs
        ]
        self._done, self._at_end = 0, False

    @property
    def layout(self) -> Layout:
        """Positions of the signals; the same in every chunk."""
        return self._layout

    @property
    def notes(self) -> tuple[str, ...]:
        """How the file was read; that its last line was cut is told once that is read."""
        notes = (*self._rows.notes, *self._uses.notes)
        time = self._uses.time
        if time is not None and has_decimal_comma(self._rows.table.column(time.index)):
            notes += ("Times have a decimal comma.",)
        return notes

    @property
    def byte_count(self) -> int:
        """Size of the file."""
        return self._rows.text.byte_count

    def bytes_done(self) -> int:
        """How far the running `chunks` has read."""
        return self._done

    def chunks(self) -> Iterator[Capture]:
        """The samples in order, a chunk at a time, in bounded memory.

        Raises:
            CaptureError: A row or a cell cannot be read, time goes back, or there is no row.
        """
        self._done, self._at_end = 0, False
        keep_freed_memory()
        first = 0
        clock: SamplingClock | None = None
        for rows in self._joined():
            if rows.times is not None and first == 0:
                clock = self._clock(rows.times)
            for part, times in self._timed(rows, clock, first):
                yield self._capture(rows, part, times, first + part.start)
            first += len(rows)
        if first == 0:
            raise self._rows.no_rows()

    # -- chunks ----------------------------------------------------------------------------------------

    def _joined(self) -> Iterator[_Rows]:
        """Rows of several blocks together, as chunks for the rooms above."""
        held: list[_Rows] = []
        latest: int | None = None
        blocks = self._rows.text.blocks(self._rows.table.first_line, self._block)
        for rows, cells, block in self._read_all(blocks):
            self._done = block.end
            if not len(cells):
                continue
            if rows.times is not None:
                if latest is not None and rows.times.time_ps[0] < latest:
                    raise self._time_error(cells, block, 0, latest)
                latest = int(rows.times.time_ps[-1])
            if sum(len(each) for each in held) >= self._chunk_rows:
                yield _join(held)
                held = []
            held.append(rows)
        self._at_end = True
        if held:
            yield _join(held)

    def _read_all(self, blocks: Iterator[TextBlock]) -> Iterator[tuple[_Rows, Cells, TextBlock]]:
        """The blocks read in order; side by side where rows must be cut.

        Where all are cut alike there is so little work in a block that waking another thread costs more.
        """
        for first in blocks:
            read = self._read(first)
            yield read
            if read[1].even or self.byte_count <= self._block:
                yield from map(self._read, blocks)
            else:
                yield from _ahead(blocks, self._read)

    def _timed(self, rows: _Rows, clock: SamplingClock | None, first: int) -> Iterator[tuple[slice, Times]]:
        count = len(rows)
        if rows.times is None:
            period = self._point.period
            yield slice(0, count), Times() if period is None else Times(first * period, period)
        elif clock is None:
            yield slice(0, count), Times(stamps_ps=rows.times.time_ps)
        else:
            yield from clock.pieces(rows.times.time_ps, first)

    def _capture(self, rows: _Rows, part: slice, times: Times, first: int) -> Capture:
        return Capture(
            layout=self._layout,
            planes=tuple(plane[part] for plane in rows.levels),
            unknown=tuple(
                None if plane is None or not plane[part].any() else plane[part] for plane in rows.unknown
            ),
            times=times,
            mode=cast(Mode, self._point.mode),
            first_sample=first,
            source=self._rows.text.name,
            notes=self.notes,
        )

    # -- a block ---------------------------------------------------------------------------------------

    def _read(self, block: TextBlock) -> tuple[_Rows, Cells, TextBlock]:
        """All columns of a block's rows.

        Raises:
            CaptureError: For the first row that cannot be read.
        """
        try:
            cells = self._rows.cells(block)
        except RaggedRow as ragged:
            self._read(self._rows.before(block, ragged.start))  # a mistake in an earlier row is told first
            raise self._rows.ragged_error(block, ragged) from None
        planes = Planes(len(cells), self._layout.plane_count)
        times = None
        bad: list[BadCell] = []
        for run in self._runs:
            try:
                run.pack(cells, planes)
            except BadCell as error:
                bad.append(error)
        for column, positions in self._words:
            try:
                words, unknown = read_words(cells, column, self._point.radix, len(positions))
                planes.add(words, positions, unknown)
            except BadCell as error:
                bad.append(error)
        try:
            times = self._read_times(cells)
        except BadCell as error:
            bad.append(error)
        worst = min(bad, key=lambda each: (each.row, each.column), default=None)
        stamps = np.zeros(0, np.int64) if times is None else times.time_ps
        back = np.flatnonzero(np.diff(stamps) < 0) + 1
        if len(back) and (worst is None or back[0] < worst.row):
            raise self._time_error(cells, block, int(back[0]), None)
        if worst is not None:
            self._read(self._rows.before(block, cells.row_start(worst.row)))
            raise self._rows.cell_error(cells, block, worst)
        return _Rows(planes.levels, planes.unknown, times), cells, block

    # -- time ------------------------------------------------------------------------------------------

    def _read_times(self, cells: Cells) -> ReadTimes | None:
        if self._uses.time is not None:
            return read_times(cells, self._uses.time.index, self._uses.unit_ps)
        if self._uses.sample is not None and self._point.period is not None:
            return read_times(cells, self._uses.sample.index, self._point.period)
        return None

    def _time_error(self, cells: Cells, block: TextBlock, row: int, latest: int | None) -> CaptureError:
        column = self._uses.time or self._uses.sample
        assert column is not None
        before = format_time(latest or 0) if row == 0 else cells.text(row - 1, column.index)
        found = cells.text(row, column.index)
        return CaptureError(
            f"Time goes back in column {column.heading!r}: {found!r} after {before!r}.",
            "Samples must follow each other in time: export one recording a file, and name the column under "
            f"'ignore' of the probe point {self._point.name!r} if it is no time.",
            file=self._rows.text.name,
            line=self._rows.line_of(cells, block, row),
        )

    def _clock(self, times: ReadTimes) -> SamplingClock | None:
        """The regular clock of the whole file, if its beginning and its end keep to one."""
        clock = SamplingClock.fitted(times.time_ps, times.resolution_ps)
        if clock is None or self._at_end:
            return clock
        count, last = self._end()
        if last is None:
            return None
        return clock if clock.fits(np.array([last], np.int64), count - 1).all() else None

    def _end(self) -> tuple[int, int | None]:
        """Number of rows in the file, and the time of the last one where it can be read."""
        column, unit = self._uses.time, self._uses.unit_ps
        if column is None:
            column, unit = self._uses.sample, self._point.period
        table = self._rows.table
        number, lines, cut = self._rows.text.last_lines()
        cells = [split_cells(line.decode(errors="replace"), table.separator) for line in lines]
        if cut and len(cells[-1]) < len(table.headings):
            number, cells = number - 1, cells[:-1]
        if column is None or not cells:
            return 0, None
        try:
            return number + 1 - table.first_line, read_time(cells[-1][column.index], unit)
        except (CellError, IndexError):
            return 0, None


def _ahead(
    blocks: Iterator[TextBlock], read: Callable[[TextBlock], tuple[_Rows, Cells, TextBlock]]
) -> Iterator[tuple[_Rows, Cells, TextBlock]]:
    """Blocks read in order, a few of them at the same time: numpy lets the cores work side by side."""
    workers = min(cores(), _MOST_WORKERS)
    waiting: deque[Future[tuple[_Rows, Cells, TextBlock]]] = deque()
    with ThreadPoolExecutor(workers) as pool:
        for block in blocks:
            waiting.append(pool.submit(read, block))
            if len(waiting) > workers:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _join(parts: list[_Rows]) -> _Rows:
    if len(parts) == 1:
        return parts[0]
    times = None
    stamps = [part.times for part in parts if part.times is not None]
    if stamps:
        times = ReadTimes(
            np.concatenate([each.time_ps for each in stamps]), min(each.resolution_ps for each in stamps)
        )
    levels = [np.concatenate(planes) for planes in zip(*(part.levels for part in parts), strict=True)]
    unknown: list[Words | None] = []
    for planes in zip(*(part.unknown for part in parts), strict=True):
        some = any(plane is not None for plane in planes)
        filled = [np.zeros(len(p), np.uint64) if u is None else u for p, u in zip(parts, planes, strict=True)]
        unknown.append(np.concatenate(filled) if some else None)
    return _Rows(levels, unknown, times)
