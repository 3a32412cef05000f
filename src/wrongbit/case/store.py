"""The originals: each once, byte for byte, at ``store/<two digits>/<SHA-256>/<its name>``, read only.

An import goes in four steps, so that it can be cut off anywhere:

1. The bytes are copied to ``store/.incoming/``, hashed on the way, and flushed to the disk.
2. A marker in ``.incoming`` says which original is about to appear; then the copy is renamed to its place.
3. The journal's entry is committed.
4. The marker is taken away.

Whoever finds a marker while nobody is importing knows that an import was cut off: if the journal has the
original, only step 4 was missed; if not, nobody was ever told that the original was kept, and it goes.
Importers share a lock on ``.incoming/lock``, which the system drops when they end, however they end.
"""

from __future__ import annotations

import hashlib
import os
import re
import uuid
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager, suppress
from io import RawIOBase
from pathlib import Path

from wrongbit.case.durable import explained, flush_folder, make_folder
from wrongbit.case.entries import Stored
from wrongbit.case.names import last_part, safe_name
from wrongbit.errors import CaseError, InputError

Progress = Callable[[int, int], None]
"""Called now and then with the bytes done and the bytes in all."""

PIECE = 1 << 20
"""Bytes that are read at once."""

_SHA256 = re.compile(r"[0-9a-f]{64}")


def _silent(done: int, total: int) -> None:
    """Nobody wants to know."""


class Store:
    """The originals of one case.

    Args:
        root: Its folder; made when the first original comes.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self._incoming = root / ".incoming"

    # -- looking --------------------------------------------------------------------------------------------

    def place_of(self, sha256: str) -> Path:
        """The folder of an original.

        Raises:
            CaseError: This is no SHA-256; a damaged journal must not lead out of the store.
        """
        if not _SHA256.fullmatch(sha256):
            raise CaseError(
                f"{sha256[:80]!r} is no SHA-256 in hexadecimal.",
                "The journal is damaged: run 'wrongbit verify' on the folder.",
                file=str(self.root),
            )
        return self.root / sha256[:2] / sha256

    def find(self, stored: Stored) -> Path | None:
        """An original's file, or None where it is missing."""
        place = self.place_of(stored.sha256)
        wanted = place / safe_name(stored.name)
        if self.is_original(wanted):
            return wanted
        # It came earlier under another name.
        return next((each for each in self.files_in(place) if self.is_original(each)), None)

    def is_original(self, path: Path) -> bool:
        """An ordinary file that really lies in the store; a link could lead anywhere."""
        return path.is_file() and path.resolve() == self.root.resolve() / path.relative_to(self.root)

    @staticmethod
    def files_in(place: Path) -> tuple[Path, ...]:
        """What lies in an original's folder, in order; nothing where there is no such folder."""
        try:
            return tuple(sorted(place.iterdir()))
        except (FileNotFoundError, NotADirectoryError):
            return ()

    def path_of(self, stored: Stored) -> Path:
        """An original's file.

        Raises:
            CaseError: It is missing.
        """
        found = self.find(stored)
        if found is None:
            raise CaseError(
                f"The original of {stored.name!r} is missing from the store.",
                "Put it back with 'wrongbit verify FOLDER --restore FILE', or from a copy of the case.",
                file=str(self.place_of(stored.sha256) / safe_name(stored.name)),
            )
        return found

    def places(self) -> Iterator[Path]:
        """Everything that lies in the store where originals should be, in order."""
        with suppress(FileNotFoundError, NotADirectoryError):
            for shelf in sorted(self.root.iterdir()):
                if shelf == self._incoming:
                    continue
                if shelf.is_dir() and re.fullmatch("[0-9a-f]{2}", shelf.name):
                    yield from sorted(shelf.iterdir())
                else:
                    yield shelf

    # -- keeping --------------------------------------------------------------------------------------------

    @contextmanager
    def importing(self) -> Iterator[Import]:
        """Keep originals; leave the block only after the journal's entry is committed.

        Raises:
            CaseError: The disk is full or may not be written to; nothing is left half-written.
        """
        with explained(self._incoming):
            make_folder(self._incoming)
            lock = _lock(self._incoming / "lock", shared=True)
        work = Import(self)
        try:
            yield work
            # Where the block fails, the marks stay: another import of the same bytes may count on them now.
            work.finish()
        finally:
            lock.release()

    def marked(self) -> dict[Path, str]:
        """Markers of imports that are under way or were cut off, and the originals they are about."""
        found = {each: each.name.partition(".")[0] for each in self.files_in(self._incoming)}
        return {each: sha256 for each, sha256 in found.items() if each.suffix == ".new"}

    def tidy(self, listed: Callable[[], Collection[str]]) -> None:
        """Clear away what imports that were cut off have left, unless somebody is importing just now.

        Args:
            listed: Gives the SHA-256 of every original in the journal; asked only where it matters.
        """
        left = [each for each in self.files_in(self._incoming) if each.name != "lock"]
        if not left or self._incoming.is_symlink():
            return
        try:
            lock = _lock(self._incoming / "lock", shared=False)
        except OSError:  # somebody is importing, or this folder may not be written to
            return
        try:
            self._clear(listed)
        except OSError:
            return
        finally:
            lock.release()

    def _clear(self, listed: Callable[[], Collection[str]]) -> None:
        marked = self.marked()
        known = listed() if marked else ()
        for marker, sha256 in marked.items():
            if sha256 not in known and _SHA256.fullmatch(sha256):
                self.remove(sha256)
            marker.unlink()
        for each in self.files_in(self._incoming):
            if each.suffix == ".part":
                each.unlink()

    def remove(self, sha256: str) -> None:
        """Take an original away that no entry points to; only what has its bytes, and lies in the store."""
        place = self.place_of(sha256)
        for each in self.files_in(place):
            if self.is_original(each) and hash_of(each) == sha256:
                each.unlink()
        with suppress(OSError):
            place.rmdir()
            place.parent.rmdir()


class Import:
    """One import, from `Store.importing`."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._incoming = store._incoming
        self._markers: list[Path] = []

    def keep(self, path: Path, name: str | None = None, progress: Progress | None = None) -> Stored:
        """Keep a file, in constant memory.

        Args:
            path: The file.
            name: The name to remember; left out: the file's own.
            progress: Told how many bytes are copied.

        Raises:
            InputError: The file cannot be read.
            CaseError: The copy cannot be written.
        """
        with opened(path) as (source, size):
            return self._keep(_pieces(source, path), size, name or path.name, progress or _silent)

    def keep_bytes(self, data: bytes, name: str) -> Stored:
        """Keep something small that is in memory."""
        return self._keep(iter((data,)), len(data), name, _silent)

    def _keep(self, pieces: Iterator[bytes], size: int, name: str, progress: Progress) -> Stored:
        part = self._incoming / f"{uuid.uuid4().hex}.part"
        try:
            with explained(part):
                sha256, count = self._copy(pieces, size, part, progress)
                stored = Stored(sha256, last_part(name), count)
                self._place(part, stored)
        finally:
            with suppress(OSError):
                part.unlink()
        return stored

    def _copy(self, pieces: Iterator[bytes], size: int, part: Path, progress: Progress) -> tuple[str, int]:
        digest, count = hashlib.sha256(), 0
        with part.open("xb") as file:
            for piece in pieces:
                digest.update(piece)
                file.write(piece)
                count += len(piece)
                progress(count, max(size, count))
            file.flush()
            os.fsync(file.fileno())
        return digest.hexdigest(), count

    def _place(self, part: Path, stored: Stored) -> None:
        """Rename a copy to its place, unless the same bytes are there already."""
        there = self._store.find(stored)
        if there is not None and _hash_of(there) == stored.sha256:
            return
        place = self._store.place_of(stored.sha256)
        if there is None:
            self._mark(stored.sha256)
        make_folder(place)
        part.chmod(0o444)
        # A damaged one gives way to the sound one.
        part.replace(there or place / safe_name(stored.name))
        flush_folder(place)

    def _mark(self, sha256: str) -> None:
        marker = self._incoming / f"{sha256}.{uuid.uuid4().hex}.new"
        marker.touch()
        flush_folder(self._incoming)
        self._markers.append(marker)

    def finish(self) -> None:
        """The journal has it all: the markers go."""
        for marker in self._markers:
            with suppress(OSError):
                marker.unlink()


@contextmanager
def opened(path: Path) -> Iterator[tuple[RawIOBase, int]]:
    """A file to keep, opened, with its size.

    Raises:
        InputError: It is not there, cannot be read, or is no ordinary file.
    """
    try:
        # A named pipe would wait for ever, a device never end.
        if not path.is_file():
            kind = "a folder" if path.is_dir() else "no ordinary file" if path.exists() else "not there"
            raise InputError(f"This is {kind}; a file is expected.", "Check its name.", file=str(path))
        source = path.open("rb", buffering=0)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(
            f"The file cannot be read: {reason}.", "Check its name and permissions.", file=str(path)
        ) from None
    with source:
        yield source, os.fstat(source.fileno()).st_size


def _pieces(source: RawIOBase, path: Path) -> Iterator[bytes]:
    while True:
        try:
            piece = source.read(PIECE)
        except OSError as error:
            raise InputError(
                f"The file cannot be read: {error.strerror}.", "Check the disk that it is on.", file=str(path)
            ) from None
        if not piece:
            return
        yield piece


def hash_of(path: Path, progress: Callable[[int], None] | None = None) -> str:
    """SHA-256 of a file in hexadecimal, in constant memory.

    Args:
        path: The file.
        progress: Told the bytes of each piece.

    Raises:
        OSError: It cannot be read.
    """
    digest = hashlib.sha256()
    with path.open("rb", buffering=0) as file:
        while piece := file.read(PIECE):
            digest.update(piece)
            if progress is not None:
                progress(len(piece))
    return digest.hexdigest()


def _hash_of(path: Path) -> str | None:
    try:
        return hash_of(path)
    except OSError:
        return None


class _Lock:
    """A lock on a file; the system drops it when the process ends, however it ends."""

    def __init__(self, handle: int) -> None:
        self._handle = handle

    def release(self) -> None:
        os.close(self._handle)


def _lock(path: Path, *, shared: bool) -> _Lock:
    """Lock a file: shared ones wait for each other's opposite, an exclusive one never waits.

    Raises:
        OSError: It cannot be opened, or is locked and an exclusive lock was wanted.
    """
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        import fcntl
    except ImportError:  # a system without these locks: imports work, only nothing is ever tidied
        if not shared:
            os.close(handle)
            raise OSError("no locks here") from None
        return _Lock(handle)
    try:
        fcntl.flock(handle, fcntl.LOCK_SH if shared else fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        if not shared:
            os.close(handle)
            raise
        # A file system that has no locks: imports work, only nothing is ever tidied.
    return _Lock(handle)
