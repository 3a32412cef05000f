"""A report as PDF, set by Typst: no network, no system packages, the faces that come with it.

The report goes in as JSON and the figures as SVG files, so that no text of a person is ever part of the
markup: a name that looks like a command is set as it is written. Where the report has letters that those
faces lack, the computer's own faces fill in.
"""

from __future__ import annotations

import json
import re
import tempfile
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

from wrongbit.report.content import (
    SIGNATURE_HEADS,
    Block,
    Figure,
    Heading,
    Listed,
    Paragraph,
    Report,
    Signatures,
    Table,
    numbered,
)
from wrongbit.report.figures.svg import plain
from wrongbit.report.theme import PRINT, Theme

STANDARDS: tuple[Any, ...] = ("a-2a", "ua-1")

TURNED = 1100
"""Figures wider than so many pixels that are also wider than high get a page across."""

_USUAL = re.compile("[\\u0000-\\u058f\\u1e00-\\u2bff\\ufffd]*")
"""Latin, Greek, Cyrillic, punctuation, arrows, signs: what the faces that come with Typst have."""


def render_pdf(report: Report) -> bytes:
    """The report as a PDF file, with the same texts as `html.render_html`.

    It keeps to PDF/A-2a (ISO 19005-2) for the archive and to PDF/UA-1 (ISO 14289-1) for screen readers. A
    letter that no face on this computer has is shown as a box, and then the file is plain PDF, since both
    standards forbid that.

    Args:
        report: What it says; figures are drawn in the print theme.
    """
    with tempfile.TemporaryDirectory(prefix="wrongbit-report-") as name:
        folder = Path(name)
        data = _as_data(report, PRINT, folder)
        text = json.dumps(data, ensure_ascii=False)
        (folder / "report.json").write_text(text, "utf-8")
        source = folder / "report.typ"
        source.write_bytes(files("wrongbit.report").joinpath("report.typ").read_bytes())
        usual, at = _USUAL.fullmatch(text) is not None, int(report.made_at.timestamp())
        return _compiled(source, usual_letters=usual, timestamp=at)


def _compiled(source: Path, *, usual_letters: bool, timestamp: int) -> bytes:
    """What Typst makes of a source with everything that it needs beside it."""
    import typst

    made: object = None
    for standards in (STANDARDS, ()):
        try:
            made = typst.compile(
                source,
                root=source.parent,
                ignore_system_fonts=usual_letters,
                timestamp=timestamp,
                pdf_standards=list(standards),
            )
            break
        except typst.TypstError:
            if not standards:
                raise
    assert isinstance(made, bytes)
    return made


def _as_data(report: Report, theme: Theme, folder: Path) -> dict[str, Any]:
    """The report as JSON values; figures are written to the folder."""
    sections = []
    for section, blocks in numbered(report):
        shown = [_block(block, number, theme, folder) for block, number in blocks]
        sections.append({"title": plain(section.title), "blocks": shown})
    return {
        "theme": theme.colours(),
        "title": plain(report.title),
        "subtitle": plain(report.subtitle),
        "running": f"wrongbit {plain(report.version)}, {report.made_at:%Y-%m-%d}",
        "date": _date(report.made_at),
        "object_facts": [[plain(name), plain(value)] for name, value in report.object_facts],
        "facts": [[plain(name), plain(value)] for name, value in report.facts],
        "summary": [{"tone": each.tone, "text": plain(each.text)} for each in report.summary],
        "sections": sections,
    }


def _date(at: datetime) -> dict[str, int]:
    return {"year": at.year, "month": at.month, "day": at.day}


def _block(block: Block, number: int, theme: Theme, folder: Path) -> dict[str, Any]:
    match block:
        case Paragraph(text, tone):
            return {"kind": "paragraph", "tone": tone, "text": plain(text)}
        case Heading(text):
            return {"kind": "heading", "text": plain(text)}
        case Listed(items):
            return {"kind": "list", "items": [plain(item) for item in items]}
        case Table():
            return _table(block, number)
        case Figure():
            return _figure(block, number, theme, folder)
        case Signatures(lines):
            told = [[plain(role), plain(name)] for role, name in lines]
            return {"kind": "signatures", "heads": list(SIGNATURE_HEADS), "lines": told}


def _table(table: Table, number: int) -> dict[str, Any]:
    columns = [
        {"title": plain(column.title), "kind": column.kind, "share": column.share} for column in table.columns
    ]
    return {
        "kind": "table",
        "columns": columns,
        "rows": [[plain(cell) for cell in row] for row in table.rows],
        "marked": sorted(table.marked),
        "caption": plain(f"Table {number}. {table.caption}".rstrip()),
    }


_SIZE = re.compile(r'<svg[^>]*?\bwidth="([0-9.]+)"[^>]*?\bheight="([0-9.]+)"')
_TITLE = re.compile(r"<title>([^<]*)</title>")

FULL = 760.0
"""Pixels that fill the width of a page; a smaller figure stays smaller."""


def _figure(figure: Figure, number: int, theme: Theme, folder: Path) -> dict[str, Any]:
    from xml.sax.saxutils import unescape

    svg = figure.draw(theme)
    file = f"figure{number}.svg"
    (folder / file).write_text(svg, "utf-8")
    size = _SIZE.search(svg.replace("viewBox", " viewBox"))
    width, height = (float(size[1]), float(size[2])) if size else (FULL, FULL)
    turned = width > TURNED and width > 1.2 * height
    share = 100.0 if turned else min(100.0, 100 * width / FULL)
    most = (110 if turned else 150) * height and (1.35 if not turned else 0.62) * width / height
    title = _TITLE.search(svg)
    return {
        "kind": "figure",
        "file": file,
        "alt": unescape(title[1]) if title else plain(figure.caption),
        "caption": plain(f"Figure {number}. {figure.caption}"),
        "width": min(share, 100 * most),
        "turned": turned,
    }
