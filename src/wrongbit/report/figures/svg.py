"""What every figure is made of: text and shapes as SVG, always escaped, with a title and a description."""

from __future__ import annotations

import re
from collections.abc import Iterable
from xml.sax.saxutils import escape, quoteattr

from wrongbit.report.theme import MONO_FACE, Theme

_FORBIDDEN = re.compile(
    "[^\\t\\n\\r\\x20-\\x7e\\xa0-\\ud7ff\\ue000-\\ufffd\\U00010000-\\U0010ffff]|[\\u202a-\\u202e\\u2066-\\u2069]"
)
"""Characters that XML 1.0 (section 2.2) has no place for, controls that it discourages, and those that turn
the direction of writing, with which a name could look like another."""

ADVANCE = 0.602
"""Width of a monospaced character in ems: that of DejaVu Sans Mono."""


def plain(text: str) -> str:
    """Text as XML may hold it, on one line: what it has no place for becomes U+FFFD."""
    return _FORBIDDEN.sub("\ufffd", text.replace("\t", " ").replace("\r\n", "\n").replace("\r", "\n"))


def text(
    x: float,
    y: float,
    content: str,
    colour: str,
    *,
    size: float = 12,
    anchor: str = "start",
    bold: bool = False,
    title: str = "",
) -> str:
    """A line of text.

    Args:
        x: Where it begins, or its middle or its end, as ``anchor`` says.
        y: Its base line.
        content: Any text; it is escaped.
        colour: Its fill.
        size: In pixels.
        anchor: start, middle or end.
        bold: Heavy.
        title: More, for who points at it.
    """
    weight = ' font-weight="bold"' if bold else ""
    told = f"<title>{escape(plain(title))}</title>" if title else ""
    return (
        f'<text x="{x:.4g}" y="{y:.4g}" font-size="{size:g}" text-anchor="{anchor}" fill="{colour}"{weight}>'
        f"{told}{escape(plain(content))}</text>"
    )


def rectangle(
    x: float,
    y: float,
    width: float,
    height: float,
    *,
    fill: str = "none",
    stroke: str = "none",
    weight: float = 1,
    dash: str = "",
    radius: float = 0,
    title: str = "",
) -> str:
    """A rectangle; ``title`` is shown to who points at it."""
    line = f' stroke="{stroke}" stroke-width="{weight:g}"' if stroke != "none" else ""
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    round_ = f' rx="{radius:g}"' if radius else ""
    end = f"><title>{escape(plain(title))}</title></rect>" if title else "/>"
    return (
        f'<rect x="{x:.6g}" y="{y:.6g}" width="{max(width, 0):.6g}" height="{max(height, 0):.6g}" '
        f'fill="{fill}"{line}{dashes}{round_}{end}'
    )


def path(
    steps: str,
    *,
    stroke: str = "none",
    fill: str = "none",
    weight: float = 1,
    dash: str = "",
    title: str = "",
) -> str:
    """A path; ``title`` is shown to who points at it."""
    line = f' stroke="{stroke}" stroke-width="{weight:g}"' if stroke != "none" else ""
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    end = f"><title>{escape(plain(title))}</title></path>" if title else "/>"
    return f'<path d="{steps}" fill="{fill}"{line}{dashes}{end}'


def document(
    width: float, height: float, shapes: Iterable[str], theme: Theme, *, title: str, description: str
) -> str:
    """A whole figure on the theme's ground.

    Args:
        width: Pixels.
        height: Pixels.
        shapes: What is on it.
        theme: Colours.
        title: What it is, for who cannot see it.
        description: What it shows, for who cannot see it.
    """
    label = quoteattr(plain(f"{title}. {description}" if description else title))
    return "".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.6g}" height="{height:.6g}" '
            f'viewBox="0 0 {width:.6g} {height:.6g}" role="img" aria-label={label} '
            f'font-family="{MONO_FACE}" font-size="12" fill="{theme.ink}">',
            f"<title>{escape(plain(title))}</title><desc>{escape(plain(description))}</desc>",
            rectangle(0, 0, width, height, fill=theme.paper),
            *shapes,
            "</svg>\n",
        ]
    )


def hatching(x: float, y: float, width: float, height: float, step: float = 6) -> str:
    """Steps of a path that hatches a rectangle: rising strokes, clipped to it, no pattern or clip needed."""
    strokes = []
    offset = step
    while offset < width + height:
        left, right = max(0.0, offset - height), min(offset, width)
        low, high = y + min(offset, height), y + max(0.0, offset - width)
        strokes.append(f"M{x + left:.2f} {low:.2f}L{x + right:.2f} {high:.2f}")
        offset += step
    return "".join(strokes)


def shortened(content: str, width: float, size: float = 12) -> str:
    """Text that fits so many pixels, its end replaced by an ellipsis where it must.

    >>> shortened("a very long name", 60)
    'a very…'
    """
    room = max(int(width / (ADVANCE * size)), 1)
    return content if len(content) <= room else content[: max(room - 1, 1)].rstrip() + "…"


def width_of(content: str, size: float = 12) -> float:
    """Pixels that a line of monospaced text takes."""
    return len(content) * ADVANCE * size
