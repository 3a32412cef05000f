"""Results kept in memory by key, the last used ones; and the progress of work in two halves."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Iterator
from threading import RLock
from typing import Any, TypeVar

from wrongbit.capture.capture import Capture
from wrongbit.capture.source import SampleSource
from wrongbit.job import Progress

T = TypeVar("T")


class Memory:
    """Results by key. Two threads that want the same at once may both compute it; both get a right one.

    Args:
        most: How many are kept.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: OrderedDict[str, Any] = OrderedDict()
        self._lock = RLock()

    def get(self, key: str, compute: Callable[[], T]) -> T:
        """The result with a key, computed where it is not there."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                found: T = self._kept[key]
                return found
        made = compute()
        self.put(key, made)
        return made

    def put(self, key: str, value: Any) -> None:
        """Keep a result."""
        with self._lock:
            self._kept[key] = value
            self._kept.move_to_end(key)
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)

    def find(self, key: str) -> Any:
        """The result with a key, or None."""
        with self._lock:
            return self._kept.get(key)


_PARTS = 1000


def halves(progress: Progress | None) -> tuple[Progress | None, Progress | None]:
    """One progress for two works that follow each other, the first of which takes most of the time."""
    if progress is None:
        return None, None
    border = 4 * _PARTS // 5

    def first(done: int, total: int) -> None:
        progress(border * done // max(total, 1), _PARTS)

    def second(done: int, total: int) -> None:
        progress(border + (_PARTS - border) * done // max(total, 1), _PARTS)

    return first, second


def telling(source: SampleSource, progress: Progress | None) -> Iterator[Capture]:
    """The chunks of a source, with its progress told on the way."""
    for chunk in source.chunks():
        yield chunk
        if progress is not None:
            progress(source.bytes_done(), source.byte_count)
