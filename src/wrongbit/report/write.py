"""Reports as files: both forms are made before either is written, and each is there whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

from wrongbit.case.durable import umask
from wrongbit.errors import UsageError


def write_files(contents: Mapping[Path, bytes]) -> None:
    """Write files, all or none of them; those that are there already are replaced.

    Args:
        contents: What goes into each file.

    Raises:
        UsageError: One cannot be written. Then none is, and nothing is left of the attempt.
    """
    prepared: list[tuple[Path, Path]] = []
    try:
        for path, data in contents.items():
            prepared.append((_beside(path, data), path))
        for part, path in prepared:
            try:
                part.replace(path)
            except OSError as error:
                raise _unwritable(path, error) from None
    finally:
        for part, _ in prepared:
            part.unlink(missing_ok=True)


def _beside(path: Path, data: bytes) -> Path:
    """The data, on the disk, under a passing name in the same folder."""
    if path.is_dir():
        raise UsageError(f"{path} is a folder.", "Name a file.")
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}.")
    except OSError as error:
        raise _unwritable(path, error) from None
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.chmod(0o666 & ~umask())
    except OSError as error:
        part.unlink(missing_ok=True)
        raise _unwritable(path, error) from None
    return part


def _unwritable(path: Path, error: OSError) -> UsageError:
    return UsageError(
        f"{path} cannot be written: {error.strerror or error}.",
        "Name a file in a folder that is there and that you may write to.",
    )
