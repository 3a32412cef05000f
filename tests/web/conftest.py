"""A real server on a case of an invented machine, and Debian's Chromium to look at it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from web.cases import write_hollowmere
from web.served import Served, start, stop
from wrongbit.demo.case import write_case


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
    assert found.complaints() == ""


@pytest.fixture(scope="session")
def served_kiln(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Another case: one capture with its samples, and a fault of one chip that it decides."""
    folder = tmp_path_factory.mktemp("levels") / "kiln"
    write_case(folder, "quarrybank", cycles=1500, points=["u1-timing"], whole=True)
    found = start(folder)
    yield found
    stop(found.process)


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
