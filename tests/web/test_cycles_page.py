"""The cycles in a real browser, beside what the same capture says when it is read without the workbench."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from web.served import Served, ready
from wrongbit.case.entries import CaptureAdded
from wrongbit.case.folder import Case
from wrongbit.job import compare_capture, open_execution, open_job
from wrongbit.machine.recipe import KINDS
from wrongbit.web.browse import Browser, listing_of, read_mnemonics, search

LINES = "[...document.querySelectorAll('.cy-rows .cy-line:not([hidden])')]"
CHOSEN = "(document.querySelector('.cy-line[data-chosen]')?.row?.cycle ?? 0)"


@pytest.fixture(scope="module")
def capture(case_folder: Path) -> Browser:
    """The capture at U1, read by plain functions."""
    with Case.open(case_folder) as case:
        entry, detail = next(each for each in case.of_kind(CaptureAdded) if each[1].point == "u1-cycles")
        assert entry.number
        job = open_job(case.machine_file, point=detail.point)
        comparison = compare_capture(job, case.path_of(detail.file))
    execution = open_execution(job, comparison)
    return Browser(job, comparison, execution, read_mnemonics(execution))


@pytest.fixture
def cycles(page: Any, served: Served, capture: Browser) -> Any:
    """The page, with its rows."""
    with Case.open(served.folder) as case:
        number = next(e.number for e, each in case.of_kind(CaptureAdded) if each.point == "u1-cycles")
    ready(page, f"/cycles?capture={number}", served)
    page.wait_for_selector(".cy-line[data-chosen] svg")
    page.locator(".cy-heads", has_text="instruction").wait_for()
    return page


def chosen(page: Any, cycle: int) -> dict[str, str]:
    """The row that is chosen, once it is this cycle's."""
    page.wait_for_function(
        "(cycle) => document.querySelector('.cy-line[data-chosen]')?.row?.cycle === cycle", arg=cycle
    )
    heads = page.locator(".cy-heads > span").all_inner_texts()
    cells = page.locator(".cy-line[data-chosen] > span").all_inner_texts()
    return dict(zip(heads, cells, strict=True))


def test_begins_at_the_first_wrong_word(cycles: Any, capture: Browser) -> None:
    first = int(capture.wrong[0])
    row, told = capture.row(first), chosen(cycles, first)
    assert told[""] == "≠"
    assert (told["address"], told["expected"], told["seen"]) == (row.address, row.expected, row.seen)
    assert told["kind"] == row.kind
    assert told["instruction"].startswith(row.instruction)
    assert cycles.locator(".cy-line[data-chosen] .cy-wrong, .cy-line[data-chosen] .cy-wrongFull").count() > 0
    cycles.get_by_role("heading", name=f"Cycle {first}").wait_for()
    cycles.get_by_text("The processor acted on").or_(cycles.get_by_text("cannot be told")).first.wait_for()


def test_keys_go_about(cycles: Any, capture: Browser) -> None:
    first, second = (int(each) for each in capture.wrong[:2])
    chosen(cycles, first)
    for key, cycle in (
        ("n", second),
        ("p", first),
        ("j", first + 1),
        ("ArrowUp", first),
        ("End", len(capture) - 1),
        ("Home", 0),
        ("f", first),
    ):
        cycles.keyboard.press(key)
        chosen(cycles, cycle)
    cycles.keyboard.press("PageDown")
    cycles.wait_for_function(f"document.querySelector('.cy-line[data-chosen]')?.place > {first + 3}")
    assert cycles.url.partition("?")[0].endswith("/cycles"), "n, p and j are the rows' own keys here"


def test_search_finds_what_is_there(cycles: Any, capture: Browser) -> None:
    found = search(capture, "address", capture.row(1000).address)
    chosen(cycles, int(capture.wrong[0]))
    cycles.keyboard.press("/")
    cycles.keyboard.type(capture.row(1000).address)
    cycles.keyboard.press("Enter")
    at = next(each for each in found.tolist() if each >= int(capture.wrong[0]))
    chosen(cycles, at)
    cycles.get_by_text(f"{len(found)} found").wait_for()
    cycles.locator("input[type=search]").fill("nothing such")
    cycles.keyboard.press("Enter")
    cycles.get_by_text("cannot be understood").wait_for()


def test_search_by_instruction(cycles: Any, capture: Browser) -> None:
    chosen(cycles, int(capture.wrong[0]))
    text = next(each for each in capture.mnemonics.texts if each)  # type: ignore[union-attr]
    found = search(capture, "instruction", text)
    cycles.get_by_label("Search for").select_option(label="instruction")
    cycles.locator("input[type=search]").fill(text.lower())
    cycles.get_by_role("button", name="Search", exact=True).click()
    at = next((each for each in found.tolist() if each >= int(capture.wrong[0])), int(found[0]))
    chosen(cycles, at)


def test_a_number_is_gone_to_and_one_too_high_is_told(cycles: Any, capture: Browser) -> None:
    field = cycles.get_by_label("Go to cycle")
    field.fill("777")
    field.press("Enter")
    chosen(cycles, 777)
    field.fill("99999999")
    field.press("Enter")
    cycles.get_by_text(f"counted from 0 to {len(capture) - 1}").wait_for()


def test_a_filter_lists_only_what_passes(cycles: Any, capture: Browser) -> None:
    listing = listing_of(capture.comparison, verdicts={2})
    cycles.get_by_label("Verdict").select_option(label="differs")
    cycles.wait_for_function(
        "(n) => document.querySelector('.cy-pane').getAttribute('aria-rowcount') === String(n)",
        arg=len(listing),
    )
    cycles.wait_for_function(f"{LINES}.every(e => e.row?.verdict === 'differs')")
    cycles.get_by_label("Kind").select_option(label=KINDS[0].replace("_", " "))
    both = listing_of(capture.comparison, verdicts={2}, kinds={0})
    cycles.wait_for_function(
        "(n) => document.querySelector('.cy-pane').getAttribute('aria-rowcount') === String(n)", arg=len(both)
    )


def test_the_strip_goes_there(cycles: Any, capture: Browser) -> None:
    strip = cycles.get_by_role("slider")
    box = strip.bounding_box()
    strip.click(position={"x": box["width"] / 2, "y": box["height"] / 2})
    cycles.wait_for_function(f"(n) => Math.abs({CHOSEN} / n - 0.5) < 0.02", arg=len(capture))
    strip.press("Home")
    chosen(cycles, 0)


def test_rows_anywhere_are_the_captures(cycles: Any, capture: Browser) -> None:
    cycles.evaluate("document.querySelector('.cy-pane').scrollTop = 40000")
    cycles.wait_for_function(f"{LINES}[2].row?.cycle > 1000 && {LINES}.every(e => e.row)")
    shown = cycles.evaluate(f"{LINES}.map(e => [e.row.cycle, e.innerText])")
    for cycle, text in shown:
        row = capture.row(cycle)
        assert row.address in text
        assert row.seen in text


def test_levels_say_where_there_are_none(cycles: Any) -> None:
    cycles.get_by_text("Each row of this capture is a whole cycle").wait_for()
