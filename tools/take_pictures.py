"""Take a picture of every page of the workbench, light and dark, into docs/pictures/.

Two invented machines are served, each some way into its repair, and Debian's Chromium looks at them.

    python tools/take_pictures.py            all
    python tools/take_pictures.py board      pages whose name has this in it
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests"))

from playwright.sync_api import sync_playwright  # noqa: E402

from chromium import ARGUMENTS, CHROMIUM  # noqa: E402
from web.cases import (  # noqa: E402
    KEEPING,
    OPEN_JOINT,
    OTHER_VALUES,
    add_captures,
    add_values,
    hollowmere_bench,
    write_hollowmere,
    write_quarrybank,
)
from web.served import Served, ready, start, stop  # noqa: E402

PLACE = ROOT / "docs" / "pictures"
WIDTH, TALLEST = 1180, 960
CYCLES = 20_000
MOST_BYTES = 200_000


@dataclass(frozen=True)
class Picture:
    """One picture.

    Args:
        name: Of the file.
        path: Of the page.
        select: What is brought to the top before it is taken; empty: the page's beginning.
        drops: A file is dropped there first.
    """

    name: str
    path: str
    select: str = ""
    drops: bool = False


BEFORE = (
    Picture("new-case", "/"),
    Picture("ladder", "/ladder"),
    Picture("bring-in", "/bring_in", drops=True),
)
"""The first capture is not yet taken."""

SEARCH = (
    Picture("overview", "/"),
    Picture("captures", "/", "section[aria-label=Captures]"),
    Picture("cycles", "/cycles"),
    Picture("board", "/board"),
    Picture("measure", "/measure"),
    Picture("machine", "/machine"),
)
"""Two captures were taken."""

AFTER = (
    Picture("found", "/"),
    Picture("work", "/work", "section[aria-label='The object']"),
    Picture("proof", "/proof"),
    Picture("journal", "/journal"),
)
"""The joint was found and mended, and captures were taken again."""

CHIP = (Picture("chips", "/chips"), Picture("replacement", "/replacement"))


def main() -> None:
    """Take them."""
    wanted = sys.argv[1] if len(sys.argv) > 1 else ""
    PLACE.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as place, sync_playwright() as playwright:
        context = playwright.chromium.launch_persistent_context(
            Path(place) / "profile",
            executable_path=CHROMIUM,
            args=[*ARGUMENTS, "--hide-scrollbars"],
            viewport={"width": WIDTH, "height": 900},
        )
        tab = context.new_page()
        lift = Path(place) / "lift"
        case = write_hollowmere(lift, cycles=CYCLES, points=())
        with served(lift) as found:
            take(tab, found, BEFORE, wanted)
            add_values(case, OTHER_VALUES)
            add_captures(case, ("u1-cycles", "u2-cycles"), cycles=CYCLES)
            take(tab, found, SEARCH, wanted)
            for each in (*OPEN_JOINT, *KEEPING):
                case.add(each)
            add_captures(case, ("u1-cycles", "u2-cycles"), cycles=CYCLES, repaired=True, note="proof")
            take(tab, found, AFTER, wanted)
        case.close()
        kiln = Path(place) / "kiln"
        write_quarrybank(kiln).close()
        with served(kiln) as found:
            take(tab, found, CHIP, wanted)
        context.close()


def capture_of(folder: Path, point: str) -> Path:
    """A capture of the dead machine, as its analyser would write it, beside the case."""
    path = folder.with_name(f"{point}.csv")
    if not path.exists():
        path.write_bytes(hollowmere_bench(folder, CYCLES).capture(point))
    return path


@contextmanager
def served(folder: Path) -> Iterator[Served]:
    """A case, served for as long as this lasts."""
    found = start(folder)
    try:
        yield found
    finally:
        stop(found.process)
        print(found.log.read_text(), end="")


def take(tab: Any, found: Served, pictures: tuple[Picture, ...], wanted: str) -> None:
    """Take pictures of one case."""
    tab.goto(found.address)
    tab.wait_for_selector("#page h1")
    for each in pictures:
        if wanted in each.name:
            for scheme in ("light", "dark"):
                take_one(tab, found, each, scheme)


def take_one(tab: Any, found: Served, picture: Picture, scheme: str) -> None:
    """Take one picture, as tall as the page but not taller than `TALLEST`."""
    tab.emulate_media(color_scheme=scheme)
    tab.set_viewport_size({"width": WIDTH, "height": 900})
    ready(tab, picture.path, found)
    if picture.drops:
        tab.locator("input[type=file]").set_input_files(capture_of(found.folder, "u1-cycles"))
        tab.wait_for_timeout(4000)
    tab.wait_for_timeout(800)
    height = min(tab.evaluate("document.scrollingElement.scrollHeight"), TALLEST)
    tab.set_viewport_size({"width": WIDTH, "height": height})
    if picture.select:
        tab.evaluate(f"document.querySelector({picture.select!r}).scrollIntoView()")
    tab.wait_for_timeout(300)
    path = PLACE / f"workbench-{picture.name}-{scheme}.png"
    tab.screenshot(path=path)
    size = path.stat().st_size
    print(f"{path.relative_to(ROOT)}  {size // 1000} kB")
    if size > MOST_BYTES:
        raise SystemExit(f"{path} has more than {MOST_BYTES // 1000} kB: take less of the page")


if __name__ == "__main__":
    main()
