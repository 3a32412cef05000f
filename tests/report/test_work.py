"""Which object the report is about, what was done to it, and lines to sign: on the page and on paper."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from pypdf import PdfReader

from report.conftest import MARKUP, SCRIPT, case_of
from report.read_back import html_texts, pdf_text, squeezed
from wrongbit.case.entries import Entry, ObjectDescribed, WorkDone
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.demo.case import DemoCase
from wrongbit.report.build import build_report
from wrongbit.report.content import Listed, Report, Section, Signatures, Table
from wrongbit.report.html import render_html
from wrongbit.report.pdf import render_pdf
from wrongbit.report.sections.closing import MOST_SIGNERS, signatures_section, work_sections

UNBROKEN = "KM2716ABCDEFGHABCDEFGH"


@pytest.fixture(scope="module")
def kept_case(tide: DemoCase, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Case]:
    """An object that was moved, worked on in three years, with a mistake in its record."""
    with case_of(tide, tmp_path_factory.mktemp("kept") / "tide") as case:
        case.add(ObjectDescribed(inventory="SM 1931.2", owner="Saltmarsh Tide House", place="store A"))
        case.add(ObjectDescribed(place=f"bench {SCRIPT}", maker=MARKUP))
        case.add(
            WorkDone(
                "replaced", "U3", "2026-03-04", "Bram Ottoway", UNBROKEN, "27C64", "yes", "bag 4", SCRIPT
            )
        )
        case.add(WorkDone("cleaned", "X1", "1987"))
        wrong = case.add(WorkDone("removed", "U9", "2025"))
        case.withdraw(wrong.number, "another machine")
        case.add(WorkDone("socket changed", "U4", "1987-05", "Wilhelmina"))
        yield case


@pytest.fixture(scope="module")
def kept(kept_case: Case) -> Report:
    return build_report(Casework(kept_case))


def section(report: Report, title: str) -> Section:
    return next(each for each in report.sections if each.title == title)


def work(number: int, made: WorkDone) -> Entry:
    return Entry(number, datetime(2026, 3, 1, tzinfo=UTC), "ada", "1", made)


def test_the_object_stands_at_the_head_as_it_is_now(kept: Report) -> None:
    assert kept.object_facts == (
        ("Inventory number", "SM 1931.2"),
        ("Owner", "Saltmarsh Tide House"),
        ("Maker", MARKUP),
        ("Stands at", f"bench {SCRIPT}"),
    )
    first = squeezed(PdfReader(io.BytesIO(render_pdf(kept))).pages[0].extract_text())
    places = [
        first.index(squeezed(text)) for text in (kept.title, "SM 1931.2", MARKUP, "Case", "The machine")
    ]
    assert places == sorted(places)


def test_what_was_done_stands_before_the_proof_in_the_order_of_time(kept: Report) -> None:
    titles = [each.title for each in kept.sections]
    assert titles[titles.index("What was done") + 1] == "Proof of the repair"
    (table,) = section(kept, "What was done").blocks
    assert isinstance(table, Table)
    assert [row[1] for row in table.rows] == ["1987", "1987-05", "2026-03-04"]
    assert [each.title for each in table.columns] == [
        "entry", "date", "who", "what", "came out", "went in", "reversible", "old part is kept",
    ]  # fmt: skip
    assert table.rows[1][2:4] == ("Wilhelmina", "Socket of U4 changed")
    assert table.rows[2][3:] == (f"U3 replaced. {SCRIPT}", UNBROKEN, "27C64", "yes", "bag 4")


def test_a_missing_old_part_is_an_open_question(kept: Report) -> None:
    (listed,) = section(kept, "Open questions and what was not known").blocks
    assert isinstance(listed, Listed)
    assert [each for each in listed.items if "old part" in each] == [
        "Socket of U4 changed (entry 8): what became of the old part is not written down."
    ]


def test_lines_to_sign(kept: Report) -> None:
    assert kept.sections[-1].title == "Signatures"
    (block,) = kept.sections[-1].blocks
    assert isinstance(block, Signatures)
    people = [name for _, name in block.lines if name]
    assert people[1:] == ["Wilhelmina", "Bram Ottoway"] and len(people) == 3  # the first: who wrote it
    assert block.lines[-2:] == (("Checked by", ""), ("For the owner, Saltmarsh Tide House", ""))
    assert ("Worked on by" in dict(kept.facts)) and "Bram Ottoway" in dict(kept.facts)["Worked on by"]


def test_page_and_paper_have_all_of_it(kept: Report) -> None:
    page, paper = html_texts(render_html(kept)), squeezed(pdf_text(render_pdf(kept)))
    on_page = squeezed("".join(page.found))
    wanted = [
        text for each in (section(kept, "What was done"), kept.sections[-1]) for text in texts(kept, each)
    ]
    for text in (*wanted, *(value for _, value in kept.object_facts)):
        assert squeezed(text) in on_page and squeezed(text) in paper, text
    assert not [tag for tag, _ in page.tags if tag == "script"]


def texts(report: Report, part: Section) -> list[str]:
    alone = replace(report, title="", subtitle="", facts=(), summary=(), object_facts=(), sections=(part,))
    return [text for text in alone.texts() if text]


def test_the_paper_stays_for_the_archive(kept: Report) -> None:
    """PDF/A (ISO 19005) and PDF/UA (ISO 14289) name themselves in the metadata."""
    xmp = PdfReader(io.BytesIO(render_pdf(kept))).trailer["/Root"]["/Metadata"].get_data().decode()  # type: ignore[index]
    assert "<pdfaid:part>2</pdfaid:part>" in xmp and "<pdfuaid:part>1</pdfuaid:part>" in xmp


def test_without_them_there_is_no_empty_heading(report: Report) -> None:
    assert report.object_facts == ()
    assert "What was done" not in [each.title for each in report.sections]
    page = render_html(report)
    assert 'class="object"' not in page and "Inventory number" not in page
    (block,) = report.sections[-1].blocks
    assert block == Signatures((("Examined by", ""), ("Checked by", "")))


def test_columns_of_which_nothing_is_known_are_left_out() -> None:
    ((table,),) = (each.blocks for each in work_sections([work(1, WorkDone("cleaned", "X1", "1987"))]))
    assert isinstance(table, Table)
    assert [each.title for each in table.columns] == ["entry", "date", "who", "what"]


def test_a_crowd_signs_on_lines_that_fit() -> None:
    (block,) = signatures_section([f"P{number}" for number in range(30)], "").blocks
    assert isinstance(block, Signatures) and len(block.lines) == MOST_SIGNERS + 1


def test_an_unbroken_marking_stays_in_its_column(kept: Report) -> None:
    """Where pypdf finds the pieces of text, in points from the paper's left edge."""
    found: list[tuple[float, str]] = []

    def see(text: str, place: list[float], matrix: list[float], *_: object) -> None:
        found.append((matrix[4] + place[4] * matrix[0], text.strip()))

    for page in PdfReader(io.BytesIO(render_pdf(kept))).pages:
        if "went in" in page.extract_text():
            page.extract_text(visitor_text=see)
    left, right = (next(x for x, text in found if text == head) for head in ("came out", "went in"))
    pieces = [x for x, text in found if len(text) > 2 and text in UNBROKEN]
    assert len(pieces) >= len(UNBROKEN) // 4 and left < right
    assert left - 1 <= min(pieces) and max(pieces) + 20 < right
