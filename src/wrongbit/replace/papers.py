"""What goes to the bench on paper: drawing, wiring table, parts list."""

from __future__ import annotations

import csv
import io
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
    csv.writer(text, lineterminator="\n").writerows([head, *rows])
    return text.getvalue()
