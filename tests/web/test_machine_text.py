"""Columns put into a machine file: read back with the standard library's TOML reader."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wrongbit.demo.machines import machine_named
from wrongbit.errors import UsageError
from wrongbit.web.machine_text import columns_text, with_columns

names = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=12)


@given(st.dictionaries(names, names, max_size=5), st.lists(names, max_size=4))
def test_text_reads_back(columns: dict[str, str], ignore: list[str]) -> None:
    found = tomllib.loads(columns_text(columns, ignore))
    assert found["columns"] == columns
    assert found.get("ignore", []) == ignore


@pytest.mark.parametrize("machine", ["saltmarsh", "fellgate", "quarrybank", "hollowmere"])
def test_only_the_points_columns_change(machine: str) -> None:
    text = machine_named(machine).build().files[f"{machine}.toml"].decode()
    before = tomllib.loads(text)
    for entry in before["point"]:
        changed = with_columns(text, entry["name"], {"X 1": "D0"}, ["junk"])
        after = tomllib.loads(changed)
        mine = next(each for each in after["point"] if each["name"] == entry["name"])
        assert (mine["columns"], mine["ignore"]) == ({"X 1": "D0"}, ["junk"])
        mine.pop("columns"), mine.pop("ignore")
        rest = {key: value for key, value in entry.items() if key not in ("columns", "ignore")}
        assert mine == rest
        assert [each for each in after["point"] if each is not mine] == [
            each for each in before["point"] if each is not entry
        ]
        comments = [line for line in text.splitlines() if line.startswith("#")]
        assert [line for line in changed.splitlines() if line.startswith("#")] == comments


@pytest.mark.parametrize(
    "entry",
    [
        '[[point]]\nname = "a"\n[point.columns]\nX = "D0"\n',
        'point = [{ name = "a", mode = "state" }]\n',
        '[[point]]\nname = "b"\n',
        '[[point]]\nname = "a"\ncolumns = { X = """\nD0""" }\n',
    ],
)
def test_what_cannot_be_changed_safely_is_left(entry: str) -> None:
    with pytest.raises(UsageError):
        with_columns(entry, "a", {"Y": "D1"}, [])
