"""What a batch works on: case folders, or captures of one machine, here or in any store that fsspec knows."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from posixpath import basename, join, relpath
from typing import Any

import fsspec

from wrongbit import __version__
from wrongbit.case.entries import FindingRecorded
from wrongbit.case.folder import DERIVED_FOLDER, Case
from wrongbit.case.where import JOURNAL_FILE
from wrongbit.diagnose.case import CASE_FILE, MACHINE_FILE
from wrongbit.errors import InputError, UsageError, WrongbitError

LEFT_OUT = (DERIVED_FOLDER,)
"""Folders of a case that hold only what can be computed again."""

DEEPEST = 4
"""Folders below the one that was named in which cases are looked for."""


@dataclass(frozen=True)
class Item:
    """One piece of a batch's work.

    Args:
        name: What it is called in the summary.
        folder: URL or path of a case folder; empty for a capture.
        machine: URL or path of the machine file; empty for a case folder.
        capture: URL or path of the capture; empty for a case folder.
        point: Probe point of the capture; empty where the machine file has only one.
        key: SHA-256 over everything that goes in, with the version: what has been done under the same key
            need not be done again.
    """

    name: str
    folder: str = ""
    machine: str = ""
    capture: str = ""
    point: str = ""
    key: str = ""


def open_store(url: str) -> tuple[Any, str]:
    """The file system behind a URL or path, and the path in it.

    Raises:
        UsageError: There is no such kind of store, or what it needs is not installed.
    """
    try:
        fs, path = fsspec.core.url_to_fs(url)
    except (ValueError, ImportError) as error:
        raise UsageError(
            f"{url} cannot be reached: {error}.", "Name a path, or a URL of a kind that fsspec knows."
        ) from None
    return fs, str(path)


def find_cases(names: Sequence[str]) -> tuple[Item, ...]:
    """The case folders that were named, and those below folders that are none themselves.

    Args:
        names: Paths or URLs; ``*``, ``?`` and ``[…]`` are patterns.

    Raises:
        InputError: One is not there.
        UsageError: No case was found.
    """
    found: dict[str, Item] = {}
    for name in names:
        fs, path = open_store(name)
        for place in _expanded(fs, path, name):
            for folder in _case_folders(fs, place, DEEPEST):
                url = fs.unstrip_protocol(folder)
                found.setdefault(url, Item(folder, folder=url, key=folder_key(fs, folder)))
    if not found:
        raise UsageError(
            f"No case was found in {', '.join(names)}.",
            f"Name case folders, or a folder that has some in it; a case has a {MACHINE_FILE}, a {CASE_FILE} "
            "or a journal.",
        )
    return _shortly_named(tuple(found.values()))


def find_captures(names: Sequence[str], machine: str, point: str = "") -> tuple[Item, ...]:
    """Captures of one machine.

    Args:
        names: Paths or URLs of captures; ``*``, ``?`` and ``[…]`` are patterns.
        machine: Path or URL of the machine file; the images that it names lie beside it.
        point: Probe point of all of them.

    Raises:
        InputError: One is not there.
    """
    machine_fs, machine_path = open_store(machine)
    if not machine_fs.isfile(machine_path):
        raise InputError("There is no such file.", "Name a machine file.", file=machine)
    described = folder_key(machine_fs, machine_path.rpartition("/")[0])
    found: dict[str, Item] = {}
    for name in names:
        fs, path = open_store(name)
        for place in _expanded(fs, path, name):
            if not fs.isfile(place):
                raise InputError("This is no file.", "Name captures, not folders.", file=place)
            url = fs.unstrip_protocol(place)
            key = _hash(described, point, *_marks(fs, [place], place))
            item = Item(place, "", machine_fs.unstrip_protocol(machine_path), url, point, key)
            found.setdefault(url, item)
    return _shortly_named(tuple(found.values()))


def _expanded(fs: Any, path: str, name: str) -> list[str]:
    if any(mark in path for mark in "*?["):
        places = sorted(str(each) for each in fs.glob(path))
    else:
        places = [path] if fs.exists(path) else []
    if not places:
        raise InputError("There is nothing of this name.", "Check the name.", file=name)
    return places


def _case_folders(fs: Any, folder: str, deep: int) -> Iterator[str]:
    """The folder when it is a case, otherwise the cases in it."""
    if not fs.isdir(folder):
        return
    entries = sorted(fs.ls(folder, detail=True), key=lambda each: str(each["name"]))
    names = {basename(str(each["name"]).rstrip("/")) for each in entries}
    if names & {MACHINE_FILE, CASE_FILE, JOURNAL_FILE}:
        yield folder
        return
    if deep:
        for each in entries:
            if each["type"] == "directory" and not basename(str(each["name"])).startswith("."):
                yield from _case_folders(fs, str(each["name"]), deep - 1)


def _shortly_named(items: tuple[Item, ...]) -> tuple[Item, ...]:
    """Without what all names begin with."""
    names = [item.name for item in items]
    folders = [name.rpartition("/")[0] for name in names]
    common = folders[0] if folders else ""
    while common and not all(f"{folder}/".startswith(f"{common}/") for folder in folders):
        common = common.rpartition("/")[0]
    kept = len(common) + 1 if common else 0
    return tuple(
        Item(item.name[kept:], item.folder, item.machine, item.capture, item.point, item.key)
        for item in items
    )


# -- keys --------------------------------------------------------------------------------------------------


def folder_key(fs: Any, folder: str) -> str:
    """Of all that goes in: the files but those that can be computed again, and what the journal says.

    A journal here is opened and its findings are left out, since examining the case writes some; one in
    another store is not written to, and counts as a file.
    """
    local = is_local(fs)
    files = [
        path
        for path in fs.find(folder)
        if relpath(path, folder).split("/")[0] not in LEFT_OUT
        and not basename(path).startswith((".", f"{JOURNAL_FILE}-"))
        and not (local and basename(path) == JOURNAL_FILE)
    ]
    told = _journal(folder) if local and fs.isfile(f"{folder}/{JOURNAL_FILE}") else ()
    return _hash(*_marks(fs, sorted(files), folder), *told)


def is_local(fs: Any) -> bool:
    """The store is this computer's own file system."""
    protocols = (fs.protocol,) if isinstance(fs.protocol, str) else fs.protocol
    return "file" in protocols


def _journal(folder: str) -> Iterator[str]:
    """Everything in a journal but findings."""
    try:
        with Case.open(Path(folder), take_in=False) as case:
            for entry in case.entries(withdrawn=True):
                if not isinstance(entry.detail, FindingRecorded):
                    yield f"{entry.number} {entry.withdrawn_by} {entry.detail!r}"
    except WrongbitError as error:
        yield str(error)  # examining the case tells it


def _marks(fs: Any, files: Sequence[str], folder: str) -> Iterator[str]:
    """A name and a mark of each file that changes with it, as the store tells it without reading the file."""
    for path in files:
        info = fs.info(path)
        told = [str(info.get(name, "")) for name in ("size", "mtime", "ETag", "etag", "md5", "created")]
        yield join(relpath(path, folder), *told)


def _hash(*parts: str) -> str:
    digest = hashlib.sha256(__version__.encode())
    for part in parts:
        digest.update(b"\0" + part.encode("utf-8", "surrogateescape"))
    return digest.hexdigest()
