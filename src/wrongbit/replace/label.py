"""Labels for programmed chips, as text and as SVG."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from xml.sax.saxutils import escape

from wrongbit.replace.look import FACE, INK, PAPER


@dataclass(frozen=True)
class Label:
    """What is written on a programmed chip.

    Args:
        designator: Where it belongs, such as ``U7``.
        machine: The machine, may be empty.
        part: Type and grade of the chip.
        size: Words and bits, such as ``65536 × 8``.
        sum16: Sum of all its bytes modulo 65536.
        crc32: CRC-32 of all its bytes.
        day: When the file was made.
        contents: What lies where, one entry for each of several contents.
    """

    designator: str
    machine: str
    part: str
    size: str
    sum16: int
    crc32: int
    day: date
    contents: tuple[str, ...] = ()

    def lines(self) -> tuple[str, ...]:
        """The label line by line, the designator first."""
        head = f"{self.designator}  {self.part}"
        sums = f"SUM16 {self.sum16:04X}  CRC32 {self.crc32:08X}"
        rows = (head, self.machine, sums, f"{self.size}  {self.day.isoformat()}", *self.contents)
        return tuple(row for row in rows if row)


def label_text(label: Label) -> str:
    """The label as plain text."""
    return "\n".join(label.lines()) + "\n"


WIDTH_MM, LINE_MM, MARGIN_MM = 34.0, 2.9, 1.2
"""A 24- or 28-pin package is about 15 mm wide and 32 to 37 mm long."""


def label_svg(label: Label) -> str:
    """The label as SVG in true size: print it without scaling.

    Source of the size: common practice, no source.
    """
    lines = label.lines()
    longest = max(len(line) for line in lines)
    # A monospaced face is about 0.6 em wide; shrink until the longest line fits.
    size = min(2.4, (WIDTH_MM - 2 * MARGIN_MM) / (0.605 * longest))
    height = 2 * MARGIN_MM + LINE_MM * len(lines)
    rows = "".join(_row(number, line, size) for number, line in enumerate(lines))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH_MM:g}mm" height="{height:.1f}mm" '
        f'viewBox="0 0 {WIDTH_MM:g} {height:.1f}" role="img">'
        f"<title>{escape('Label: ' + ', '.join(lines))}</title>"
        f'<rect x="0.1" y="0.1" width="{WIDTH_MM - 0.2:g}" height="{height - 0.2:.1f}" fill="{PAPER}" '
        f'stroke="{INK}" stroke-width="0.15"/>{rows}</svg>\n'
    )


def _row(number: int, line: str, size: float) -> str:
    baseline = MARGIN_MM + LINE_MM * (number + 0.75)
    weight = ' font-weight="bold"' if number == 0 else ""
    return (
        f'<text x="{MARGIN_MM:g}" y="{baseline:.2f}" font-family="{FACE}" font-size="{size:.2f}"{weight} '
        f'fill="{INK}" xml:space="preserve">{escape(line)}</text>'
    )


def size_text(words: int, bits: int) -> str:
    """Size of a chip.

    >>> size_text(65536, 8)
    '65536 × 8'
    """
    return f"{words} × {bits}"


def contents_lines(names: Sequence[str], offsets: Sequence[int], settings: Sequence[str]) -> tuple[str, ...]:
    """One line for each of several contents: where it begins, its name, how the jumpers stand.

    >>> contents_lines(["old", "new"], [0, 4096], ["JP1 closed", "JP1 open"])[1]
    '1000 new: JP1 open'
    """
    return tuple(
        f"{offset:04X} {name}: {setting}"
        for name, offset, setting in zip(names, offsets, settings, strict=True)
    )
