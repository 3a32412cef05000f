"""The declarations of a VCD file: time scale, scopes and variables, up to ``$enddefinitions $end``.

Source: IEEE Std 1364-2005, clause 18.2 (declaration commands). The file is free-format text: words
separated by white space, a declaration running from its keyword to the next ``$end``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, NamedTuple

from wrongbit.errors import CaptureError

LEVEL_KINDS = frozenset(
    {
        *("integer", "reg", "supply0", "supply1", "time", "tri", "tri0", "tri1", "triand", "trior", "trireg"),
        *("wand", "wire", "wor"),
        *("bit", "byte", "int", "logic", "longint", "port", "shortint"),  # from later standards
    }
)
"""Kinds of variable whose value is levels. The rest (real, parameter, event, string, …) has none."""

_FEMTOSECONDS = {
    "fs": 1,
    "ps": 10**3,
    "ns": 10**6,
    "us": 10**9,
    "ms": 10**12,
    "s": 10**15,
}
_LONGEST_LINE = 1 << 20
_LARGEST_WIDTH = 1 << 16
_WORD = re.compile(rb"[^\x00-\x20]+")
_RANGE = re.compile(r"\[ ?(-?\d{1,9}) ?(?:: ?(-?\d{1,9}) ?)?\]$")
_FORM = "'$var TYPE WIDTH ID NAME $end'"


@dataclass(frozen=True)
class Variable:
    """One ``$var``.

    Args:
        kind: Its type word, such as ``wire``.
        width: Number of bits.
        code: Identifier code that its changes carry.
        scope: Names of the scopes around it, outermost first.
        name: Name without range and without the backslash of an escaped name.
        bits: Numbers of its leftmost and its rightmost bit, or None where it was declared without.
        line: Line of the declaration, counted from 1.
    """

    kind: str
    width: int
    code: bytes
    scope: tuple[str, ...]
    name: str
    bits: tuple[int, int] | None
    line: int

    @property
    def path(self) -> str:
        """Full name, with its range where it has one: ``top.cpu.A[15:0]``."""
        return ".".join((*self.scope, self.name)) + self.range_text

    @property
    def range_text(self) -> str:
        """``[15:0]``, ``[3]`` or an empty string."""
        if self.bits is None:
            return ""
        left, right = self.bits
        return f"[{left}]" if left == right and self.width == 1 else f"[{left}:{right}]"


@dataclass(frozen=True)
class Header:
    """What stands before the first change.

    Args:
        variables: In file order.
        tick_fs: One step of the file's time in femtoseconds.
        body: Offset of the first byte after ``$enddefinitions $end``.
        notes: What a person should be told.
    """

    variables: tuple[Variable, ...]
    tick_fs: int
    body: int
    notes: tuple[str, ...]


class _Word(NamedTuple):
    text: bytes
    line: int
    end: int


def read_header(path: Path) -> Header:
    """Read the declarations of a VCD file, and nothing after them.

    Raises:
        CaptureError: The file is empty, is no VCD, or has a malformed declaration.
        OSError: The file cannot be read.
    """
    with path.open("rb") as file:
        return _Reader(file, str(path)).read()


class _Reader:
    """Walks through the words of one header."""

    def __init__(self, file: BinaryIO, name: str) -> None:
        self.file = file
        self.name = name
        self.words = self._words()
        self.variables: list[Variable] = []
        self.scope: list[str] = []
        self.tick_fs: int | None = None
        self.notes: list[str] = []

    def read(self) -> Header:
        word = None
        for word in self.words:
            self._must_be_keyword(word)
            contents = self._contents(word)
            if word.text == b"$enddefinitions":
                return self._finish(self._end)
            if word.text == b"$var":
                self.variables.append(self._variable(word, contents))
            elif word.text == b"$scope":
                self.scope.append(_text(b" ".join(contents[1:])).removeprefix("\\"))
            elif word.text == b"$upscope":
                del self.scope[-1:]  # one too many harms nobody
            elif word.text == b"$timescale":
                self.tick_fs = self._timescale(word, contents)
        if word is None:
            raise CaptureError("The file is empty.", "Export the capture again.", file=self.name)
        raise self._no_end(word.line, "the end of the file")

    def _finish(self, body: int) -> Header:
        if not self.variables:
            raise CaptureError(
                "The VCD file declares no variable: there is no '$var' before '$enddefinitions'.",
                "Export it again with the signals that were captured.",
                file=self.name,
            )
        if self.tick_fs is None:
            self.notes.append("The file has no $timescale; one step of its time is taken as 1 ns.")
        elif self.tick_fs < 1000:
            self.notes.append(
                f"The file counts time in steps of {self.tick_fs} fs; times are rounded to whole picoseconds."
            )
        return Header(
            tuple(self.variables),
            10**6 if self.tick_fs is None else self.tick_fs,
            body,
            tuple(self.notes),
        )

    # -- words and declarations ------------------------------------------------------------------------

    def _words(self) -> Iterator[_Word]:
        offset = 0
        number = 0
        while line := self.file.readline(_LONGEST_LINE):
            number += 1
            if number == 1:
                offset, line = self._skip_mark(line)
            for match in _WORD.finditer(line):
                yield _Word(match[0], number, offset + match.end())
            offset += len(line)

    @staticmethod
    def _skip_mark(line: bytes) -> tuple[int, bytes]:
        """Some programs put a byte order mark before UTF-8 text."""
        mark = b"\xef\xbb\xbf"
        return (len(mark), line.removeprefix(mark)) if line.startswith(mark) else (0, line)

    def _must_be_keyword(self, word: _Word) -> None:
        if re.fullmatch(rb"\$[A-Za-z]\w*", word.text):
            return
        if not self.variables and self.tick_fs is None and not self.scope:
            raise CaptureError(
                f"This is not a VCD file: {_shown(word.text)} stands where '$date', '$timescale', '$scope' "
                "or another keyword was expected.",
                "Choose VCD (value change dump, IEEE 1364) when exporting, or give the file's real format.",
                file=self.name,
                line=word.line,
            )
        raise self._no_end(word.line, _shown(word.text))

    def _contents(self, keyword: _Word) -> list[bytes]:
        """The words between a keyword and its ``$end``."""
        contents: list[bytes] = []
        for word in self.words:
            is_code = keyword.text == b"$var" and len(contents) == 2  # any printing characters
            if word.text == b"$end" and not is_code:
                self._end = word.end
                return contents
            if keyword.text == b"$var" and len(contents) > 16:
                break
            contents.append(word.text)
        raise self._error(
            keyword.line,
            f"{_shown(keyword.text)} has no '$end'.",
            f"Write {_FORM}." if keyword.text == b"$var" else "The file may be cut short; export it again.",
        )

    def _timescale(self, word: _Word, contents: list[bytes]) -> int:
        text = _text(b" ".join(contents))
        match = re.fullmatch(r"(\d{1,9}) ?(fs|ps|ns|us|ms|s)", text)
        if match is None or int(match[1]) == 0:
            raise self._error(
                word.line,
                f"The time scale is {text!r}; 1, 10 or 100 and one of s, ms, us, ns, ps, fs was expected.",
                "Write it as '$timescale 1 ns $end'.",
            )
        if int(match[1]) not in (1, 10, 100):
            self.notes.append(f"The time scale is {text!r}, where the standard has only 1, 10 or 100.")
        return int(match[1]) * _FEMTOSECONDS[match[2]]

    def _variable(self, word: _Word, contents: list[bytes]) -> Variable:
        if len(contents) < 4 or (contents[2] == b"$end" and contents[3].startswith(b"$")):
            raise self._error(
                word.line,
                f"A '$var' lacks some of its four parts: {_shown(b' '.join(contents))}.",
                f"Write {_FORM}.",
            )
        kind, width, code, *rest = contents
        if not re.fullmatch(rb"\d{1,9}", width) or int(width) > _LARGEST_WIDTH:
            raise self._error(
                word.line,
                f"The width of a '$var' is {_shown(width)}; a number of bits from 1 to {_LARGEST_WIDTH} "
                "was expected.",
                f"Write {_FORM}.",
            )
        if any(not 33 <= byte <= 126 for byte in code):
            raise self._error(
                word.line,
                f"The id of a '$var' is {_shown(code)}; printable ASCII was expected.",
                "The file may be damaged; export it again.",
            )
        name, bits = self._name(word, rest, int(width))
        return Variable(
            _text(kind).lower(), int(width), code, tuple(s for s in self.scope if s), name, bits, word.line
        )

    def _name(self, word: _Word, rest: list[bytes], width: int) -> tuple[str, tuple[int, int] | None]:
        """Name and range of a variable from the words after its id.

        A blank may stand before the range or not. In an escaped name brackets are letters like others; it
        ends at the blank.
        """
        text = _text(b" ".join(rest))
        escaped = text.startswith("\\") and len(text) > 1
        head = len(_text(rest[0])) if escaped else 1
        match = _RANGE.search(text, head)
        name = text if match is None else text[: match.start()].rstrip()
        name = name.removeprefix("\\") if escaped else name
        if match is None:
            return name, None
        left = int(match[1])
        self._check_number(word, left, text)
        if match[2] is None:
            # With several bits it is one element of an array of words, not one bit of a word.
            return (name, (left, left)) if width == 1 else (f"{name}[{left}]", None)
        right = int(match[2])
        self._check_number(word, right, text)
        if abs(left - right) + 1 != width:
            raise self._error(
                word.line,
                f"{name}[{left}:{right}] has {abs(left - right) + 1} bits, but its '$var' says {width}.",
                "Make the width and the range agree.",
            )
        return name, (left, right)

    def _check_number(self, word: _Word, number: int, text: str) -> None:
        """A bus has a place for each number up to its highest, so that this must not be just anything."""
        if abs(number) >= _LARGEST_WIDTH:
            raise self._error(
                word.line,
                f"A bit of {text!r} has the number {number}; at most {_LARGEST_WIDTH - 1} was expected.",
                "The file may be damaged; export it again.",
            )

    def _error(self, line: int, message: str, remedy: str = "Export the capture again.") -> CaptureError:
        return CaptureError(message, remedy, file=self.name, line=line)

    def _no_end(self, line: int, found: str) -> CaptureError:
        return self._error(
            line,
            f"The declarations do not end: {found} stands where '$enddefinitions $end' was expected.",
            "The file may be cut short or edited; export it again.",
        )


def _text(word: bytes) -> str:
    return word.decode("utf-8", errors="replace")


def _shown(word: bytes) -> str:
    """A word for a message: quoted, unprintable bytes escaped, not endless."""
    text = ascii(word.decode("latin-1"))
    return text if len(text) <= 40 else f"{text[:36]}…'"
