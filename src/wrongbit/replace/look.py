"""Colours and face of this room's drawings: paper-light ground, dark ink, one accent.

Several kinds of wire take colours of the Okabe–Ito palette (M. Okabe and K. Ito, "Color Universal Design",
2008), and each kind has its own dash as well, so that nothing hangs on colour alone.
"""

from __future__ import annotations

PAPER = "#faf8f3"
INK = "#1d1f24"
QUIET = "#6b6f76"
ACCENT = "#d55e00"
BODY = "#efece3"

WIRES: dict[str, tuple[str, str]] = {
    "address": ("#0072b2", ""),
    "data": ("#007a5a", "7 3"),
    "select": ("#d55e00", "9 3 2 3"),
    "jumper": ("#1d1f24", "2 3"),
}
"""Kind of wire = colour, dash. The green is the palette's, darkened for thin lines on paper."""

FACE = "'JetBrains Mono', 'IBM Plex Mono', 'DejaVu Sans Mono', Consolas, Menlo, monospace"
"""Faces that tell 0 from O and 1 from l."""
