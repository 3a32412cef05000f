"""Keys: a hash over everything that goes into a result, so that a stale one is never taken for fresh."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import wrongbit
from wrongbit.machine.model import Machine


def key_of(*parts: Any) -> str:
    """SHA-256 over JSON values and the version of wrongbit.

    >>> key_of("a", 1) == key_of("a", 1), key_of("a", 1) == key_of("a", 2)
    (True, False)
    """
    text = json.dumps([wrongbit.__version__, *parts], sort_keys=True, ensure_ascii=True, default=list)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def text_hash(data: bytes) -> str:
    """SHA-256 of bytes, in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def files_hash(folder: Path, names: Iterable[str]) -> list[list[str]]:
    """Name and SHA-256 of files in a folder; what cannot be read has the reason in place of its hash.

    Reference files are small beside captures, so that they are read each time: a date can lie.
    """
    found = []
    for name in dict.fromkeys(names):
        try:
            with (folder / name).open("rb") as file:
                found.append([name, hashlib.file_digest(file, "sha256").hexdigest()])
        except (OSError, ValueError) as error:
            found.append([name, f"not readable: {type(error).__name__}"])
    return found


def file_names(machine: Machine) -> list[str]:
    """Files that a machine file names: images, listings, tables of instructions."""
    names = [chip.image.file for chip in machine.chip if chip.image is not None]
    names += [listing.file for listing in machine.listing]
    for processor in machine.processor:
        kind, _, file = processor.instructions.partition(":")
        if kind == "table" and file:
            names.append(file.strip())
    return names
