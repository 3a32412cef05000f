"""``wrongbit recover``: addresses for a capture that shows words only."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from numpy.typing import NDArray
from rich.text import Text

from wrongbit.align.addresses import Lag, Recovered, address_lag, recover_on_bus, recover_on_chip
from wrongbit.align.words import read_chip_words
from wrongbit.bits import count_each_bit
from wrongbit.bus.cycles import Cycles
from wrongbit.casework.words import known_word
from wrongbit.cli import options
from wrongbit.cli.show import (
    ACCENT,
    QUIET,
    hex_word,
    out,
    plain_table,
    print_json,
    progress_bar,
    show_notes,
)
from wrongbit.errors import UsageError
from wrongbit.job import Job, open_job, read_capture

app = typer.Typer(add_completion=False, rich_markup_mode=None)


@dataclass(frozen=True)
class _Outcome:
    """What is shown: the words, where they belong, and what they should have been."""

    job: Job
    found: Recovered
    cycles: Cycles
    bank: NDArray[np.int32]
    address: NDArray[np.uint64]
    expected: NDArray[np.uint64]
    known: NDArray[np.uint64]
    width: int
    lag: Lag | None
    notes: tuple[str, ...]

    @property
    def wrong(self) -> NDArray[np.uint64]:
        """Wrong bits of every word that is no read elsewhere."""
        wrong: NDArray[np.uint64] = (self.expected ^ self.cycles.word) & self.known & self.cycles.known
        return np.where(self.found.elsewhere, np.uint64(0), wrong)


@app.command()
def recover(
    machine: options.MachineFile,
    capture: options.CaptureFile,
    point: options.PointName = None,
    noise: Annotated[
        float | None, typer.Option("--noise", help="Probability that a bit is read wrong; left out: learned.")
    ] = None,
    first: Annotated[int, typer.Option("--from", min=0, help="First word to show.")] = 0,
    count: Annotated[int, typer.Option("--count", min=1, help="Number of words to show.")] = 16,
    table: Annotated[Path | None, typer.Option("--table", help="Write all words as CSV.")] = None,
    as_json: options.Json = False,
) -> int:
    """Find the address of every word of a capture that has none, or none to rely on.

    Exit code 1 when the words do not come from the reference.
    """
    if noise is not None and not 0 < noise < 0.5:
        raise UsageError(f"The noise rate is {noise}.", "Give a number above 0 and below 0.5.")
    job = open_job(machine, point=point)
    with progress_bar("Reading the capture", quiet=as_json) as progress:
        outcome = _on_chip(job, capture, noise, progress) if job.point.chip else None
        outcome = outcome or _on_bus(job, capture, noise, progress)
    if table is not None:
        _write(outcome, table)
    if as_json:
        print_json(_as_json(outcome, first, count))
    else:
        _show(outcome, first, count)
        if table is not None:
            out.print(f"All words written to {table}.")
    return int(not outcome.found.fits)


def _on_chip(job: Job, capture: Path, noise: float | None, progress: Any) -> _Outcome:
    chip = next(chip for chip in job.machine.chip if chip.name == job.point.chip)
    chip_map = next(each for each in job.memory_map.chips if each.name == chip.name)
    cycles, notes = read_chip_words(chip, job.point, capture, progress)
    found = recover_on_chip(chip_map, cycles.word, cycles.known, noise=noise)
    place = np.minimum(found.address, len(chip_map.contents) - 1)
    return _Outcome(
        job,
        found,
        cycles,
        np.zeros(len(cycles), np.int32),
        place.astype(np.uint64),
        chip_map.contents[place],
        chip_map.known[place],
        chip.bits,
        None,
        notes,
    )


def _on_bus(job: Job, capture: Path, noise: float | None, progress: Any) -> _Outcome:
    every, notes = read_capture(job, capture, progress, recover=False)
    found, rows, bank, address = recover_on_bus(every, job.memory_map, noise=noise)
    expected, known = job.memory_map.expected(bank, address)
    lag = address_lag(every, job.memory_map)
    width = job.processor.word_bits
    notes += _unknown_words(job)
    return _Outcome(job, found, every.take(rows), bank, address, expected, known, width, lag, notes)


MANY_UNKNOWN = 0.01
"""Share of the ROMs' words that are not known from which on it is told. A choice."""


def _unknown_words(job: Job) -> tuple[str, ...]:
    """That the reference has holes, in which a program that stays there is not found."""
    every = sum(len(chip.known) for chip in job.memory_map.roms)
    unknown = sum(int(np.count_nonzero(chip.known == 0)) for chip in job.memory_map.roms)
    if unknown < MANY_UNKNOWN * every:
        return ()
    return (
        f"{unknown} of {every} words of the ROMs are not known. A loop of the program in these may be taken "
        "for one like it among the known words, and be called sure: complete the reference where the "
        "program runs, or do not rely on addresses whose words differ in the same bits each time.",
    )


def _show(outcome: _Outcome, first: int, count: int) -> None:
    job, found = outcome.job, outcome.found
    where = f"on chip {job.point.chip}" if job.point.chip else f"at probe point {job.point.name}"
    out.print(Text(job.machine.machine.name, "bold"), f"— words {where}")
    for caution in job.machine.machine.cautions:
        out.print(Text(f"caution: {caution}", "#e69f00"), soft_wrap=True)
    out.print()
    out.print(_sentence(found), soft_wrap=True)
    bad = count_each_bit(outcome.wrong, outcome.width)
    if bad.any():
        told = ", ".join(f"D{bit}: {bad[bit]}" for bit in np.argsort(-bad, kind="stable") if bad[bit])
        out.print(f"Wrong bits at these addresses: {told}.", soft_wrap=True)
    if outcome.lag is not None:
        out.print(Text(outcome.lag.say(), ACCENT if outcome.lag.shifted else ""), soft_wrap=True)
    rows = plain_table(
        ("word", "right"),
        ("address", "left"),
        ("sure", "right"),
        ("expected", "left"),
        ("seen", "left"),
        ("", "left"),
    )
    for row in range(first, min(first + count, len(found))):
        rows.add_row(*_row(outcome, row), style=ACCENT if outcome.wrong[row] else None)
    out.print()
    out.print(rows)
    if first + count < len(found):
        out.print(Text(f"… {len(found) - first - count} more; --from {first + count} goes on.", QUIET))
    show_notes(outcome.notes)


def _sentence(found: Recovered) -> str:
    if not found.fits:
        return (
            f"{len(found)} words; they do not fit the reference: another chip, other contents, a lead that "
            "is off (wrongbit leads), or a fault of most words."
        )
    return (
        f"{len(found)} words, lined up with the reference; {found.elsewhere.mean():.1%} of them are reads "
        f"apart from the run of the program. {found.error_rate:.2%} of the bits differ. Mean confidence "
        f"{found.confidence.mean():.1%}; {np.mean(found.confidence < 0.9):.1%} of the words are below 90 %."
    )


def _row(outcome: _Outcome, row: int) -> tuple[str, ...]:
    bits = outcome.job.processor.address_bits
    bank = (
        f" bank {outcome.bank[row]}" if outcome.job.memory_map.banked and not outcome.job.point.chip else ""
    )
    return (
        str(row),
        hex_word(int(outcome.address[row]), bits) + bank,
        f"{outcome.found.confidence[row]:.1%}",
        known_word(int(outcome.expected[row]), int(outcome.known[row]), outcome.width),
        known_word(int(outcome.cycles.word[row]), int(outcome.cycles.known[row]), outcome.width),
        "differs ▲" if outcome.wrong[row] else "elsewhere" if outcome.found.elsewhere[row] else "",
    )


def _as_json(outcome: _Outcome, first: int, count: int) -> dict[str, Any]:
    found = outcome.found
    return {
        "machine": outcome.job.machine.machine.name,
        "point": outcome.job.point.name,
        "chip": outcome.job.point.chip,
        "words": len(found),
        "fits": found.fits,
        "says": _sentence(found) if len(found) else "No words.",
        "elsewhere": int(found.elsewhere.sum()),
        "wrong_bits": found.wrong_bits,
        "judged_bits": found.judged_bits,
        "wrong_by_bit": count_each_bit(outcome.wrong, outcome.width),
        "lag": None if outcome.lag is None else outcome.lag.cycles if outcome.lag.shifted else 0,
        "notes": list(outcome.notes),
        "rows": [
            {
                "word": row,
                "sample": int(outcome.cycles.sample[row]),
                "bank": int(outcome.bank[row]),
                "address": hex_word(int(outcome.address[row]), outcome.job.processor.address_bits),
                "confidence": round(float(found.confidence[row]), 6),
                "elsewhere": bool(found.elsewhere[row]),
                "expected": known_word(int(outcome.expected[row]), int(outcome.known[row]), outcome.width),
                "seen": known_word(
                    int(outcome.cycles.word[row]), int(outcome.cycles.known[row]), outcome.width
                ),
            }
            for row in range(first, min(first + count, len(found)))
        ],
    }


def _write(outcome: _Outcome, table: Path) -> None:
    """All words as a table; the file appears whole or not at all."""
    import polars

    frame = polars.DataFrame(
        {
            "sample": outcome.cycles.sample,
            "bank": outcome.bank,
            "address": outcome.address,
            "confidence": outcome.found.confidence,
            "elsewhere": outcome.found.elsewhere,
            "expected": outcome.expected,
            "seen": outcome.cycles.word,
        }
    )
    part = table.with_name(table.name + ".part")
    try:
        frame.write_csv(part)
        part.replace(table)
    except OSError as error:
        raise UsageError(f"{table} cannot be written: {error.strerror}.", "Choose another place.") from None
    finally:
        part.unlink(missing_ok=True)
