"""Standard output and error as they come: closed, full, or with an alphabet that lacks our marks."""

from __future__ import annotations

import codecs
import os
import sys
from io import TextIOWrapper
from pathlib import Path

PLAIN = str.maketrans({
    "—": "-", "–": "-", "→": ">", "▶": ">", "◀": "<", "▲": "^", "▼": "v", "…": "...", "“": '"', "”": '"',
    "µ": "u", "μ": "u", "Ω": "Ohm", "×": "x", "±": "+-", "≥": ">=", "≤": "<=", "·": ".", "°": " deg",
    "─": "-", "│": "|", "█": "#", "▓": "#", "▒": "+", "░": ".", "■": "#", "□": ".",
})  # fmt: skip
"""What stands for a mark where the stream's encoding has none; as wide as the mark where columns matter."""


def plain(error: UnicodeError) -> tuple[str, int]:
    """The codec error handler: a mark's plain form, or a question mark.

    >>> codecs.register_error("wrongbit.plain", plain)
    >>> "→ U2 — 5 µs ☃".encode("ascii", "wrongbit.plain")
    b'> U2 - 5 us ?'
    """
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lost = error.object[error.start : error.end].translate(PLAIN)
    return "".join(each if each.isascii() else "?" for each in lost), error.end


def prepare() -> None:
    """Make sure that printing never fails for want of a stream or a character."""
    codecs.register_error("wrongbit.plain", plain)
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:  # closed by the caller, as with `>&-`
            setattr(sys, name, Path(os.devnull).open("w", encoding="utf-8"))  # noqa: SIM115
        elif isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="wrongbit.plain")


def discard_output() -> None:
    """Give up on standard output, also at exit, where Python would flush it once more."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
