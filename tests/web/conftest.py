"""A real server on a case of an invented machine, and Debian's Chromium to look at it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from web.cases import write_hollowmere
from web.served import Served, start, stop

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@pytest.fixture(scope="session")
def case_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The machine on the bench: captures at both processors, some rails measured, a note."""
    folder = tmp_path_factory.mktemp("bench") / "lift"
    write_hollowmere(folder, points=("u1-cycles", "u2-cycles")).close()
    return folder


@pytest.fixture(scope="session")
def served(case_folder: Path) -> Iterator[Served]:
    """That case, served."""
    found = start(case_folder)
    yield found
    assert stop(found.process) == 0
    assert found.log.read_text() == ""


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Debian's Chromium with its own profile. What it asks of anybody but this computer fails the tests."""
    if not Path(CHROMIUM).exists():
        pytest.skip("NO CHROMIUM: THE PAGES ARE NOT TESTED. Run: apt-get install chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        context = playwright.chromium.launch_persistent_context(
            tmp_path_factory.mktemp("profile"),
            executable_path=CHROMIUM,
            args=list(ARGUMENTS),
            viewport={"width": 1280, "height": 900},
            permissions=["clipboard-read", "clipboard-write"],
            accept_downloads=True,
        )
        foreign: list[str] = []
        context.on("request", lambda request: _note_foreign(request.url, foreign))
        yield context
        context.close()
    assert not foreign, f"the pages asked elsewhere: {foreign}"


def _note_foreign(url: str, foreign: list[str]) -> None:
    if not url.startswith(("http://127.0.0.1:", "ws://127.0.0.1:", "data:", "blob:", "about:")):
        foreign.append(url)


@pytest.fixture
def page(browser: Any, served: Served) -> Iterator[Any]:
    """A tab that has been let in; what its console calls an error fails the test."""
    tab = browser.new_page()
    troubles: list[str] = []
    tab.on("console", lambda message: message.type == "error" and troubles.append(message.text))
    tab.on("pageerror", lambda error: troubles.append(str(error)))
    tab.goto(served.address)
    tab.wait_for_selector("#page h1")
    yield tab
    tab.close()
    assert not troubles, troubles
