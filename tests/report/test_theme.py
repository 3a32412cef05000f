"""The look: contrasts by WCAG 2.2, hues of the published palette, custom properties a browser can read."""

from __future__ import annotations

import colorsys
import re

import pytest

from wrongbit.report.theme import DARK, LIGHT, OKABE_ITO, PRINT, THEMES, Theme, css_themes, css_variables


def relative_luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance (sRGB, W3C Recommendation)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    dark, light = sorted((relative_luminance(one), relative_luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_gives_the_ratios_that_are_published():
    """21 for black on white (WCAG 2.2 says so); #767676 is the lightest grey that passes on white
    (from memory, not checked)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


@pytest.mark.parametrize("theme", THEMES.values(), ids=THEMES)
def test_every_text_has_a_contrast_of_four_and_a_half(theme: Theme):
    """WCAG 2.2, success criterion 1.4.3 (AA)."""
    colours = theme.colours()
    found = {pair: contrast(colours[pair[0]], colours[pair[1]]) for pair in theme.text_pairs()}
    assert {pair: round(ratio, 2) for pair, ratio in found.items() if ratio < 4.5} == {}


@pytest.mark.parametrize("theme", THEMES.values(), ids=THEMES)
def test_every_graphic_has_a_contrast_of_three(theme: Theme):
    """WCAG 2.2, success criterion 1.4.11 (AA)."""
    colours = theme.colours()
    found = {pair: contrast(colours[pair[0]], colours[pair[1]]) for pair in theme.graphic_pairs()}
    assert {pair: round(ratio, 2) for pair, ratio in found.items() if ratio < 3} == {}


@pytest.mark.parametrize("theme", THEMES.values(), ids=THEMES)
def test_every_role_that_says_something_is_in_a_pair(theme: Theme):
    used = {role for pair in (*theme.text_pairs(), *theme.graphic_pairs()) for role in pair}
    assert set(theme.colours()) - used == {"rule"}  # decoration


@pytest.mark.parametrize(
    ("role", "hue"),
    [
        ("accent", "vermillion"),
        ("accent_text", "vermillion"),
        ("agrees", "bluish green"),
        ("data", "bluish green"),
        ("address", "blue"),
        ("waver", "blue"),
        ("caution", "orange"),
    ],
)
@pytest.mark.parametrize("theme", THEMES.values(), ids=THEMES)
def test_meanings_have_hues_of_the_palette(theme: Theme, role: str, hue: str):
    """Okabe and Ito's "Color Universal Design" (2008); sky blue stands in for blue on a dark ground."""
    hues = {hue_of(OKABE_ITO[hue])} | ({hue_of(OKABE_ITO["sky blue"])} if hue == "blue" else set())
    assert min(abs(hue_of(theme.colours()[role]) - each) for each in hues) < 0.03


def hue_of(colour: str) -> float:
    return colorsys.rgb_to_hls(*(int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)))[0]


def test_the_palette_is_as_published():
    """The eight colours' RGB triples as Okabe and Ito list them."""
    published = {
        "black": (0, 0, 0),
        "orange": (230, 159, 0),
        "sky blue": (86, 180, 233),
        "bluish green": (0, 158, 115),
        "yellow": (240, 228, 66),
        "blue": (0, 114, 178),
        "vermillion": (213, 94, 0),
        "reddish purple": (204, 121, 167),
    }
    assert {name: tuple(bytes.fromhex(colour[1:])) for name, colour in OKABE_ITO.items()} == published


def test_custom_properties_name_every_role():
    for theme in THEMES.values():
        text = css_variables(theme)
        told = dict(re.findall(r"--wb-([a-z-]+): ([^;]+);", text))
        for role, colour in theme.colours().items():
            assert told[role.replace("_", "-")] == colour


def test_the_sheet_has_all_themes_and_closes_its_braces():
    sheet = css_themes()
    assert sheet.count("{") == sheet.count("}")
    for theme in (LIGHT, DARK, PRINT):
        assert f"--wb-paper: {theme.paper};" in sheet
