"""The replacement page in Chromium: it shows what is computed, and gives the files of the command."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from web.served import Served, ready, start, stop
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.cli.main import main
from wrongbit.demo.machines import machine_named

pytestmark = pytest.mark.xdist_group("browser")


@pytest.fixture(scope="module")
def kiln(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A case of a machine with sockets: no capture, no reading."""
    folder = tmp_path_factory.mktemp("kiln") / "kiln"
    files: dict[str, bytes | str] = dict(machine_named("quarrybank").build().files)
    files["machine.toml"] = files.pop("quarrybank.toml")
    Case.create(folder, files).close()
    served = start(folder)
    yield served
    assert stop(served.process) == 0
    assert served.complaints() == ""


@pytest.fixture
def tab(browser: Any, kiln: Served) -> Iterator[Any]:
    found = browser.new_page()
    found.goto(kiln.address)
    found.wait_for_selector("#page h1")
    yield found
    found.close()


def chosen(tab: Any, name: str, label: str) -> None:
    tab.get_by_role("combobox", name=name, exact=True).select_option(label=label)


def test_the_plan_is_the_computed_one(tab: Any, kiln: Served) -> None:
    ready(tab, "/replacement", kiln)
    with Case.open(kiln.folder) as case:
        found = Casework(case).fitting("U2")
    text = tab.locator("#page").inner_text()
    assert f"U2: {found.plans[0].name} {found.plans[0].verdict}" in text
    for plan in found.plans[1:]:
        assert plan.name in text
    assert tab.get_by_role("group", name="Worst-case timing").locator("tbody tr").count() == len(
        found.plans[0].timing
    )


def test_another_memory_is_chosen_and_its_files_are_those_of_the_command(
    tab: Any, kiln: Served, tmp_path: Path
) -> None:
    ready(tab, "/replacement", kiln)
    chosen(tab, "Memory", "27C64")
    tab.get_by_text("U2: 27C64-25 fits").wait_for()
    with tab.expect_download() as download:
        tab.get_by_role("button", name="Files for the programmer (zip)").click()
    packed = zipfile.ZipFile(io.BytesIO(Path(download.value.path()).read_bytes()))
    machine = str(kiln.folder / "machine.toml")
    assert (
        main(["files", machine, "--chip", "U2", "--memory", "27C64", "--folder", str(tmp_path / "out")]) == 0
    )
    binary = next(path for path in (tmp_path / "out").iterdir() if path.suffix == ".bin")
    assert packed.read(binary.name) == binary.read_bytes()
    assert {"wiring.csv", "parts.csv", "drawing.svg"} <= set(packed.namelist())


def test_what_cannot_be_is_told(tab: Any, kiln: Served) -> None:
    ready(tab, "/replacement", kiln)
    tab.get_by_role("textbox", name="Selects").fill("CE=sideways")
    tab.get_by_role("textbox", name="Selects").press("Tab")
    tab.get_by_role("alert").wait_for()
    assert "sideways" in tab.get_by_role("alert").inner_text()
