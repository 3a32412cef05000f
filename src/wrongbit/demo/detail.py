"""Details of a fault as a person writes them.

A *detail* is ``PLACE.ITEM…@RATE``, each piece left out drawn from the seed: the place is a chip (``U12``),
two chips (``U12-U14``) or ``bus``; items are ``D3`` or ``D3-D4`` (outputs, word bits on the bus), ``A5`` or
``A5-A6`` (address lines), ``row17``, ``column5``, ``bank1``, ``high``/``low``, ``x20`` (number of cells) and
``0x123=0x04`` (a cell and its wrong outputs).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

from wrongbit.demo.fault import BUS
from wrongbit.errors import UsageError


@dataclass(frozen=True)
class Detail:
    """A detail taken apart; None and empty mean: draw it."""

    place: str | None = None
    other: str | None = None
    bits: tuple[int, ...] = ()
    lines: tuple[int, ...] = ()
    line: int | None = None
    level: int | None = None
    bank: int | None = None
    count: int | None = None
    cells: tuple[tuple[int, int], ...] = ()
    rate: float | None = None


_ITEMS: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], dict[str, object]]], ...] = (
    (re.compile(r"D(\d+)(?:-D(\d+))?"), lambda m: {"bits": _numbers(m)}),
    (re.compile(r"A(\d+)(?:-A(\d+))?"), lambda m: {"lines": _numbers(m)}),
    (re.compile(r"(?:row|column)(\d+)"), lambda m: {"line": int(m[1])}),
    (re.compile(r"bank(\d+)"), lambda m: {"bank": int(m[1])}),
    (re.compile(r"high|low"), lambda m: {"level": int(m[0] == "high")}),
    (re.compile(r"x(\d+)"), lambda m: {"count": int(m[1])}),
)
_CELL = re.compile(r"(0x[0-9A-Fa-f]+)=(0x[0-9A-Fa-f]+)")


def _numbers(match: re.Match[str]) -> tuple[int, ...]:
    return tuple(int(number) for number in match.groups() if number is not None)


def _designator(text: str) -> str | None:
    return text if text == BUS else text.upper() or None


def parse_detail(text: str) -> Detail:
    """Take a detail apart.

    Raises:
        UsageError: A piece is none of those in the module's text.
    """
    body, _, rate = text.partition("@")
    place, *items = body.split(".")
    first, _, second = place.partition("-")
    detail = Detail(place=_designator(first), other=_designator(second))
    for item in items:
        if cell := _CELL.fullmatch(item):
            detail = replace(detail, cells=(*detail.cells, (int(cell[1], 16), int(cell[2], 16))))
            continue
        found = next((make(m) for pattern, make in _ITEMS if (m := pattern.fullmatch(item))), None)
        if found is None:
            raise UsageError(f"{item!r} in {text!r} says nothing about a fault.", HOW_TO_WRITE)
        detail = replace(detail, **found)  # type: ignore[arg-type]
    if rate:
        try:
            detail = replace(detail, rate=float(rate))
        except ValueError:
            raise UsageError(f"{rate!r} in {text!r} is not a share.", HOW_TO_WRITE) from None
        if not 0 < float(rate) <= 1:
            raise UsageError(f"The rate {rate} in {text!r} is not a share.", "Give more than 0, at most 1.")
    return detail


HOW_TO_WRITE = "Write it like U12.D3, bus.A5-A6, U12.row17.high or U12.D3.column5@0.3."
