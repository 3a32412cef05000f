"""Bytes of a file as text: what counts as text, and how its lines are counted."""

from __future__ import annotations

import re

from wrongbit.errors import ImageError

_CONTROL = re.compile(rb"[\x00-\x08\x0b\x0e-\x19\x1b-\x1f\x7f]")
_HIGH = re.compile(rb"[\x80-\xff]")
_END_OF_LINE = re.compile(r"\r\n|\n|\r")
_UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")
_HIGH_SHARE = 10
"""A text may have one byte in this many above 7E: accents and frames, in whatever code page."""


def text_or_reason(data: bytes) -> tuple[bool, str]:
    """Whether these bytes are text, and the reason in words.

    Text has no control codes but tab, line and page ends and the old end-of-file mark 1A, and few bytes
    above 7E. Trailing zeros and 1A (padding of old file systems) are overlooked.

    >>> text_or_reason(b"0000 31")
    (True, 'every byte is a printable character')
    >>> text_or_reason(bytes([0xC3, 0x00, 0x01]))
    (False, 'byte 00 at offset 1 is not a character')
    """
    if _is_utf16(data):
        return True, "it starts with the mark of UTF-16 text"
    body = data.rstrip(b"\x00\x1a")
    control = _CONTROL.search(body)
    if control is not None:
        return False, f"byte {body[control.start()]:02X} at offset {control.start()} is not a character"
    high = len(_HIGH.findall(body))
    if high * _HIGH_SHARE > len(body):
        return False, f"{high} of {len(body)} bytes are above 7E"
    if not body:
        return False, "it has no characters"
    return True, "every byte is a printable character" if not high else "nearly every byte is printable"


def _is_utf16(data: bytes) -> bool:
    """A byte order mark alone could be code; text of Latin letters has a zero in every other byte as well."""
    if data[:2] not in _UTF16_MARKS or len(data) % 2:
        return False
    zeros = max(data[2::2].count(0), data[3::2].count(0))
    return zeros * 20 >= (len(data) // 2 - 1) * 19


def decode_lines(data: bytes) -> list[str]:
    """The lines of a text, without their ends; index 0 is line 1. Never fails.

    UTF-8 and UTF-16 are told by their marks, anything else is taken byte for byte: only ASCII matters
    to the formats.

    >>> decode_lines(b"a\\r\\nb\\n")
    ['a', 'b', '']
    """
    if _is_utf16(data):
        text = data.decode("utf-16", errors="replace")
    else:
        text = data.removeprefix(b"\xef\xbb\xbf").rstrip(b"\x00\x1a").decode("latin-1")
    return _END_OF_LINE.split(text)


def show(text: str, limit: int = 32) -> str:
    """A piece of a line for a message: quoted, controls escaped, shortened.

    >>> show("abc\\x00")
    "'abc\\\\x00'"
    """
    return repr(text if len(text) <= limit else text[: limit - 1] + "…")


def require_content(data: bytes, file: str) -> None:
    """Refuse an empty file.

    Raises:
        ImageError: There are no bytes.
    """
    if not data:
        raise ImageError("the file is empty.", "Read or copy it again.", file=file)


def last_line_number(lines: list[str]) -> int:
    """Number of the last line that is not blank, 0 when all are."""
    for index in range(len(lines) - 1, -1, -1):
        if lines[index].strip():
            return index + 1
    return 0
