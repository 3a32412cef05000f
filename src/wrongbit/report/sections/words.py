"""Sentences and small tables that several sections use."""

from __future__ import annotations

from wrongbit.bus.cycles import NO_TIME
from wrongbit.report.content import Paragraph
from wrongbit.units import format_time


def absent(text: str) -> Paragraph:
    """What has not been done."""
    return Paragraph(text, "absent")


def moment(time_ps: int, first_ps: int) -> str:
    """A cycle's time after the first; a dash where the capture has none."""
    if time_ps == NO_TIME or first_ps == NO_TIME:
        return "–"
    return format_time(time_ps - first_ps) if time_ps != first_ps else "0"


def bytes_text(count: int) -> str:
    """A file's size.

    >>> bytes_text(512), bytes_text(1_234_567)
    ('512 bytes', '1\xa0234\xa0567 bytes')
    """
    return f"{count:,}".replace(",", "\N{NO-BREAK SPACE}") + " bytes"
