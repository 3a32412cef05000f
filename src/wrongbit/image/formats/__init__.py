"""File formats of ROM contents: one module a format, one row each in `FORMATS`.

A format module recognises its files (with the reason in words), reads them, and writes them where that
makes sense. A new format is a module here, a row in the table and a test file.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from wrongbit.errors import ImageError, why_unreadable
from wrongbit.image.contents import Contents
from wrongbit.image.formats import binary, intel_hex, listing, s_record
from wrongbit.image.formats.listing import ListingOptions
from wrongbit.image.formats.text import require_content
from wrongbit.image.lanes import spread

FormatName = Literal["binary", "intel-hex", "s-record", "listing"]

LARGEST_FILE = 1 << 28
"""Bytes beyond which a file is not opened: the text of the largest span is below it."""


@dataclass(frozen=True)
class Format:
    """What a format module offers.

    Args:
        title: The format's name in a sentence.
        recognise: Whether a file's bytes are of this format, and why (not).
        read: Contents, and by how much addresses step from word to word, from a file's bytes and name.
        write: A file's bytes from contents and a value for unknown bits; None: not written.
    """

    title: str
    recognise: Callable[[bytes], tuple[bool, str]]
    read: Callable[[bytes, str, ListingOptions], tuple[Contents, int]]
    write: Callable[[Contents, int | None], bytes] | None


FORMATS: dict[FormatName, Format] = {
    "intel-hex": Format(
        "Intel HEX",
        intel_hex.recognise,
        lambda data, file, options: (intel_hex.read(data, file), 1),
        intel_hex.write,
    ),
    "s-record": Format(
        "S-record",
        s_record.recognise,
        lambda data, file, options: (s_record.read(data, file), 1),
        s_record.write,
    ),
    "binary": Format(
        "raw binary",
        binary.recognise,
        lambda data, file, options: (binary.read(data, file), 1),
        binary.write,
    ),
    "listing": Format("a listing", listing.recognise, listing.read, None),
}
"""All formats, in the order in which 'auto' asks them."""


def read_image(
    path: str | Path,
    format: FormatName | Literal["auto"] = "auto",  # noqa: A002
    *,
    address_radix: int = 16,
    word_radix: int = 16,
    word_bits: int | None = None,
) -> Contents:
    """Contents of a file, at the addresses that the file gives.

    Args:
        path: The file.
        format: Its format; 'auto' asks each format in turn and tells in ``notes`` which one and why.
        address_radix: Listing: number base of addresses, 8, 10 or 16.
        word_radix: Listing: number base of words, 8, 10 or 16.
        word_bits: Listing: width of a word; None: told by the count of digits. Byte formats have 8.

    Returns:
        Contents; where a listing's addresses count bytes of wider words, the addresses between are not
        known.

    Raises:
        ImageError: The file cannot be opened or read; with 'auto', ``notes`` tell what each format said.
    """
    options = ListingOptions(address_radix, word_radix, word_bits)
    contents, step = read_words(path, format, options)
    return spread(contents, step)


def read_words(
    path: str | Path,
    format: FormatName | Literal["auto"],  # noqa: A002
    options: ListingOptions,
) -> tuple[Contents, int]:
    """Like `read_image`, but words one after another, with the step of the file's addresses.

    Raises:
        ImageError: As `read_image`.
    """
    file = str(path)
    data = _load(Path(path), file)
    require_content(data, file)
    if format != "auto":
        return FORMATS[format].read(data, file, options)
    said = {name: row.recognise(data) for name, row in FORMATS.items()}
    refused = tuple(f"{name}: no, {reason}." for name, (yes, reason) in said.items() if not yes)
    chosen = next((name for name, (yes, _) in said.items() if yes), None)
    if chosen is None:
        raise ImageError(
            "the file is of no format that is known here.",
            "State its format (binary, intel-hex, s-record or listing) if it is one of them.",
            file=file,
            notes=refused,
        )
    why = f"Read as {FORMATS[chosen].title}: {said[chosen][1]}."
    try:
        contents, step = FORMATS[chosen].read(data, file, options)
    except ImageError as error:
        error.notes = (*error.notes, why, *refused)
        raise
    return replace(contents, notes=(why, *contents.notes)), step


def _load(path: Path, file: str) -> bytes:
    """A file's bytes, with the system's reasons told as ours."""
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise ImageError(
                f"the file has {size} bytes; {LARGEST_FILE} at most were expected.",
                "Give the file of one ROM.",
                file=file,
            )
        return path.read_bytes()
    except (FileNotFoundError, IsADirectoryError) as error:
        message, remedy = why_unreadable(error)
        raise ImageError(f"{message[0].lower()}{message[1:]}", remedy, file=file) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise ImageError(
            f"the file cannot be opened: {reason}.", "Check its name and its permissions.", file=file
        ) from None


def write_image(
    path: str | Path,
    contents: Contents,
    format: FormatName,  # noqa: A002
    *,
    fill: int | None = None,
) -> None:
    """Write contents to a file, whole or not at all.

    Args:
        path: The file; an existing one is replaced.
        contents: Words of at most 8 bits (see `wrongbit.image.lanes.as_bytes` for wider ones).
        format: 'binary', 'intel-hex' or 's-record'.
        fill: Value for bits that are not known; None: HEX and S-records leave unknown words out.

    Raises:
        ImageError: Words too wide, bits not known, or the file cannot be written.
    """
    writer = FORMATS[format].write
    if writer is None:
        raise ImageError(
            f"{FORMATS[format].title} cannot be written.", "Choose binary, intel-hex or s-record."
        )
    _replace(Path(path), writer(contents, fill))


def _replace(path: Path, data: bytes) -> None:
    """Write beside the target, then rename: nobody ever sees half a file."""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    except OSError as error:
        raise _cannot_write(path, error) from None
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise _cannot_write(path, error) from None


def _cannot_write(path: Path, error: OSError) -> ImageError:
    return ImageError(
        f"the file cannot be written: {error.strerror}.",
        "Check the folder and its permissions.",
        file=str(path),
    )


__all__ = [
    "FORMATS",
    "Format",
    "FormatName",
    "ListingOptions",
    "read_image",
    "read_words",
    "write_image",
]
