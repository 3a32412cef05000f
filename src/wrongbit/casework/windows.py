"""A few samples out of a long capture."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wrongbit.capture.capture import Capture, Times
from wrongbit.capture.source import SampleSource
from wrongbit.capture.store import StoredSource
from wrongbit.errors import UsageError

MOST = 1 << 22
"""Samples of a window: more are no window."""


def window(source: SampleSource, first: int, last: int) -> Capture:
    """Samples from one number to another, both included, as far as the capture has them.

    Args:
        source: A capture; of a packed one only the blocks that hold them are read.
        first: Number of the first; below the capture's own first it is that one.
        last: Number of the last.

    Raises:
        UsageError: There are no such samples, or too many.
        CaptureError: The capture cannot be read.
    """
    if last - max(first, 0) >= MOST:
        raise UsageError(f"{last - first + 1} samples are too many for a window.", f"Ask for {MOST} at most.")
    chunks: Iterable[Capture] = source.chunks()
    if isinstance(source, StoredSource):
        chunks = source.chunks(first, last)
    parts = []
    for chunk in chunks:
        begin, end = max(first - chunk.first_sample, 0), min(last + 1 - chunk.first_sample, len(chunk))
        if begin < end:
            parts.append(_cut(chunk, begin, end))
        if chunk.first_sample + len(chunk) > last:
            break
    if not parts:
        raise UsageError(f"The capture has no samples {first} to {last}.", "Choose samples that it has.")
    return parts[0] if len(parts) == 1 else _joined(parts)


def _cut(capture: Capture, begin: int, end: int) -> Capture:
    part, times = slice(begin, end), capture.times
    if times.stamps_ps is not None:
        kept = Times(stamps_ps=times.stamps_ps[part])
    else:
        kept = Times(times.start_ps + begin * (times.period_ps or 0), times.period_ps)
    return replace(
        capture,
        planes=tuple(plane[part] for plane in capture.planes),
        unknown=tuple(None if each is None else each[part] for each in capture.unknown),
        times=kept,
        first_sample=capture.first_sample + begin,
    )


def _joined(parts: Sequence[Capture]) -> Capture:
    first = parts[0]
    planes = range(len(first.planes))
    return replace(
        first,
        planes=tuple(np.concatenate([each.planes[k] for each in parts]) for k in planes),
        unknown=tuple(_unknown(parts, k) for k in planes),
        times=_times(parts),
    )


def _unknown(parts: Sequence[Capture], plane: int) -> NDArray[np.uint64] | None:
    found = [each.unknown[plane] for each in parts]
    if all(each is None for each in found):
        return None
    zeros = [np.zeros(len(part), np.uint64) for part in parts]
    return np.concatenate([zero if each is None else each for zero, each in zip(zeros, found, strict=True)])


def _times(parts: Sequence[Capture]) -> Times:
    """One clock where all parts follow the same, else a stamp for each sample, or no time."""
    first = parts[0].times
    if first.stamps_ps is None and first.period_ps is not None:
        origin = first.start_ps - parts[0].first_sample * first.period_ps
        if all(
            each.times.stamps_ps is None
            and each.times.period_ps == first.period_ps
            and each.times.start_ps - each.first_sample * first.period_ps == origin
            for each in parts
        ):
            return first
    stamps = [each.times.at(np.arange(len(each))) for each in parts]
    known = [each for each in stamps if each is not None]
    return Times(stamps_ps=np.concatenate(known)) if len(known) == len(stamps) else Times()
