"""A repair that is proved, and what the report says before and after."""

from __future__ import annotations

from pathlib import Path

import pytest

from report.conftest import case_of
from report.read_back import html_texts, pdf_text, squeezed
from wrongbit.casework.casework import Casework
from wrongbit.demo.case import write_case
from wrongbit.report.build import build_report
from wrongbit.report.content import Paragraph, Report, Table
from wrongbit.report.html import render_html
from wrongbit.report.pdf import render_pdf


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Report:
    """Bridged address lines, then the same machine without its fault."""
    dead = write_case(tmp_path_factory.mktemp("dead"), "quarrybank", points=["u1-timing"], cycles=1500)
    sound = write_case(
        tmp_path_factory.mktemp("sound"), "quarrybank", "none", points=["u1-timing"], cycles=1500
    )
    fresh: Path = sound.captures[0].path
    with case_of(dead, tmp_path_factory.mktemp("case") / "kiln") as case:
        case.add_capture(dead.captures[0].path, "u1-timing")
        case.add_capture(fresh, "u1-timing", note="proof: socket of U3 cleaned", name="after.csv")
        return build_report(Casework(case))


def test_before_and_after_stand_side_by_side(report: Report):
    proof = next(each for each in report.sections if each.title == "Proof of the repair")
    table = next(block for block in proof.blocks if isinstance(block, Table))
    assert [column.title for column in table.columns] == ["what", "before", "after", "verdict", "why"]
    bus = table.rows[0]
    assert "differ" in bus[1] and bus[1] != bus[2]
    assert bus[3] in ("proved", "not covered")
    assert isinstance(proof.blocks[0], Paragraph) and proof.blocks[0].text in report.summary[-1].text


def test_the_fresh_capture_has_its_own_section_and_is_sound(report: Report):
    found = next(each for each in report.sections if each.title.startswith("Capture after.csv"))
    told = [block.text for block in found.blocks if isinstance(block, Paragraph)]
    assert "Every word that could be judged agrees with what should have been there." in told


def test_both_forms_say_the_same_of_the_proof(report: Report):
    on_paper = squeezed(pdf_text(render_pdf(report)))
    missing = [text for text in html_texts(render_html(report)).found if squeezed(text) not in on_paper]
    assert missing == []
