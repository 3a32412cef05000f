"""What all pages share: the case, what is computed of it, and long work with progress and cancel."""

from __future__ import annotations

import asyncio
import itertools
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

from wrongbit.case.entries import (
    CaptureAdded,
    MeasurementAdded,
    NoteAdded,
    ObjectDescribed,
    ReadingAdded,
    ReferenceAdded,
    ValueAdded,
    WordsWaived,
    WorkDone,
)
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.errors import WrongbitError
from wrongbit.job import Progress

Result = TypeVar("Result")
Work = Callable[[Progress], Result]
"""Something that takes long: it is called in a thread, with a function to tell how far it is."""


SHOWN_AFTER_SECONDS = 0.3

PATIENCE_SECONDS = 3.0
"""How long the end waits for work that does not tell how far it is."""

_INPUTS = (
    CaptureAdded, ReadingAdded, ReferenceAdded, MeasurementAdded, ValueAdded, NoteAdded, ObjectDescribed,
    WorkDone, WordsWaived,
)  # fmt: skip


class Cancelled(Exception):  # noqa: N818 - not an error: a person wished it
    """Raised inside work by its progress function when a person has stopped it."""


class Task:
    """Work that is under way.

    Args:
        number: Counted from 1.
        title: What is done, for people.
    """

    def __init__(self, number: int, title: str) -> None:
        self.number = number
        self.title = title
        self.done = 0
        self.total = 0
        self.cancelled = False
        self.running = False
        self.began = time.monotonic()

    @property
    def lasts(self) -> bool:
        """Whether it has taken long enough to be worth showing."""
        return time.monotonic() - self.began > SHOWN_AFTER_SECONDS

    @property
    def share(self) -> float | None:
        """How far it is, from 0 to 1; None while that is not known."""
        return min(self.done / self.total, 1.0) if self.total else None

    def progress(self, done: int, total: int) -> None:
        """Tell how far the work is.

        Raises:
            Cancelled: A person has stopped it.
        """
        if self.cancelled:
            raise Cancelled(self.title)
        self.done, self.total = done, total

    def cancel(self) -> None:
        """Stop it at its next word of progress."""
        self.cancelled = True


class Workbench:
    """A case on the bench: one for all browser tabs.

    Pages read ``case`` (the journal and the store) and ``casework`` (what is computed of it), do what takes
    long through `run`, and say `changed` when they have added something to the case.

    Args:
        folder: The case folder.

    Raises:
        WrongbitError: It is no case, or cannot be opened.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.case = Case.open(folder)
        self.casework = Casework(self.case)
        self.tasks: list[Task] = []
        self._numbers = itertools.count(1)
        self._pool = ThreadPoolExecutor(max_workers=4, thread_name_prefix="bench")
        self._watchers: dict[int, Callable[[], None]] = {}
        self._seen = self._state()

    @property
    def name(self) -> str:
        """What the machine is called; the folder's name while its file cannot be read."""
        try:
            return str(self.casework.machine.machine.name)
        except WrongbitError:
            return self.case.name

    def places(self, kind: str) -> tuple[str, ...]:
        """Where a measurement of this kind can be made: parts, chips or probe points.

        Raises:
            WrongbitError: The machine file cannot be read.
        """
        machine = self.casework.machine
        if kind == "reclipped":
            return tuple(each.name for each in machine.point)
        if kind == "reading":
            return tuple(each.name for each in machine.chip if each.kind == "rom")
        return (*(each.name for each in machine.part), *(each.name for each in machine.chip))

    async def run(self, title: str, work: Work[Result]) -> Result:
        """Do something that takes long in a thread; every tab shows its progress and can stop it.

        Args:
            title: What is done, as a person would say it: "Reading the capture".
            work: Called with a progress function ``(done, total)``, which it should call often.

        Raises:
            Cancelled: A person has stopped it.
            WrongbitError: As the work raises it.
        """
        task = Task(next(self._numbers), title)
        self.tasks.append(task)
        return await asyncio.get_running_loop().run_in_executor(self._pool, self._do, task, work)

    def _do(self, task: Task, work: Work[Result]) -> Result:
        """The part of `run` that is in the thread: the task ends with its work, not with who asked for it."""
        try:
            task.running = True
            task.progress(0, 0)
            return work(task.progress)
        finally:
            self.tasks.remove(task)

    def changed(self) -> None:
        """Something was added to the case or withdrawn: every page draws again what hangs on it."""
        self._seen = self._state()
        for watcher in list(self._watchers.values()):
            watcher()

    def watch(self, watcher: Callable[[], None]) -> Callable[[], None]:
        """Call this at each change; returns the function that ends it."""
        number = next(self._numbers)
        self._watchers[number] = watcher
        return lambda: self._watchers.pop(number, None) and None

    def look(self) -> None:
        """See whether another program has changed the case, and tell the pages if so."""
        if self._state() != self._seen:
            self.changed()

    def _state(self) -> tuple[object, ...]:
        """What tells that the case has changed: the entries that count, and the machine file.

        Recorded findings do not: they follow from the rest.
        """
        try:
            about = self.case.machine_file.stat()
            machine: tuple[object, ...] = (about.st_mtime_ns, about.st_size)
        except OSError:
            machine = ()
        try:
            numbers = tuple(entry.number for kind in _INPUTS for entry, _ in self.case.of_kind(kind))
        except WrongbitError:
            return machine
        return (numbers, machine)

    def close(self) -> None:
        """Stop what is under way, and close the case.

        Work that does not hear of it in `PATIENCE_SECONDS` is left to itself: a case can be cut off at any
        moment.
        """
        for task in self.tasks:
            task.cancel()
        self._pool.shutdown(wait=False, cancel_futures=True)
        deadline = time.monotonic() + PATIENCE_SECONDS
        while self.working and time.monotonic() < deadline:
            time.sleep(0.02)
        if not self.working:
            self.case.close()

    @property
    def working(self) -> bool:
        """Whether work is under way in a thread."""
        return any(each.running for each in self.tasks)


@contextmanager
def opened(folder: Path) -> Iterator[Workbench]:
    """A workbench that is closed at the end.

    Raises:
        WrongbitError: The folder is no case.
    """
    bench = Workbench(folder)
    try:
        yield bench
    finally:
        bench.close()
