"""What stands around every page, in a real browser: keys, theme, names, sizes, print."""

from __future__ import annotations

import io
from typing import Any

import pypdf
import pytest

from web.served import Served, ready
from wrongbit.web.pages import PAGES

pytestmark = pytest.mark.xdist_group("browser")

CONTROLS = {
    "button", "link", "textbox", "searchbox", "combobox", "checkbox", "radio", "slider", "spinbutton",
    "listbox", "menuitem", "switch", "tab", "progressbar", "grid", "table", "img", "image", "figure",
    "region", "navigation", "main", "dialog",
}  # fmt: skip
"""Roles that need a name (WAI-ARIA 1.2, section 5.2.8: author or contents must name them)."""

SMALLEST_TARGET = 24
"""CSS pixels: WCAG 2.2, success criterion 2.5.8; links within a sentence are exempt."""

PATHS = [each.path for each in PAGES]


def unnamed(tab: Any) -> list[str]:
    """Controls without a name in Chromium's own accessibility tree."""
    session = tab.context.new_cdp_session(tab)
    nodes = session.send("Accessibility.getFullAXTree")["nodes"]
    session.detach()
    return [
        f"{node['role']['value']} {node.get('backendDOMNodeId')}"
        for node in nodes
        if not node.get("ignored")
        and node.get("role", {}).get("value") in CONTROLS
        and not node.get("name", {}).get("value", "").strip()
    ]


@pytest.mark.parametrize("path", PATHS)
def test_every_page_draws_and_names_its_controls(page: Any, served: Served, path: str) -> None:
    ready(page, path, served)
    here = next(each for each in PAGES if each.path == path)
    assert page.locator("h1").all_inner_texts() == [here.title]
    assert page.get_by_text("mistake in wrongbit").count() == 0
    assert page.locator("[aria-current=page]").inner_text().startswith(here.title)
    assert page.title().startswith(here.title)
    assert unnamed(page) == []


def test_a_key_opens_each_page(page: Any, served: Served) -> None:
    assert len({each.key for each in PAGES}) == len(PAGES)
    for each in (PAGES[-1], PAGES[0]):
        page.keyboard.press(each.key)
        page.wait_for_url(served.base + each.path)
        page.wait_for_selector(f"h1:text-is('{each.title}')")


def test_keys_typed_into_a_field_are_text(page: Any, served: Served) -> None:
    ready(page, "/journal", served)
    page.get_by_role("textbox", name="Note", exact=True).click()
    page.keyboard.type("jot?")
    assert page.get_by_role("textbox", name="Note", exact=True).input_value() == "jot?"
    assert page.url.endswith("/journal")


def test_the_list_of_keys(page: Any) -> None:
    page.keyboard.press("?")
    help_ = page.get_by_role("dialog", name="Keys")
    help_.wait_for()
    for each in PAGES:
        assert each.says in help_.inner_text()
    page.keyboard.press("Escape")
    help_.wait_for(state="hidden")


def test_the_first_tab_leads_past_the_navigation(page: Any) -> None:
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the page's contents"
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "page"


def ground(tab: Any) -> str:
    return str(tab.evaluate("getComputedStyle(document.body).backgroundColor"))


def test_light_and_dark_follow_the_system_until_chosen(page: Any, served: Served) -> None:
    light, dark = "rgb(250, 248, 243)", "rgb(22, 24, 28)"
    page.emulate_media(color_scheme="dark")
    assert ground(page) == dark
    page.emulate_media(color_scheme="light")
    assert ground(page) == light
    page.keyboard.press("d")
    page.keyboard.press("d")
    assert ground(page) == dark
    ready(page, "/journal", served)
    assert ground(page) == dark  # kept
    page.keyboard.press("d")
    assert ground(page) == light
    assert page.evaluate("document.documentElement.dataset.theme") is None


@pytest.mark.parametrize("width", (768, 360))
def test_narrow(page: Any, served: Served, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 1024})
    for path in ("/", "/ladder", "/board", "/measure", "/journal", "/work", "/proof"):
        ready(page, path, served)
        beyond = page.evaluate(
            """() => [...document.querySelectorAll('#page *')].filter(e =>
            e.getBoundingClientRect().right > innerWidth + 1 && !e.closest('.wb-table-scroll, .wb-figure')
            ).map(e => e.outerHTML.slice(0, 80))"""
        )
        assert beyond == [], path
        assert page.evaluate("document.scrollingElement.scrollWidth <= innerWidth"), path
        small = page.evaluate(
            """(least) => [...document.querySelectorAll('button, a, input, select, textarea')].filter(e => {
            const box = e.getBoundingClientRect();
            return box.width && !e.matches('.wb-skip') && !(e.matches('input[type=checkbox]') &&
              e.closest('label').getBoundingClientRect().height >= least) &&
              (box.width < least || box.height < least);
            }).map(e => e.outerHTML.slice(0, 80))""",
            SMALLEST_TARGET,
        )
        assert small == [], path


def test_a_page_prints_without_its_controls(page: Any, served: Served) -> None:
    ready(page, "/", served)
    page.emulate_media(media="print")
    for hidden in (".wb-nav", ".wb-tools", ".wb-button", ".wb-copy"):
        for each in page.locator(hidden).all():
            assert not each.is_visible(), hidden
    assert ground(page) == "rgb(255, 255, 255)"
    printed = pypdf.PdfReader(io.BytesIO(page.pdf()))
    text = "".join(each.extract_text() for each in printed.pages)
    for told in ("Hollowmere lift panel", "What to do now", "VCC voltage", "Suspects"):
        assert told in text
    page.emulate_media(media="screen")


def test_two_tabs_see_the_same_case(page: Any, browser: Any, served: Served) -> None:
    ready(page, "/journal", served)
    other = browser.new_page()
    ready(other, "/journal", served)
    other.get_by_role("textbox", name="Note", exact=True).fill("Seen from the other tab.")
    other.get_by_role("button", name="Add the note").click()
    page.get_by_role("cell", name="Seen from the other tab.").wait_for()
    other.close()
