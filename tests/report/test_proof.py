"""A repair that is proved, and what the report says before and after."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from report.conftest import case_of
from report.read_back import html_texts, pdf_text, squeezed
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.casework.waivers import waiver_of
from wrongbit.demo.case import write_case
from wrongbit.report.build import build_report
from wrongbit.report.content import Heading, Listed, Paragraph, Report, Table
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


@pytest.fixture(scope="module")
def unread(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Case]:
    """A stuck data line, by which the program went astray; nothing fresh is there yet."""
    place = tmp_path_factory.mktemp("stuck")
    dead = write_case(place / "dead", "quarrybank", "stuck-low:U2.D5", points=["u1-timing"], cycles=1500)
    with case_of(dead, place / "kiln") as case:
        case.add_capture(dead.captures[0].path, "u1-timing")
        yield case


def told(case: Case) -> list[str]:
    """Every sentence of the report's section on the proof."""
    section = next(
        each for each in build_report(Casework(case)).sections if each.title == "Proof of the repair"
    )
    found: list[str] = []
    for block in section.blocks:
        if isinstance(block, Listed):
            found += block.items
        elif isinstance(block, Paragraph | Heading):
            found.append(block.text)
    return found


def test_before_anything_fresh_the_wrong_words_are_told_in_a_sentence(unread: Case):
    texts = told(unread)
    assert any(
        "a fresh capture that is to prove the repair has to read all of them again" in each for each in texts
    )
    assert not any("the word at" in each for each in texts)


def test_what_is_left_and_what_is_waived_is_told(unread: Case, tmp_path_factory: pytest.TempPathFactory):
    work = Casework(unread)
    sound = write_case(
        tmp_path_factory.mktemp("after"), "quarrybank", "none", points=["u1-timing"], cycles=3000
    )
    unread.add_capture(sound.captures[0].path, "u1-timing", note="proof", name="after.csv")
    texts = told(unread)
    assert "What is left to do" in texts and "Wrong before and not looked at again" in texts
    unread.add(
        waiver_of(work.machine, work.proof(), "0000..FFFF", "Only the program gone astray reads them.")
    )
    texts = told(unread)
    assert "Waived, not proved" in texts and "Wrong before and not looked at again" not in texts
    assert any("Only the program gone astray reads them" in each for each in texts)
    section = next(each for each in build_report(work).sections if each.title == "Proof of the repair")
    table = next(block for block in section.blocks if isinstance(block, Table))
    assert table.rows[0][3] == "waived"


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
