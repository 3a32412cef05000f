"""Object and work in the browser: what is entered stands in the case, a correction leaves the history."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from web.served import Served, ready
from wrongbit.case.entries import ObjectDescribed, WorkDone
from wrongbit.case.folder import Case
from wrongbit.case.journal import person
from wrongbit.casework.described import object_of
from wrongbit.casework.work_done import in_time_order

pytestmark = pytest.mark.xdist_group("browser")

HOSTILE = "<img src=x onerror=\"document.title='taken'\">"


def field(area: Any, name: str) -> Any:
    return area.get_by_role("textbox", name=name, exact=True)


def choice(area: Any, name: str) -> Any:
    return area.get_by_role("combobox", name=name, exact=True)


def test_the_object_is_described_and_corrected(page: Any, served: Served) -> None:
    ready(page, "/work", served)
    area = page.get_by_role("region", name="The object")
    field(area, "Inventory number").fill("HL 12/4")
    field(area, "Stands at").fill(HOSTILE)
    area.get_by_role("button", name="Keep what is said").click()
    page.get_by_text("Kept as entry").wait_for()
    ready(page, "/work", served)
    assert field(area, "Inventory number").input_value() == "HL 12/4"
    field(area, "Stands at").fill("bench 2")
    area.get_by_role("button", name="Keep what is said").click()
    page.get_by_text("Kept as entry").wait_for()
    with Case.open(served.folder) as case:
        said = [detail for _, detail in case.of_kind(ObjectDescribed)]
        known = object_of(case.entries())
    assert said[-2:] == [
        ObjectDescribed(inventory="HL 12/4", place=HOSTILE),
        ObjectDescribed(place="bench 2"),
    ]
    assert (known.inventory, known.place) == ("HL 12/4", "bench 2")
    ready(page, "/journal", served)
    page.get_by_text("stands at <img src=x").wait_for()
    assert page.title() != "taken" and page.locator("#page img").count() == 0


def test_the_same_again_is_told(page: Any, served: Served) -> None:
    ready(page, "/work", served)
    field(page, "Maker").fill("Thornley & Vane")
    page.get_by_role("button", name="Keep what is said").click()
    page.get_by_text("Kept as entry").wait_for()
    ready(page, "/work", served)
    page.get_by_role("button", name="Keep what is said").click()
    page.locator(".wb-told-bad").wait_for()
    assert "already" in page.locator(".wb-told-bad").inner_text()


def test_work_is_entered_and_corrected(page: Any, served: Served) -> None:
    ready(page, "/work", served)
    form = page.get_by_role("region", name="Enter what was done")
    assert field(form, "Who").input_value() == person()
    choice(form, "What was done").select_option(label="replaced")
    field(form, "At").fill("U12")
    field(form, "Date").fill("2024-05")
    field(form, "Who").fill("Bram Ottoway")
    field(form, "Part that came out").fill("K2764 8411")
    field(form, "Part that went in").fill("27C64")
    choice(form, "Reversible").select_option(label="yes")
    form.get_by_role("button", name="Enter").click()
    page.get_by_text("What became of the part that came out at U12?").wait_for()
    table = page.get_by_role("table", name="What was done, in the order of time")
    table.get_by_text("U12 replaced").wait_for()
    with Case.open(served.folder) as case:
        ((entry, made),) = in_time_order(case.entries())
    assert made == WorkDone("replaced", "U12", "2024-05", "Bram Ottoway", "K2764 8411", "27C64", "yes")

    table.get_by_role("button", name=f"correct entry {entry.number}").click()
    form = page.get_by_role("region", name=f"Correct entry {entry.number}")
    assert field(form, "Part that came out").input_value() == "K2764 8411"
    assert choice(form, "What was done").locator("option:checked").inner_text() == "replaced"
    field(form, "Old part is kept").fill("bag 4")
    form.get_by_role("button", name="Put it in its place").click()
    table.get_by_text("bag 4").wait_for()
    page.get_by_role("region", name="Enter what was done").wait_for()
    with Case.open(served.folder) as case:
        ((_, now),) = in_time_order(case.entries())
        before = next(each for each in case.entries(withdrawn=True) if each.number == entry.number)
    assert now.kept == "bag 4" and now.person == "Bram Ottoway"
    assert before.detail == made and before.withdrawn_by is not None
    with page.expect_download(timeout=60_000) as html:
        ready(page, "/proof", served)
        page.get_by_role("button", name="one HTML page").click()
    report = Path(html.value.path()).read_text("utf-8")
    assert "What was done" in report and "bag 4" in report and "Signatures" in report


def test_a_mistake_is_told_and_what_was_typed_stays(page: Any, served: Served) -> None:
    ready(page, "/work", served)
    form = page.get_by_role("region", name="Enter what was done")
    choice(form, "What was done").select_option(label="cleaned")
    field(form, "At").fill("X1")
    field(form, "Date").fill("yesterday")
    with Case.open(served.folder) as case:
        before = len(case.entries(withdrawn=True))
    form.get_by_role("button", name="Enter").click()
    page.locator(".wb-told-bad").wait_for()
    assert "'yesterday' is no date" in page.locator(".wb-told-bad").inner_text()
    assert field(form, "At").input_value() == "X1"
    with Case.open(served.folder) as case:
        assert len(case.entries(withdrawn=True)) == before


def test_cautions_stand_above_and_the_page_prints(page: Any, served: Served) -> None:
    ready(page, "/work", served)
    page.get_by_text("The lift must be").first.wait_for()
    assert page.get_by_role("complementary", name="Cautions").is_visible()
    page.emulate_media(media="print")
    assert field(page, "Inventory number").is_visible()
    assert not page.get_by_role("button", name="Keep what is said").is_visible()
    page.emulate_media(media="screen")
