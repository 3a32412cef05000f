"""Files that are whole or not there, also after a power cut: written beside, flushed to the disk, renamed."""

from __future__ import annotations

import errno
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Lock

from wrongbit.errors import CaseError

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_DENIED = {errno.EROFS, errno.EACCES, errno.EPERM}


@contextmanager
def explained(what: Path, doing: str = "written") -> Iterator[None]:
    """Turn the system's refusals into messages.

    Args:
        what: File or folder that is worked on.
        doing: What is done to it, as in "cannot be written".
    """
    try:
        yield
    except OSError as error:
        raise refusal(error, what, doing) from None


def refusal(error: OSError, what: Path, doing: str = "written") -> CaseError:
    """The message for an error of the system."""
    if error.errno in _FULL:
        return CaseError(
            "There is no room left on the disk for this.",
            "Make room (derived/ may always be deleted), then do it again: nothing was lost.",
            file=str(what),
        )
    if error.errno in _DENIED:
        return CaseError(
            f"It cannot be {doing}: {error.strerror}.",
            "Check the permissions, or copy the case folder to a place that you may write to.",
            file=str(what),
        )
    return CaseError(
        f"It cannot be {doing}: {error.strerror or error}.", "Check the disk and the name.", file=str(what)
    )


def flush_folder(folder: Path) -> None:
    """Make the names in a folder durable, where the system can."""
    if os.name == "nt":  # Windows keeps names durable by itself, and opens no folders
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def make_folder(folder: Path) -> None:
    """A folder and those above it, each durable in its parent."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    with suppress(FileExistsError):
        folder.mkdir()
    flush_folder(folder.parent)


def write_whole(path: Path, data: bytes, *, exclusive: bool = False) -> None:
    """A small file with its contents, or what was there before.

    Args:
        path: Where; its folder exists.
        data: The contents.
        exclusive: Fail where there is such a file already.

    Raises:
        FileExistsError: With ``exclusive``, there is one.
        OSError: The system refuses.
    """
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".writing-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(0o666 & ~umask())
        if exclusive:
            _link_new(Path(name), path)
        else:
            Path(name).replace(path)
    finally:
        with suppress(FileNotFoundError):
            Path(name).unlink()
    flush_folder(path.parent)


def _link_new(written: Path, path: Path) -> None:
    """Give a written file its name unless that is taken, in one step."""
    try:
        os.link(written, path)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        if path.exists():
            raise FileExistsError(errno.EEXIST, "There is one already", str(path)) from None
        written.replace(path)


_asking = Lock()


def umask() -> int:
    """The permissions that new files of this process do not get.

    The system's call can only set it. Linux also tells it (proc(5), "/proc/pid/status"); elsewhere it is set
    and put back, and two threads that did so at once could leave the process with the wrong one.
    """
    with suppress(OSError, ValueError):
        for line in Path("/proc/self/status").read_text("ascii", "replace").splitlines():
            name, _, value = line.partition(":")
            if name == "Umask":
                return int(value, 8)
    with _asking:
        mask = os.umask(0o077)
        os.umask(mask)
    return mask
