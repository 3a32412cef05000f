"""Raw binary: the bytes of a chip from address 0, nothing else.

There is no published standard and nothing to check: any bytes are a binary image. So it is taken for one
only when it is not text, or when a person says so.
"""

from __future__ import annotations

import numpy as np

from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.image.formats.records import LARGEST_SPAN, writable_bytes
from wrongbit.image.formats.text import require_content, text_or_reason

_CONTAINERS = {
    b"PK\x03\x04": "a ZIP archive",
    b"\x1f\x8b\x08": "gzip-compressed",
    b"7z\xbc\xaf\x27\x1c": "a 7z archive",
    b"%PDF-": "a PDF document",
    b"\x7fELF": "an ELF object file",
}
"""First bytes of files that hold an image at best inside."""


def recognise(data: bytes) -> tuple[bool, str]:
    """Whether these bytes are taken for a binary image, and why."""
    for mark, what in _CONTAINERS.items():
        if data.startswith(mark):
            return False, f"the file is {what}, which may hold an image but is none"
    text, reason = text_or_reason(data)
    return not text, reason


def read(data: bytes, file: str) -> Contents:
    """Bytes as 8-bit contents from address 0.

    Raises:
        ImageError: No bytes, or more than any ROM holds.
    """
    require_content(data, file)
    if len(data) > LARGEST_SPAN:
        raise ImageError(
            f"the file has {len(data)} bytes; {LARGEST_SPAN} at most were expected.",
            "Give the file of one ROM.",
            file=file,
        )
    words = np.frombuffer(data, np.uint8).astype(np.uint64)
    return Contents(words, np.full(len(words), 0xFF, np.uint64), 8, source=file)


def write(contents: Contents, fill: int | None = None) -> bytes:
    """One byte a word. The base is not kept: the file's first byte is the first word.

    Args:
        contents: Words of at most 8 bits.
        fill: Value for bits that are not known.

    Raises:
        ImageError: Words wider than 8 bits, or bits that are not known and no ``fill``.
    """
    data, written = writable_bytes(contents, fill)
    if not written.all():
        missing = np.flatnonzero(~written)
        raise ImageError(
            f"{len(missing)} words are not known, the first at 0x{contents.base + int(missing[0]):X}; "
            "a binary file cannot leave words out.",
            "Find out these words, state the value that is to be written for them, or use another format.",
            file=contents.source or None,
        )
    return data
