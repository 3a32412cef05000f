"""Cases, cycles and findings in a notebook: tables as polars frames, results that draw themselves.

    from wrongbit.notebook import open_case

    case = open_case("loom")
    case                                    # the case at a glance
    run = case.captures[0]
    run.cycles().filter(verdict="differs")  # a polars frame; .to_pandas() and .to_arrow() are polars' own
    run.diagnosis()                         # draws the odds
    case.suspects()                         # draws the board

Frames are made anew from the arrays of the rooms below each time they are asked for. Words and addresses are
``UInt64``; what is not known is null.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from html import escape
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import polars as pl
from numpy.typing import NDArray

from wrongbit.bus.cycles import NO_TIME
from wrongbit.case.entries import CaptureAdded, Entry
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.casework.overview import Overview
from wrongbit.compare.verdicts import AGREES, DIFFERS, NOT_KNOWN
from wrongbit.diagnose.planning import Proposal
from wrongbit.diagnose.suspects import Weighing
from wrongbit.errors import UsageError
from wrongbit.job import DEFAULT_NOISE, Comparison, Diagnosis, Job, compare_capture, diagnose, open_job
from wrongbit.machine.recipe import KINDS
from wrongbit.report.figures import (
    bit_strip,
    board_map,
    capture_strip,
    condense,
    finding_odds,
    odds_bars,
    strip_word,
)
from wrongbit.report.theme import LIGHT, Theme
from wrongbit.units import format_address

VERDICTS = {NOT_KNOWN: "not known", AGREES: "agrees", DIFFERS: "differs"}


def cycles_frame(comparison: Comparison) -> pl.DataFrame:
    """Bus cycles with their verdicts, one row a cycle.

    Args:
        comparison: From `wrongbit.job.compare_capture` or `Run.comparison`.

    Returns:
        ``cycle`` UInt32 from 0, ``sample`` Int64, ``time_ps`` Int64 or null, ``kind`` Enum, ``bank`` Int32 or
        null, ``address``, ``seen``, ``expected`` UInt64 (unknown bits 0; null where none is known),
        ``judged`` and ``wrong`` UInt64 masks, ``verdict`` Enum.
    """
    cycles, verdicts = comparison.cycles, comparison.verdicts
    kinds, names = pl.Enum(KINDS), pl.Enum(list(VERDICTS.values()))
    return pl.DataFrame(
        {
            "cycle": np.arange(len(cycles), dtype=np.uint32),
            "sample": cycles.sample,
            "time_ps": _unless(cycles.time_ps, cycles.time_ps == NO_TIME),
            "kind": pl.Series(cycles.kind).replace_strict(dict(enumerate(KINDS)), return_dtype=kinds),
            "bank": _unless(cycles.bank, cycles.bank < 0),
            "address": _unless(cycles.address, cycles.address_known == 0),
            "seen": _unless(cycles.word, cycles.known == 0),
            "expected": _unless(verdicts.expected, verdicts.judged == 0),
            "judged": verdicts.judged,
            "wrong": verdicts.wrong,
            "verdict": pl.Series(verdicts.verdict).replace_strict(VERDICTS, return_dtype=names),
        }
    )


def _unless(values: NDArray[Any], missing: NDArray[np.bool_]) -> pl.Series:
    """A column with nulls where there is nothing."""
    column = pl.Series(values)
    return column.set(pl.Series(missing), None) if missing.any() else column


def findings_frame(diagnosis: Diagnosis) -> pl.DataFrame:
    """Everything that may explain a capture, the likeliest first.

    Returns:
        ``says`` and ``model`` String, ``parts`` List(String), ``probability`` Float64, ``tied`` Boolean (one
        of several best that cannot be told apart), ``explained`` and ``unexplained`` Int64 bits.
    """
    findings = diagnosis.findings
    ties = set(findings.groups[0]) if findings.groups else set()
    rows = [
        {
            "says": each.say() if each.faults else "No fault: noise only.",
            "model": each.model,
            "parts": list(each.parts),
            "probability": each.probability,
            "tied": place in ties and len(ties) > 1,
            "explained": each.explained,
            "unexplained": each.unexplained,
        }
        for place, each in enumerate(findings.findings)
    ]
    return pl.DataFrame(rows, schema_overrides={"parts": pl.List(pl.String)})


def suspects_frame(weighing: Weighing) -> pl.DataFrame:
    """Parts between chip and processor by suspicion.

    Returns:
        ``part`` String, ``share`` and ``prior`` Float64, ``way`` String, ``tied`` Boolean, and a Float64
        column for each observation: nats that it speaks for (above 0) or against the part.
    """
    top = set(weighing.top())
    rows = []
    for each in weighing.suspects():
        row: dict[str, Any] = {
            "part": each.part,
            "share": each.share,
            "prior": each.prior,
            "way": each.ways[0][0] if each.ways else "",
            "tied": each.part in top and len(top) > 1,
        }
        row |= {f"{place + 1}: {found.label}": found.nats for place, found in enumerate(each.witnesses)}
        rows.append(row)
    return pl.DataFrame(rows, infer_schema_length=None)


def proposals_frame(found: Sequence[Proposal]) -> pl.DataFrame:
    """Measurements that could be made next, the most telling for its effort first.

    Returns:
        ``kind``, ``place`` and ``says`` String, ``minutes``, ``risk``, ``gain`` and ``remaining`` (bits of
        doubt) Float64.
    """
    rows = [
        {
            "kind": each.kind,
            "place": each.place,
            "says": each.text,
            "minutes": each.minutes,
            "risk": each.risk,
            "gain": each.gain,
            "remaining": each.remaining,
        }
        for each in found
    ]
    numbers = dict.fromkeys(("minutes", "risk", "gain", "remaining"), pl.Float64)
    return pl.DataFrame(rows, schema={"kind": pl.String, "place": pl.String, "says": pl.String, **numbers})


# -- things that draw themselves ---------------------------------------------------------------------------


@dataclass(frozen=True, repr=False)
class Drawn:
    """A result with its table, shown in a notebook as a picture above the table.

    Args:
        result: What the rooms below computed.
        frame: The same as a table.
        draw: Gives the picture as SVG.
    """

    result: Any
    frame: pl.DataFrame
    draw: Callable[[Theme], str]

    def __repr__(self) -> str:
        return f"Drawn({type(self.result).__name__}, {self.frame.height} rows)"

    def _repr_html_(self) -> str:
        table = self.frame._repr_html_()
        return f"<div>{self.draw(LIGHT)}</div>{table}"

    def svg(self, theme: Theme = LIGHT) -> str:
        """The picture, to be saved or set elsewhere."""
        return self.draw(theme)


class Run:
    """One capture with the machine that it was taken on.

    Args:
        name: File name.
        job: The machine, seen from the capture's probe point.
        compute: Gives the comparison.
        weigh: Gives the diagnosis.
    """

    def __init__(
        self,
        name: str,
        job: Job,
        compute: Callable[[], Comparison],
        weigh: Callable[[], Diagnosis],
    ) -> None:
        self.name, self.job = name, job
        self._compute, self._weigh = compute, weigh

    def __repr__(self) -> str:
        return f"Run({self.name!r} at {self.job.point.name!r})"

    @cached_property
    def comparison(self) -> Comparison:
        """Cycles, verdicts and counts as the rooms below have them."""
        return self._compute()

    def cycles(self) -> pl.DataFrame:
        """Bus cycles with their verdicts, see `cycles_frame`."""
        return cycles_frame(self.comparison)

    def diagnosis(self) -> Drawn:
        """What explains the wrong words, see `findings_frame`; draws the odds."""
        found = self._weigh()
        return Drawn(
            found,
            findings_frame(found),
            lambda theme: odds_bars(finding_odds(found.findings), theme, title="What explains it"),
        )

    def word(self, cycle: int | None = None) -> Drawn:
        """One word bit by bit, expected above seen.

        Args:
            cycle: Number of the cycle; None: the first wrong one.

        Raises:
            UsageError: No word is wrong, or there is no such cycle.
        """
        row = self.comparison.summary.first_wrong if cycle is None else cycle
        if row is None:
            raise UsageError("No word of this capture is wrong.", "Name the cycle that you want to see.")
        if not 0 <= row < len(self.comparison.cycles):
            raise UsageError(
                f"There is no cycle {row}.", f"The capture has 0 to {len(self.comparison.cycles) - 1}."
            )
        strip = strip_word(self.job, self.comparison, row)
        return Drawn(strip, self.cycles()[row], lambda theme: bit_strip(strip, theme, title=f"Cycle {row}"))

    def _repr_html_(self) -> str:
        summary = self.comparison.summary
        strip = capture_strip(
            condense(self.comparison.verdicts.verdict, 720), LIGHT, mark=summary.first_wrong
        )
        told = (
            f"{escape(self.name)} at {escape(self.job.point.name)}: {summary.cycles} bus cycles, "
            f"{summary.agrees} agree, {summary.differs} differ, {summary.not_known} not known."
        )
        return f"<p>{told}</p><div>{strip}</div>"


class NotebookCase:
    """A case folder in a notebook. What is computed is kept in the case, as everywhere.

    Args:
        case: The case, open.
        noise: Probability that a bit is read wrong for no other reason.
    """

    def __init__(self, case: Case, noise: float = DEFAULT_NOISE) -> None:
        self.case = case
        self.work = Casework(case, noise=noise)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the journal."""
        self.case.close()

    def __repr__(self) -> str:
        return f"NotebookCase({self.case.name!r})"

    @property
    def captures(self) -> tuple[Run, ...]:
        """Captures that count, oldest first."""
        return tuple(self._run(entry, detail) for entry, detail in self.work.captures())

    def _run(self, entry: Entry, detail: CaptureAdded) -> Run:
        return Run(
            detail.file.name,
            self.work.job(detail.point),
            lambda: self.work.comparison(entry),
            lambda: self.work.diagnosis(entry),
        )

    def overview(self) -> Overview:
        """The case at a glance, as plain values."""
        return self.work.overview()

    def journal(self) -> pl.DataFrame:
        """Every entry that counts: ``number``, ``at`` (UTC), ``by``, ``kind``, ``says``."""
        rows = [
            {
                "number": entry.number,
                "at": entry.at,
                "by": entry.by,
                "kind": type(entry.detail).__name__,
                "says": repr(entry.detail),
            }
            for entry in self.case.entries()
        ]
        return pl.DataFrame(rows, schema_overrides={"at": pl.Datetime("us", "UTC")})

    def suspects(self) -> Drawn:
        """Parts by suspicion, see `suspects_frame`; draws the board.

        Raises:
            UsageError: The machine file has no paths.
        """
        found = self.work.weighing()
        if found is None:
            raise UsageError(
                "The machine file has no [[path]]: nothing is known between chips and processor.",
                "Add [[part]] and [[path]] to it (see docs/diagnosis.md).",
            )
        return Drawn(found, suspects_frame(found), lambda theme: board_map(found, theme))

    def next(self) -> pl.DataFrame:
        """What could be measured next, see `proposals_frame`."""
        return proposals_frame(self.work.proposals())

    def _repr_html_(self) -> str:
        seen = self.overview()
        rows = "".join(
            f"<tr><td>{escape(each.file)}</td><td>{escape(each.point)}</td><td>{each.cycles}</td>"
            f"<td>{each.differs}</td><td>{escape(_says(each.first_wrong, each.problem))}</td></tr>"
            for each in seen.captures
        )
        names = ("capture", "probe point", "cycles", "differ", "first wrong word")
        head = f"<tr>{''.join(f'<th>{name}</th>' for name in names)}</tr>"
        questions = "".join(f"<li>{escape(each)}</li>" for each in seen.questions)
        return (
            f"<h3>{escape(seen.machine)}</h3><table>{head}{rows}</table>"
            f"<p>{escape(seen.conclusion)}</p><ul>{questions}</ul>"
        )


def _says(word: Any, problem: str) -> str:
    if problem:
        return problem
    return "" if word is None else str(word.sentence)


def open_case(folder: str | Path, *, noise: float = DEFAULT_NOISE) -> NotebookCase:
    """A case folder.

    Args:
        folder: With a machine file, and captures in its journal or in case.toml.
        noise: Probability that a bit is read wrong for no other reason, above 0 and below 0.5.

    Raises:
        WrongbitError: It is no case, or something in it cannot be used.
    """
    return NotebookCase(Case.open(Path(folder)), noise)


def open_capture(
    machine: str | Path, capture: str | Path, *, point: str | None = None, noise: float = DEFAULT_NOISE
) -> Run:
    """A capture without a case.

    Args:
        machine: The machine file.
        capture: CSV, VCD or typed text.
        point: Probe point; may be left out where there is only one.
        noise: Probability that a bit is read wrong for no other reason.

    Raises:
        WrongbitError: A file cannot be used.
    """
    job = open_job(Path(machine), point=point)
    path = Path(capture)
    run = Run(
        path.name,
        job,
        lambda: compare_capture(job, path),
        lambda: diagnose(job, run.comparison, noise=noise),
    )
    return run


def hexadecimal(frame: pl.DataFrame, *columns: str, bits: int = 16) -> pl.DataFrame:
    """The frame with these columns as hexadecimal text, for reading.

    Args:
        frame: Any frame with unsigned columns.
        columns: Which; none: address, seen, expected and wrong, as far as it has them.
        bits: Width of the numbers.
    """
    wanted = columns or tuple(
        name for name in ("address", "seen", "expected", "wrong") if name in frame.columns
    )
    return frame.with_columns(
        pl.col(name).map_elements(lambda value: format_address(value, bits), return_dtype=pl.String)
        for name in wanted
    )
