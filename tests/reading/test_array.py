"""Where bad cells gather, and the map, on arrays damaged by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from reading.damage import chip_of
from wrongbit.reading.array import (
    GOOD,
    UNSTABLE,
    WRONG,
    Cells,
    Geometry,
    cells_of,
    find_gathering,
    map_geometry,
    picture,
)

CHIP = chip_of(np.zeros(4096, np.uint8))
DECLARED = replace(CHIP, rows=(5, 6, 7, 8, 9, 10, 11), columns=(0, 1, 2, 3, 4))
ADDRESS = np.arange(4096)


def mask(where: np.ndarray, bits: int) -> np.ndarray:
    return np.where(where, np.uint8(bits), np.uint8(0))


def test_cells_are_listed_by_hand() -> None:
    cells = cells_of(np.array([0, 0b101, 0, 0x80], np.uint8), 8)
    assert list(zip(cells.address.tolist(), cells.bit.tolist(), strict=True)) == [(1, 0), (1, 2), (3, 7)]


@pytest.mark.parametrize("chip", [CHIP, DECLARED])
def test_a_bad_row_is_found_with_its_lines(chip: object) -> None:
    cells = cells_of(mask(ADDRESS >> 5 == 0x2B, 0xFF), 8)
    found = find_gathering(cells, chip)  # type: ignore[arg-type]
    place = found.places[0]
    assert (place.kind, place.number, place.lines) == ("row", 0x2B, (5, 6, 7, 8, 9, 10, 11))
    assert (place.inside.count, place.inside.total) == (256, 256)
    assert place.elsewhere.count == 0
    assert found.even < 1e-9
    assert found.geometry.rows == (5, 6, 7, 8, 9, 10, 11)


@pytest.mark.parametrize(("low", "high"), [(1, 8), (3, 9), (4, 11)])
def test_a_bad_row_may_be_chosen_by_lines_in_the_middle(low: int, high: int) -> None:
    inside = ADDRESS >> low & (1 << (high - low)) - 1 == 0x2B
    found = find_gathering(cells_of(mask(inside, 0xFF), 8), CHIP)
    place = found.places[0]
    assert (place.kind, place.number, place.lines) == ("row", 0x2B, tuple(range(low, high)))
    assert place.inside.count == place.inside.total == 8 << (12 - (high - low))
    assert found.geometry.rows == tuple(range(low, high)) and found.sure > 0.9
    assert sorted(found.geometry.rows + found.geometry.columns) == list(range(12))


def test_a_weak_column_of_one_output_is_found_among_scattered_cells() -> None:
    draw = np.random.default_rng(8)
    bad = mask((ADDRESS & 31 == 7) & (draw.random(4096) < 0.4), 0x10) | mask(draw.random(4096) < 0.002, 0x02)
    found = find_gathering(cells_of(bad, 8), DECLARED)
    place = found.places[0]
    assert (place.kind, place.number, place.output) == ("column", 7, 4)
    assert place.probability > 0.99
    assert found.geometry.declared


def test_evenly_spread_cells_gather_nowhere() -> None:
    draw = np.random.default_rng(8)
    bad = mask(draw.random(4096) < 0.01, 0x10) | mask(draw.random(4096) < 0.01, 0x02)
    # Two outputs with errors and six without: no row or column, though not even over the outputs either.
    found = find_gathering(cells_of(bad, 8), DECLARED)
    assert found.even > 0.5
    nothing = find_gathering(Cells(np.empty(0, np.intp), np.empty(0, np.intp)), CHIP)
    assert nothing.even == pytest.approx(1)
    assert nothing.places == ()


def test_a_dead_row_looks_like_a_row_and_a_column_like_a_column() -> None:
    geometry = Geometry(DECLARED.rows, DECLARED.columns, True)
    row = mask(ADDRESS >> 5 == 100, 0xFF)
    drawn = picture(DECLARED, geometry, row, np.zeros(4096, np.uint8), None, height=32, across=8)
    assert drawn.states.shape == (32, 8, 8)
    assert (drawn.rows_each, drawn.columns_each) == (4, 4)
    assert (drawn.states[25] == WRONG).all()
    assert (np.delete(drawn.states, 25, axis=0) == GOOD).all()
    column = mask(ADDRESS & 31 == 9, 0x08)
    drawn = picture(DECLARED, geometry, None, column, None, height=128, across=32)
    assert drawn.states.shape == (128, 8, 32)
    assert (drawn.states[:, 3, 9] == UNSTABLE).all()
    assert np.count_nonzero(drawn.states) == 128


def test_a_map_without_declared_lines_is_about_square() -> None:
    even = find_gathering(Cells(np.empty(0, np.intp), np.empty(0, np.intp)), CHIP)
    geometry = map_geometry(CHIP, even)
    assert abs(len(geometry.rows) - len(geometry.columns) - 3) <= 1
    assert sorted(geometry.rows + geometry.columns) == list(range(12))
