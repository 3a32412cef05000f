"""The rows of a capture as a control of the page, which shows any of a million cycles at once.

The script beside it keeps only the rows in sight and asks for others in blocks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from nicegui.element import Element

from wrongbit.bus.cycles import NO_TIME
from wrongbit.report.figures import capture_strip, condense
from wrongbit.report.theme import LIGHT
from wrongbit.web.browse import Browser, Listing, Row, lane_gaps
from wrongbit.web.elements import themed
from wrongbit.web.page_style import ASSETS

BLOCK = 200
"""Rows that are sent together; the script has the same number."""

STRIP_WIDTH, STRIP_COLUMNS = 980, 900
"""Pixels of the strip over the whole capture, and into how many columns it is gathered."""

Chosen = Callable[[int], object]


class CycleBrowser(Element, component=ASSETS / "cycle_browser.js"):
    """The strip over a whole capture, and its rows.

    Args:
        browser: The capture.
        listing: The cycles that are listed.
        cycle: The one that is chosen at first.
        on_chosen: Called with the number of a cycle that a person chose.
        on_wish: Called with what a key asks for: "next wrong", "previous found", ….
        on_zoom: Called with in, out, left, right.
    """

    def __init__(
        self,
        browser: Browser,
        listing: Listing,
        cycle: int,
        *,
        on_chosen: Chosen,
        on_wish: Callable[[str], object],
        on_zoom: Callable[[str], object],
    ) -> None:
        super().__init__()
        self.browser, self.listing, self.cycle = browser, listing, cycle
        self._turn = 0
        self._on_chosen, self._on_wish, self._on_zoom = on_chosen, on_wish, on_zoom
        self._columns = self._shown_columns()
        self._props["setup"] = self._setup() | {"strip": self._strip(), "focus": True}
        self.on("ask", self._asked)
        self.on("chosen", self._picked)
        self.on("stride", self._stride)
        self.on("zoom", lambda event: on_zoom(str(event.args)))

    # -- what the page asks for -----------------------------------------------------------------------------

    def list(self, listing: Listing) -> None:
        """List other cycles, and stay near the chosen one."""
        self.listing = listing
        self._turn += 1
        self.run_method("load", self._setup())

    def replace(self, browser: Browser) -> None:
        """The same cycles with more known of them."""
        self.browser = browser
        self._columns = self._shown_columns()
        self.list(self.listing)

    def go(self, cycle: int) -> None:
        """Choose a cycle, or the next that is listed."""
        if len(self.listing):
            place = self.listing.place(cycle)
            self.cycle = int(self.listing.numbers(place, 1)[0])
            self.run_method("go", place, self.cycle)

    # -- what the script asks for ---------------------------------------------------------------------------

    def _asked(self, event: Any) -> None:
        turn, block = int(event.args["turn"]), int(event.args["block"])
        if turn == self._turn and block >= 0:
            numbers = self.listing.numbers(block * BLOCK, BLOCK)
            rows = [self._values(row) for row in self.browser.rows(numbers)]
            self.run_method("put", turn, block, rows)

    def _picked(self, event: Any) -> None:
        turn, place = int(event.args["turn"]), int(event.args["place"])
        numbers = self.listing.numbers(place, 1) if turn == self._turn and place >= 0 else ()
        for cycle in numbers:
            self.cycle = int(cycle)
            self._on_chosen(self.cycle)

    def _stride(self, event: Any) -> None:
        given: Mapping[str, Any] = event.args
        if "wish" in given:
            self._on_wish(str(given["wish"]))
        else:
            self.go(int(given["to"]))

    # -- values ---------------------------------------------------------------------------------------------

    def _setup(self) -> dict[str, Any]:
        place = self.listing.place(self.cycle)
        return {
            "turn": self._turn,
            "total": len(self.listing),
            "cycles": len(self.browser),
            "cursor": place,
            "cycle": self.cycle,
            "columns": list(self._columns),
            "template": " ".join(self._columns.values()),
            "gaps": list(lane_gaps(self.browser.job)),
            "stripWidth": STRIP_WIDTH,
        }

    def _strip(self) -> str:
        condensed = condense(self.browser.comparison.verdicts.verdict, STRIP_COLUMNS)
        return themed(capture_strip(condensed, LIGHT, width=STRIP_WIDTH, height=40))

    def _shown_columns(self) -> dict[str, str]:
        """Heads and widths; a column that this capture does not have is left out."""
        processor, browser = self.browser.job.processor, self.browser
        bits = processor.word_bits
        columns = {"": "2ch", "cycle": f"{max(len(str(len(browser))), 5) + 1}ch"}
        if browser.comparison.cycles.time_ps[0] != NO_TIME:
            columns["time"] = "10ch"
        columns["kind"] = "11ch"
        if browser.job.memory_map.banked:
            columns["bank"] = "4ch"
        word = max(-(-bits // 4), 8)
        columns |= {"address": f"{max(-(-processor.address_bits // 4), 7)}ch"}
        columns |= {"expected": f"{word}ch", "seen": f"{word}ch"}
        columns["bits"] = f"{bits * (6 if bits > 24 else 8) + 5 * len(lane_gaps(browser.job)) + 2}px"
        if browser.mnemonics is not None and browser.mnemonics.texts:
            columns["instruction"] = "minmax(30ch, 1fr)"
        return columns

    def _values(self, row: Row) -> dict[str, Any]:
        kind = f"{row.kind} !" if row.unsettled else row.kind
        cells = {
            "cycle": str(row.cycle),
            "time": row.time,
            "kind": kind,
            "bank": row.bank,
            "address": row.address,
            "expected": row.expected,
            "seen": row.seen,
        }
        return {
            "cells": [cells.get(name, "") for name in self._columns],
            "cycle": row.cycle,
            "verdict": row.verdict,
            "bits": row.bits,
            "instruction": row.instruction,
            "instead": row.instead,
        }
