"""The line on which each key of a TOML file stands.

The standard library's reader gives values without places, and people edit machine files by hand. This
scanner reads text that the standard reader has already accepted, so it trusts the syntax and only counts.
Grammar: TOML 1.0.0, https://toml.io/en/v1.0.0.
"""

from __future__ import annotations

import re

Path = tuple[str | int, ...]
"""Keys and list positions from the root, such as ``("chip", 2, "lane")``."""

_BLANK = re.compile(r"(?:[ \t]|#[^\n]*|\r?\n)*")
_INLINE_BLANK = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}(?!")'
    r"|'''.*?'{3,5}(?!')"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_PLAIN_VALUE = re.compile(r"[^,\]}#\n]*")
_ESCAPE = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|(.))")
_ESCAPED = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


def key_lines(text: str) -> dict[Path, int]:
    """Line, counted from 1, on which each key, table and list element begins.

    Args:
        text: Valid TOML.

    Returns:
        A line for every path. A list of tables has a line for each of its tables.

    >>> key_lines("[[chip]]\\nname = 'U1'\\nlane = [\\n  0,\\n  1]")["chip", 0, "lane", 1]
    5
    """
    return _Scanner(text.replace("\r\n", "\n")).scan()


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Path, int] = {}
        self._tables: dict[Path, int] = {}  # number of tables in each list of tables so far
        self._counted = (0, 1)  # a position and its line: lines are counted once, going on

    def scan(self) -> dict[Path, int]:
        table: Path = ()
        while self._skip(_BLANK) < len(self.text):
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
        return self.lines

    def _skip(self, pattern: re.Pattern[str]) -> int:
        match = pattern.match(self.text, self.at)
        if match is not None:
            self.at = match.end()
        return self.at

    def _line(self) -> int:
        position, line = self._counted
        line += self.text.count("\n", position, self.at)
        self._counted = (self.at, line)
        return line

    def _mark(self, path: Path, line: int) -> None:
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], line)

    def _header(self) -> Path:
        line = self._line()
        is_list = self.text.startswith("[[", self.at)
        self.at += 2 if is_list else 1
        keys = self._dotted_key()
        self.at += 2 if is_list else 1
        path: Path = ()
        for index, key in enumerate(keys):
            path = (*path, key)
            if is_list and index == len(keys) - 1:
                self._tables[path] = self._tables.get(path, 0) + 1
            if path in self._tables:
                path = (*path, self._tables[path] - 1)
        self._mark(path, line)
        self.lines[path] = line
        return path

    def _dotted_key(self) -> list[str]:
        keys = []
        while True:
            self._skip(_INLINE_BLANK)
            start = self.at
            quoted = self.text[start] in "\"'"
            self._skip(_STRING if quoted else _BARE_KEY)
            if self.at == start:
                raise ValueError(f"no key at position {start}")
            keys.append(_unquote(self.text[start : self.at]))
            self._skip(_INLINE_BLANK)
            if self.text[self.at] != ".":
                return keys
            self.at += 1

    def _pair(self, table: Path) -> None:
        line = self._line()
        path = (*table, *self._dotted_key())
        self._mark(path, line)
        self.at += 1  # the equals sign
        self._skip(_INLINE_BLANK)
        self._value(path)

    def _value(self, path: Path) -> None:
        opening = self.text[self.at : self.at + 1]
        if opening == "[":
            self._items(path, "]")
        elif opening == "{":
            self._items(path, "}")
        else:
            self._skip(_STRING if opening in ('"', "'") else _PLAIN_VALUE)

    def _items(self, path: Path, closing: str) -> None:
        """Elements of a list, or pairs of a table in one line."""
        self.at += 1
        index = 0
        while self.text[self._skip(_BLANK)] != closing:
            if closing == "}":
                self._pair(path)
            else:
                self._mark((*path, index), self._line())
                self._value((*path, index))
                index += 1
            if self.text[self._skip(_BLANK)] == ",":
                self.at += 1
        self.at += 1


def _unquote(key: str) -> str:
    if key[0] == "'":
        return key[1:-1]
    return _ESCAPE.sub(_unescape, key[1:-1]) if key[0] == '"' else key


def _unescape(match: re.Match[str]) -> str:
    code = match[1] or match[2]
    return chr(int(code, 16)) if code else _ESCAPED.get(match[3], match[3])
