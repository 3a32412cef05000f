"""Files brought in through a real browser, and what the case has of them afterwards."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from web.served import Served, start, stop
from wrongbit.case.entries import CaptureAdded, FindingRecorded, MachineSeen, ReadingAdded
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.cli.main import main
from wrongbit.demo.case import DemoCase, write_case

WAIT = 60_000


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> DemoCase:
    """Files as a person has them."""
    return write_case(
        tmp_path_factory.mktemp("files"), "saltmarsh", cycles=1500, points=("u1-state", "u1-cycles")
    )


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory, demo: DemoCase) -> Iterator[Served]:
    """A case without any capture, served."""
    folder = tmp_path_factory.mktemp("bench") / "tide"
    files = {path.name: path.read_bytes() for path in demo.images}
    Case.create(folder, {"machine.toml": demo.machine_file.read_bytes(), **files}).close()
    served = start(folder)
    yield served
    assert stop(served.process) == 0
    assert served.complaints() == ""


@pytest.fixture
def bring_in(browser: Any, bench: Served) -> Iterator[Any]:
    tab = browser.new_page()
    tab.set_default_timeout(WAIT)
    troubles: list[str] = []
    tab.on("pageerror", lambda error: troubles.append(str(error)))
    tab.goto(bench.address)
    tab.wait_for_selector("#page h1")
    tab.goto(bench.base + "/bring_in")
    tab.wait_for_selector(".fd-input", state="attached")
    yield tab
    tab.close()
    assert not troubles


def waiting(folder: Path) -> list[Path]:
    """Files that wait."""
    return [each for each in (folder / "derived").rglob("*") if "incoming" in each.parts and each.is_file()]


def added(folder: Path) -> list[int]:
    """Numbers of the entries that are no computed results."""
    with Case.open(folder) as case:
        return [each.number for each in case.entries() if not isinstance(each.detail, FindingRecorded)]


def test_a_capture_is_previewed_and_added(bring_in: Any, bench: Served, demo: DemoCase) -> None:
    path = next(each.path for each in demo.captures if each.point == "u1-cycles")
    bring_in.set_input_files(".fd-input", str(path))
    part = bring_in.get_by_role("region", name=path.name)
    part.get_by_text("agree with the reference").wait_for()
    assert part.get_by_label("Probe point").evaluate("e => e.selectedOptions[0].text").startswith("u1-cycles")
    first = path.read_text().splitlines()[1].split(",")
    assert part.locator(".in-columns tbody tr").first.locator("td").all_inner_texts() == first
    with Case.open(bench.folder) as case:
        assert not case.of_kind(CaptureAdded), "nothing is added before it is asked for"
    part.get_by_label("Remark").fill("first look <b>here</b>")
    part.get_by_role("button", name="add").click()
    part.get_by_text("Added as entry").wait_for()
    with Case.open(bench.folder) as case:
        ((_, capture),) = case.of_kind(CaptureAdded)
        assert (capture.point, capture.note) == ("u1-cycles", "first look <b>here</b>")
        assert capture.file.name == path.name
        assert capture.file.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert not waiting(bench.folder)


def test_columns_are_corrected_in_the_machine_file(
    bring_in: Any, bench: Served, demo: DemoCase, tmp_path: Path
) -> None:
    """The instrument calls the bus otherwise: the person says so, and the machine file learns it."""
    original = next(each.path for each in demo.captures if each.point == "u1-state")
    path = tmp_path / "u1-state.csv"
    path.write_text(original.read_text().replace("ADBUS", "pod 3"))
    before = (bench.folder / "machine.toml").read_text()
    bring_in.set_input_files(".fd-input", str(path))
    part = bring_in.get_by_role("region", name=path.name)
    part.get_by_label("Probe point").select_option(label="u1-state (a sample a clock)")
    part.get_by_text("The probe point 'u1-state' maps the column").wait_for()
    part.get_by_label("Column pod 3").select_option(label="AD")
    part.get_by_text("agree with the reference").wait_for()
    part.get_by_role("button", name="Write it into the machine file").click()
    part.get_by_role("button", name="add").wait_for()
    after = (bench.folder / "machine.toml").read_text()
    assert '"pod 3" = "AD"' in after
    with Case.open(bench.folder) as case:
        seen = [detail.file.sha256 for _, detail in case.of_kind(MachineSeen)]
        assert hashlib.sha256(before.encode()).hexdigest() in seen
        assert hashlib.sha256(after.encode()).hexdigest() == seen[-1]
    part.get_by_role("button", name="add").click()
    part.get_by_text("Added as entry").wait_for()


def test_a_reading_is_added_to_its_chip(bring_in: Any, bench: Served, tmp_path: Path) -> None:
    path = tmp_path / "U11 pass 2.bin"
    path.write_bytes(bytes(range(256)) * 16)
    bring_in.set_input_files(".fd-input", str(path))
    part = bring_in.get_by_role("region", name=path.name)
    part.get_by_text("as long as the chip").wait_for()
    part.get_by_label("How it was read").fill("voltage = 4.75 V; speed = 450 ns")
    part.get_by_role("button", name="add").click()
    part.get_by_text("Added as entry").wait_for()
    with Case.open(bench.folder) as case:
        ((_, reading),) = case.of_kind(ReadingAdded)
        assert (reading.chip, reading.file.name) == ("U11", "U11 pass 2.bin")
        assert dict(reading.conditions) == {"voltage": "4.75 V", "speed": "450 ns"}


def test_what_is_questioned_is_added_only_when_it_is_meant(
    bring_in: Any, bench: Served, tmp_path: Path
) -> None:
    with Case.open(bench.folder) as case:
        work = Casework(case)
        names = [each.name for each in work.machine.chip if each.kind == "rom"]
        held = work.reference(next(each for each in names if each != "U11")).contents
    path = tmp_path / "U11 pass 9.bin"
    path.write_bytes(held.astype("uint8").tobytes())
    before = added(bench.folder)
    bring_in.set_input_files(".fd-input", str(path))
    part = bring_in.get_by_role("region", name=path.name)
    part.get_by_role("button", name="to the case").click()
    part.get_by_text("This looks like what").wait_for()
    assert added(bench.folder) == before
    part.get_by_label("Chip").select_option(index=1)
    part.get_by_label("Chip").select_option(index=0)
    part.get_by_role("button", name="anyway").click()
    part.get_by_text("Added as entry").wait_for()
    assert len(added(bench.folder)) == len(before) + 1


def test_a_table_that_fits_no_point_cannot_be_added(bring_in: Any, tmp_path: Path) -> None:
    path = tmp_path / "other.csv"
    path.write_text("t,foo,bar\n" + "".join(f"{row},{row % 7},{row % 5}\n" for row in range(60)))
    bring_in.set_input_files(".fd-input", str(path))
    part = bring_in.get_by_role("region", name=path.name)
    part.get_by_text("say where it was taken").wait_for()
    assert not part.get_by_role("button", name="to the case").count()
    part.get_by_label("Probe point").select_option(label="u1-state (a sample a clock)")
    part.get_by_text("It cannot be added as it is").wait_for()
    assert not part.get_by_role("button", name="to the case").count()
    part.get_by_role("button", name="leave").click()
    part.wait_for(state="detached")


def test_what_cannot_be_used_is_told_and_left_out(bring_in: Any, bench: Served, tmp_path: Path) -> None:
    packed, script = tmp_path / "all.zip", tmp_path / "x.bin"
    packed.write_bytes(b"PK\x03\x04" + bytes(200))
    script.write_bytes(bytes(100))
    before = added(bench.folder)
    bring_in.set_input_files(".fd-input", [str(packed), str(script)])
    part = bring_in.get_by_role("region", name="all.zip")
    part.get_by_text("Unpack it").wait_for()
    part.get_by_role("button", name="Leave it out").click()
    part = bring_in.get_by_role("region", name="x.bin")
    part.get_by_role("button", name="add").click()
    bring_in.locator(".wb-told-bad", has_text="x.bin").wait_for()
    part.get_by_role("button", name="leave").click()
    part.wait_for(state="detached")
    assert added(bench.folder) == before
    assert not waiting(bench.folder)


def test_a_file_is_dropped(bring_in: Any, bench: Served, demo: DemoCase) -> None:
    """As a browser gives a dropped file, with a name that leads out of the folder."""
    handle = bring_in.evaluate_handle(
        """() => { const given = new DataTransfer();
        given.items.add(new File(["abc"], "..\\\\..\\\\<img src=x onerror=alert(1)>.txt")); return given; }"""
    )
    bring_in.dispatch_event(".fd", "drop", {"dataTransfer": handle})
    part = bring_in.locator(".in-file")
    part.get_by_role("heading").wait_for()
    assert part.get_by_role("heading").inner_text() == "<img src=x onerror=alert(1)>.txt"
    assert not bring_in.locator("main img").count()
    assert all(bench.folder in each.parents for each in waiting(bench.folder))


def test_a_file_that_is_stopped_on_its_way_leaves_nothing(
    bring_in: Any, bench: Served, tmp_path: Path
) -> None:
    """A gibibyte as a hole in a file: long enough on its way to be stopped."""
    path = tmp_path / "long.csv"
    with path.open("wb") as file:
        file.truncate(1 << 30)
    bring_in.set_input_files(".fd-input", str(path))
    bring_in.get_by_role("button", name="Stop").first.click()
    bring_in.locator(".fd-list li").wait_for(state="detached")
    bring_in.wait_for_timeout(500)
    deadline = time.monotonic() + 20
    while waiting(bench.folder) and time.monotonic() < deadline:
        bring_in.wait_for_timeout(200)
    assert not waiting(bench.folder)
    assert not bring_in.locator(".in-file").count()


def test_what_is_in_the_case_already_is_refused_with_the_words_of_the_terminal(
    bring_in: Any, bench: Served, demo: DemoCase, capsys: pytest.CaptureFixture[str]
) -> None:
    path = next(each.path for each in demo.captures if each.point == "u1-cycles")
    words = ["add", str(bench.folder), "capture", str(path), "--point", "u1-cycles"]
    main(words)  # perhaps an earlier test has added it
    before = added(bench.folder)
    capsys.readouterr()
    assert main(words) == 2
    refused = " ".join(capsys.readouterr().err.split())
    assert "is in the case already, as entry" in refused
    bring_in.set_input_files(".fd-input", str(path))
    part = bring_in.get_by_role("region", name=path.name)
    part.get_by_text("agree with the reference").wait_for()
    part.get_by_role("button", name="add").click()
    told = bring_in.get_by_text("is in the case already, as entry")
    told.wait_for()
    sentence = refused.removeprefix(f"wrongbit: {path} ").partition(" →")[0]
    assert sentence in " ".join(told.inner_text().split())
    assert added(bench.folder) == before
