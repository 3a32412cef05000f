"""VCD, the value change dump of IEEE Std 1364-2005, clause 18: a change list, never resampled.

A header declares variables, each with a short id; then time stamps (``#2211``) alternate with the changes
that happen at them: ``1!`` for one bit, ``b0101 "`` for several. Every moment at which a wanted signal
changes becomes one sample that holds the levels of all signals after all changes of that moment. Levels that
no change has set yet are unknown, as are x and z.

Read in three steps: `_vcd_header` (declarations), `_vcd_signals` (which variables, under which names), and
block by block `_vcd_fast` with `_vcd_plain` to fall back on (changes) and `_vcd_samples` (running state).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wrongbit.capture.capture import Capture, Layout, Times
from wrongbit.capture.formats._vcd_blocks import Block, Blocks, line_at, unreadable
from wrongbit.capture.formats._vcd_fast import FastReader
from wrongbit.capture.formats._vcd_header import Header, read_header
from wrongbit.capture.formats._vcd_plain import PlainReader
from wrongbit.capture.formats._vcd_samples import Rows, Sampler
from wrongbit.capture.formats._vcd_signals import Selection, select_signals
from wrongbit.capture.formats._vcd_words import IGNORED, BodyError, Changes
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point
from wrongbit.units import format_time

BLOCK = 1 << 19
"""Bytes read at a time; fits the processor's second-level cache together with what is made of it."""

_CHUNK_ROWS = 1 << 17


def open_vcd(path: Path, point: Point, widths: Mapping[str, int]) -> VcdSource:
    """Open a VCD file: read its header, choose its signals, leave the changes for `VcdSource.chunks`.

    Args:
        path: The file.
        point: Probe point where it was taken. Its ``columns`` rename variables and its ``ignore`` leaves
            variables or whole scopes out; both know a variable by its own name (``A``), by its name with
            range (``A[15:0]``) or by its full path (``top.cpu.A``).
        widths: The signals and buses that the machine needs, by canonical name, with their number of wires.
            Empty: everything is needed.

    Raises:
        CaptureError: The file is empty, cannot be read, is no VCD or has a malformed header; a mapped column
            is not in it; a needed name belongs to different signals of several scopes.
    """
    try:
        size = path.stat().st_size
        header = read_header(path)
    except OSError as error:
        raise unreadable(path, error) from error
    return VcdSource(path, point, header, select_signals(header, point, widths, str(path)), size)


class VcdSource:
    """An opened VCD file, as `wrongbit.capture.source.SampleSource` describes it.

    Args:
        path: The file.
        point: Its probe point.
        header: Its declarations.
        selection: What is read of it.
        byte_count: Its size.
    """

    def __init__(
        self, path: Path, point: Point, header: Header, selection: Selection, byte_count: int
    ) -> None:
        self._path = path
        self._mode = point.mode
        self._header = header
        self._slots = selection.slots
        self._layout = selection.layout
        self._byte_count = byte_count
        self._notes = (self._how(), *header.notes, *selection.notes)
        if point.mode == "state":
            self._notes += ("A VCD keeps changes only: clocks at which no signal changed are not in it.",)
        self._end_notes: tuple[str, ...] = ()
        self._done = 0
        # Many planes make long rows: read less at a time, so that memory stays bounded.
        self._block = min(BLOCK, BLOCK * 8 // self._layout.plane_count)

    @property
    def layout(self) -> Layout:
        """Positions of the signals; the same in every chunk."""
        return self._layout

    @property
    def notes(self) -> tuple[str, ...]:
        """What the reader wants to tell; what only the end of the file shows is told once that is read."""
        return self._notes + self._end_notes

    @property
    def byte_count(self) -> int:
        """Size of the file."""
        return self._byte_count

    def bytes_done(self) -> int:
        """How far the running `chunks` has read."""
        return self._done

    def _how(self) -> str:
        """How the file is read, in one sentence."""
        codes = self._slots.of_code
        used = sum(slot != IGNORED for slot in codes.values())
        return (
            f"Read as VCD: a list of changes in steps of {format_time(self._header.tick_fs / 1000)}, "
            f"{used} of {len(codes)} ids."
        )

    def chunks(self) -> Iterator[Capture]:
        """The samples in order, a chunk at a time, in bounded memory.

        Raises:
            CaptureError: A change cannot be right (with its line), or the file has none at all.
        """
        number = 0
        rows: list[Rows] = []
        for each in self._rows():
            rows.append(each)
            if sum(len(piece.ticks) for piece in rows) * len(each.planes) >= _CHUNK_ROWS:
                yield (capture := self._capture(rows, number))
                number += len(capture)
                rows = []
        if rows:
            yield self._capture(rows, number)
        elif not number:
            raise CaptureError(
                "The file has a header but no change of any signal that is read.",
                "Check that the capture was triggered, and that the changing signals are not ignored.",
                file=str(self._path),
            )

    def _rows(self) -> Iterator[Rows]:
        """Finished samples of one block after the other."""
        fast, plain, sampler = FastReader(self._slots), PlainReader(self._slots), Sampler(self._slots)
        blocks = Blocks(self._path, self._header.body, self._block, self._slots)
        for block in blocks:
            self._done = block.end
            changes = fast.read(block.padded, sampler.now) or self._read_plainly(plain, block, sampler.now)
            blocks.unfinished = changes.unfinished
            rows = sampler.add(changes)
            if rows is not None:
                yield rows
        self._end_notes = blocks.notes
        if (rows := sampler.finish()) is not None:
            yield rows

    def _read_plainly(self, reader: PlainReader, block: Block, now: int) -> Changes:
        try:
            return reader.read(block.text, now)
        except BodyError as error:
            line = line_at(self._path, block.start + error.offset)
            raise CaptureError(error.message, error.remedy, file=str(self._path), line=line) from None

    def _capture(self, rows: Sequence[Rows], number: int) -> Capture:
        planes = tuple(np.concatenate(planes) for planes in zip(*(each.planes for each in rows), strict=True))
        unknown: list[NDArray[np.uint64] | None] = []
        for pieces in zip(*(each.unknown for each in rows), strict=True):
            if all(piece is None for piece in pieces):
                unknown.append(None)
            else:
                unknown.append(
                    np.concatenate(
                        [
                            np.zeros_like(each.planes[0]) if piece is None else piece
                            for each, piece in zip(rows, pieces, strict=True)
                        ]
                    )
                )
        return Capture(
            self._layout,
            planes,
            tuple(unknown),
            Times(stamps_ps=self._picoseconds(np.concatenate([each.ticks for each in rows]))),
            mode="state" if self._mode == "state" else "timing",
            first_sample=number,
            change_list=True,
            source=str(self._path),
            notes=self.notes,
        )

    def _picoseconds(self, ticks: NDArray[np.int64]) -> NDArray[np.int64]:
        tick = self._header.tick_fs
        exact = tick % 1000 == 0
        step = tick // 1000 if exact else tick
        if int(ticks[-1]) > (2**63 - 1001) // step:
            raise CaptureError(
                f"The time #{int(ticks[-1])} is past 2^63 {'pico' if exact else 'femto'}seconds, "
                "the longest that can be counted.",
                "Check the file's $timescale, or export a shorter stretch.",
                file=str(self._path),
            )
        return ticks * step if exact else (ticks * step + 500) // 1000
