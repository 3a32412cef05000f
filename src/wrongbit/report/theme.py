"""The look: paper-light ground, dark ink, one accent; light, dark and print.

Colours of several kinds of thing are those of the Okabe–Ito palette (M. Okabe and K. Ito, "Color Universal
Design", 2008), which colour-blind readers can tell apart; where one is too faint for thin lines or for text
on its ground it is darkened or lightened in its own hue. How much is enough is WCAG 2.2's: 4.5 to 1 for text
(success criterion 1.4.3) and 3 to 1 for what must be seen in a graphic (1.4.11). Each theme lists the pairs
in which its colours meet; the tests compute them. Nothing is told by colour alone: what differs is notched,
what is unknown is hatched, and each kind of line has its own dash.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from typing import Literal

ThemeName = Literal["light", "dark", "print"]

MONO_FACE = (
    "'JetBrains Mono', 'IBM Plex Mono', 'Cascadia Mono', 'DejaVu Sans Mono', 'Liberation Mono', Consolas, "
    "Menlo, monospace"
)
"""Faces that tell 0 from O and 1 from l, for words, addresses and figures; what a computer has is taken."""

TEXT_FACE = "'Atkinson Hyperlegible', 'IBM Plex Sans', Verdana, 'DejaVu Sans', 'Noto Sans', sans-serif"
"""Faces for sentences, in which 1, l and I have different shapes; what a computer has is taken."""

OKABE_ITO = {
    "black": "#000000",
    "orange": "#e69f00",
    "sky blue": "#56b4e9",
    "bluish green": "#009e73",
    "yellow": "#f0e442",
    "blue": "#0072b2",
    "vermillion": "#d55e00",
    "reddish purple": "#cc79a7",
}
"""The palette as published."""


@dataclass(frozen=True)
class Theme:
    """Colours by what they are for, each as ``#rrggbb``.

    Args:
        name: Which theme.
        paper: The ground.
        body: A second ground: boxes, table heads, cells.
        raised: A third ground: panels and fields that lie on the paper.
        ink: Text and outlines.
        quiet: Text that stands back.
        rule: Thin rules that only decorate.
        edge: Outlines of controls, ticks, axes: what must be seen.
        accent: What is wrong or suspected, in a graphic; links' underline; the focus ring.
        accent_text: The accent as text, or as ground under ``on_accent``.
        on_accent: Text on a ground of ``accent_text``.
        tint: Ground of a row or cell that differs.
        agrees: What is right, in a graphic.
        agrees_text: What is right, as text.
        unknown: What is not known or not judged, in a graphic, with hatching.
        waver: What is unstable, in a graphic.
        caution: Bar beside a caution, in a graphic.
        data: Data lines.
        address: Address lines.
        select: Select lines.
        bank: Bank lines.
        enable: Enable lines.
    """

    name: ThemeName
    paper: str
    body: str
    raised: str
    ink: str
    quiet: str
    rule: str
    edge: str
    accent: str
    accent_text: str
    on_accent: str
    tint: str
    agrees: str
    agrees_text: str
    unknown: str
    waver: str
    caution: str
    data: str
    address: str
    select: str
    bank: str
    enable: str

    @property
    def is_dark(self) -> bool:
        """Whether the ground is darker than the ink."""
        return self.name == "dark"

    @property
    def series(self) -> tuple[str, ...]:
        """Colours for several series of one chart, in order."""
        return (self.address, self.accent, self.data, self.enable, self.select)

    def colours(self) -> dict[str, str]:
        """Colour by role."""
        return {field.name: getattr(self, field.name) for field in fields(self) if field.name != "name"}

    def text_pairs(self) -> tuple[tuple[str, str], ...]:
        """Roles of (text, ground) that meet, for each of which 4.5 to 1 is due."""
        grounds = ("paper", "body", "raised", "tint")
        texts = ("ink", "quiet", "accent_text", "agrees_text", "data", "address", "select", "bank", "enable")
        return (*((text, ground) for text in texts for ground in grounds), ("on_accent", "accent_text"))

    def graphic_pairs(self) -> tuple[tuple[str, str], ...]:
        """Roles of (mark, ground) that meet in graphics and controls, for each of which 3 to 1 is due."""
        grounds = ("paper", "body", "raised")
        marks = ("edge", "accent", "agrees", "unknown", "waver", "caution")
        return (
            *((mark, ground) for mark in marks for ground in grounds),
            ("accent", "tint"),
            ("edge", "tint"),
        )


LIGHT = Theme(
    name="light",
    paper="#faf8f3",
    body="#efece3",
    raised="#fffefb",
    ink="#1d1f24",
    quiet="#595d64",
    rule="#d9d4c7",
    edge="#7d7a72",
    accent="#d05a00",
    accent_text="#a84300",
    on_accent="#fffefb",
    tint="#fbe6d6",
    agrees="#008a65",
    agrees_text="#00694d",
    unknown="#7d7a72",
    waver="#0072b2",
    caution="#a87400",
    data="#006a4e",
    address="#00609a",
    select="#7d5200",
    bank="#7d5200",
    enable="#7b4a91",
)
"""Dark ink on light paper."""

DARK = Theme(
    name="dark",
    paper="#16181c",
    body="#23262c",
    raised="#1d2025",
    ink="#ece8de",
    quiet="#aeb2b8",
    rule="#363a42",
    edge="#868b94",
    accent="#f0761f",
    accent_text="#ff9a52",
    on_accent="#16181c",
    tint="#46291a",
    agrees="#1fb58a",
    agrees_text="#4fcfa6",
    unknown="#8f949c",
    waver="#56b4e9",
    caution="#e69f00",
    data="#4fcfa6",
    address="#72c1ee",
    select="#e9b44c",
    bank="#e9b44c",
    enable="#dba3c2",
)
"""Light ink on a dark ground: the palette's own lighter colours."""

PRINT = Theme(
    name="print",
    paper="#ffffff",
    body="#f3f1ec",
    raised="#ffffff",
    ink="#000000",
    quiet="#4a4d53",
    rule="#c9c6bd",
    edge="#6f6d66",
    accent="#c65200",
    accent_text="#9a3d00",
    on_accent="#ffffff",
    tint="#fbe8da",
    agrees="#007f5d",
    agrees_text="#005f46",
    unknown="#6f6d66",
    waver="#0068a3",
    caution="#976800",
    data="#005f46",
    address="#00588c",
    select="#6f4900",
    bank="#6f4900",
    enable="#6e4183",
)
"""Black on white, for paper and PDF."""

THEMES: dict[ThemeName, Theme] = {"light": LIGHT, "dark": DARK, "print": PRINT}
"""Every theme by its name."""


def css_variables(theme: Theme) -> str:
    """A theme's colours and faces as CSS custom properties, one declaration a line, without a selector.

    >>> css_variables(LIGHT).splitlines()[0]
    '--wb-paper: #faf8f3;'
    """
    colours = [f"--wb-{role.replace('_', '-')}: {colour};" for role, colour in theme.colours().items()]
    scheme = "dark" if theme.is_dark else "light"
    return "\n".join(
        [*colours, f"--wb-mono: {MONO_FACE};", f"--wb-text: {TEXT_FACE};", f"color-scheme: {scheme};"]
    )


def css_themes() -> str:
    """All themes as one style sheet.

    Light by default; dark where the reader's system asks for it, unless ``data-theme="light"`` stands on the
    root element; dark with ``data-theme="dark"``; print on paper, always.
    """
    return "\n".join(
        [
            f":root {{\n{css_variables(LIGHT)}\n}}",
            "@media screen and (prefers-color-scheme: dark) {\n"
            f':root:not([data-theme="light"]) {{\n{css_variables(DARK)}\n}}\n}}',
            f'@media screen {{\n:root[data-theme="dark"] {{\n{css_variables(DARK)}\n}}\n}}',
            f"@media print {{\n:root {{\n{css_variables(PRINT)}\n}}\n}}",
            "",
        ]
    )


_COLOUR = re.compile(r'\b(fill|stroke)="(#[0-9a-f]{6})"')
_TAG = re.compile(r"<[a-z]+[^<>]*>")


def following(svg: str) -> str:
    """A figure drawn in the light theme whose colours follow the page's theme, for a page with `css_themes`.

    Args:
        svg: With its text escaped; only attributes of elements are touched.
    """
    roles = {colour: role for role, colour in reversed(LIGHT.colours().items()) if role != "on_accent"}

    def live(found: re.Match[str]) -> str:
        role = roles.get(found[2])
        return found[0] if role is None else f'{found[1]}="var(--wb-{role.replace("_", "-")})"'

    return _TAG.sub(lambda tag: _COLOUR.sub(live, tag[0]), svg)
