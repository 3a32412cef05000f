"""Originals: kept once, byte for byte, under names that lead nowhere else, in constant memory."""

from __future__ import annotations

import hashlib
import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as some

from wrongbit.case.entries import CaptureAdded, ReadingAdded, Stored
from wrongbit.case.folder import Case
from wrongbit.case.names import LONGEST, last_part, safe_name
from wrongbit.case.store import Store, hash_of
from wrongbit.errors import CaseError


def added(case: Case, path: Path, name: str | None = None) -> Stored:
    detail = case.add_reading(path, "U5", name=name).detail
    assert isinstance(detail, ReadingAdded)
    return detail.file


def test_kept_byte_for_byte_and_read_only(case: Case, tmp_path: Path) -> None:
    data = bytes(range(256)) * 9000 + b"\r\n\xff"
    (tmp_path / "U5 pass 1.bin").write_bytes(data)
    stored = added(case, tmp_path / "U5 pass 1.bin")
    path = case.path_of(stored)
    # SHA-256 by Debian's sha256sum (FIPS 180-4), not by this code
    told = subprocess.run(
        ["sha256sum", str(path)], capture_output=True, text=True, check=True
    ).stdout.split()[0]
    assert stored == Stored(told, "U5 pass 1.bin", len(data))
    assert path.relative_to(case.folder) == Path("store", told[:2], told, "U5 pass 1.bin")
    assert path.read_bytes() == data
    assert stat.S_IMODE(path.stat().st_mode) == 0o444


def test_the_same_bytes_are_kept_once(case: Case, tmp_path: Path) -> None:
    for name in ("one.bin", "two.bin"):
        (tmp_path / name).write_bytes(b"same")
    first, second = added(case, tmp_path / "one.bin"), added(case, tmp_path / "two.bin")
    assert first.name == "one.bin" and second.name == "two.bin"
    assert case.path_of(first) == case.path_of(second)
    assert len(list(case.path_of(first).parent.iterdir())) == 1


def test_a_damaged_original_is_put_right_by_the_same_file(case: Case, tmp_path: Path) -> None:
    (tmp_path / "a.bin").write_bytes(b"sound")
    stored = added(case, tmp_path / "a.bin")
    path = case.path_of(stored)
    path.chmod(0o644)
    path.write_bytes(b"SOUND")
    assert [each.kind for each in case.verify()] == ["changed original"]
    added(case, tmp_path / "a.bin")
    assert path.read_bytes() == b"sound" and case.verify() == ()


def test_progress_and_an_empty_file(case: Case, tmp_path: Path) -> None:
    (tmp_path / "big.csv").write_bytes(bytes(3_500_000))
    told: list[tuple[int, int]] = []
    case.add_capture(
        tmp_path / "big.csv", "u1-cycles", progress=lambda done, total: told.append((done, total))
    )
    assert [done for done, _ in told] == sorted(done for done, _ in told) and len(told) == 4
    assert told[-1] == (3_500_000, 3_500_000)
    (tmp_path / "empty.csv").write_bytes(b"")
    stored = added(case, tmp_path / "empty.csv")
    assert stored.sha256 == hashlib.sha256(b"").hexdigest() and case.path_of(stored).read_bytes() == b""
    assert case.verify() == ()


HUNGRY = """
import resource, sys
from pathlib import Path
from wrongbit.case.folder import Case
case = Case.open(Path(sys.argv[1]))
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
case.add_capture(Path(sys.argv[2]), "u1-cycles")
assert case.verify() == ()
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


def test_a_large_file_takes_no_memory(folder: Path, tmp_path: Path) -> None:
    """getrusage(2) counts the peak in KiB: 200 MB pass through less than 16 MB."""
    large = tmp_path / "large.csv"
    with large.open("wb") as file:
        file.truncate(200_000_000)
    command = [sys.executable, "-c", HUNGRY, str(folder), str(large)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert int(done.stdout) < 16_000


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("../../etc/passwd", "passwd"),
        ("/etc/shadow", "shadow"),
        ("C:\\captures\\u1.csv", "u1.csv"),
        ("..", "file"),
        ("../..", "file"),
        ("", "file"),
        ("a\0b.csv", "a_b.csv"),
        ("\x1b[31mred.csv", "_[31mred.csv"),
        ("<script>alert(1)</script>.csv", "script_.csv"),
        ("con.txt", "_con.txt"),
        ("-rf", "_-rf"),
        ("trailing. . ", "trailing"),
        ("übertrag ±5%.csv", "übertrag ±5%.csv"),
    ],
)
def test_names_that_lead_nowhere_else(name: str, kept: str, case: Case, tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(name.encode())
    assert safe_name(name) == kept
    path = case.path_of(added(case, tmp_path / "x", name or None))
    assert path.name in (kept, "x")
    assert path.resolve().is_relative_to((case.folder / "store").resolve())
    assert case.verify() == ()


@given(some.text(alphabet=some.characters(), max_size=300))
def test_every_name_is_one_harmless_part_of_a_path(name: str) -> None:
    kept = safe_name(name)
    assert 0 < len(kept.encode("utf-8")) <= LONGEST + 1
    assert not set(kept) & set('/\\<>:"|?*\0') and kept.isprintable()
    assert kept not in (".", "..") and not kept.startswith((".", "-")) and not kept.endswith((".", " "))
    assert safe_name(kept) == kept
    assert Path("store", kept).parent == Path("store")
    last_part(name).encode("utf-8")


def test_an_ending_survives_a_long_name() -> None:
    assert safe_name("a" * 500 + ".csv").endswith("a.csv")
    assert len(safe_name("é" * 500 + ".vcd").encode()) <= LONGEST


@pytest.mark.parametrize("sha256", ["../../../etc", "", "AB" * 32, "ab" * 31, "ab" * 32 + "\n"])
def test_a_hash_that_leads_out_of_the_store(sha256: str, case: Case) -> None:
    with pytest.raises(CaseError, match="no SHA-256"):
        case.path_of(Stored(sha256, "passwd", 1))


def test_links_in_a_case_from_elsewhere_lead_nowhere(case: Case, tmp_path: Path) -> None:
    """Someone else's folder may hold links and markers of its own making."""
    precious = tmp_path / "precious"
    precious.mkdir()
    (precious / "letter.part").write_text("dear all")
    sha256 = hash_of(precious / "letter.part")
    for number, name in ((1, "ab" * 32), (2, sha256)):
        (case.folder / "store" / name[:2]).mkdir(exist_ok=True)
        (case.folder / "store" / name[:2] / name).symlink_to(precious)
        (case.folder / "store/.incoming" / f"{name}.{number}.new").touch()
    with Case.open(case.folder) as again:
        assert (precious / "letter.part").read_text() == "dear all"
        assert {each.kind for each in again.verify()} == {"stray file"}
        with pytest.raises(CaseError, match="missing"):
            again.path_of(Stored(sha256, "letter.part", 8))
    shutil.rmtree(case.folder / "store/.incoming")
    (case.folder / "store/.incoming").symlink_to(precious)
    Case.open(case.folder).close()
    assert (precious / "letter.part").read_text() == "dear all"


def test_a_name_that_is_no_text(case: Case, tmp_path: Path) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9.csv"))
    path.write_bytes(b"1;2")
    stored = added(case, path)
    assert stored.name == "caf?.csv" and case.path_of(stored).name == "caf_.csv"
    assert case.verify() == ()


def test_derived_files_stay_in_their_folder(case: Case) -> None:
    assert case.derived("u1/cycles.parquet") == case.folder / "derived/u1/cycles.parquet"
    assert (case.folder / "derived/u1").is_dir()
    for name in ("../x", "/etc/x", "a/../../x", "", "a//../b", ".."):
        with pytest.raises(ValueError, match="no name"):
            case.derived(name)


def test_a_missing_original_says_what_to_do(case: Case, tmp_path: Path) -> None:
    (tmp_path / "run.csv").write_bytes(b"1;2")
    detail = case.add_capture(tmp_path / "run.csv", "u1-cycles").detail
    assert isinstance(detail, CaptureAdded)
    case.path_of(detail.file).unlink()
    with pytest.raises(CaseError, match="--restore") as caught:
        case.path_of(detail.file)
    assert caught.value.file is not None and "store" in caught.value.file
    assert case.restore(tmp_path / "run.csv") == detail.file
    assert case.path_of(detail.file).read_bytes() == b"1;2" and case.verify() == ()


def test_an_empty_store_has_nothing(tmp_path: Path) -> None:
    store = Store(tmp_path / "store")
    assert list(store.places()) == [] and store.marked() == {}
    store.tidy(lambda: pytest.fail("nothing is left, nobody is asked"))
    (tmp_path / "known").write_bytes(b"abc")
    # "abc" is the example of FIPS 180-4
    assert hash_of(tmp_path / "known") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
