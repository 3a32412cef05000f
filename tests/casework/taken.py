"""What was captured of the invented machines."""

from __future__ import annotations

from pathlib import Path

from wrongbit.case.entries import Entry
from wrongbit.casework.casework import Casework
from wrongbit.demo.case import DemoCase


def capture_at(demo: DemoCase, point: str) -> Path:
    """The file that was captured at a probe point."""
    return next(each.path for each in demo.captures if each.point == point)


def first_capture(work: Casework) -> Entry:
    """The case's first capture."""
    return work.captures()[0][0]
