"""Long work: its progress, its end, its being stopped."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, TypeVar

import pytest

from web.cases import write_hollowmere
from wrongbit.case.entries import NoteAdded
from wrongbit.errors import InputError
from wrongbit.job import Progress
from wrongbit.web.workbench import Cancelled, Workbench

T = TypeVar("T")


def run(work: Coroutine[Any, Any, T]) -> T:
    """In a thread of its own: where the browser tests run, this one has a loop already."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, work).result()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Workbench]:
    write_hollowmere(tmp_path / "lift", cycles=50).close()
    found = Workbench(tmp_path / "lift")
    yield found
    found.close()


def test_work_tells_how_far_it_is_and_gives_its_result(bench: Workbench) -> None:
    seen: list[float | None] = []

    def work(progress: Progress) -> str:
        for number in range(4):
            progress(number, 4)
            seen.append(bench.tasks[0].share)
        return threading.current_thread().name

    name = run(bench.run("Counting", work))
    assert seen == [0.0, 0.25, 0.5, 0.75]
    assert name != threading.main_thread().name
    assert bench.tasks == []


def test_work_that_is_stopped_ends_at_its_next_word(bench: Workbench) -> None:
    begun = threading.Event()
    rounds = []

    def work(progress: Progress) -> None:
        for number in range(10_000_000):
            begun.set()
            rounds.append(number)
            progress(number, 10_000_000)
            threading.Event().wait(0.001)

    async def stopped() -> None:
        running = asyncio.create_task(bench.run("Counting", work))
        await asyncio.to_thread(begun.wait)
        bench.tasks[0].cancel()
        await running

    with pytest.raises(Cancelled):
        run(stopped())
    assert len(rounds) < 1000
    assert bench.tasks == []


def test_the_end_does_not_wait_for_work_that_tells_nothing(
    bench: Workbench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("wrongbit.web.workbench.PATIENCE_SECONDS", 0.05)
    begun, end = threading.Event(), threading.Event()

    def deaf(progress: Progress) -> None:
        begun.set()
        end.wait()

    async def leave() -> bool:
        asyncio.get_running_loop().set_exception_handler(lambda loop, context: None)
        running = asyncio.ensure_future(bench.run("Deaf", deaf))
        await asyncio.to_thread(begun.wait)
        bench.close()
        left = bench.working
        end.set()
        await running
        return left

    assert run(leave())
    assert not bench.working


def test_a_mistake_in_work_reaches_who_asked(bench: Workbench) -> None:
    def work(progress: Progress) -> None:
        raise InputError("bad", "do this")

    with pytest.raises(InputError, match="bad"):
        run(bench.run("Failing", work))
    assert bench.tasks == []


def test_pages_hear_of_what_another_program_adds(bench: Workbench) -> None:
    heard = []
    end = bench.watch(lambda: heard.append(1))
    bench.look()
    assert heard == []
    bench.case.add(NoteAdded("from elsewhere"))
    bench.look()
    bench.look()
    assert heard == [1]
    bench.case.machine_file.write_text(bench.case.machine_file.read_text("utf-8") + "\n", "utf-8")
    bench.look()
    assert heard == [1, 1]
    end()
    bench.changed()
    assert heard == [1, 1]
