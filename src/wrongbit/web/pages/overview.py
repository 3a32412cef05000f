"""The overview: where the repair stands, and what to do now."""

from __future__ import annotations

from wrongbit.casework.overview import Overview
from wrongbit.web.elements import caution, live, paragraph, section
from wrongbit.web.workbench import Workbench


def page(bench: Workbench) -> None:
    """Put the overview on the page."""
    live(bench, "Reading the case", bench.casework.overview, _draw)


def _draw(overview: Overview) -> None:
    for text in overview.cautions:
        caution(text)
    with section("What to do now"):
        for question in overview.questions[:1]:
            paragraph(question, classes="wb-big")
