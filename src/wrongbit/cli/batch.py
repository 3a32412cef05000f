"""``wrongbit batch``: many cases or captures, side by side."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer
from rich.text import Text

from wrongbit.cli import options
from wrongbit.cli.show import ACCENT, QUIET, out, plain_table, print_json
from wrongbit.errors import UsageError

app = typer.Typer(add_completion=False, rich_markup_mode=None)

SHOWN = 30
"""Rows of the summary that the terminal shows; the files have them all."""


@app.command("batch")
def batch_verb(
    names: Annotated[
        list[str],
        typer.Argument(
            metavar="CASE…",
            help="Case folders or folders with such in them; captures; machine files. Paths, URLs, patterns.",
            show_default=False,
        ),
    ],
    output: Annotated[
        str,
        typer.Option("--output", help="Folder or URL for results and summary; what is done in it is kept."),
    ] = "batch",
    machine: Annotated[
        str | None,
        typer.Option("--machine", help="The machine file that all captures belong to.", show_default=False),
    ] = None,
    point: options.PointName = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler",
            help="Address of a running Dask scheduler, such as tcp://192.0.2.7:8786.",
            show_default="local processes",
        ),
    ] = None,
    processes: Annotated[
        int | None,
        typer.Option("--processes", min=1, max=256, help="Local processes.", show_default="one a core"),
    ] = None,
    dictionary: Annotated[
        bool,
        typer.Option(
            "--dictionary",
            help="Of machine files or cases: work out what each fault would show at each point, for 'next'.",
        ),
    ] = False,
    pairs: Annotated[
        bool, typer.Option("--pairs", help="With --dictionary: also every two faults at once.")
    ] = False,
    again: Annotated[bool, typer.Option("--again", help="Do again what was done before.")] = False,
    as_json: options.Json = False,
) -> int:
    """Examine many cases or captures side by side, and sum them up in one table.

    What was done before in the same output folder is not done again. Exit code 1 when a fault was found, 2
    when a case could not be examined.
    """
    from wrongbit.batch.items import find_captures, find_cases
    from wrongbit.batch.run import run_batch

    if point and machine is None:
        raise UsageError(
            "--point goes with --machine.", "A case names the probe points of its captures itself."
        )
    if dictionary:
        return _dictionaries(names, output, scheduler, processes, pairs=pairs, as_json=as_json)
    if pairs:
        raise UsageError("--pairs goes with --dictionary.", "Leave it out, or name machine files.")
    items = find_cases(names) if machine is None else find_captures(names, machine, point or "")
    with _shown_progress(len(items), quiet=as_json) as tell:
        done = run_batch(items, output, scheduler=scheduler, processes=processes, again=again, tell=tell)
    if as_json:
        print_json(
            {
                "counts": done.counts,
                "kept_from_before": done.kept,
                "summary": [done.parquet, done.page],
                "cases": done.frame.to_dicts(),
            }
        )
    else:
        _show(done)
    if done.counts["failed"]:
        return 2
    return int(done.counts["fault"] > 0)


def _dictionaries(
    names: list[str], output: str, scheduler: str | None, processes: int | None, *, pairs: bool, as_json: bool
) -> int:
    """Dictionaries of machines, one after the other."""
    from dataclasses import asdict

    from wrongbit.batch.dictionary import build_dictionary

    built = []
    for name in names:
        with _shown_progress(0, quiet=as_json) as tell:
            built.append(
                build_dictionary(
                    Path(name), output, pairs=pairs, scheduler=scheduler, processes=processes, tell=tell
                )
            )
    if as_json:
        print_json([asdict(each) for each in built])
        return 0
    for each in built:
        out.print(Text(each.machine, "bold"))
        told = f"{each.faults} faults in {each.classes} classes"
        if each.pairs:
            told += f", {each.pairs} pairs of classes"
        out.print(f"  {told}; {each.kept} of {each.pieces} pieces kept from before.", soft_wrap=True)
        table = plain_table(("probe point", "left"), ("sights told apart", "right"))
        for point, count in each.told_apart.items():
            table.add_row(point, f"{count}")
        out.print(table)
        out.print(f"Written: {each.folder}", soft_wrap=True, markup=False)
    return 0


def _shown_progress(total: int, *, quiet: bool) -> Any:
    """A bar that counts what is done; gives the function that moves it."""
    from contextlib import contextmanager

    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from wrongbit.cli.show import err

    @contextmanager
    def shown() -> Any:
        columns = (
            TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(),
        )  # fmt: skip
        with Progress(*columns, console=err, transient=True, disable=quiet or not err.is_terminal) as bar:
            task = bar.add_task("Examining", total=total)
            yield lambda done, of=total: bar.update(task, completed=done, total=of)

    return shown()


def _show(done: Any) -> None:
    from wrongbit.casework.words import counted

    table = plain_table(
        ("case", "left"), ("", "left"), ("wrong", "right"), ("cycles", "right"), ("what explains it", "left")
    )
    marks = {"fault": "▲", "no fault": "✓", "failed": "✗"}
    for row in done.frame.head(SHOWN).iter_rows(named=True):
        bad = row["status"] != "no fault"
        says = row["finding"] or (f"{row['message']} {row['remedy']}" if row["status"] == "failed" else "")
        table.add_row(
            Text(row["name"]),
            Text(f"{marks[row['status']]} {row['status']}", ACCENT if bad else ""),
            f"{row['differs']}",
            f"{row['cycles']}",
            Text(says),
        )
    out.print(table)
    if done.frame.height > SHOWN:
        out.print(Text(f"… and {done.frame.height - SHOWN} more, in the summary.", QUIET))
    told = done.counts
    out.print()
    out.print(
        f"{counted(told['cases'], 'case')}: a fault in {told['fault']}, none in {told['no fault']}, "
        f"{told['failed']} could not be examined; {done.kept} kept from before.",
        soft_wrap=True,
    )
    for file in (done.page, done.parquet):
        out.print(f"Written: {file if '://' in file else Path(file)}", soft_wrap=True, markup=False)
