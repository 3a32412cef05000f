"""Chips out of circuit in the report: readings, rebuilt contents, replacement; drawings of other rooms."""

from __future__ import annotations

import hashlib
import xml.etree.ElementTree as ElementTree
import zlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from report.read_back import html_texts, pdf_text, squeezed
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.demo.readings import ChipCase, write_chip_case
from wrongbit.report.build import ChipChoices, build_report
from wrongbit.report.content import Figure, Listed, Paragraph, Report, Section, Table
from wrongbit.report.figures import board_map, chip_map, replacement_drawing, suspect_odds
from wrongbit.report.html import render_html
from wrongbit.report.pdf import render_pdf
from wrongbit.report.theme import THEMES, Theme

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def worn(tmp_path_factory: pytest.TempPathFactory) -> ChipCase:
    """An EPROM that has lost charge, read six times, with a twin and a torn printout."""
    return write_chip_case(tmp_path_factory.mktemp("worn"))


@pytest.fixture(scope="module")
def work(worn: ChipCase, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Casework]:
    files: dict[str, bytes | str] = {path.name: path.read_bytes() for path in worn.images}
    files["machine.toml"] = worn.machine_file.read_bytes()
    assert worn.printout is not None and worn.twin is not None
    files[worn.printout.name] = worn.printout.read_bytes()
    with Case.create(tmp_path_factory.mktemp("case") / "kiln", files) as case:
        for path in worn.readings:
            case.add_reading(path, worn.chip.name)
        case.add_reference(worn.twin, "twin", worn.chip.name)
        case.add_reference(worn.printout, "listing", worn.chip.name)
        yield Casework(case)


@pytest.fixture(scope="module")
def report(work: Casework, worn: ChipCase) -> Report:
    assert worn.worn is not None
    chosen = ChipChoices(checksums=(worn.worn.checksum,), shape="2764", memory="27C64")
    return build_report(work, choices={worn.chip.name: chosen})


def section(report: Report, title: str) -> Section:
    return next(each for each in report.sections if each.title == title)


def said(section: Section) -> str:
    told = []
    for block in section.blocks:
        told += [block.text] if isinstance(block, Paragraph) else []
        told += block.items if isinstance(block, Listed) else ()
        told += [cell for row in block.rows for cell in row] if isinstance(block, Table) else []
    return "\n".join(told)


def test_the_readings_name_the_fault_and_draw_the_map(report: Report):
    found = section(report, "Readings of U3")
    assert "has lost charge" in said(found)
    assert any(isinstance(block, Figure) and "array" in block.caption for block in found.blocks)
    assert any("U3 in the reader, 6 passes" in each.text for each in report.summary)


def test_the_rebuilt_contents_have_the_checksums_of_what_left_the_factory(report: Report, worn: ChipCase):
    """CRC-32 by zlib and SHA-256 by hashlib, over the truth that no file of the case holds."""
    truth = worn.truth.astype(np.uint8).tobytes()
    told = said(section(report, "Rebuilt contents of U3"))
    assert f"{zlib.crc32(truth):08X}" in told
    assert hashlib.sha256(truth).hexdigest() in told


def test_without_the_checksum_unknown_bits_stay_open(work: Casework):
    rough = build_report(work)
    told = said(section(rough, "Rebuilt contents of U3"))
    assert "have bits that nothing tells; they are left open." in told
    assert "No checksum of the contents is given, since some bits are unknown." in told
    assert "No checksum was used" in told


def test_the_replacement_that_was_asked_for_is_planned(report: Report):
    found = section(report, "Replacement for U3")
    assert "27C64" in said(found)
    captions = [block.caption for block in found.blocks if isinstance(block, Table)]
    assert any(caption.startswith("Worst-case timing") for caption in captions)
    assert any(caption.startswith("Parts") for caption in captions)


def test_a_replacement_that_cannot_be_planned_says_why(work: Casework):
    rough = build_report(work, choices={"U3": ChipChoices(shape="9999")})
    assert "Not planned: " in said(section(rough, "Replacement for U3"))


def test_both_forms_say_the_same_of_chips_too(report: Report):
    on_paper = squeezed(pdf_text(render_pdf(report)))
    missing = [text for text in html_texts(render_html(report)).found if squeezed(text) not in on_paper]
    assert missing == []


def test_a_chip_that_is_gone_from_the_machine_file_spoils_nothing(
    work: Casework, tmp_path: Path, worn: ChipCase
):
    files: dict[str, bytes | str] = {path.name: path.read_bytes() for path in worn.images}
    files["machine.toml"] = worn.machine_file.read_bytes()
    with Case.create(tmp_path / "case", files) as case:
        case.add_reading(worn.readings[0], "U77")
        found = build_report(Casework(case))
    assert "Nothing could be made of them" in said(section(found, "Readings of U77"))


# -- the other rooms' drawings -----------------------------------------------------------------------------


def coloured(svg: str) -> set[str]:
    root = ElementTree.fromstring(svg)
    assert root.get("role") == "img"
    assert root.find(f"{SVG}title") is not None and root.find(f"{SVG}desc") is not None
    return {
        value
        for each in root.iter()
        for key, value in each.attrib.items()
        if key in ("fill", "stroke") and value.startswith("#")
    }


@pytest.mark.parametrize("theme", THEMES.values(), ids=THEMES)
def test_drawings_of_other_rooms_take_the_theme_s_colours(work: Casework, theme: Theme):
    weighing = work.weighing()
    assert weighing is not None
    plan = work.fitting("U3", shape="2764").plans[0]
    for svg in (
        chip_map(work.examination("U3"), theme),
        board_map(weighing, theme),
        replacement_drawing(plan, theme),
    ):
        assert coloured(svg) <= set(theme.colours().values())


def test_a_board_map_s_names_are_text(work: Casework):
    weighing = work.weighing()
    assert weighing is not None
    machine = weighing.structure.machine
    hostile = '"><script>alert(1)</script>'
    about = machine.machine.model_copy(update={"name": hostile})
    renamed = machine.model_copy(update={"machine": about})
    structure = type(weighing.structure)(renamed)
    root = ElementTree.fromstring(board_map(replace(weighing, structure=structure), THEMES["light"]))
    assert root.get("aria-label") == f"Board map: {hostile}"
    assert not list(root.iter(f"{SVG}script"))


def test_odds_of_suspects_are_their_shares(work: Casework):
    weighing = work.weighing()
    assert weighing is not None
    odds = suspect_odds(weighing, 3)
    assert [each.label for each in odds] == [each.part for each in weighing.suspects()[:3]]
    assert [each.share for each in odds] == [each.share for each in weighing.suspects()[:3]]
