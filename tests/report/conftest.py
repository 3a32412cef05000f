"""Cases of invented machines, as a person at the bench would have them."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from wrongbit.case.entries import NoteAdded, ValueAdded
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.demo.case import DemoCase, write_case
from wrongbit.job import Comparison, Diagnosis, Job, compare_capture, diagnose, open_job
from wrongbit.report.build import build_report
from wrongbit.report.content import Report

SCRIPT = "<script>alert('note')</script>"
MARKUP = '#panic("x") #let a = [b] $x$ *bold* _it_ `raw` \\u{41} // gone <label> @ref & "quoted"'


@pytest.fixture(scope="session")
def tide(tmp_path_factory: pytest.TempPathFactory) -> DemoCase:
    """A dead row in a ROM, and a weak column, captured at the processor's pins."""
    return write_case(tmp_path_factory.mktemp("tide"), "saltmarsh", points=["u1-timing"], cycles=1000)


@pytest.fixture(scope="session")
def job(tide: DemoCase) -> Job:
    return open_job(tide.machine_file, point="u1-timing")


@pytest.fixture(scope="session")
def comparison(tide: DemoCase, job: Job) -> Comparison:
    return compare_capture(job, tide.captures[0].path)


@pytest.fixture(scope="session")
def diagnosis(job: Job, comparison: Comparison) -> Diagnosis:
    return diagnose(job, comparison)


def case_of(demo: DemoCase, folder: Path) -> Case:
    """The machine file and its images as a case, without captures."""
    shutil.copytree(demo.folder, folder, ignore=shutil.ignore_patterns(*(c.path.name for c in demo.captures)))
    (folder / demo.machine_file.name).rename(folder / "machine.toml")
    return Case.open(folder)


@pytest.fixture(scope="session")
def tide_case(tide: DemoCase, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Case]:
    """A case with a capture, values by hand, and notes that look like code."""
    with case_of(tide, tmp_path_factory.mktemp("case") / "tide") as case:
        case.add_capture(tide.captures[0].path, "u1-timing", note=SCRIPT)
        case.add(ValueAdded("VCC = 4.9 V", note="at the socket"))
        case.add(ValueAdded("CK duty = 20 %"))
        case.add(NoteAdded(MARKUP))
        wrong = case.add(NoteAdded("Meant for another machine."))
        case.withdraw(wrong.number, "wrong case")
        yield case


@pytest.fixture(scope="session")
def report(tide_case: Case) -> Report:
    return build_report(Casework(tide_case))
