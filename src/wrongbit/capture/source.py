"""What a file format offers to the rooms above: chunks of samples, or rows of whole bus cycles."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from wrongbit.capture.capture import Capture, Layout


class SampleSource(Protocol):
    """An opened capture file of samples. Opening reads headers only; chunks read the rest, once each."""

    @property
    def layout(self) -> Layout:
        """Positions of the signals; the same in every chunk."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What the reader wants to tell: recognised separators, unused columns, missing time."""

    @property
    def byte_count(self) -> int:
        """Size of the file, for progress."""

    def chunks(self) -> Iterator[Capture]:
        """The capture from its start, in order, in bounded memory. May be called again."""

    def bytes_done(self) -> int:
        """How far the running `chunks` has read, for progress."""


@dataclass(frozen=True)
class CycleRows:
    """A capture whose every row is one whole bus cycle, as some instruments export or show it.

    Args:
        sample: ``int64 (n,)`` row number, counted from 0 over data rows.
        time_ps: ``int64 (n,)``, or None where the file has no time.
        kind: ``int8 (n,)`` index into ``KINDS``, -1 where the row has no status that is known.
        bank: ``int32 (n,)``, or None where the file has no bank.
        address: ``uint64 (n,)`` with ``address_known``, a 1 for each bit that the row gave.
        word: ``uint64 (n,)`` with ``known`` likewise (don't-care digits are not known).
        source: File, for messages.
        notes: What the reader wants to tell.
        unread_status: ``bool (n,)``, True where the row has a status text and nobody says what it means;
            None where there is no such row.
        levels: Byte strobe = ``uint8 (n,)`` its level on the wire in each row: 0, 1, or 2 for not known.
    """

    sample: NDArray[np.int64]
    time_ps: NDArray[np.int64] | None
    kind: NDArray[np.int8]
    bank: NDArray[np.int32] | None
    address: NDArray[np.uint64]
    address_known: NDArray[np.uint64]
    word: NDArray[np.uint64]
    known: NDArray[np.uint64]
    source: str = ""
    notes: tuple[str, ...] = field(default=())
    unread_status: NDArray[np.bool_] | None = None
    levels: Mapping[str, NDArray[np.uint8]] = field(default_factory=dict)
