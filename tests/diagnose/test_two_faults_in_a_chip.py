"""Two faults within one chip are one suspect, which explains everything: the Saltmarsh demo's usual fault."""

from __future__ import annotations

from pathlib import Path

from wrongbit.demo.case import write_case
from wrongbit.diagnose.looks import Look
from wrongbit.diagnose.structure import Structure
from wrongbit.diagnose.suspects import weigh_suspects
from wrongbit.faults.evidence import gather_evidence
from wrongbit.job import DEFAULT_NOISE, compare_capture, open_job


def test_a_dead_row_and_a_weak_column_of_one_chip(tmp_path: Path) -> None:
    """The simulator's truth: row 3 of U11 is dead, column 17 of its output D3 is weak."""
    case = write_case(tmp_path, "saltmarsh", points=("u1-cycles",), cycles=8000)
    job = open_job(case.machine_file, point="u1-cycles")
    found = compare_capture(job, case.captures[0].path)
    evidence = gather_evidence(found.cycles, found.verdicts)
    look = Look.of(job.point, "capture", evidence, job.memory_map, DEFAULT_NOISE)
    weighing = weigh_suspects(Structure(job.machine), [look])
    best = weighing.suspects()[0]
    assert best.part == "U11" and best.share > 0.99
    assert "Row 3" in best.ways[0][0] and "Column 17" in best.ways[0][0]
    assert weighing.explained
