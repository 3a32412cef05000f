"""The overview of a case with a million cycles in Chromium, and other pages while it is first computed.

The reference is one second, from the beginning of the navigation until everything on the page is there. The
case is opened by a fresh server each time, so that nothing is in its memory.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from playwright.sync_api import sync_playwright

from chromium import ARGUMENTS, CHROMIUM
from web.served import Served, ready, start, stop
from wrongbit.case.folder import Case
from wrongbit.demo.case import write_case

CYCLES = 1_450_000
"""Of the simulated bus; refresh cycles are not captured, so that a good million is left."""

TIMES = 7


def rows() -> list[tuple[str, float, float, float]]:
    """Both rows."""
    with tempfile.TemporaryDirectory() as beside, sync_playwright() as playwright:
        folder = _case(Path(beside) / "kiln")
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        tab = browser.new_page(viewport={"width": 1280, "height": 900})
        tab.set_default_timeout(600_000)
        meanwhile = _served(folder, lambda served: _while_computing(tab, served))
        overview = [_served(folder, lambda served: _ready(tab, served, "/")) for _ in range(TIMES)]
        browser.close()
    return [
        _row("the overview is ready, fresh server: median", median(overview)),
        _row("the overview is ready, fresh server: slowest", max(overview)),
        _row("another page is ready while the overview is first computed: median", median(meanwhile)),
        _row("another page is ready while the overview is first computed: slowest", max(meanwhile)),
    ]


def _row(what: str, seconds: float) -> tuple[str, float, float, float]:
    return f"10^6 cycles, {what}, against 1 s", seconds, 1.0, seconds


def _case(folder: Path) -> Path:
    with tempfile.TemporaryDirectory() as beside:
        demo = write_case(Path(beside), "quarrybank", cycles=CYCLES, points=("u1-cycles",))
        files: dict[str, bytes | str] = {path.name: path.read_bytes() for path in demo.images}
        files["machine.toml"] = demo.machine_file.read_bytes()
        with Case.create(folder, files) as case:
            case.add_capture(demo.captures[0].path, "u1-cycles")
    return folder


def _served(folder: Path, measure: Any) -> Any:
    served = start(folder)
    try:
        return measure(served)
    finally:
        stop(served.process)


def _ready(tab: Any, served: Served, path: str) -> float:
    """Seconds of one page; the token and the program's own files are in the browser before."""
    tab.goto(served.address)
    tab.wait_for_selector("#page h1")
    tab.goto(f"{served.base}/machine")
    tab.wait_for_selector("#page h1")
    began = perf_counter()
    ready(tab, path, served)
    return perf_counter() - began


def _while_computing(tab: Any, served: Served) -> list[float]:
    """Seconds of the journal, again and again, from the moment the overview began to be computed."""
    tab.goto(served.address)
    tab.wait_for_selector("#page h1")
    times: list[float] = []
    while len(times) < TIMES or (tab.locator(".wb-task").count() and len(times) < 200):
        began = perf_counter()
        ready(tab, "/journal", served)
        times.append(perf_counter() - began)
        tab.wait_for_timeout(500)
    return times


if __name__ == "__main__":
    for row in rows():
        print(*row)
