"""The bring-up ladder as a list that looks like one: a rail, and a rung for each value."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from wrongbit.bringup.ladder import Rung
from wrongbit.casework.overview import RungLine
from wrongbit.web.elements import quiet, tag

MARKS = {"within": "✓", "outside": "▲", "not measured": "·"}

Told = TypeVar("Told", Rung, RungLine)
"""A judged rung, or its line in an overview."""


def draw_rungs(rungs: Sequence[Told], controls: Callable[[Told], object] | None = None) -> None:
    """The rungs from the first to look at to the last.

    Args:
        rungs: Judged rungs.
        controls: Draws what belongs at the end of each, such as a field for its value.
    """
    if not rungs:
        quiet("The machine file has no rails, clocks, reset or start-up inputs.")
        return
    with tag("ol", classes="wb-ladder", aria_label="Bring-up ladder"):
        for rung in rungs:
            with tag("li", classes=f"wb-rung wb-{rung.verdict.replace(' ', '-')}"):
                tag("span", MARKS[rung.verdict], classes="wb-rung-mark", aria_hidden="true")
                with tag("div", classes="wb-rung-line"):
                    _told(rung)
                    if controls is not None:
                        with tag("div", classes="wb-row wb-controls"):
                            controls(rung)


def _told(rung: Rung | RungLine) -> None:
    usual = " (usual for its family)" if rung.assumed else ""
    kind = {"within": "wb-good-text", "outside": "wb-bad-text"}.get(rung.verdict, "wb-quiet")
    found = f"{rung.measured}, {rung.verdict}" if rung.measured else rung.verdict
    with tag("div", classes="wb-rung-told"):
        with tag("div"):
            tag("strong", rung.title)
            if rung.test_point:
                tag("span", f" at {rung.test_point}", classes="wb-quiet")
        with tag("div"):
            tag("span", f"{rung.wanted}{usual}", classes="wb-mono")
        with tag("div"):
            tag("span", f"{found}{': ' + rung.off if rung.off else ''}", classes=kind)
            if rung.note:
                tag("span", f" {rung.note}", classes="wb-quiet")
