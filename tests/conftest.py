"""Settings that all tests share, and the browser."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from chromium import ARGUMENTS, CHROMIUM

# The same examples on every run: a failure seen once is a failure that can be seen again.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Debian's Chromium with its own profile, one for all tests: a process can drive only one.

    What it asks of anybody but this computer fails the tests.
    """
    if not Path(CHROMIUM).exists():
        pytest.skip("NO CHROMIUM: NO PAGE IS TESTED. Run: apt-get install chromium")
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
    if not url.startswith(("http://127.0.0.1:", "ws://127.0.0.1:", "file:", "data:", "blob:", "about:")):
        foreign.append(url)
