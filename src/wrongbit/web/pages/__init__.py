"""One module a page, each with ``def page(bench: Workbench) -> None``, and the list of them all.

A new page is a module here and a row in `PAGES`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, cast

if TYPE_CHECKING:
    from wrongbit.web.workbench import Workbench


@dataclass(frozen=True)
class Page:
    """A page of the workbench.

    Args:
        name: In its address, and of its module.
        title: In the navigation and at its head.
        key: The key that opens it.
        says: What it is for, in one line.
    """

    name: str
    title: str
    key: str
    says: str

    @property
    def path(self) -> str:
        """Its address."""
        return "/" if self.name == "overview" else f"/{self.name}"

    def draw(self, bench: Workbench) -> None:
        """Put it on the screen."""
        module = import_module(f"wrongbit.web.pages.{self.name}")
        cast("Callable[[Workbench], None]", module.page)(bench)


PAGES: tuple[Page, ...] = (
    Page("overview", "Overview", "o", "Where the repair stands, and what to do now."),
    Page("ladder", "Bring-up ladder", "l", "Rails, clock, reset and start-up inputs; a stand-in signal."),
    Page("bring_in", "Bring in", "i", "Add captures, readings and references."),
    Page("cycles", "Cycles", "c", "Every bus cycle beside what should have been there."),
    Page("board", "Board map", "b", "The parts between chip and processor, with their share of doubt."),
    Page("measure", "Next measurement", "m", "What to measure next, and what each outcome would mean."),
    Page("chips", "Chips", "h", "Readings of a chip, its map, its rebuilt contents."),
    Page("replacement", "Replacement", "r", "A memory that can still be bought, its wiring and its files."),
    Page("work", "Object and work", "w", "Which object this is, and what was done to it."),
    Page("proof", "Proof and report", "p", "The repair against its bars; a report to hand on."),
    Page("machine", "Machine file", "t", "What is on the board, as text."),
    Page("journal", "Journal", "j", "Everything that was added, in order, with its hashes."),
)
"""Every page, in the order in which a repair uses them."""
