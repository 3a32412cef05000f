"""File names from outside, made harmless: no path, no control characters, fit for every file system."""

from __future__ import annotations

import re
import unicodedata

LONGEST = 120
"""Bytes of UTF-8. File systems allow 255; a path has further parts."""

_RESERVED = re.compile(r"(?i)(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?")


def last_part(name: str) -> str:
    """The name without any folder, whichever system's slashes it has, as text that can be shown.

    >>> last_part("../../etc/passwd"), last_part("C:\\\\captures\\\\u1.csv")
    ('passwd', 'u1.csv')
    """
    bare = re.split(r"[/\\]", name.rstrip("/\\"))[-1]
    return bare.encode("utf-8", "replace").decode("utf-8")


def safe_name(name: str) -> str:
    """A name that can stand in a folder of any system; its ending is kept.

    >>> safe_name("../u1 run.csv"), safe_name("a<b>:c?.vcd"), safe_name(".."), safe_name("NUL.bin")
    ('u1 run.csv', 'a_b__c_.vcd', 'file', '_NUL.bin')
    """
    plain = unicodedata.normalize("NFC", last_part(name))
    plain = re.sub(r'[<>:"|?*]', "_", plain)
    plain = "".join(each if each.isprintable() else "_" for each in plain)
    plain = plain.strip(" .")
    plain = _shortened(plain)
    if not plain or not plain.strip("._ "):
        return "file"
    if plain.startswith("-") or _RESERVED.fullmatch(plain):
        return f"_{plain}"
    return plain


def _shortened(name: str) -> str:
    """At most `LONGEST` bytes, cut before the ending."""
    if len(name.encode()) <= LONGEST:
        return name
    stem, dot, ending = name.rpartition(".")
    if not dot or len(ending.encode()) > 16:
        stem, ending = name, ""
    room = LONGEST - len(ending.encode()) - len(dot if ending else "")
    cut = stem.encode()[:room].decode("utf-8", "ignore").rstrip(" .")
    return f"{cut}.{ending}" if ending else cut
