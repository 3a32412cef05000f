"""The cycles page on a capture of a million cycles in Debian's Chromium: jumps, wheel, searches.

References: 200 ms for a jump (what a person takes for at once), a frame of 60 a second for the wheel, and a
plain Python loop over the same cycles for a search. A jump is timed in the page, from the movement until
every row in sight shows its words.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from chromium import ARGUMENTS, CHROMIUM
from web.served import start, stop
from wrongbit.case.folder import Case
from wrongbit.demo.case import write_case
from wrongbit.job import compare_capture, open_execution, open_job
from wrongbit.web.browse import WHATS, Browser, read_mnemonics, search

CYCLES = 1_450_000
"""Of the simulated bus; refresh cycles are not captured, so that a good million is left."""

JUMPS = 40

JUMP = """(to) => new Promise((done) => {
  const pane = document.querySelector(".cy-pane");
  const first = () => [...document.querySelectorAll(".cy-rows .cy-line:not([hidden])")];
  const begun = performance.now();
  pane.scrollTop = to * (pane.scrollHeight - pane.clientHeight);
  let frames = 0;
  const look = () => {
    frames += 1;
    if (frames > 1 && first().every((line) => line.row)) done(performance.now() - begun);
    else if (frames > 2000) done(1e6);
    else requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
})"""

GO = """(cycle) => new Promise((done) => {
  const begun = performance.now();
  const field = document.querySelector("[data-go] input");
  field.value = String(cycle);
  field.dispatchEvent(new Event("input", { bubbles: true }));
  field.dispatchEvent(new KeyboardEvent("keydown", { key: "Enter", bubbles: true }));
  const look = () => {
    const line = document.querySelector(".cy-line[data-chosen]");
    if (line && line.row && line.row.cycle === cycle) done(performance.now() - begun);
    else if (performance.now() - begun > 20000) done(1e6);
    else requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
})"""

WHEEL = """() => new Promise((done) => {
  const pane = document.querySelector(".cy-pane");
  const times = []; let blank = 0; let last = performance.now();
  const end = last + 3000;
  const look = (now) => {
    times.push(now - last); last = now;
    blank += [...document.querySelectorAll(".cy-rows .cy-line:not([hidden])")].some((line) => !line.row);
    pane.scrollTop += 120;
    if (now < end) requestAnimationFrame(look); else done([times.slice(1), blank]);
  };
  requestAnimationFrame(look);
})"""


def _case(folder: Path) -> Path:
    with tempfile.TemporaryDirectory() as beside:
        demo = write_case(Path(beside), "quarrybank", cycles=CYCLES, points=("u1-cycles",))
        files = {path.name: path.read_bytes() for path in demo.images}
        files["machine.toml"] = demo.machine_file.read_bytes()
        with Case.create(folder, files) as case:
            case.add_capture(demo.captures[0].path, "u1-cycles")
    return folder


def _in_browser(folder: Path) -> tuple[list[float], list[float], list[float], int]:
    from playwright.sync_api import sync_playwright

    served = start(folder)
    try:
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
            tab: Any = browser.new_page(viewport={"width": 1280, "height": 900})
            tab.goto(served.address)
            tab.wait_for_selector("#page h1")
            tab.goto(served.base + "/cycles")
            tab.wait_for_selector(".cy-line[aria-selected=true]", timeout=120_000)
            tab.locator(".cy-heads", has_text="instruction").wait_for(timeout=120_000)
            tab.wait_for_timeout(3000)
            tab.wait_for_selector(".wb-tasks", state="hidden", timeout=120_000)  # the overview's work is done
            places = [(number * 0.6180339887) % 1 for number in range(1, JUMPS + 1)]
            jumps = [tab.evaluate(JUMP, place) / 1000 for place in places]
            goes = [tab.evaluate(GO, int(place * 1_000_000)) / 1000 for place in places]
            print("  (jumps in ms:", *(f"{each * 1000:.0f}" for each in jumps + goes), ")")
            times, blank = tab.evaluate(WHEEL)
            browser.close()
    finally:
        stop(served.process)
    return jumps, goes, [each / 1000 for each in times], blank


def rows() -> list[tuple[str, float, float, float]]:
    with tempfile.TemporaryDirectory() as beside:
        folder = _case(Path(beside) / "kiln")
        jumps, goes, frames, blank = _in_browser(folder)
        found = []
        for what, times in (("bar dragged to anywhere", jumps), ("number typed", goes)):
            found.append(
                (f"10^6 cycles, {what}: median, against 200 ms", median(times), 0.2, median(times) / 0.2)
            )
            found.append(
                (
                    f"10^6 cycles, {what}: slowest of {JUMPS}, against 200 ms",
                    max(times),
                    0.2,
                    max(times) / 0.2,
                )
            )
        middle = median(frames)
        share = blank / len(frames)
        what = f"a frame while the wheel turns ({share:.1%} with a row not there yet), against 1/60 s"
        found.append((what, middle, 1 / 60, middle * 60))
        found += _searches(folder)
    return found


def _searches(folder: Path) -> list[tuple[str, float, float, float]]:
    case = Case.open(folder)
    job = open_job(case.machine_file, point="u1-cycles")
    entry = next(each for each in case.entries() if hasattr(each.detail, "point"))
    comparison = compare_capture(job, case.path_of(entry.detail.file))
    execution = open_execution(job, comparison)
    begun = perf_counter()
    browser = Browser(job, comparison, execution, read_mnemonics(execution))
    print(f"  (instructions of 10^6 cycles decoded in {perf_counter() - begun:.1f} s)")
    case.close()
    found = []
    for what in WHATS:
        text = "LD A" if what == "instruction" else "3?"
        begun = perf_counter()
        count = len(search(browser, what, text))
        ours = perf_counter() - begun
        reference = _by_loop(browser, what)
        found.append(
            (
                f"search of 10^6 cycles by {what} ({count} found), against a loop",
                ours,
                reference,
                ours / reference,
            )
        )
    return found


def _by_loop(browser: Browser, what: str) -> float:
    cycles = browser.comparison.cycles
    begun = perf_counter()
    if what == "instruction":
        assert browser.mnemonics is not None
        texts = [browser.mnemonics.at(cycle) for cycle in range(len(cycles))]
        [number for number, text in enumerate(texts) if "LDA" in text.replace(" ", "")]
    else:
        values = cycles.address if what == "address" else cycles.word
        [number for number, value in enumerate(values.tolist()) if value & 0xF0 == 0x30]
    return perf_counter() - begun


if __name__ == "__main__":
    for row in rows():
        print(*row, sep="  ")
