"""The chips in a real browser: readings, every rebuilt bit, and the files to take away."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from web.cases import write_quarrybank
from web.served import Served, start, stop
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.image.formats import read_image
from wrongbit.reading.rebuild import UNKNOWN, Rebuilt

WAIT = 90_000


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A worn EPROM, read six times, with a twin and a torn printout."""
    folder = tmp_path_factory.mktemp("bench") / "kiln"
    write_quarrybank(folder).close()
    served = start(folder)
    yield served
    assert stop(served.process) == 0
    assert served.complaints() == ""


@pytest.fixture(scope="module")
def rebuilt(bench: Served) -> Rebuilt:
    """The same contents, without the workbench."""
    with Case.open(bench.folder) as case:
        return Casework(case).rebuilt("U3")


@pytest.fixture(scope="module")
def chips(browser: Any, bench: Served) -> Iterator[Any]:
    tab = browser.new_page()
    tab.set_default_timeout(WAIT)
    troubles: list[str] = []
    tab.on("console", lambda message: message.type == "error" and troubles.append(message.text))
    tab.on("pageerror", lambda error: troubles.append(str(error)))
    tab.goto(bench.address)
    tab.wait_for_selector("#page h1")
    tab.goto(bench.base + "/chips?chip=U3")
    tab.wait_for_selector(".ct-table")
    tab.wait_for_selector(".wb-figure svg")
    yield tab
    tab.close()
    assert not troubles


def saved(tab: Any, button: str, folder: Path) -> Path:
    """What a button gives to download."""
    with tab.expect_download() as given:
        tab.get_by_role("button", name=button).click()
    path = folder / given.value.suggested_filename
    given.value.save_as(path)
    return path


def test_readings_and_map_are_shown(chips: Any) -> None:
    assert (
        chips.get_by_label("Chip", exact=True).evaluate("e => e.selectedOptions[0].text").endswith("6 passes")
    )
    chips.get_by_text("has lost charge").first.wait_for()
    assert chips.locator("figure svg").count() >= 2
    assert chips.get_by_text("Beside the twin").count() == 1


def test_every_bit_shown_is_the_rebuilt_one(chips: Any, rebuilt: Rebuilt) -> None:
    weak = np.flatnonzero((rebuilt.classes == UNKNOWN).any(axis=1))
    for row in chips.locator(".ct-table tbody tr").all():
        address = int(row.locator("td").first.inner_text(), 16)
        signs = row.locator(".ct-bit").all_inner_texts()
        expected = [
            "?" if rebuilt.classes[address, bit] == UNKNOWN else str(int(rebuilt.guess[address]) >> bit & 1)
            for bit in reversed(range(8))
        ]
        assert signs == expected
        assert ("wb-differs" in (row.get_attribute("class") or "")) == (address in weak)
    assert len(weak), "the case has unknown bits"
    assert chips.locator(".ct-table .ct-unknown").count() > 0


def test_goes_to_an_address(chips: Any) -> None:
    chips.get_by_label("Go to address").fill("1F0")
    chips.get_by_label("Go to address").press("Enter")
    chips.wait_for_function("document.querySelector('.ct-table tbody td').innerText === '01F0'")


def test_the_map_is_that_of_the_contents(chips: Any, rebuilt: Rebuilt, tmp_path: Path) -> None:
    path = saved(chips, "Download the map of every word", tmp_path)
    rows = list(csv.DictReader(io.StringIO(path.read_text())))
    assert len(rows) == len(rebuilt.contents)
    words = [int(row["known mask"].removeprefix("0x"), 16) for row in rows]
    assert words == rebuilt.contents.known.tolist()


def test_an_image_with_unknown_bits_needs_a_decision(chips: Any, rebuilt: Rebuilt, tmp_path: Path) -> None:
    chips.get_by_role("button", name="Download the image").click()
    chips.locator(".wb-told-bad").first.wait_for()
    chips.get_by_label("write unknown bits").check()
    chips.get_by_label("Format", exact=True).select_option(label="Intel HEX")
    path = saved(chips, "Download the image", tmp_path)
    assert path.name == "U3.hex"
    assert read_image(path, "intel-hex").words.tolist() == rebuilt.guess.tolist()


def test_a_chip_that_was_not_read_says_so(chips: Any) -> None:
    options = chips.get_by_label("Chip", exact=True).locator("option").all_inner_texts()
    other = next(text for text in options if text.endswith("not read yet"))
    chips.get_by_label("Chip", exact=True).select_option(label=other)
    chips.get_by_text("Nothing was read from").wait_for()
