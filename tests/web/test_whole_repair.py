"""A whole repair as the guide tells it: from an empty case to a proof, in the browser and nowhere else.

The machine on the bench is the invented lift panel with an open joint in J0; what a person would do at the
bench (clip on, measure, reseat) is answered by the bench's model, which the workbench knows nothing of.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from web.cases import OPEN_JOINT, OTHER_VALUES, VALUES, hollowmere_bench, write_hollowmere
from web.served import Served, ready, start, stop
from wrongbit.case.entries import MeasurementAdded
from wrongbit.case.folder import Case

pytestmark = pytest.mark.xdist_group("browser")

CYCLES = 1_500


def bring_in(tab: Any, served: Served, file: Path, note: str = "", *, alike: bool = False) -> None:
    """Add a capture; ``alike``: the simulated program runs alike at both points, and that is asked about."""
    tab.goto(f"{served.base}/bring_in")
    tab.locator("input[type=file]").set_input_files(file)
    area = tab.get_by_role("region", name=file.name)
    area.get_by_text("agree with the reference").wait_for()
    if note:
        area.get_by_role("textbox", name="Remark", exact=True).fill(note)
    area.get_by_role("button", name=f"add {file.name} to the case").click()
    if alike:
        area.get_by_text("The same file is in the case already").wait_for()
        area.get_by_role("button", name="anyway").click()
    area.get_by_text("Added as entry").wait_for()


def press(tab: Any, served: Served, asked: MeasurementAdded) -> None:
    """Press the outcome of a measurement that the page proposes."""
    ready(tab, "/measure", served)
    wanted = {
        "swapped": f"Swap {asked.part} for",
        "continuity": f"through {asked.part} on {asked.line}",
        "reseated": f"Pull {asked.part} and",
    }
    area = tab.locator("section", has=tab.locator("h2", has_text=wanted[asked.kind]))
    area.get_by_role("button", name=f"found {asked.outcome}:").click()
    tab.get_by_text(f"Entered: {asked.kind} {asked.part}").wait_for()


def now(tab: Any, served: Served) -> str:
    ready(tab, "/", served)
    return str(tab.get_by_role("region", name="What to do now").inner_text())


def test_from_an_empty_case_to_the_proof(browser: Any, tmp_path: Path) -> None:
    folder = tmp_path / "lift"
    case = write_hollowmere(folder, points=(), values=())
    case.close()
    files = {}
    for repaired in (False, True):
        bench = hollowmere_bench(folder, CYCLES, repaired=repaired)
        for point in ("u1-cycles", "u2-cycles"):
            path = tmp_path / f"{'after-' if repaired else ''}{point}.csv"
            path.write_bytes(bench.capture(point))
            files[path.stem] = path
    served = start(folder)
    tab = browser.new_page()
    try:
        tab.goto(served.address)
        tab.wait_for_selector("#page h1")
        assert "Measure VCC voltage at U1 pin 40" in now(tab, served)

        ready(tab, "/ladder", served)
        for text in (*VALUES, *OTHER_VALUES):
            name, _, value = text.partition(" = ")
            tab.get_by_role("textbox", name=f"Measured {name}", exact=True).fill(value)
            tab.get_by_role("button", name=f"enter {name}", exact=True).click()
            tab.locator(".wb-within", has_text=name).wait_for()
        assert "capture" in now(tab, served)

        for point in ("u1-cycles", "u2-cycles"):
            bring_in(tab, served, files[point], alike=point == "u2-cycles")
        assert "Swap U13 for a known good one" in now(tab, served)

        for each in (MeasurementAdded("swapped", "U13", outcome="same"), *OPEN_JOINT):
            press(tab, served, each)
        assert "It is J0: D5 is open" in now(tab, served)

        for point in ("after-u1-cycles", "after-u2-cycles"):
            alike = point == "after-u2-cycles"
            bring_in(tab, served, files[point], "proof: after the joint was mended", alike=alike)
        ready(tab, "/proof", served)
        assert "✓ proved" in tab.locator("#page").inner_text()
        assert "not proved" not in tab.locator("#page").inner_text()
        assert "The repair is proved" in now(tab, served)
    finally:
        tab.close()
        stop(served.process)
    assert served.complaints() == ""
    with Case.open(folder) as case:
        assert case.verify() == ()
