"""The whole report of a case: what is in it, and that both forms say the same, as text."""

from __future__ import annotations

import hashlib
import io
import re
import xml.etree.ElementTree as ElementTree
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from pypdf import PdfReader

from report.conftest import MARKUP, SCRIPT, case_of
from report.read_back import html_texts, pdf_text, squeezed
from wrongbit.casework.casework import Casework
from wrongbit.demo.case import DemoCase
from wrongbit.errors import CaseError
from wrongbit.image.formats import read_image
from wrongbit.job import Comparison, Diagnosis, Job
from wrongbit.report.build import build_report, check_originals
from wrongbit.report.content import Column, Figure, Listed, Paragraph, Report, Section, Table
from wrongbit.report.html import render_html
from wrongbit.report.pdf import render_pdf
from wrongbit.report.sections.captures import not_known
from wrongbit.report.theme import LIGHT


@pytest.fixture(scope="module")
def page(report: Report) -> str:
    return render_html(report)


@pytest.fixture(scope="module")
def paper(report: Report) -> bytes:
    return render_pdf(report)


def section(report: Report, title: str) -> Section:
    return next(each for each in report.sections if each.title.startswith(title))


def cells(section: Section) -> list[str]:
    return [
        cell for block in section.blocks if isinstance(block, Table) for row in block.rows for cell in row
    ]


def sentences(section: Section) -> str:
    return "\n".join(block.text for block in section.blocks if isinstance(block, Paragraph))


# -- content -----------------------------------------------------------------------------------------------


def test_the_sections_come_in_the_order_of_the_job(report: Report):
    assert [each.title for each in report.sections] == [
        "The machine",
        "Cautions",
        "Bring-up ladder",
        "Evidence",
        "Capture u1-timing.csv at u1-timing (entry 2)",
        "How the captures were read",
        "Suspects",
        "Next measurement",
        "Chips out of circuit",
        *(each.title for each in report.sections if each.title.startswith("Replacement")),
        "Proof of the repair",
        "Open questions and what was not known",
        "Journal",
        "Files",
        "Signatures",
    ]


def test_the_numbers_are_those_of_the_job(report: Report, comparison: Comparison, diagnosis: Diagnosis):
    found = section(report, "Capture")
    summary = comparison.summary
    assert f"{summary.agrees} agree" in sentences(found)
    assert f"{summary.differs} differ" in sentences(found)
    assert str(summary.first_wrong) in cells(found)
    assert diagnosis.findings.best.say() in cells(found)


def test_every_file_has_its_hash(report: Report, tide: DemoCase):
    """SHA-256 of the files as the standard library gives it."""
    told = cells(section(report, "Files"))
    for path in (tide.captures[0].path, tide.machine_file, *tide.folder.glob("bank*")):
        assert hashlib.sha256(path.read_bytes()).hexdigest() in told


def test_what_has_not_been_done_is_said(report: Report):
    told = "\n".join(sentences(each) for each in report.sections)
    assert "No chip was read, rebuilt or replaced." in told
    assert "Not proved: no fresh capture and no fresh reading" in told
    assert "The repair has not been proved" in report.summary[-1].text


def test_what_was_not_known_is_gathered(report: Report, job: Job, comparison: Comparison):
    found = section(report, "Open questions")
    told = "\n".join(item for block in found.blocks if isinstance(block, Listed) for item in block.items)
    assert "no word of U13 or U14 was read" in told  # nothing ran in the second bank
    unjudged = replace(comparison.summary.unjudged, nobody=25)
    dim = replace(comparison, summary=replace(comparison.summary, not_known=25, unjudged=unjudged))
    assert not_known("u1.csv", job, dim)[0] == (
        f"u1.csv: 25 of {dim.summary.reading} reads could not be judged (25: no memory answers there)."
    )


def test_what_was_withdrawn_stays_in_the_journal_but_is_no_evidence(report: Report):
    journal = cells(section(report, "Journal"))
    assert any("Meant for another machine." in cell and "withdrawn by entry" in cell for cell in journal)
    assert "Meant for another machine." not in "".join(cells(section(report, "Evidence")))


def test_the_failing_rung_is_marked(report: Report):
    table = next(block for block in section(report, "Bring-up").blocks if isinstance(block, Table))
    assert [table.rows[number][0] for number in table.marked] == ["CK duty"]


def test_every_figure_can_be_drawn_and_every_one_has_a_caption(report: Report):
    figures = [block for each in report.sections for block in each.blocks if isinstance(block, Figure)]
    assert len(figures) >= 6
    for figure in figures:
        root = ElementTree.fromstring(figure.draw(LIGHT))
        assert root.get("role") == "img" and root.get("aria-label")
        assert figure.caption.endswith(".")


def test_a_row_must_have_a_cell_a_column():
    with pytest.raises(ValueError, match="one cell a column"):
        Table((Column("one"), Column("two")), (("1",),))


# -- both forms --------------------------------------------------------------------------------------------


def test_pdf_and_page_say_the_same(page: str, paper: bytes):
    """Text of the PDF as pypdf extracts it, text of the page as Python's own parser does."""
    on_paper = squeezed(pdf_text(paper))
    on_page = html_texts(page)
    missing = [text for text in on_page.found if squeezed(text) not in on_paper]
    assert missing == []
    assert len(on_page.found) > 400


def test_the_pdf_has_no_number_that_the_page_has_not(page: str, paper: bytes):
    numbers = Counter(re.findall(r"[0-9A-F]{4,}", squeezed_lines(pdf_text(paper))))
    told = "\n".join(html_texts(page).found)
    assert numbers
    assert [number for number in numbers if number not in squeezed(told)] == []


def squeezed_lines(text: str) -> str:
    """Only numbers that stand on one line: a broken hash is none."""
    return "\n".join(line for line in text.splitlines() if not re.search(r"[0-9a-f]{20}", line))


def test_every_text_of_the_content_is_in_both(report: Report, page: str, paper: bytes):
    on_page = squeezed("".join(html_texts(page).found))
    on_paper = squeezed(pdf_text(paper))
    texts = [squeezed(text) for text in report.texts() if text.strip()]
    assert [text for text in texts if text not in on_page] == []
    assert [text for text in texts if text not in on_paper] == []


def test_scripts_and_markup_in_notes_are_text(page: str, paper: bytes):
    shown = html_texts(page)
    assert SCRIPT in shown.found
    assert MARKUP in shown.found
    assert not [tag for tag, _ in shown.tags if tag == "script"]
    assert not [key for _, attributes in shown.tags for key in attributes if key.startswith("on")]
    text = squeezed(pdf_text(paper))
    assert squeezed(SCRIPT) in text and squeezed(MARKUP) in text


def test_the_page_fetches_nothing_and_runs_nothing(page: str):
    tags = html_texts(page).tags
    assert not [
        tag for tag, _ in tags if tag in ("script", "link", "img", "iframe", "object", "embed", "form")
    ]
    links = [
        value or "" for _, each in tags for key, value in each.items() if key in ("href", "src", "xlink:href")
    ]
    assert links and all(link.startswith("#s") for link in links)
    assert "url(" not in page and "@import" not in page
    policy = next(each for tag, each in tags if each.get("http-equiv") == "Content-Security-Policy")
    assert policy["content"] == "default-src 'none'; style-src 'unsafe-inline'"


def test_the_pdf_runs_nothing_and_is_for_the_archive(paper: bytes):
    """PDF/A (ISO 19005) and PDF/UA (ISO 14289) name themselves in the metadata."""
    reader = PdfReader(io.BytesIO(paper))
    assert reader.metadata is not None and reader.metadata.title == "Saltmarsh tide recorder"
    for name in (b"/JavaScript", b"/Launch", b"/EmbeddedFile"):
        assert name not in paper
    xmp = reader.trailer["/Root"]["/Metadata"].get_data().decode()  # type: ignore[index]
    assert "<pdfaid:part>2</pdfaid:part>" in xmp and "<pdfuaid:part>1</pdfuaid:part>" in xmp
    assert reader.trailer["/Root"]["/Lang"] == "en"  # type: ignore[index]


def test_the_same_case_at_the_same_time_gives_the_same_pdf(report: Report):
    at = datetime(2024, 5, 1, 12, tzinfo=UTC)
    small = replace(report, sections=report.sections[:4], made_at=at)
    assert render_pdf(small) == render_pdf(small)


@pytest.mark.parametrize(
    "text",
    [
        "emoji \N{GRINNING FACE} and \N{GREEK SMALL LETTER OMEGA}",
        "\u6f22\u5b57",
        "private \ue000 use",
        "control \x00\x07 and \uffff",
        "a" * 3000,
        "@ref <label> = heading\n- list\n/ term: x",
        "https://example.org/?a=b#c",
        "",
    ],
)
def test_any_text_gives_a_page_and_a_paper(text: str):
    table = Table((Column(text), Column("w", "word", 1)), ((text, text),), text)
    blocks = (Paragraph(text), Paragraph(text, "caution"), table)
    odd = Report(text or "–", text, ((text, text),), (Paragraph(text),), (Section(text or "–", blocks),))
    assert render_pdf(odd).startswith(b"%PDF-")
    assert "\x00" not in render_html(odd)


def test_a_name_cannot_turn_the_direction_of_writing():
    page = render_html(Report("U7\u202eFDP.", "", (), ()))
    assert "\u202e" not in page and "\ufffd" in page


# -- cases -------------------------------------------------------------------------------------------------


def test_an_empty_case_has_a_report(tide: DemoCase, tmp_path: Path):
    with case_of(tide, tmp_path / "empty") as case:
        report = build_report(Casework(case))
    assert "No capture was taken yet" in report.summary[-2].text
    assert "No capture was taken." in sentences(section(report, "Evidence"))
    assert render_pdf(report).startswith(b"%PDF-")


def test_a_capture_that_cannot_be_read_spoils_only_its_own_section(tide: DemoCase, tmp_path: Path):
    spoilt = tmp_path / "spoilt.csv"
    spoilt.write_text("this is,no capture\n1,2\n")
    with case_of(tide, tmp_path / "case") as case:
        case.add_capture(spoilt, "u1-timing")
        report = build_report(Casework(case))
    assert "Nothing could be made of it" in sentences(section(report, "Capture spoilt.csv"))


def test_no_folder_of_the_computer_is_told(tide: DemoCase, tmp_path: Path):
    """An image and a listing that were added lie in the case's store, at a place with a hash in its name."""
    words = read_image(tide.folder / "bank0.lst", word_bits=16).words
    image, printed = tmp_path / "u11.bin", tmp_path / "print-out.txt"
    image.write_bytes((words & 0xFF).astype("u1").tobytes())
    printed.write_text(f"0000 {words[0]:04X}\n0001 {words[1]:04X}\nillegible\n", "utf-8")
    with case_of(tide, tmp_path / "tide") as case:
        lines = case.machine_file.read_text("utf-8").splitlines()
        kept = [line for line in lines if 'take = "low"' not in line or "bank0" not in line]
        assert len(kept) == len(lines) - 1
        case.machine_file.write_text("\n".join(kept), "utf-8")
        case.add_reference(image, "image", "U11")
        for _ in range(2):  # the same print-out once more, under the same name
            case.add_reference(printed, "listing", "U11")
        case.add_capture(tide.captures[0].path, "u1-timing")
        told = "\n".join(build_report(Casework(case)).texts())
    assert "u11.bin" in told and "print-out.txt" in told
    assert str(tmp_path) not in told and "store/" not in told
    assert told.count("print-out.txt: 2 of 3 lines used") == 1


def test_a_missing_original_stops_the_report(tide: DemoCase, tmp_path: Path):
    with case_of(tide, tmp_path / "case") as case:
        entry = case.add_capture(tide.captures[0].path, "u1-timing")
        check_originals(case)
        path = case.path_of(entry.detail.file)  # type: ignore[union-attr]
        path.chmod(0o644)
        path.unlink()
        with pytest.raises(CaseError, match="not as it was kept") as caught:
            check_originals(case)
    assert path.name in " ".join(caught.value.notes)


def test_a_changed_original_stops_the_report(tide: DemoCase, tmp_path: Path):
    with case_of(tide, tmp_path / "case") as case:
        entry = case.add_capture(tide.captures[0].path, "u1-timing")
        path = case.path_of(entry.detail.file)  # type: ignore[union-attr]
        path.chmod(0o644)
        path.write_bytes(path.read_bytes() + b"\n")
        with pytest.raises(CaseError, match="not as it was kept"):
            check_originals(case)
