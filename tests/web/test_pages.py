"""The pages at work: what is entered in the browser stands in the case."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from web.cases import write_hollowmere
from web.served import Served, ready, start, stop
from wrongbit.case.entries import CaptureAdded, MeasurementAdded, NoteAdded, ValueAdded
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework

pytestmark = pytest.mark.xdist_group("browser")

IMAGE = '<img src=x onerror="window.taken=1">'
HOSTILE = "<script>document.title='taken'</script><img src=x onerror=\"document.title='taken'\">{{ 7*7 }}"


def field(area: Any, name: str) -> Any:
    return area.get_by_role("textbox", name=name, exact=True)


def choice(area: Any, name: str) -> Any:
    return area.get_by_role("combobox", name=name, exact=True)


def test_the_overview_tells_what_the_case_tells(page: Any, served: Served) -> None:
    """The first wrong word, the odds and the next measurement are those of the case, to the letter."""
    ready(page, "/", served)
    with Case.open(served.folder) as case:
        overview = Casework(case).overview()
    text = page.locator("#page").inner_text()
    for line in overview.captures:
        assert line.first_wrong is not None and line.first_wrong.sentence in text
        assert f"{line.differs} of {line.reading} reads differ" in text
    for suspect in overview.suspects[:5]:
        assert suspect.part in text
    assert overview.proposals[0].sentence[1:].rstrip(".") in text
    # The bit strip notches as many cells as bits differ.
    first = overview.captures[0].first_wrong
    assert first is not None
    strip = page.locator("figure svg").first
    assert strip.locator("desc").text_content().count("differs") == first.mask.bit_count()


def test_a_word_is_copied(page: Any, served: Served) -> None:
    ready(page, "/", served)
    page.get_by_role("button", name="copy the expected word").first.click()
    page.get_by_text("Copied: ").wait_for()
    with Case.open(served.folder) as case:
        word = Casework(case).overview().captures[0].first_wrong
    assert word is not None
    assert page.evaluate("navigator.clipboard.readText()") == f"{word.expected:04X}"


def test_a_value_entered_on_the_ladder(page: Any, served: Served) -> None:
    ready(page, "/ladder", served)
    rung = page.locator(".wb-rung", has_text="VCC panel voltage")
    assert "not measured" in rung.inner_text()
    field(rung, "Measured VCC panel voltage").fill("4.31 V")
    rung.get_by_role("button", name="enter VCC panel voltage").click()
    rung.get_by_text("outside").wait_for()
    assert "0.44 V too low" in rung.inner_text()  # 4.75 V - 4.31 V
    with Case.open(served.folder) as case:
        texts = [detail.text for _, detail in case.of_kind(ValueAdded)]
        entry = next(e for e, d in case.of_kind(ValueAdded) if d.text == "VCC panel voltage = 4.31 V")
        case.withdraw(entry.number, "test")  # from another process: the page follows by itself
    assert "VCC panel voltage = 4.31 V" in texts
    rung.get_by_text("not measured").wait_for(timeout=10_000)


def test_a_value_that_is_none_is_refused_with_what_to_do(page: Any, served: Served) -> None:
    ready(page, "/ladder", served)
    with Case.open(served.folder) as case:
        before = len(case.of_kind(ValueAdded))
    field(page, "Measured CK duty").fill("about half")
    page.get_by_role("button", name="enter CK duty").click()
    told = page.locator(".wb-told-bad")
    told.wait_for()
    assert "about half" in told.inner_text()
    with Case.open(served.folder) as case:
        assert len(case.of_kind(ValueAdded)) == before


def test_the_stand_in(page: Any, served: Served, tmp_path: Path) -> None:
    """555 as astable: f = 1.44 / ((RA + 2 RB) C), of its data sheets; the table's own values are put in."""
    ready(page, "/ladder", served)
    choice(page, "Signal").select_option(label="other times")
    choice(page, "Active").select_option(label="low")
    field(page, "How long it is active").fill("50 us ± 20 %")
    field(page, "From pulse to pulse").fill("10 ms ± 10 %")
    page.get_by_role("button", name="Compute").click()
    page.get_by_text("low for 50 µs").wait_for()
    table = page.get_by_role("table", name="555 circuits by worst-case error")
    assert table.locator("tbody tr").count() == 5
    assert page.locator("figure[aria-label^='Circuit diagram'] svg").count() == 1
    with page.expect_download() as parts:
        page.get_by_role("button", name="Download the parts list").click()
    assert parts.value.suggested_filename == "parts.csv"
    assert Path(parts.value.path()).read_text().startswith("part,value,note")
    # The wanted signal, written as a capture of it would be, holds; one twice as slow does not.
    with page.expect_download() as train:
        page.get_by_role("button", name="Download the wanted signal").click()
    rows = Path(train.value.path()).read_text().splitlines()
    slow = [f"{2 * float(row.split(',')[0]):.3f},{row.split(',')[1]}" for row in rows[1:]]
    for name, content in (("good.csv", rows), ("slow.csv", [rows[0], *slow])):
        (tmp_path / name).write_text("\n".join(content) + "\n")
    page.locator("input[type=file]").set_input_files(tmp_path / "good.csv")
    page.get_by_text("The stand-in holds").wait_for()
    page.locator("input[type=file]").set_input_files(tmp_path / "slow.csv")
    page.get_by_text("The stand-in does not do: slow.csv").wait_for()
    assert "OUT period" in page.locator(".wb-outside").first.inner_text()


def test_a_part_chosen_on_the_board_map(page: Any, served: Served) -> None:
    ready(page, "/board", served)
    page.locator("svg rect[data-part=U13]").first.click()
    page.get_by_role("heading", name="U13, buffer").wait_for()
    page.locator("svg rect[data-part=J0]").first.focus()
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="J0, connector").wait_for()
    choice(page, "Part").select_option(label="U12")
    page.get_by_role("heading", name="U12, rom").wait_for()
    assert page.locator("svg rect[data-part]").count() > 20


def test_an_outcome_pressed_is_a_measurement(page: Any, served: Served) -> None:
    ready(page, "/measure", served)
    area = page.locator("section", has_text="What was found?").first
    title = area.locator("h2").inner_text()
    field(area, "Note").fill("0.4 Ω")
    area.locator(".wb-controls .wb-button").first.click()
    page.get_by_text("Entered: ").wait_for()
    with Case.open(served.folder) as case:
        entry, made = case.of_kind(MeasurementAdded)[-1]
        assert made.note == "0.4 Ω" and made.part in title and made.outcome
        case.withdraw(entry.number, "test")


def test_a_measurement_of_a_line_that_is_none_is_refused(page: Any, served: Served) -> None:
    ready(page, "/measure", served)
    with Case.open(served.folder) as case:
        before = case.of_kind(MeasurementAdded)
    area = page.get_by_role("region", name="Enter another measurement")
    choice(area, "What was done").select_option(label="continuity")
    area.get_by_role("option", name="open", exact=True).wait_for(state="attached")
    choice(area, "At").select_option(label="J0")
    field(area, "Line").fill("X9")
    area.get_by_role("button", name="Enter").click()
    page.locator(".wb-told-bad", has_text="No outcome was chosen").wait_for()
    choice(area, "Outcome").select_option(label="open")
    area.get_by_role("button", name="Enter").click()
    page.locator(".wb-told-bad", has_text="X9").wait_for()
    with Case.open(served.folder) as case:
        assert case.of_kind(MeasurementAdded) == before


def test_script_in_a_note_and_in_a_file_name_is_text(page: Any, served: Served, tmp_path: Path) -> None:
    file = tmp_path / "hostile.csv"
    file.write_bytes(b"nothing\n")
    with Case.open(served.folder) as case:
        case.add(NoteAdded(HOSTILE))
        capture = case.add_capture(file, "u1-cycles", note=HOSTILE, name=f"{HOSTILE[:40]}.csv")
    for path in ("/journal", "/"):
        ready(page, path, served)
        page.get_by_text("<script>document.title='taken'</script>").first.wait_for()
        assert page.title() != "taken"
        assert page.locator("#page img").count() == 0
        assert "{{ 7*7 }}" in page.locator("#page").inner_text()
    with Case.open(served.folder) as case:
        for number, detail in [(e.number, d) for e, d in case.of_kind(CaptureAdded)]:
            if number == capture.number:
                assert detail.note == HOSTILE
                case.withdraw(number, "test")


def test_script_in_the_machine_file_is_text(browser: Any, tmp_path: Path) -> None:
    """In the machine's name, a caution, a part, a path, a test point: on every page, and in its drawings."""
    folder = tmp_path / "lift"
    case = write_hollowmere(folder, cycles=300)
    text = case.machine_file.read_text("utf-8")
    for old in ("Hollowmere lift panel", "lower data to U1", "U1 pin 40"):
        text = text.replace(f'"{old}"', f"'{IMAGE}{old}'")
    text = text.replace('"E2"', f"'{IMAGE}'").replace(
        "The lift must be", f"{IMAGE.replace(chr(34), '')}The lift"
    )
    case.machine_file.write_text(text, "utf-8")
    case.close()
    served = start(folder)
    tab = browser.new_page()
    try:
        tab.goto(served.address)
        for path in ("/", "/ladder", "/measure", "/board"):
            ready(tab, path, served)
            assert tab.locator("#page .wb-bad").count() == 0
            assert tab.locator("img").count() == 0, path
            assert "<img" in tab.locator("body").inner_text(), path
            assert tab.evaluate("window.taken") is None
        assert tab.locator("svg rect[data-part]", has_text="<img").count() > 0
    finally:
        tab.close()
        stop(served.process)


def test_an_entry_is_withdrawn_and_stays(page: Any, served: Served) -> None:
    ready(page, "/journal", served)
    field(page, "Note").fill("To be withdrawn.")
    page.get_by_role("button", name="Add the note").click()
    row = page.locator("tr", has_text="To be withdrawn.")
    row.wait_for()
    row.get_by_role("button").click()
    field(row, "Why?").fill("Written by mistake")
    row.get_by_role("button", name="withdraw").click()
    row.get_by_text("withdrawn by entry").wait_for()
    with Case.open(served.folder) as case:
        gone = [e for e in case.entries(withdrawn=True) if e.detail == NoteAdded("To be withdrawn.")]
    assert len(gone) == 1 and gone[0].withdrawn_by is not None


def test_every_file_is_checked(page: Any, served: Served) -> None:
    ready(page, "/journal", served)
    page.get_by_role("button", name="Check every file").click()
    page.get_by_text("Every original has the hash").wait_for()


def test_the_report_is_handed_over(page: Any, served: Served) -> None:
    ready(page, "/proof", served)
    with page.expect_download(timeout=60_000) as html:
        page.get_by_role("button", name="one HTML page").click()
    text = Path(html.value.path()).read_text("utf-8")
    assert html.value.suggested_filename == "report.html"
    assert "Hollowmere lift panel" in text
    with page.expect_download(timeout=60_000) as pdf:
        page.get_by_role("button", name="PDF").click()
    assert Path(pdf.value.path()).read_bytes().startswith(b"%PDF-")


def test_a_decided_part_is_made_sure_of_before_it_is_unsoldered(page: Any, served_kiln: Served) -> None:
    page.goto(served_kiln.address)
    ready(page, "/measure", served_kiln)
    area = page.locator("#confirm")
    area.wait_for()
    told = area.inner_text()
    assert "Before U3 is unsoldered or replaced, make sure of it" in told
    assert "discharge and measure the supply's capacitors" in told
    assert "it is U3 if" in told and "Pull U3, look at its pins" in told
    ready(page, "/", served_kiln)
    assert "Make sure of it before it is unsoldered" in page.locator(".wb-now").inner_text()
