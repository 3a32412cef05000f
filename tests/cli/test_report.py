"""``wrongbit report`` as a person runs it: files, exit codes, mistakes."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from wrongbit.case.entries import NoteAdded
from wrongbit.case.folder import Case
from wrongbit.cli.main import main
from wrongbit.demo.case import write_case


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The kiln with two bridged address lines, captured once."""
    demo = write_case(tmp_path_factory.mktemp("kiln"), "quarrybank", points=["u1-timing"], cycles=1500)
    folder = tmp_path_factory.mktemp("case") / "kiln"
    files: dict[str, bytes | str] = {
        path.name: path.read_bytes() for path in demo.folder.iterdir() if path != demo.captures[0].path
    }
    files["machine.toml"] = files.pop(demo.machine_file.name)
    with Case.create(folder, files) as case:
        case.add_capture(demo.captures[0].path, "u1-timing")
        case.add(NoteAdded("<script>alert(1)</script>"))
    return folder


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["report", *words])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_both_forms_go_into_the_case_folder(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, said, _ = run(capsys, str(folder))
    assert code == 0
    page, paper = folder / "report.html", folder / "report.pdf"
    assert f"{page} was written." in said and f"{paper} was written." in said
    assert page.read_text("utf-8").startswith("<!DOCTYPE html>")
    assert paper.read_bytes().startswith(b"%PDF-")
    assert "A4 and A5" in said  # the bridged lines
    assert "<script>" not in page.read_text("utf-8")


def test_only_what_was_asked_for_is_written(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "for the registrar.html"
    code, said, _ = run(capsys, str(folder), "--html", str(page), "--json")
    told = json.loads(said)
    assert code == 0
    assert told["html"] == str(page) and told["pdf"] is None
    assert told["sections"][0] == "The machine"
    assert [each.name for each in tmp_path.iterdir()] == [page.name]


def test_an_old_report_is_replaced(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "report.html"
    page.write_text("old")
    assert run(capsys, str(folder), "--html", str(page))[0] == 0
    assert page.read_text("utf-8").startswith("<!DOCTYPE html>")


@pytest.mark.parametrize("place", ["nowhere/report.pdf", "taken", "/proc/report.pdf"])
def test_nothing_is_written_where_one_file_cannot_be(
    folder: Path, tmp_path: Path, place: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "taken").mkdir()
    page = tmp_path / "report.html"
    code, _, told = run(capsys, str(folder), "--html", str(page), "--pdf", str(tmp_path / place))
    assert code == 2
    assert place in told and "→" in told
    assert [each.name for each in tmp_path.iterdir()] == ["taken"]


def test_a_missing_original_is_named(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    original = next(path for path in (copy / "store").rglob("u1-timing*") if path.is_file())
    original.chmod(0o644)
    original.unlink()
    (copy / "report.html").unlink(missing_ok=True)
    code, _, told = run(capsys, str(copy), "--html", str(copy / "report.html"))
    assert code == 2
    assert "not as it was kept" in told and "u1-timing" in told
    assert not (copy / "report.html").exists()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--checksum", "word-sum-le = 0"], "does not say of which chip"),
        (["--shape", "U99: 2764"], "U99"),
        (["--noise", "0.7"], "0.7"),
    ],
)
def test_mistakes_get_a_message(
    folder: Path, words: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, said = run(capsys, str(folder), *words)
    assert code == 2
    assert told in said and "Traceback" not in said


def test_no_case_is_no_traceback(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, said = run(capsys, str(tmp_path / "none"))
    assert code == 2 and "none" in said
