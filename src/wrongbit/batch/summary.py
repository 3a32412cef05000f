"""All results of a batch in one table: as Parquet for programs, as a page for people."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import asdict
from html import escape

import polars as pl

from wrongbit import __version__
from wrongbit.batch.results import Result
from wrongbit.casework.words import counted
from wrongbit.report.theme import css_themes

SCHEMA = {
    "name": pl.String, "place": pl.String, "key": pl.String, "status": pl.String, "machine": pl.String,
    "captures": pl.Int64, "cycles": pl.Int64, "judged_share": pl.Float64, "differs": pl.Int64,
    "first_wrong": pl.String, "finding": pl.String, "probability": pl.Float64, "suspect": pl.String,
    "suspect_share": pl.Float64, "next": pl.String, "message": pl.String, "remedy": pl.String,
    "version": pl.String,
}  # fmt: skip
"""Column = its type, in the order of the columns."""


def summary_frame(results: Sequence[Result]) -> pl.DataFrame:
    """One row a result, by name, whatever the order in which they came."""
    rows = sorted((asdict(result) for result in results), key=lambda row: (row["name"], row["place"]))
    return pl.DataFrame(rows, schema=SCHEMA)


def summary_parquet(frame: pl.DataFrame) -> bytes:
    """The table as a Parquet file."""
    file = io.BytesIO()
    frame.write_parquet(file)
    return file.getvalue()


def counts(results: Sequence[Result]) -> dict[str, int]:
    """How many of each status, and how many in all."""
    told = {"cases": len(results), "fault": 0, "no fault": 0, "failed": 0}
    for result in results:
        told[result.status] += 1
    return told


_MARK = {"fault": "▲", "no fault": "✓", "failed": "✗"}

_STYLE = """\
body { background: var(--wb-paper); color: var(--wb-ink); font: 15px/1.45 var(--wb-text); margin: 2rem; }
table { border-collapse: collapse; }
th, td { text-align: left; vertical-align: top; padding: .3rem .9rem .3rem 0;
  border-bottom: 1px solid var(--wb-rule); }
td.number { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
.fault, .failed { color: var(--wb-accent-text); font-weight: 600; }
.quiet { color: var(--wb-quiet); }
"""


def summary_page(frame: pl.DataFrame, told: dict[str, int]) -> str:
    """The table as a page that needs nothing else: no script, no picture, no network."""
    rows = "\n".join(_row(row) for row in frame.iter_rows(named=True))
    failed = f", {told['failed']} could not be examined" if told["failed"] else ""
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>wrongbit: {counted(told["cases"], "case")}</title>
<style>
{css_themes()}
{_STYLE}</style>
</head>
<body>
<h1>{counted(told["cases"], "case")}</h1>
<p>A fault was seen in {told["fault"]}, none in {told["no fault"]}{failed}.</p>
<table>
<thead><tr><th scope="col">case</th><th scope="col">machine</th><th scope="col">what came out</th>
<th scope="col">cycles</th><th scope="col">judged</th><th scope="col">wrong</th>
<th scope="col">first wrong word, and what explains it</th><th scope="col">next</th></tr></thead>
<tbody>
{rows}
</tbody>
</table>
<p class="quiet">wrongbit {escape(__version__)}</p>
</body>
</html>
"""


def _row(row: dict[str, object]) -> str:
    status = str(row["status"])
    if status == "failed":
        says = f"{escape(str(row['message']))} {escape(str(row['remedy']))}".rstrip()
    else:
        says = "<br>".join(
            escape(str(text)) for text in (row["first_wrong"], _finding(row), _suspect(row)) if text
        )
    return (
        f'<tr><th scope="row">{escape(str(row["name"]))}</th><td>{escape(str(row["machine"]))}</td>'
        f'<td class="{status.replace(" ", "-")}">{_MARK[status]} {status}</td>'
        f'<td class="number">{row["cycles"]:,}</td><td class="number">{_percent(row["judged_share"])}</td>'
        f'<td class="number">{row["differs"]:,}</td><td>{says}</td><td>{escape(str(row["next"]))}</td></tr>'
    )


def _finding(row: dict[str, object]) -> str:
    return f"{row['finding']} ({_percent(row['probability'])})" if row["finding"] else ""


def _suspect(row: dict[str, object]) -> str:
    return f"Suspected most: {row['suspect']} ({_percent(row['suspect_share'])})" if row["suspect"] else ""


def _percent(share: object) -> str:
    return f"{share:.1%}" if isinstance(share, float) else ""
