"""The drawings that other rooms make, in the theme's colours: chip map, board map, replacement, stand-in."""

from __future__ import annotations

import re
from xml.sax.saxutils import escape

import numpy as np

from wrongbit.diagnose.figure import board_map as draw_board_map
from wrongbit.diagnose.suspects import Weighing
from wrongbit.reading.array import map_geometry, picture
from wrongbit.reading.examine import Examination
from wrongbit.reading.figure import MOST, chip_map_svg
from wrongbit.replace.drawing import drawing_svg
from wrongbit.replace.fit import Plan
from wrongbit.report.figures.svg import plain
from wrongbit.report.theme import Theme

ROLES: dict[str, str] = {
    "#faf8f3": "paper",
    "#fbf9f4": "paper",
    "#efece3": "body",
    "#e9e5da": "body",
    "#1d1f24": "ink",
    "#23211d": "ink",
    "#6b6f76": "quiet",
    "#5d6168": "quiet",
    "#8a857a": "quiet",
    "#d55e00": "accent",
    "#b84a00": "accent",
    "#007a5a": "data",
    "#0072b2": "address",
    "#8a5a00": "select",
    "#7b4a91": "enable",
}
"""Colours that the drawings of other rooms are made with = their role here."""

_TAG = re.compile(r"<([a-z]+)([^<>]*)>")
_COLOUR = re.compile(r'\b(fill|stroke)="(#[0-9a-f]{6})"')


def recoloured(svg: str, theme: Theme) -> str:
    """A drawing in the theme's colours; an accent that colours text becomes the accent for text.

    Only attributes of elements are touched: text that looks like a colour stays as it is.

    Args:
        svg: As another room drew it, its text escaped.
        theme: Colours.
    """
    colours = theme.colours()

    def in_tag(tag: re.Match[str]) -> str:
        def coloured(found: re.Match[str]) -> str:
            role = ROLES.get(found[2])
            if role is None:
                return found[0]
            if role == "accent" and tag[1] == "text":
                role = "accent_text"
            return f'{found[1]}="{colours[role]}"'

        return f"<{tag[1]}{_COLOUR.sub(coloured, tag[2])}>"

    return _TAG.sub(in_tag, svg)


def described(svg: str, description: str) -> str:
    """A drawing that has a title but no description gets one."""
    if "<desc>" in svg:
        return svg
    return svg.replace("</title>", f"</title><desc>{escape(plain(description))}</desc>", 1)


def board_map(weighing: Weighing, theme: Theme) -> str:
    """Paths as rails from chip to processor, with the share of doubt on each part.

    Args:
        weighing: What is known.
        theme: Colours.
    """
    shares = ", ".join(f"{each.part} {each.share:.0%}" for each in weighing.suspects()[:8])
    return described(recoloured(draw_board_map(weighing), theme), f"Share of the doubt by part: {shares}.")


def chip_map(found: Examination, theme: Theme, *, title: str = "") -> str:
    """A chip's array by its own rows and columns, with the places that are wrong or waver.

    Args:
        found: From `wrongbit.reading.examine.examine`.
        theme: Colours.
        title: First line; left out: the chip's name.
    """
    geometry = map_geometry(found.chip, found.gathering)
    drawn = picture(
        found.chip,
        geometry,
        found.always_wrong,
        found.stack.unstable,
        found.judged,
        height=min(1 << len(geometry.rows), MOST),
        across=min(1 << len(geometry.columns), MOST),
    )
    return recoloured(chip_map_svg(drawn, title or f"Chip map: {found.chip.name}", map_caption(found)), theme)


def map_caption(found: Examination) -> str:
    """What a chip map shows, in words."""
    wavering = found.stability.cells.count
    if found.always_wrong is None:
        return f"{wavering} of {found.stability.cells.total} cells waver; there is nothing to compare with."
    wrong = int(np.bitwise_count(found.always_wrong).sum())
    total = found.stability.cells.total
    return f"{wrong} of {total} cells are wrong in every pass, {wavering} waver."


def replacement_drawing(plan: Plan, theme: Theme) -> str:
    """Old socket and new parts pin by pin, with every wire.

    Args:
        plan: From `wrongbit.replace.fit.fit`.
        theme: Colours.
    """
    return recoloured(drawing_svg(plan), theme)
