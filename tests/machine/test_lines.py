"""Lines of keys, against the standard library's reader."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st

from wrongbit.machine.lines import key_lines

# Every form of a value and a header in TOML 1.0.0, https://toml.io/en/v1.0.0. The number at the end of each
# comment or line is not data; expected lines stand in the table below, counted by hand.
EVERY_FORM = '''\
# a comment with [brackets] and key = "value"
plain = 1
dotted.key = 2
"quoted key".'literal.key' = "text # no comment"
many = """
not = a key
"" two quotes, then the end: """
literal = \'\'\'
[not a table]\'\'\'
escaped = "a \\" quote, \\\\"
list = [ 1,
  "two", # [
  [ 3,
    4 ],
]
inline = { x = 1, y.z = [ 5, 6 ], "w" = { v = {} } }
moment = 1979-05-27 07:32:00

[table]
key = 0.5
  [ table . "sub table" ]
  key = true
[[entry]]
name = "first"
[entry.inner]
deep = -1
[[entry.row]]
n = 1
[[entry.row]]
n = 2
[[entry]]
[[entry.row]]
n = 3
'''

LINES = {
    ("plain",): 2,
    ("dotted", "key"): 3,
    ("quoted key", "literal.key"): 4,
    ("many",): 5,
    ("literal",): 8,
    ("escaped",): 10,
    ("list",): 11,
    ("list", 0): 11,
    ("list", 1): 12,
    ("list", 2): 13,
    ("list", 2, 0): 13,
    ("list", 2, 1): 14,
    ("inline", "x"): 16,
    ("inline", "y", "z", 1): 16,
    ("inline", "w", "v"): 16,
    ("moment",): 17,
    ("table",): 19,
    ("table", "key"): 20,
    ("table", "sub table"): 21,
    ("table", "sub table", "key"): 22,
    ("entry",): 23,
    ("entry", 0): 23,
    ("entry", 0, "name"): 24,
    ("entry", 0, "inner", "deep"): 26,
    ("entry", 0, "row", 0): 27,
    ("entry", 0, "row", 1): 29,
    ("entry", 0, "row", 1, "n"): 30,
    ("entry", 1): 31,
    ("entry", 1, "row", 0): 32,
    ("entry", 1, "row", 0, "n"): 33,
}


def paths(value: Any, path: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    """Every key and list position of parsed TOML."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    found = {path} if path else set()
    return found.union(*(paths(each, (*path, key)) for key, each in inner))


@pytest.mark.parametrize(("path", "line"), LINES.items())
def test_every_form(path: tuple[str | int, ...], line: int) -> None:
    assert key_lines(EVERY_FORM)[path] == line


def test_every_form_has_the_same_keys_as_the_standard_reader() -> None:
    assert set(key_lines(EVERY_FORM)) == paths(tomllib.loads(EVERY_FORM))


def test_windows_line_ends() -> None:
    assert key_lines(EVERY_FORM.replace("\n", "\r\n")) == key_lines(EVERY_FORM)


keys = st.text(st.characters(exclude_categories=["Cs"]), max_size=5)
values = st.recursive(
    st.integers()
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
    | st.booleans()
    | st.floats()
    | st.dates(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=3),
    max_leaves=12,
)


@given(st.dictionaries(keys, values, max_size=4), st.booleans())
@settings(max_examples=200)
def test_no_key_is_missed_or_made_up(data: dict[str, Any], multiline: bool) -> None:
    text = tomli_w.dumps(data, multiline_strings=multiline)
    assert set(key_lines(text)) == paths(tomllib.loads(text))


@given(st.dictionaries(keys, st.dictionaries(keys, st.integers(), max_size=3), max_size=4))
def test_a_key_is_not_there_before_its_line(data: dict[str, Any]) -> None:
    text = tomli_w.dumps(data)
    lines = text.split("\n")
    for path, line in key_lines(text).items():
        assert path not in paths(tomllib.loads("\n".join(lines[: line - 1])))
        assert path in paths(tomllib.loads("\n".join(lines[:line])))


@pytest.mark.parametrize(
    "file", sorted(Path(__file__).parents[2].glob("src/**/*.toml")), ids=lambda file: file.name
)
def test_the_project_s_own_files(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    assert set(key_lines(text)) == paths(tomllib.loads(text))
