"""The page as a browser shows it: on a screen, in the dark, on paper; nothing runs, nothing is fetched."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from wrongbit.report.content import Report
from wrongbit.report.html import render_html
from wrongbit.report.theme import DARK, LIGHT, PRINT

pytestmark = [pytest.mark.debian, pytest.mark.xdist_group("browser")]


@pytest.fixture(scope="module")
def page(browser: Any, report: Report, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(render_html(report), "utf-8")
    shown = browser.new_page()
    shown.set_viewport_size({"width": 1100, "height": 800})
    told: list[str] = []
    shown.told = told
    shown.on("console", lambda message: told.append(message.text))
    shown.on("dialog", lambda dialog: told.append(dialog.message))
    shown.on("request", lambda request: told.append(request.url))
    shown.goto(path.as_uri())
    assert told == [path.as_uri()]  # the page itself, and nothing else
    yield shown
    shown.close()


def rgb(colour: str) -> str:
    return f"rgb({', '.join(str(part) for part in bytes.fromhex(colour[1:]))})"


@pytest.mark.parametrize(
    ("media", "scheme", "theme"),
    [
        ("screen", "light", LIGHT),
        ("screen", "dark", DARK),
        ("print", "light", PRINT),
        ("print", "dark", PRINT),
    ],
)
def test_page_and_figures_take_the_theme_of_the_reader(page: Any, media: str, scheme: str, theme: Any):
    page.emulate_media(media=media, color_scheme=scheme)
    seen = page.evaluate(
        """() => {
            const of = (element, name) => getComputedStyle(element)[name]
            return [of(document.body, 'backgroundColor'), of(document.body, 'color'),
                    of(document.querySelector('figure svg rect'), 'fill'),
                    of(document.querySelector('figure svg text'), 'fill')]
        }"""
    )
    assert seen == [rgb(theme.paper), rgb(theme.ink), rgb(theme.paper), rgb(theme.ink)]


def test_nothing_is_wider_than_the_page(page: Any):
    page.emulate_media(media="screen", color_scheme="light")
    for width in (1100, 420):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_every_figure_and_section_has_a_name_for_who_cannot_see_it(page: Any):
    page.emulate_media(media="screen", color_scheme="light")  # on paper there are no links
    names = page.evaluate(
        "[...document.querySelectorAll('figure svg')].map(e => e.getAttribute('aria-label'))"
    )
    assert len(names) >= 6 and all(names)
    assert page.get_by_role("region", name="Evidence").count() == 1
    assert page.get_by_role("navigation", name="Sections").get_by_role("link").count() > 10


def test_links_lead_to_their_sections(page: Any):
    page.emulate_media(media="screen", color_scheme="light")  # on paper there are no links
    page.get_by_role("link", name="Files").click()
    assert page.evaluate("document.querySelector(location.hash).textContent").endswith("Files")
