"""``wrongbit cycles``: the bus cycles of a capture."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from wrongbit.bus.cycles import NO_TIME, UNSETTLED, Cycles
from wrongbit.casework.words import known_word
from wrongbit.cli import incase, options
from wrongbit.cli.show import (
    moment,
    out,
    plain_table,
    print_json,
    progress_bar,
    show_notes,
)
from wrongbit.errors import UsageError
from wrongbit.job import Job, open_job, read_capture
from wrongbit.machine.recipe import KINDS

app = typer.Typer(add_completion=False, rich_markup_mode=None)


@app.command()
def cycles(
    machine: incase.MachineOrCase,
    capture: incase.CaptureOrEntry = None,
    point: options.PointName = None,
    first: Annotated[int, typer.Option("--from", min=0, help="First cycle to show.")] = 0,
    count: Annotated[int, typer.Option("--count", min=1, help="Number of cycles to show.")] = 24,
    table: Annotated[Path | None, typer.Option("--table", help="Write all cycles as CSV or Parquet.")] = None,
    as_json: options.Json = False,
) -> int:
    """Rebuild the bus cycles of a capture and show some of them."""
    if table is not None and table.suffix.lower() not in (".csv", ".parquet"):
        raise UsageError(f"{table.name} ends in neither .csv nor .parquet.", "Choose one of the two.")
    if machine.is_dir():
        with incase.working(machine) as work, progress_bar("Reading the capture", quiet=as_json) as progress:
            entry = incase.capture_in(work, capture, point)
            job, (found, notes) = work.job_of(entry), work.cycles(entry, progress)
    else:
        file = incase.named_capture(capture)
        job = open_job(machine, point=point)
        with progress_bar("Reading the capture", quiet=as_json) as progress:
            found, notes = read_capture(job, file, progress)
    if table is not None:
        _write(found, table)
    shown = found.take(slice(first, first + count))
    if as_json:
        print_json(_as_json(job, found, shown, first, notes))
        return 0
    kinds = np.bincount(found.kind, minlength=len(KINDS))
    out.print(
        f"{len(found)} bus cycles: " + ", ".join(f"{n} {k}" for k, n in zip(KINDS, kinds, strict=True) if n)
    )
    rows = plain_table(
        ("cycle", "right"),
        ("time", "right"),
        ("kind", "left"),
        *([("bank", "right")] if job.memory_map.banked else []),
        ("address", "left"),
        ("word", "left"),
        ("", "left"),
    )
    begun = int(found.time_ps[0]) if len(found) else NO_TIME
    for offset in range(len(shown)):
        rows.add_row(*_row(job, shown, offset, first, begun))
    out.print(rows)
    if not len(shown):
        out.print(f"The capture has no cycle {first}: its last is {len(found) - 1}.")
    if first + len(shown) < len(found):
        out.print(
            f"… {len(found) - first - len(shown)} more; --from {first + count} goes on, --table writes all."
        )
    if table is not None:
        out.print(f"All cycles written to {table}.")
    show_notes(notes)
    return 0


def _row(job: Job, shown: Cycles, at: int, first: int, begun: int) -> tuple[str, ...]:
    return (
        str(first + at),
        moment(int(shown.time_ps[at]), begun),
        KINDS[shown.kind[at]],
        *([str(shown.bank[at]) if shown.bank[at] >= 0 else "?"] if job.memory_map.banked else []),
        known_word(int(shown.address[at]), int(shown.address_known[at]), job.processor.address_bits),
        known_word(int(shown.word[at]), int(shown.known[at]), job.processor.word_bits),
        "unsettled" if shown.flags[at] & UNSETTLED else "",
    )


def _as_json(job: Job, found: Cycles, shown: Cycles, first: int, notes: tuple[str, ...]) -> dict[str, Any]:
    return {
        "processor": job.processor.name,
        "cycles": len(found),
        "kinds": {
            k: int(n) for k, n in zip(KINDS, np.bincount(found.kind, minlength=len(KINDS)), strict=True) if n
        },
        "notes": list(notes),
        "rows": [
            {
                "cycle": first + at,
                "sample": int(shown.sample[at]),
                "time_ps": None if shown.time_ps[at] == NO_TIME else int(shown.time_ps[at]),
                "kind": KINDS[shown.kind[at]],
                "bank": int(shown.bank[at]),
                "address": known_word(
                    int(shown.address[at]), int(shown.address_known[at]), job.processor.address_bits
                ),
                "word": known_word(int(shown.word[at]), int(shown.known[at]), job.processor.word_bits),
                "unsettled": bool(shown.flags[at] & UNSETTLED),
            }
            for at in range(len(shown))
        ],
    }


def _write(found: Cycles, table: Path) -> None:
    """All cycles as a table; the file appears whole or not at all."""
    import polars

    frame = polars.DataFrame(
        {
            "sample": found.sample,
            "time_ps": polars.Series(found.time_ps).replace(NO_TIME, None),
            "kind": polars.Series(np.array(KINDS)[found.kind]),
            "bank": found.bank,
            "address": found.address,
            "address_known": found.address_known,
            "word": found.word,
            "known": found.known,
            "unsettled": (found.flags & UNSETTLED) != 0,
        }
    )
    part = table.with_name(table.name + ".part")
    try:
        if table.suffix.lower() == ".parquet":
            frame.write_parquet(part)
        else:
            frame.write_csv(part)
        part.replace(table)
    except OSError as error:
        raise UsageError(
            f"{table} cannot be written: {error.strerror or error}.", "Choose another place."
        ) from None
    finally:
        part.unlink(missing_ok=True)
