"""What goes to the bench on paper: drawing, wiring table, parts list."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence

from wrongbit.replace.drawing import drawing_svg
from wrongbit.replace.fit import Plan
from wrongbit.replace.wiring import parts_list, wiring_table


def papers(plan: Plan) -> dict[str, str]:
    """File name = contents: ``drawing.svg``, ``wiring.csv`` and ``parts.csv``."""
    wiring = [
        (row.signal, row.old, "; ".join(row.through), row.new, "moved" if row.moved else "", row.note)
        for row in wiring_table(plan)
    ]
    parts = [(str(line.count), line.what, " ".join(line.refs), line.note) for line in parts_list(plan)]
    return {
        "drawing.svg": drawing_svg(plan),
        "wiring.csv": _csv(("signal", "old pin", "through", "new pin", "moved", "note"), wiring),
        "parts.csv": _csv(("count", "part", "designators", "note"), parts),
    }


def _csv(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([head, *([_cell(each) for each in row] for row in rows)])
    return text.getvalue()


_NAME = re.compile(r"[+-]?[\w./*#~ ]*")


def _cell(text: str) -> str:
    """A cell that no spreadsheet takes for a formula (CWE-1236): names come from a machine file.

    >>> _cell("-RD"), _cell("+5V"), _cell("=1+1"), _cell("-1+f(A1)")
    ('-RD', '+5V', "'=1+1", "'-1+f(A1)")
    """
    return f"'{text}" if text[:1] in tuple("=+-@\t\r") and not _NAME.fullmatch(text) else text
