"""The proof's page: what is left to do, what a person waives there, and how that is shown."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from web.served import Served, ready, start, stop
from wrongbit.case.entries import ReadingAdded, WordsWaived
from wrongbit.case.folder import Case
from wrongbit.demo.case import write_case

pytestmark = pytest.mark.xdist_group("browser")


@pytest.fixture(scope="module")
def kiln(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A dead machine that went astray, and a capture after its repair, which does not read all of that."""
    folder = tmp_path_factory.mktemp("bench") / "kiln"
    demo = write_case(folder, "quarrybank", "stuck-low:U2.D5", points=["u1-timing"], cycles=1500, whole=True)
    with Case.open(folder) as case:
        for entry, _ in case.of_kind(ReadingAdded):
            case.withdraw(entry.number, "the chip is not looked at here")
        fresh = next(path for path in demo.later if path.suffix == ".csv")
        case.add_capture(fresh, "u1-timing", note="proof")
    served = start(folder)
    yield served
    assert stop(served.process) == 0
    assert served.complaints() == ""


def test_words_are_waived_with_a_reason_and_shown_as_waived(browser: Any, kiln: Served) -> None:
    tab = browser.new_page()
    tab.goto(kiln.address)
    tab.wait_for_selector("#page h1")
    ready(tab, "/proof", kiln)
    page = tab.locator("#page")
    left = re.search(r"(\d+) addresses of \d+ that were wrong were not judged again", page.inner_text())
    assert left and "Not proved yet" in page.inner_text()
    assert page.get_by_role("heading", name="What is left to do").is_visible()

    where = page.get_by_role("textbox", name="Address or range")
    why = page.get_by_role("textbox", name="Why they may stay unread")
    waive = page.get_by_role("button", name="Waive, with this reason")
    waive.click()
    tab.get_by_text("Which words?").wait_for()
    where.fill("0000..FFFF")
    waive.click()
    tab.get_by_text("Why may 0000..FFFF stay unread?").wait_for()
    with Case.open(kiln.folder) as case:
        assert not case.of_kind(WordsWaived)

    page.get_by_role("button", name=re.compile("take .* into the fields")).first.click()
    tab.wait_for_function("e => e.value !== '0000..FFFF'", arg=where.element_handle())
    assert "acted on a wrong word" in why.input_value()
    why.fill("Only the program gone astray reads them <b>")
    waive.click()
    page.get_by_text("All but what was waived is proved").wait_for()
    text = page.inner_text()
    assert f"{left[1]} waived" in text and "Only the program gone astray reads them <b>" in text
    assert "○ waived" in text and "✓ Proved" not in text
    with Case.open(kiln.folder) as case:
        ((entry, waived),) = case.of_kind(WordsWaived)
    assert len(waived.addresses) == int(left[1]) and waived.why.endswith("<b>")

    ready(tab, "/journal", kiln)
    row = tab.locator("tr", has_text="Waived, not proved")
    row.get_by_role("button", name="withdraw").click()
    row.get_by_role("button", name=f"withdraw entry {entry.number}").click()
    row.get_by_text("withdrawn by entry").wait_for()
    ready(tab, "/proof", kiln)
    assert "Not proved yet" in page.inner_text()
    tab.close()
