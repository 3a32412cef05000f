"""A case that was changed by other hands than wrongbit's: each trouble is named, with what to do."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from wrongbit.case.entries import CaptureAdded, NoteAdded
from wrongbit.case.folder import Case, verify_folder
from wrongbit.case.troubles import DamagedJournalError
from wrongbit.errors import CaseError


@pytest.fixture
def kept(folder: Path, tmp_path: Path) -> Path:
    """A case with a capture, notes and one entry withdrawn; closed."""
    (tmp_path / "run.csv").write_bytes(b"1;2;3\n" * 100)
    with Case.open(folder) as case:
        case.add_capture(tmp_path / "run.csv", "u1-cycles")
        wrong = case.add(NoteAdded("wrong"))
        case.withdraw(wrong.number, "a slip")
        case.add(NoteAdded("x" * 3000))
    assert verify_folder(folder) == ()
    return folder


def original(folder: Path) -> Path:
    (found,) = (folder / "store").glob("??/*/run.csv")
    found.chmod(0o644)
    return found


def sql(folder: Path, statement: str) -> None:
    with sqlite3.connect(folder / "journal.sqlite") as connection:
        connection.execute(statement)
    connection.close()


def overwrite(path: Path, at: int, data: bytes) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        file.write(data)


def stray(folder: Path) -> None:
    (folder / "store/ab").mkdir(exist_ok=True)
    (folder / "store/ab/readme.txt").write_text("hello")


def link(folder: Path) -> None:
    path = original(folder)
    path.rename(folder / "elsewhere.csv")
    path.symlink_to(folder / "elsewhere.csv")


CHANGES: dict[str, tuple[Callable[[Path], object], str, str]] = {
    "the original removed": (lambda folder: original(folder).unlink(), "missing original", "is missing"),
    "its folder removed": (
        lambda folder: (original(folder).unlink(), original_folder(folder).rmdir()),
        "missing original",
        "is missing",
    ),
    "one byte changed": (
        lambda folder: overwrite(original(folder), 50, b"X"),
        "changed original",
        "was changed",
    ),
    "cut short": (lambda folder: original(folder).write_bytes(b"1;2"), "changed original", "was changed"),
    "a link in its place": (link, "missing original", "is missing"),
    "a stray file": (stray, "stray file", "no original"),
    "a file beside it": (
        lambda folder: (original(folder).parent / "other.csv").write_text("x"),
        "stray file",
        "another file",
    ),
    "a note rewritten": (
        lambda folder: sql(folder, 'UPDATE entries SET content = \'{"text": "right"}\' WHERE number = 3'),
        "changed entry",
        "seal does not fit",
    ),
    "a time moved": (
        lambda folder: sql(
            folder, "UPDATE entries SET at = '2020-01-01T00:00:00.000000+00:00' WHERE number = 3"
        ),
        "changed entry",
        "seal does not fit",
    ),
    "an entry taken out": (
        lambda folder: sql(folder, "DELETE FROM entries WHERE number = 3"),
        "changed entry",
        "Entry 3 is missing",
    ),
    "a withdrawal turned elsewhere": (
        lambda folder: sql(folder, "UPDATE entries SET withdraws = 2 WHERE number = 4"),
        "changed entry",
        "what it withdraws differs",
    ),
    "half of it zeroed": (
        lambda folder: overwrite(folder / "journal.sqlite", 4096, bytes(16000)),
        "damaged journal",
        "",
    ),
    "its head destroyed": (
        lambda folder: overwrite(folder / "journal.sqlite", 0, b"rubbish" * 20),
        "damaged journal",
        "SQLite says",
    ),
    "the journal removed": (
        lambda folder: (folder / "journal.sqlite").unlink(),
        "damaged journal",
        "has gone",
    ),
    "the journal emptied": (
        lambda folder: (folder / "journal.sqlite").write_bytes(b""),
        "damaged journal",
        "has gone",
    ),
    "the journal cut short": (
        lambda folder: (folder / "journal.sqlite").write_bytes(
            (folder / "journal.sqlite").read_bytes()[:9000]
        ),
        "damaged journal",
        "",
    ),
}


def original_folder(folder: Path) -> Path:
    return next(each for each in (folder / "store").glob("??/*") if each.is_dir() and not any(each.iterdir()))


@pytest.mark.parametrize("what", CHANGES)
def test_each_trouble_is_named(what: str, kept: Path) -> None:
    change, kind, said = CHANGES[what]
    change(kept)
    troubles = verify_folder(kept)
    found = [each for each in troubles if each.kind == kind]
    assert found and any(said in each.message for each in found), troubles
    assert all(each.remedy and each.message.endswith(".") for each in troubles)
    assert {each.kind for each in troubles} <= {kind, "changed entry", "stray file"}
    # Looking changes nothing: a second look says the same.
    assert verify_folder(kept) == troubles


@pytest.mark.parametrize("what", [name for name in CHANGES if "journal" in CHANGES[name][1]])
def test_a_damaged_journal_is_never_replaced_in_silence(what: str, kept: Path) -> None:
    CHANGES[what][0](kept)
    there = kept / "journal.sqlite"
    before = there.read_bytes() if there.exists() else None
    try:
        with Case.open(kept) as case:
            entries = case.entries(withdrawn=True)
            assert case.verify()  # what could be read may be incomplete, and is told to be
            assert len(entries) <= 5
    except DamagedJournalError as error:
        assert "backup" in error.remedy and error.file == str(there)
    assert (there.read_bytes() if there.exists() else None) == before
    assert original(kept).is_file()


def test_an_unlisted_original_is_told_and_kept(kept: Path) -> None:
    """As when the journal was put back from an older copy."""
    older = (kept / "journal.sqlite").read_bytes()
    with Case.open(kept) as case:
        detail = case.add_capture(kept / "u5.bin", "u1-cycles").detail
        assert isinstance(detail, CaptureAdded)
        path = case.path_of(detail.file)
    (kept / "journal.sqlite").write_bytes(older)
    (trouble,) = verify_folder(kept)
    assert trouble.kind == "stray file" and "No entry tells" in trouble.message and trouble.path == str(path)
    assert path.is_file()


def test_a_case_of_a_newer_version(kept: Path) -> None:
    def refused() -> str:
        with pytest.raises(CaseError) as caught, Case.open(kept) as case:
            case.entries()
        assert "newer version of wrongbit" in caught.value.message and "Update" in caught.value.remedy
        return caught.value.message

    before = (kept / "journal.sqlite").read_bytes()
    sql(kept, "UPDATE alembic_version SET version_num = '0099'")
    assert "'0099'" in refused()
    (kept / "journal.sqlite").write_bytes(before)
    sql(kept, "UPDATE entries SET kind = 'oscillogram' WHERE number = 3")
    assert "'oscillogram'" in refused()
    (kept / "journal.sqlite").write_bytes(before)
    sql(kept, 'UPDATE entries SET content = \'{"text": "a", "mood": "b"}\' WHERE number = 3')
    assert "mood" in refused()


@pytest.mark.parametrize("content", ["", "[]", "{}", '{"text": ', "null", '{"file": 3}', "7"])
def test_contents_that_make_no_sense(content: str, kept: Path) -> None:
    sql(kept, f"UPDATE entries SET content = '{content}' WHERE number = 2")
    with pytest.raises(CaseError), Case.open(kept) as case:
        case.entries()
    assert any(each.kind == "changed entry" for each in verify_folder(kept))


@pytest.mark.parametrize("column", ["at", "person", "number", "seal"])
def test_a_column_of_the_wrong_type(column: str, kept: Path) -> None:
    sql(kept, f"UPDATE entries SET {column} = x'00ff' WHERE number = 3")
    with pytest.raises(CaseError, match="damaged"), Case.open(kept) as case:
        case.entries()
    assert verify_folder(kept)


def test_progress_counts_all_bytes(kept: Path) -> None:
    told: list[tuple[int, int]] = []
    with Case.open(kept) as case:
        assert case.verify(lambda done, total: told.append((done, total))) == ()
        sizes = [each.stat().st_size for each in (kept / "store").glob("??/*/*")]
    assert told[-1] == (sum(sizes), sum(sizes))
