"""A batch from its items to its summary."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import polars as pl

from wrongbit import __version__
from wrongbit.batch.engine import Failure, cluster, do_all
from wrongbit.batch.examine import examine
from wrongbit.batch.items import Item
from wrongbit.batch.results import Result, Results
from wrongbit.batch.summary import counts, summary_frame, summary_page, summary_parquet


@dataclass(frozen=True)
class Batch:
    """A batch that is done.

    Args:
        frame: The summary, see `wrongbit.batch.summary.SCHEMA`.
        counts: How many of each status.
        kept: How many had been done before.
        parquet: Where the summary is, as Parquet.
        page: Where it is as a page.
    """

    frame: pl.DataFrame
    counts: dict[str, int]
    kept: int
    parquet: str
    page: str


def run_batch(
    items: Sequence[Item],
    output: str,
    *,
    scheduler: str | None = None,
    processes: int | None = None,
    again: bool = False,
    tell: Callable[[int], None] = lambda done: None,
) -> Batch:
    """Examine all items and write the summary.

    Each result is kept as soon as it is there, so that an interrupted batch goes on where it was.

    Args:
        items: From `wrongbit.batch.items`.
        output: Folder or URL of results and summary.
        scheduler: Address of a Dask scheduler; None: local processes.
        processes: How many local ones; None: one for each core.
        again: Do also what was done before.
        tell: Told now and then how many are done.

    Raises:
        UsageError: The output cannot be written to, or the scheduler cannot be used.
    """
    results = Results(output)
    found: dict[int, Result] = {}
    for number, item in enumerate(items):
        before = None if again else results.done(item)
        if before is not None:
            # It may have been called otherwise, as part of another batch.
            found[number] = Result(
                **{**vars(before), "name": item.name, "place": item.folder or item.capture}
            )
    kept = len(found)
    tell(kept)
    left = [number for number in range(len(items)) if number not in found]
    if left:
        with cluster(scheduler, min(processes, len(left)) if processes else None) as client:
            for place, outcome in do_all(client, examine, [items[number] for number in left]):
                item = items[left[place]]
                if isinstance(outcome, Failure):
                    outcome = Result(
                        name=item.name, place=item.folder or item.capture, key=item.key, status="failed",
                        message=outcome.message, remedy=outcome.remedy, version=__version__,
                    )  # fmt: skip
                results.keep(outcome)
                found[left[place]] = outcome
                tell(len(found))
    told = [found[number] for number in range(len(items))]
    frame, count = summary_frame(told), counts(told)
    parquet, page = f"{results.path}/summary.parquet", f"{results.path}/summary.html"
    results.write(parquet, summary_parquet(frame))
    results.write(page, summary_page(frame, count).encode())
    return Batch(frame, count, kept, _named(results, "summary.parquet"), _named(results, "summary.html"))


def _named(results: Results, file: str) -> str:
    """A file of the output folder as a person would name it."""
    return f"{results.url.rstrip('/')}/{file}"
