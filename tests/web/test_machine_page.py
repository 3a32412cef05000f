"""The page of the machine file, in Chromium."""

from __future__ import annotations

import time
from typing import Any

import pytest

from web.served import Served, ready

pytestmark = pytest.mark.xdist_group("browser")


def test_a_mistake_is_told_and_nothing_is_written(page: Any, served: Served) -> None:
    ready(page, "/machine", served)
    file = next(served.folder.glob("*.toml"))
    before = file.read_text()
    field = page.locator("textarea")
    assert field.input_value() == before
    field.fill(before.replace("word_bits = 16", "word_bits = 1600", 1))
    page.get_by_role("button", name="Save", exact=True).click()
    page.get_by_text("It cannot be used yet:").wait_for()
    assert "word_bits" in page.locator("#page").inner_text()
    assert file.read_text() == before


def test_a_change_is_saved(page: Any, served: Served) -> None:
    ready(page, "/machine", served)
    file = next(served.folder.glob("*.toml"))
    before = file.read_text()
    field = page.locator("textarea")
    field.fill(before + "# seen in the browser <b>bold</b>\n")
    page.get_by_role("button", name="Check", exact=True).click()
    page.get_by_text("✓ It can be used").wait_for()
    assert file.read_text() == before
    page.get_by_role("button", name="Save", exact=True).click()
    page.get_by_text("The machine file is saved.").wait_for()
    assert file.read_text() == before + "# seen in the browser <b>bold</b>\n"
    field.fill(before)
    page.get_by_role("button", name="Save", exact=True).click()
    deadline = time.monotonic() + 10
    while file.read_text() != before and time.monotonic() < deadline:
        page.wait_for_timeout(50)
    assert file.read_text() == before
