"""Files that are there whole or not at all."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from wrongbit.errors import UsageError
from wrongbit.report.write import write_files


def test_files_are_written_and_old_ones_replaced(tmp_path: Path):
    one, two = tmp_path / "one.html", tmp_path / "two.pdf"
    one.write_bytes(b"old")
    write_files({one: b"1", two: b"2"})
    assert (one.read_bytes(), two.read_bytes()) == (b"1", b"2")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["one.html", "two.pdf"]


def test_a_full_disk_leaves_the_old_files_and_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    one = tmp_path / "one.html"
    one.write_bytes(b"old")
    calls = []

    def full(handle: int) -> None:
        calls.append(handle)
        if len(calls) == 2:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(UsageError, match="No space left on device"):
        write_files({one: b"new", tmp_path / "two.pdf": b"2"})
    assert one.read_bytes() == b"old"
    assert [path.name for path in tmp_path.iterdir()] == ["one.html"]


@pytest.mark.parametrize("place", ["nowhere/one.html", "."])
def test_a_place_that_cannot_be_written_gets_a_message(tmp_path: Path, place: str):
    with pytest.raises(UsageError):
        write_files({tmp_path / "first.html": b"1", tmp_path / place: b"2"})
    assert list(tmp_path.iterdir()) == []


def test_who_keeps_files_private_has_a_private_report(tmp_path: Path):
    before = os.umask(0o077)
    try:
        write_files({tmp_path / "report.html": b"x"})
    finally:
        os.umask(before)
    assert (tmp_path / "report.html").stat().st_mode & 0o777 == 0o600
