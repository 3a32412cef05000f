"""The chip map's SVG: well-formed, with every bad place in it and nothing else."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from reading.damage import chip_of
from wrongbit.errors import UsageError
from wrongbit.reading.array import Geometry, picture
from wrongbit.reading.figure import ACCENT, SIDE, TOP, WAVER, chip_map_svg, write_svg

CHIP = chip_of(np.zeros(4096, np.uint8), declared=True)
GEOMETRY = Geometry(CHIP.rows, CHIP.columns, True)
ADDRESS = np.arange(4096)
NONE = np.zeros(4096, np.uint8)


def bars(svg: str, colour: str) -> list[tuple[float, ...]]:
    """Every bar (x, y, width, height) of one colour."""
    root = ElementTree.fromstring(svg)
    space = "{http://www.w3.org/2000/svg}"
    paths = [each.attrib["d"] for each in root.iter(f"{space}path") if each.attrib.get("fill") == colour]
    pattern = re.compile(r"M([\d.]+) ([\d.]+)h([\d.]+)v([\d.]+)h")
    return [tuple(map(float, match)) for path in paths for match in pattern.findall(path)]


def test_a_dead_row_is_one_bar_for_each_output() -> None:
    wrong = np.where(ADDRESS >> 5 == 0x20, np.uint8(0xFF), np.uint8(0))
    drawn = picture(CHIP, GEOMETRY, wrong, NONE, None, height=128, across=32)
    found = bars(chip_map_svg(drawn, "U2", "one row"), ACCENT)
    assert len(found) == 8
    assert {y for _, y, _, _ in found} == {round(TOP + 0x20 * SIDE / 128, 2)}
    assert len({round(width, 1) for _, _, width, _ in found}) == 1


def test_a_weak_column_is_a_bar_in_each_row() -> None:
    weak = np.where(ADDRESS & 31 == 3, np.uint8(0x02), np.uint8(0))
    drawn = picture(CHIP, GEOMETRY, NONE, weak, None, height=128, across=32)
    found = bars(chip_map_svg(drawn, "U2", "one column"), WAVER)
    assert len(found) == 128
    assert len({x for x, _, _, _ in found}) == 1
    assert bars(chip_map_svg(drawn, "U2", ""), ACCENT) == []


def test_names_cannot_break_the_file(tmp_path: Path) -> None:
    drawn = picture(CHIP, GEOMETRY, NONE, NONE, None, height=8, across=4)
    svg = chip_map_svg(drawn, 'U<2> & "x"', "a < b")
    assert ElementTree.fromstring(svg).find("{http://www.w3.org/2000/svg}title").text == 'U<2> & "x"'  # type: ignore[union-attr]
    write_svg(tmp_path / "map.svg", svg)
    assert (tmp_path / "map.svg").read_text() == svg
    assert [each.name for each in tmp_path.iterdir()] == ["map.svg"]
    with pytest.raises(UsageError, match=r"does not end in \.svg"):
        write_svg(tmp_path / "map.png", svg)
