"""Faults and mistakes of the set-up side by side, as the diagnosis weighs them."""

from __future__ import annotations

import re
from pathlib import Path

import polars
import pytest

from wrongbit.casework.words import diagnosis_conclusion
from wrongbit.demo.case import write_case
from wrongbit.job import Diagnosis, Job, compare_capture, diagnose, open_job
from wrongbit.report.content import Block, Paragraph, Table
from wrongbit.report.figures import finding_odds
from wrongbit.report.sections.faults import best, fault_blocks


def weighed(folder: Path, fault: str) -> tuple[Job, Diagnosis]:
    demo = write_case(folder, "quarrybank", fault, points=["u1-cycles"], cycles=6000)
    job = open_job(demo.machine_file, point="u1-cycles")
    return job, diagnose(job, compare_capture(job, demo.captures[0].path))


@pytest.fixture(scope="module")
def lead_off(tmp_path_factory: pytest.TempPathFactory) -> tuple[Job, Diagnosis]:
    """A sound machine, seen with the lead of D5 off its pin: low in writes and in reads alike."""
    demo = write_case(tmp_path_factory.mktemp("off"), "quarrybank", "none", points=["u1-cycles"], cycles=6000)
    file = demo.captures[0].path
    table = polars.read_csv(file, infer_schema=False)
    low = [f"{int(each, 16) & ~0x20:02X}" for each in table["DAT"]]
    table.with_columns(polars.Series("DAT", low)).write_csv(file)
    job = open_job(demo.machine_file, point="u1-cycles")
    return job, diagnose(job, compare_capture(job, file))


def sentences(blocks: list[Block]) -> str:
    return "\n".join(block.text for block in blocks if isinstance(block, Paragraph))


def test_a_lead_that_is_off_is_told_before_any_fault(lead_off: tuple[Job, Diagnosis]):
    job, diagnosis = lead_off
    assert diagnosis.check_first
    blocks = [*fault_blocks(job, diagnosis)]
    told = sentences(blocks)
    assert "A sound machine would show the same words if:" in told
    assert told.startswith("Check the clips: that is likelier than any fault of the machine.")
    assert "The lead D5" in best(diagnosis)
    table = next(block for block in blocks if isinstance(block, Table))
    set_up = [row for row in table.rows if row[0] == "set-up"]
    assert set_up and all("not in the machine" in row[2] for row in set_up)
    assert "The lead D5" in set_up[0][2]


def test_odds_of_faults_and_mistakes_stand_in_one_figure(lead_off: tuple[Job, Diagnosis]):
    _, diagnosis = lead_off
    first = diagnosis.check_first
    odds = finding_odds(diagnosis.findings, diagnosis.mistakes, len(first), most=100)
    tied = [each.tied for each in odds]
    assert tied == sorted(tied, reverse=True)
    assert sum(each.label.startswith("Set-up: ") and each.tied for each in odds) == len(first)
    assert sum(each.share for each in odds) <= 1 + 1e-6


def test_a_fault_of_the_machine_is_told_at_once(tmp_path: Path):
    job, diagnosis = weighed(tmp_path, "stuck-low:U3.D5")
    assert not diagnosis.check_first
    assert diagnosis_conclusion(job, diagnosis).startswith("Look at chip U3")
    assert re.fullmatch(
        r"Output D5 of U3 .*%\), or 1 other fault that cannot be told from it\.", best(diagnosis)
    )
    assert "A sound machine would show" not in sentences([*fault_blocks(job, diagnosis)])


def test_a_sound_machine_has_nothing_to_explain(tmp_path: Path):
    job, diagnosis = weighed(tmp_path, "none")
    blocks = [*fault_blocks(job, diagnosis)]
    assert not any(isinstance(block, Table) for block in blocks)
    assert diagnosis.findings.remark() in sentences(blocks)
