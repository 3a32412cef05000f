"""An import that is cut off at any moment: everything that was acknowledged is there, and the case verifies.

``WRONGBIT_KILLS=50`` asks for as many kills; by default there are a few.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from wrongbit.case import durable, journal, store
from wrongbit.case.entries import CaptureAdded, NoteAdded, ReadingAdded
from wrongbit.case.folder import Case
from wrongbit.errors import CaseError, WrongbitError

KILLS = int(os.environ.get("WRONGBIT_KILLS", "4"))

IMPORTING = """
import sys
from pathlib import Path
from wrongbit.case.entries import NoteAdded
from wrongbit.case.folder import Case

folder, files = Path(sys.argv[1]), [Path(each) for each in sys.argv[2:]]
case = Case.open(folder)
print("open", flush=True)
while True:
    for file in files:
        print(case.add_capture(file, "u1-cycles").number, flush=True)
        with file.open("ab") as more:
            more.write(b"one more line\\n")
        print(case.add(NoteAdded(file.name)).number, flush=True)
"""


def killed_after(seconds: float, folder: Path, files: list[Path]) -> list[int]:
    """Numbers of the entries that a process was told of before it was killed."""
    command = [sys.executable, "-c", IMPORTING, str(folder), *map(str, files)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        assert running.stdout.readline() == "open\n"
        time.sleep(seconds)
        running.send_signal(signal.SIGKILL)
        told = running.stdout.read().split("\n")
    return [int(each) for each in told[:-1]]  # the last is empty or half a number


@pytest.mark.slow
@pytest.mark.parametrize("where", ["folder", "database"])
def test_killed_at_random_moments(
    where: str,
    folder: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    request: pytest.FixtureRequest,
) -> None:
    if where == "database":
        monkeypatch.setenv("WRONGBIT_DATABASE", request.getfixturevalue("server").make("killed"))
    chance = random.Random(20260101)
    files = [tmp_path / f"run {number}.csv" for number in range(3)]
    for number, file in enumerate(files):
        file.write_bytes(bytes([number]) * (1 << 20) * number + b"start\n")
    acknowledged: list[int] = []
    for _ in range(KILLS):
        acknowledged += killed_after(chance.uniform(0, 0.4), folder, files)
        with Case.open(folder) as case:
            assert case.verify() == ()
            entries = case.entries(withdrawn=True)
            numbers = [each.number for each in entries]
            assert numbers == list(range(1, len(numbers) + 1))
            assert set(acknowledged) <= set(numbers)
            for _entry, capture in case.of_kind(CaptureAdded):
                assert case.path_of(capture.file).is_file()
    assert len(acknowledged) > KILLS


class CutError(BaseException):
    """The power goes: nothing that comes after is done, not even clearing up in the program's own time."""


CUTS: dict[str, Callable[[pytest.MonkeyPatch], None]] = {
    "while the bytes are copied": lambda patch: cut(patch, store.os, "fsync"),
    "before the original is renamed": lambda patch: cut(patch, store.Path, "replace"),
    "after the original is renamed": lambda patch: cut(patch, store, "flush_folder", after=2),
    "before the entry is written": lambda patch: cut(patch, journal, "to_text"),
    "before the marker goes": lambda patch: cut(patch, store.Import, "finish"),
}


def cut(patch: pytest.MonkeyPatch, owner: object, name: str, after: int = 1) -> None:
    real, calls = getattr(owner, name), [0]

    def falls(*arguments: object, **options: object) -> object:
        calls[0] += 1
        if calls[0] >= after:
            raise CutError
        return real(*arguments, **options)

    patch.setattr(owner, name, falls)


@pytest.mark.parametrize("moment", CUTS)
def test_cut_off_at_each_step(moment: str, case: Case, tmp_path: Path) -> None:
    file = tmp_path / "run.csv"
    file.write_bytes(b"1;2;3\n")
    with pytest.MonkeyPatch.context() as patch:
        CUTS[moment](patch)
        with pytest.raises(CutError):
            case.add_capture(file, "u1-cycles")
    with Case.open(case.folder) as again:
        assert again.verify() == ()
        kept = again.of_kind(CaptureAdded)
        assert len(kept) == (moment == "before the marker goes")
        assert [each.name for each in (again.folder / "store/.incoming").iterdir()] == ["lock"]
        entry = again.add_capture(file, "u1-cycles")
        assert isinstance(entry.detail, CaptureAdded)
        assert again.path_of(entry.detail.file).read_bytes() == b"1;2;3\n"
        assert again.verify() == ()


def test_what_another_import_is_bringing_is_not_cleared_away(case: Case, tmp_path: Path) -> None:
    file = tmp_path / "run.csv"
    file.write_bytes(b"1;2;3\n")
    with case._store.importing() as work:
        stored = work.keep(file)
        with Case.open(case.folder) as other:  # tidies on its way in
            assert other.verify() == ()  # an original on its way is no stray
            assert other.path_of(stored).is_file()
        case._journal.add(CaptureAdded("u1-cycles", stored))
    assert case.verify() == ()


# -- a full disk --------------------------------------------------------------------------------------------

LIMITED = """
import resource, sys
from pathlib import Path
from wrongbit.case.folder import Case
from wrongbit.errors import CaseError
case = Case.open(Path(sys.argv[1]))
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]), resource.RLIM_INFINITY))
try:
    case.add_reading(Path(sys.argv[2]), "U5")
except CaseError as error:
    print(error)
    sys.exit(3)
"""


@pytest.mark.parametrize("limit", [0, 100_000, 1_000_000])
def test_no_room_for_a_file(limit: int, case: Case, tmp_path: Path) -> None:
    """The system lets no file grow beyond a limit (setrlimit(2), RLIMIT_FSIZE), as a full disk does."""
    file = tmp_path / "u5.bin"
    file.write_bytes(bytes(range(256)) * 8192)
    before = case.entries()
    command = [sys.executable, "-c", LIMITED, str(case.folder), str(file), str(limit)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 3, done.stderr
    assert "no room left" in done.stdout
    assert case.entries() == before and case.verify() == ()
    assert not list((case.folder / "store/.incoming").glob("*.part"))
    case.add_reading(file, "U5")
    assert case.verify() == ()


def test_the_disk_fills_at_any_write(case: Case, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file system that is really full, where one can be mounted; nothing that was there is lost."""
    mounted = tmp_path / "small"
    mounted.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(mounted)], capture_output=True
    )
    if done.returncode:
        pytest.skip("NO SMALL DISK can be mounted here: a full disk is only tried with a limit on file sizes")
    try:
        machine = case.machine_file.read_text("utf-8")
        small = Case.create(mounted / "loom", {"machine.toml": machine})
        refused = 0
        for number in range(400):
            file = tmp_path / f"{number}.bin"
            file.write_bytes(bytes([number % 256]) * 20_000 + str(number).encode())
            try:
                small.add_reading(file, "U5")
                small.add(NoteAdded("x" * 3000))
            except CaseError as error:
                assert "no room" in error.message or "refuses to read or write" in error.message, error
                refused += 1
                if refused == 12:
                    break
        small.close()
        with Case.open(mounted / "loom") as again:
            assert again.verify() == ()
            assert len(again.of_kind(ReadingAdded)) > 20
    finally:
        subprocess.run(["umount", str(mounted)], check=True)
    assert refused == 12


# -- two at once --------------------------------------------------------------------------------------------

ADDING = """
import sys
from pathlib import Path
from wrongbit.case.entries import NoteAdded
from wrongbit.case.folder import Case
with Case.open(Path(sys.argv[1])) as case:
    for count in range(15):
        case.add_reading(Path(sys.argv[2]), "U5")
        case.add(NoteAdded(f"{sys.argv[3]}:{count}"))
"""


@pytest.mark.slow
def test_processes_adding_at_once(folder: Path) -> None:
    """They also make the journal at once: the folder was not opened before."""
    command = [sys.executable, "-c", ADDING, str(folder), str(folder / "u5.bin")]
    running = [subprocess.Popen([*command, name]) for name in ("a", "b", "c")]
    assert [each.wait(120) for each in running] == [0, 0, 0]
    with Case.open(folder) as case:
        assert [each.number for each in case.entries()] == list(range(1, 92))
        told = [detail.text for _, detail in case.of_kind(NoteAdded)]
        assert sorted(told) == sorted(f"{name}:{count}" for name in "abc" for count in range(15))
        assert case.verify() == ()
        files = [each for each in (folder / "store").rglob("*") if each.is_file() and each.name != "lock"]
        assert len(files) == 2  # the machine file and the image, once


def test_a_writer_that_holds_on_for_too_long(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    from wrongbit.case import database

    monkeypatch.setattr(database, "BUSY_SECONDS", 0.1)
    with Case.open(case.folder) as other, case._journal.adding():
        with pytest.raises(CaseError, match="writing to this case for too long"):
            other.add(NoteAdded("waits"))
        assert len(other.entries()) == 1  # reading goes on
    case.add(NoteAdded("again"))


def test_a_lock_dies_with_its_holder(folder: Path) -> None:
    program = (
        "import sys, time; from pathlib import Path; from wrongbit.case.folder import Case\n"
        "case = Case.open(Path(sys.argv[1]))\n"
        "with case._store.importing() as work, case._journal.adding() as adding:\n"
        "    work.keep(Path(sys.argv[2])); print('in', flush=True); time.sleep(60)"
    )
    command = [sys.executable, "-c", program, str(folder), str(folder / "u5.bin")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout is not None and holder.stdout.readline() == "in\n"
        holder.kill()
    with Case.open(folder) as case:
        case.add(NoteAdded("at once"))
        assert case.verify() == ()
        assert len(list((folder / "store").glob("??/*"))) == 1  # what was never acknowledged has gone


def test_names_are_made_durable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A rename is durable only when its folder is flushed (fsync(2))."""
    flushed: list[Path] = []
    monkeypatch.setattr(durable, "flush_folder", flushed.append)
    durable.make_folder(tmp_path / "a/b")
    assert flushed == [tmp_path, tmp_path / "a"]
    durable.write_whole(tmp_path / "a/b/c", b"x")
    assert flushed[-1] == tmp_path / "a/b"
    with pytest.raises(FileExistsError):
        durable.write_whole(tmp_path / "a/b/c", b"y", exclusive=True)
    assert [each.name for each in (tmp_path / "a/b").iterdir()] == ["c"]
    assert (tmp_path / "a/b/c").read_bytes() == b"x"


def test_a_file_that_cannot_be_read_leaves_nothing(case: Case, tmp_path: Path) -> None:
    before = case.entries()
    for path in (tmp_path / "nowhere.csv", tmp_path, Path("/dev/zero")):
        with pytest.raises(WrongbitError) as caught:
            case.add_capture(path, "u1-cycles")
        assert caught.value.file == str(path)
    assert case.entries() == before and case.verify() == ()
