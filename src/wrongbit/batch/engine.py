"""Work spread over processes: a local cluster, or a Dask scheduler that is running somewhere.

Each piece is done by one call of a plain function in some process. A process that dies takes only the piece
with it that it was at: that piece is done again elsewhere, and given up after `LIVES` deaths.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar
from uuid import uuid4

from wrongbit import __version__
from wrongbit.errors import UsageError, WrongbitError

T = TypeVar("T")

LIVES = 3
"""Processes that may die over one piece before it is given up."""

PATIENCE = "10s"
"""How long a scheduler may take to answer."""


@dataclass(frozen=True)
class Failure:
    """Why a piece could not be done.

    Args:
        message: What happened.
        remedy: What to do about it.
    """

    message: str
    remedy: str


@contextmanager
def cluster(scheduler: str | None = None, processes: int | None = None) -> Iterator[Any]:
    """A client of a scheduler; without an address, of local processes that end with the block.

    None stands for a single local process: this one.

    Args:
        scheduler: Address, such as ``tcp://192.0.2.7:8786``; None: start local processes.
        processes: How many local ones; None: one for each core; 1: no other than this one, and no client.

    Raises:
        UsageError: The scheduler does not answer, has no worker, or a worker has another version.
    """
    if scheduler is None and processes == 1:
        yield None
        return
    import dask
    from distributed import Client, LocalCluster

    if scheduler is None:
        dask.config.set({"distributed.scheduler.allowed-failures": LIVES})
        local = LocalCluster(
            n_workers=processes, threads_per_worker=1, dashboard_address=None, silence_logs=50
        )  # type: ignore[no-untyped-call]
        with local, Client(local) as client:  # type: ignore[no-untyped-call]
            _share_cores(client)
            yield client
        return
    try:
        client = Client(scheduler, timeout=PATIENCE)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(
            f"The scheduler {scheduler} does not answer: {_short(error)}.",
            "Check the address and that it runs ('dask scheduler' starts one), or leave --scheduler out.",
        ) from None
    with client:
        _check_workers(client, scheduler)
        yield client


def _share_cores(client: Any) -> None:
    """Give each local process cores of its own: with all of them they would be in each other's way."""
    if not hasattr(os, "sched_setaffinity"):
        return
    cores = sorted(os.sched_getaffinity(0))
    workers = sorted(client.scheduler_info()["workers"])
    for number, worker in enumerate(workers):
        client.run(keep_to, cores[number % len(cores) :: len(workers)], workers=[worker])


def keep_to(cores: Sequence[int]) -> None:
    """Let the process that calls it run on these cores only. (Called in a worker's process.)"""
    os.sched_setaffinity(0, cores)


def version_here() -> str:
    """The version of wrongbit in the process that calls it."""
    return __version__


def _check_workers(client: Any, scheduler: str) -> None:
    if not client.scheduler_info()["workers"]:
        raise UsageError(
            f"The scheduler {scheduler} has no worker.", f"Start some with 'dask worker {scheduler}'."
        )
    try:
        versions: dict[str, str] = client.run(version_here)
    except (ImportError, AttributeError) as error:
        raise UsageError(
            f"A worker of {scheduler} has no wrongbit, or an older one: {_short(error)}.",
            f"Install wrongbit {__version__} where the workers run.",
        ) from None
    for worker, version in sorted(versions.items()):
        if version != __version__:
            raise UsageError(
                f"The worker {worker} has wrongbit {version}; this is {__version__}.",
                "Install the same version where the workers run.",
            )


def _short(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0].rstrip(".")


def do_all(
    client: Any,
    work: Callable[[T], Any],
    pieces: Sequence[T],
) -> Iterator[tuple[int, Any | Failure]]:
    """Do all pieces; give each one's number and result as it is ready.

    A piece that fails gives a `Failure`; the others go on.

    Args:
        client: From `cluster`.
        work: A function of a module; its results must be small.
        pieces: What it is called with, one at a time.
    """
    from distributed import as_completed

    if client is None:
        yield from enumerate(_here(work, piece) for piece in pieces)
        return
    ours = uuid4().hex  # one scheduler may serve several batches: a key must not mean another one's piece
    futures = {
        client.submit(work, piece, pure=False, retries=0, key=f"wrongbit-{ours}-{number}"): number
        for number, piece in enumerate(pieces)
    }
    try:
        for future in as_completed(futures):  # type: ignore[no-untyped-call]
            error = future.exception()
            yield futures[future], future.result() if error is None else _failure(error)
            future.release()
    finally:
        client.cancel(list(futures), force=True)


def _here(work: Callable[[T], Any], piece: T) -> Any | Failure:
    """One piece, done in this process."""
    try:
        return work(piece)
    except Exception as error:
        return _failure(error)


def _failure(error: BaseException) -> Failure:
    from distributed.scheduler import KilledWorker

    if isinstance(error, WrongbitError):
        return Failure(": ".join(filter(None, (error.where(), error.message))), error.remedy)
    if isinstance(error, KilledWorker):
        return Failure(
            "The processes that were at it died, one after another.",
            "It may need more memory than there is: try it alone, with fewer processes.",
        )
    return Failure(
        f"{type(error).__name__}: {_short(error)}",
        "This is a mistake in wrongbit: please tell its makers, with the case.",
    )
