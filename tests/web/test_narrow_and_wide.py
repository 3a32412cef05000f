"""Every page in windows of a desktop and of a phone: nothing is wider than the window, the map fits it."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from diagnose.boards import loaded
from web.served import Served, ready
from wrongbit.diagnose.figure import board_map
from wrongbit.diagnose.suspects import weigh_suspects
from wrongbit.web.pages import PAGES

SIZES = {"desktop": (1280, 900), "phone": (390, 844)}


def fits(tab: Any) -> None:
    width, inner = tab.evaluate("[document.scrollingElement.scrollWidth, innerWidth]")
    assert width <= inner


@pytest.mark.parametrize("size", SIZES)
def test_no_page_is_wider_than_its_window(page: Any, served: Served, size: str) -> None:
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    for each in PAGES:
        ready(page, each.path, served)
        fits(page)


@pytest.mark.parametrize("size", SIZES)
def test_a_file_of_26_columns_scrolls_in_its_own_box(
    page: Any, served: Served, size: str, tmp_path: Path
) -> None:
    """What a screen reader alone is told in each column once widened the page to all 26."""
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    file = tmp_path / "wide.csv"
    heads = [f"pod {number} signal" for number in range(26)]
    file.write_text("\n".join(",".join(row) for row in [heads, *[["0"] * 26] * 40]) + "\n")
    ready(page, "/bring_in", served)
    page.set_input_files(".fd-input", str(file))
    page.get_by_label("Probe point").select_option(index=1)  # none fits, and none is taken by default
    table = page.locator(".wb-table-scroll").filter(has=page.locator(".in-columns"))
    table.wait_for()
    inside, own = table.evaluate("e => [e.scrollWidth, e.clientWidth]")
    assert inside > own, "there is something to scroll"
    fits(page)


@pytest.mark.parametrize("size", SIZES)
def test_the_board_map_fits_and_can_be_enlarged(page: Any, served: Served, size: str) -> None:
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    ready(page, "/board", served)
    map_ = page.locator(".wb-board")
    inside, own = map_.evaluate("e => [e.scrollWidth, e.clientWidth]")
    assert inside <= own
    page.get_by_label("Larger map").check()
    page.wait_for_function("(() => { const e = document.querySelector('.wb-board'); "
                           "return e.scrollWidth > 1.2 * e.clientWidth; })()")  # fmt: skip
    fits(page)


@pytest.mark.parametrize("machine", ["saltmarsh", "fellgate", "quarrybank", "hollowmere"])
def test_nothing_of_a_board_map_is_cut_off(browser: Any, machine: str) -> None:
    """Every text, those of the legend too, ends within the drawing, in the face that this system has."""
    tab = browser.new_page()
    tab.set_content(board_map(weigh_suspects(loaded(machine).structure, [])))
    outside = tab.evaluate(
        "(() => { const svg = document.querySelector('svg'); const box = svg.viewBox.baseVal;"
        "return [...svg.querySelectorAll('text')].filter(e => { const b = e.getBBox();"
        "return b.x < 0 || b.x + b.width > box.width || b.y + b.height > box.height; })"
        ".map(e => e.textContent); })()"
    )
    tab.close()
    assert outside == []


def test_the_level_drawing_stays_legible_on_a_telephone(page: Any, served_kiln: Served) -> None:
    """Its smallest text keeps at least 8 pixels of height, and scrolls in its own box."""
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(served_kiln.address)
    ready(page, "/cycles", served_kiln)
    page.wait_for_selector(".cy-levels svg text")
    tall = page.evaluate(
        "Math.min(...[...document.querySelectorAll('.cy-levels svg text')].map("
        "e => e.getBoundingClientRect().height))"
    )
    assert tall >= 8
    inside, own = page.locator(".cy-levels .wb-figure").evaluate("e => [e.scrollWidth, e.clientWidth]")
    assert inside > own
    fits(page)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("path", ["/measure", "/board"])
def test_the_fields_of_a_measurement_stand_in_line(page: Any, served: Served, size: str, path: str) -> None:
    """In each row of the form, the fields' labels have one height and their inputs another."""
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    ready(page, path, served)
    form = page.locator(".wb-row").filter(has=page.get_by_label("What was done")).last
    for what in (".wb-label", ".wb-input"):
        boxes = [box for each in form.locator(what).all() if (box := each.bounding_box())]
        tops = sorted(box["y"] for box in boxes)
        assert len(tops) == 5
        # Fields of one row stand at one height; another row begins well below.
        assert all(below - above < 0.5 or below - above > 30 for above, below in pairwise(tops)), tops


def test_a_telephone_shows_a_row_as_lines_with_their_heads(page: Any, served: Served) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    ready(page, "/", served)
    chips = page.get_by_role("region", name="Chips")
    row = chips.locator("tbody tr").first
    second = row.locator("td").nth(1)
    assert json.loads(second.evaluate("e => getComputedStyle(e, '::before').content")).startswith(
        "what its readings say"
    )
    box = second.bounding_box()
    assert box and box["x"] + box["width"] <= 390


def test_what_the_readers_noted_is_said_once(page: Any, served: Served) -> None:
    """The case has several captures whose reader says the same of each."""
    ready(page, "/", served)
    notes = page.locator(".wb-folded li").all_text_contents()
    texts = [note.partition(": ")[2] for note in notes]
    assert texts
    assert len(texts) == len(set(texts))
    whole = page.locator("#page").evaluate("e => e.textContent")
    assert all(whole.count(text) == 1 for text in texts)


def test_the_strip_over_a_capture_stays_legible_on_a_telephone(page: Any, served: Served) -> None:
    """A label of the strip, drawn at 980 pixels across, keeps at least 8 pixels of height."""
    page.set_viewport_size({"width": 390, "height": 844})
    ready(page, "/cycles", served)
    page.wait_for_selector(".cy-whole svg text")
    tall = page.evaluate(
        "Math.min(...[...document.querySelectorAll('.cy-whole svg text')].map("
        "e => e.getBoundingClientRect().height))"
    )
    assert tall >= 8
    fits(page)
