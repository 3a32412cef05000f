"""The tables against the arrays below them, and the notebook in the documents against itself run again."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import nbformat
import numpy as np
import polars as pl
import pytest

from wrongbit.bus.cycles import KIND_CODE
from wrongbit.compare.verdicts import AGREES, DIFFERS
from wrongbit.demo.case import write_case
from wrongbit.errors import UsageError, WrongbitError
from wrongbit.notebook import Run, hexadecimal, open_capture, open_case
from wrongbit.report.theme import DARK

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    case = write_case(tmp_path_factory.mktemp("run"), "quarrybank", points=("u1-timing",), cycles=3000)
    return open_capture(case.machine_file, case.captures[0].path, point="u1-timing")


def test_a_row_for_each_cycle(run: Run) -> None:
    frame, found = run.cycles(), run.comparison
    assert frame.height == len(found.cycles)
    assert (frame["verdict"] == "differs").sum() == found.summary.differs > 0
    assert (frame["verdict"] == "agrees").sum() == int((found.verdicts.verdict == AGREES).sum())
    assert (frame["kind"] == "fetch").sum() == int((found.cycles.kind == KIND_CODE["fetch"]).sum())
    rows = np.flatnonzero(found.verdicts.verdict == DIFFERS)
    wrong = frame.filter(verdict="differs")
    assert wrong["cycle"].to_list() == rows.tolist()
    # The arithmetic of a wrong word, by hand: what differs is the exclusive or, where judged.
    assert ((wrong["seen"] ^ wrong["expected"]) & wrong["judged"]).equals(wrong["wrong"], check_names=False)
    assert frame.filter(pl.col("judged") == 0)["expected"].null_count() == (frame["judged"] == 0).sum()


def test_other_libraries_take_the_frame(run: Run) -> None:
    """pandas and Arrow, through polars' own conversions."""
    frame = run.cycles()
    assert len(frame.to_pandas()) == frame.to_arrow().num_rows == frame.height


def test_odds_are_those_of_the_diagnosis(run: Run) -> None:
    found = run.diagnosis()
    best = found.result.findings.best
    assert found.frame["says"][0] == best.say()
    assert found.frame["probability"].sum() == pytest.approx(1.0, abs=0.01)
    assert "<svg" in found._repr_html_() and len(repr(found)) < 100
    assert found.svg(DARK) != found.svg()


def test_the_first_wrong_word_and_any_other(run: Run) -> None:
    first = run.comparison.summary.first_wrong
    assert run.word().frame["cycle"].to_list() == [first]
    assert run.word(5).frame["cycle"].to_list() == [5]
    with pytest.raises(UsageError, match="no cycle 3000000"):
        run.word(3_000_000)
    assert "quarrybank" not in run._repr_html_() and "3000 bus cycles" in run._repr_html_()


def test_a_case_with_its_suspects(tmp_path: Path) -> None:
    lift = write_case(tmp_path, "hollowmere", points=("u1-cycles",), cycles=2000)
    (tmp_path / "case.toml").write_text(
        f'machine = "{lift.machine_file.name}"\n[[capture]]\npoint = "u1-cycles"\n'
        f'file = "{lift.captures[0].path.name}"\nnote = "<script>alert(1)</script>"\n'
    )
    with open_case(tmp_path) as case:
        (run,) = case.captures
        assert run.cycles().height == 2000
        suspects = case.suspects()
        assert suspects.frame["share"].sum() == pytest.approx(1.0, abs=1e-6)
        assert suspects.frame["part"][0] == suspects.result.suspects()[0].part
        assert case.next().height > 0
        assert "<script>" not in case._repr_html_()
        assert set(case.journal()["kind"]) >= {"CaptureAdded", "FindingRecorded"}


def test_what_is_no_case(tmp_path: Path) -> None:
    with pytest.raises(WrongbitError):
        open_case(tmp_path / "nowhere")
    with pytest.raises(WrongbitError):
        open_capture(tmp_path / "none.toml", tmp_path / "none.csv")


def test_hexadecimal_is_pythons_own(run: Run) -> None:
    shown = hexadecimal(run.cycles().head(20), bits=8)
    plain = run.cycles().head(20)
    assert shown["address"].to_list() == [f"0x{value:02X}" for value in plain["address"]]


def test_the_notebook_in_the_documents_is_what_it_shows_now() -> None:
    spec = importlib.util.spec_from_file_location("run_notebook", ROOT / "tools" / "run_notebook.py")
    assert spec is not None and spec.loader is not None
    tool = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(tool)
    saved = nbformat.read(tool.NOTEBOOK, as_version=4)
    shown = tool.texts(saved)
    assert len(shown) >= 10
    assert tool.texts(tool.executed()) == shown, "run: python tools/run_notebook.py"
