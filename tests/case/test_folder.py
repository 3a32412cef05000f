"""A case as a folder: begun, opened, moved, zipped, write-protected, and told in the journal."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import zipfile
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from threading import Barrier

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext

from wrongbit import __version__
from wrongbit.case.database import sqlite_database
from wrongbit.case.durable import umask
from wrongbit.case.entries import (
    CaptureAdded,
    FindingRecorded,
    MachineSeen,
    MeasurementAdded,
    NoteAdded,
    Withdrawn,
    WorkDone,
)
from wrongbit.case.folder import Case
from wrongbit.case.journal import person
from wrongbit.case.tables import REVISIONS, Base
from wrongbit.errors import CaseError, InputError, UsageError


def test_a_case_is_begun_whole(tmp_path: Path, fellgate_files: dict[str, bytes]) -> None:
    folder = tmp_path / "north" / "loom 7"
    with Case.create(folder, {**fellgate_files, "notes/first look.txt": "Dust."}) as case:
        assert (case.folder, case.name, case.machine_file) == (folder, "loom 7", folder / "machine.toml")
        (only,) = case.entries()
        assert isinstance(only.detail, MachineSeen) and only.number == 1
        assert case.path_of(only.detail.file).read_bytes() == fellgate_files["machine.toml"]
    assert (folder / "notes/first look.txt").read_text() == "Dust."
    assert [each.name for each in folder.parent.iterdir()] == ["loom 7"]


@pytest.mark.parametrize("name", ["../evil.txt", "/tmp/evil.txt", "a/../../evil.txt", ""])
def test_a_case_is_not_begun_at_all(name: str, tmp_path: Path, fellgate_files: dict[str, bytes]) -> None:
    with pytest.raises(UsageError):
        Case.create(tmp_path / "loom", {**fellgate_files, name: "x"})
    with pytest.raises(InputError, match=r"no machine\.toml"):
        Case.create(tmp_path / "loom", {"readme.txt": "no machine file"})
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_written_over(case: Case, fellgate_files: dict[str, bytes]) -> None:
    before = sorted(case.folder.rglob("*"))
    with pytest.raises(UsageError, match="is there already"):
        Case.create(case.folder, fellgate_files)
    assert sorted(case.folder.rglob("*")) == before


def test_a_folder_with_other_things_becomes_a_case(tmp_path: Path, fellgate_files: dict[str, bytes]) -> None:
    folder = tmp_path / "loom"
    folder.mkdir()
    (folder / "photo.jpg").write_bytes(b"\xff\xd8")
    Case.create(folder, fellgate_files).close()
    assert (folder / "photo.jpg").read_bytes() == b"\xff\xd8"
    assert (folder / "machine.toml").is_file()


def test_entries_say_who_when_and_with_what(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    before = datetime.now(UTC)
    entry = case.add(NoteAdded("The fan is loud."))
    assert entry == case.entries()[-1]
    assert (entry.number, entry.by, entry.version) == (2, "Ada at bench 3", __version__)
    assert entry.at.tzinfo == UTC and before <= entry.at <= datetime.now(UTC)
    monkeypatch.setenv("WRONGBIT_PERSON", "  \x1b[31mEve\n ")
    assert person() == "[31mEve"
    monkeypatch.delenv("WRONGBIT_PERSON")
    monkeypatch.setenv("LOGNAME", "grace")
    assert case.add(NoteAdded("x")).by == "grace"


def test_an_entry_is_withdrawn_and_stays(case: Case) -> None:
    wrong = case.add(MeasurementAdded("continuity", "X4", "D5", "", "open"))
    case.withdraw(wrong.number, "the lead was off")
    assert case.of_kind(MeasurementAdded) == ()
    assert wrong.number not in [each.number for each in case.entries()]
    whole = case.entries(withdrawn=True)
    assert whole[1].withdrawn_by == 3 and whole[2].detail == Withdrawn(2, "the lead was off")
    for number, said in (
        (2, "already, by entry 3"),
        (3, "withdraws another"),
        (1, "machine file"),
        (9, "no entry 9"),
    ):
        with pytest.raises(UsageError, match=said):
            case.withdraw(number, "")
    assert case.entries(withdrawn=True) == whole


def test_a_changed_machine_file_is_noted(folder: Path) -> None:
    for _ in range(2):
        Case.open(folder).close()
    text = (folder / "machine.toml").read_text("utf-8")
    (folder / "machine.toml").write_text(f"{text}\n# U4 is a replacement\n", encoding="utf-8")
    with Case.open(folder) as case:
        first, second = case.of_kind(MachineSeen)
        assert case.path_of(first[1].file).read_text("utf-8") == text
        assert case.path_of(second[1].file).read_text("utf-8").endswith("replacement\n")
        (folder / "machine.toml").write_text(text, encoding="utf-8")
        case.refresh()
        assert [detail.file for _, detail in case.of_kind(MachineSeen)][-1] == first[1].file


def test_moved_copied_and_zipped(case: Case, tmp_path: Path) -> None:
    case.add_capture(case.folder / "u5.bin", "u1-cycles")
    case.add(NoteAdded("before"))
    entries = case.entries()
    with zipfile.ZipFile(tmp_path / "case.zip", "w") as packed:  # while the case is open
        for path in sorted(case.folder.rglob("*")):
            packed.write(path, path.relative_to(case.folder))
    case.close()
    with zipfile.ZipFile(tmp_path / "case.zip") as packed:
        packed.extractall(tmp_path / "unpacked")
    shutil.copytree(case.folder, tmp_path / "copied")
    case.folder.rename(tmp_path / "moved")
    for name in ("unpacked", "copied", "moved"):
        with Case.open(tmp_path / name) as again:
            assert again.entries() == entries and again.verify() == ()
            assert again.name == name
            again.add(NoteAdded("after"))


def test_a_lost_identity_is_found_in_the_journal(case: Case) -> None:
    before = (case.folder / "case-id.txt").read_text()
    (case.folder / "case-id.txt").unlink()
    with Case.open(case.folder) as again:
        assert len(again.entries()) == 1
    assert (case.folder / "case-id.txt").read_text() == before
    (case.folder / "case-id.txt").write_text("../../etc\n")
    with pytest.raises(CaseError, match="no identity"):
        Case.open(case.folder)


def test_what_is_no_case(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        Case.open(tmp_path / "nowhere")
    with pytest.raises(InputError, match="it is no case"):
        Case.open(tmp_path)
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "case.toml").write_text('machine = "other.toml"')
    with pytest.raises(InputError, match=r"no machine file 'other\.toml'"):
        Case.open(tmp_path)
    (tmp_path / "case.toml").write_text('machine = "/etc/hostname"')
    with pytest.raises(InputError, match="outside the case's folder"):
        Case.open(tmp_path)
    assert [each.name for each in tmp_path.iterdir()] == ["case.toml"]


PROTECTED = """
import os, sys
from pathlib import Path
from wrongbit.case.entries import NoteAdded
from wrongbit.case.folder import Case
from wrongbit.errors import CaseError
Case.open(Path(sys.argv[2])).close()  # loads all that is needed, while it may
os.setresuid(65534, 65534, 65534)
with Case.open(Path(sys.argv[1])) as case:
    print(len(case.entries()), case.verify(), case.path_of(case.entries()[0].detail.file).is_file())
    for act in (lambda: case.add(NoteAdded("x")), lambda: case.add_reading(case.machine_file, "U5"),
                lambda: case.derived("x/y")):
        try:
            act()
        except CaseError as error:
            print(error.message, error.remedy)
"""


@pytest.mark.skipif(os.getuid() != 0, reason="only root can be somebody else")
def test_a_write_protected_case_can_be_read(case: Case, tmp_path: Path) -> None:
    case.add(NoteAdded("one"))
    case.close()
    for path in (case.folder, *case.folder.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    for path in (tmp_path, *tmp_path.parents):
        if path != Path(tempfile.gettempdir()) and path.is_relative_to(tempfile.gettempdir()):
            path.chmod(0o755)
    warm = shutil.copytree(case.folder, tmp_path / "warm")
    (warm / "journal.sqlite").unlink()
    shutil.rmtree(warm / "store")
    command = [sys.executable, "-c", PROTECTED]
    done = subprocess.run([*command, str(case.folder), str(warm)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    first, *refused = done.stdout.splitlines()
    assert first == "2 () True"
    assert len(refused) == 3 and all("Copy the" in each or "copy the" in each for each in refused)
    fresh = tmp_path / "fresh"
    fresh.mkdir()
    shutil.copy(case.machine_file, fresh)
    fresh.chmod(0o555)
    done = subprocess.run([*command, str(fresh), str(warm)], capture_output=True, text=True)
    assert done.returncode == 1 and "CaseError" in done.stderr and "cannot be" in done.stderr
    assert [each.name for each in fresh.iterdir()] == ["machine.toml"]


def test_a_killed_writer_of_sqlite_is_undone(case: Case) -> None:
    """A transaction that was begun leaves a rollback journal; the next one to open undoes it."""
    program = (
        "import os, sys; from pathlib import Path; from wrongbit.case.folder import Case\n"
        "from wrongbit.case.entries import NoteAdded\n"
        "case = Case.open(Path(sys.argv[1]))\n"
        "with case._journal.adding() as adding:\n"
        "    adding._connection.exec_driver_sql('PRAGMA cache_size = 1')\n"
        "    for count in range(50): adding.add(NoteAdded('x' * 3000))\n"
        "    os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", program, str(case.folder)])
    hot = case.folder / "journal.sqlite-journal"
    assert hot.exists() and hot.stat().st_size > 0
    shutil.copytree(case.folder, case.folder.with_name("moved"))
    for folder in (case.folder, case.folder.with_name("moved")):
        with Case.open(folder) as again:
            assert len(again.entries()) == 1 and again.verify() == ()
            again.add(NoteAdded("on"))


def test_the_migrations_make_the_tables_that_the_program_uses(case: Case) -> None:
    database = sqlite_database(case.folder / "journal.sqlite")
    with database.reading() as connection:
        context = MigrationContext.configure(connection)
        assert compare_metadata(context, Base.metadata) == []
        assert context.get_current_revision() == REVISIONS[-1]
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 3  # EXTRA
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "delete"
    database.close()


def test_every_migration_is_known() -> None:
    import wrongbit.case.migrations.versions as versions

    steps = sorted(each.stem[1:5] for each in Path(versions.__path__[0]).glob("v*.py"))
    assert tuple(steps) == REVISIONS


def test_a_case_serves_several_threads(case: Case) -> None:
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(4) as threads:
        list(threads.map(lambda count: case.add(NoteAdded(str(count))), range(20)))
    assert [each.number for each in case.entries()] == list(range(1, 22))
    assert case.of_kind(CaptureAdded) == ()


def test_threads_that_find_the_same_record_it_once(case: Case) -> None:
    start = Barrier(4)

    def record(number: int) -> int:
        start.wait()
        return case.add(FindingRecorded("compare", "key 1", "8 of 10 agree.", {"by": number})).number

    with ThreadPoolExecutor(4) as threads:
        assert len(set(threads.map(record, range(4)))) == 1
    ((entry, found),) = case.of_kind(FindingRecorded)
    case.add(FindingRecorded("diagnose", "key 1", "another computation", {}))
    case.withdraw(entry.number, "wrong")
    again = case.add(FindingRecorded("compare", "key 1", "8 of 10 agree.", found.result))
    assert again.number > entry.number and len(case.of_kind(FindingRecorded)) == 2


def test_asking_for_the_umask_leaves_it_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """It decides who may read a case; the system's call that asks for it sets it."""
    before = os.umask(0o077)
    interval = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    try:
        for told in (True, False):  # by the system, or by setting it
            if not told:
                monkeypatch.setattr(Path, "read_text", lambda *_: "Name: none\n")
            with ThreadPoolExecutor(4) as threads:
                assert set(threads.map(lambda _: umask(), range(2000))) == {0o077}
            assert os.umask(0o077) == 0o077
    finally:
        sys.setswitchinterval(interval)
        os.umask(before)


# -- correcting --------------------------------------------------------------------------------------------


def test_a_correction_takes_the_place_of_an_entry_that_stays(case: Case) -> None:
    first = case.add(WorkDone("removed", "U5", "2026-03-04"))
    second = case.correct(first.number, WorkDone("removed", "U5", "2026-03-05", kept="bag 4"))
    ((entry, made),) = case.of_kind(WorkDone)
    assert entry.number == second.number and made.kept == "bag 4"
    everything = case.entries(withdrawn=True)
    assert everything[-3].detail == first.detail and everything[-3].withdrawn_by == everything[-1].number
    assert everything[-1].detail == Withdrawn(first.number, f"corrected by entry {second.number}")
    assert case.verify() == ()


def test_what_cannot_be_corrected_leaves_nothing(case: Case) -> None:
    note = case.add(NoteAdded("x"))
    gone = case.add(WorkDone("removed", "U5", "2026"))
    case.withdraw(gone.number, "wrong chip")
    before = case.entries(withdrawn=True)
    for number, said in ((99, "no entry 99"), (note.number, "of the kind 'note'"), (gone.number, "already")):
        with pytest.raises(UsageError, match=said):
            case.correct(number, WorkDone("removed", "U5", "2026"))
    assert case.entries(withdrawn=True) == before
