"""Cells of rows that are all cut alike, and of rows that only look so, beside what the csv module finds."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wrongbit.capture.formats._tokens import Cells, RaggedRow


def by_csv_module(data: bytes) -> list[list[str]]:
    return [row for row in csv.reader(data.decode().splitlines()) if row]


def ours(data: bytes, count: int) -> list[list[str]]:
    cells = Cells(data, ord(","), count)
    return [[cells.text(row, column) for column in range(count)] for row in range(len(cells))]


@pytest.mark.parametrize(
    "data, count",
    [
        (b"10,20,3\n11,21,4\n", 3),
        (b"1,23\n12,3\n", 2),  # as long, cut elsewhere
        (b"1,2,\n,,33\n1,2,\n", 3),
        (b"1,2\n3,4\n", 2),
        (b"1,2\n\n3,4\n", 2),
        (b"1,2\r\n3,4\r\n", 2),
        (b"1,2\n3,4\n55,66\n", 2),
    ],
)
def test_cells(data: bytes, count: int) -> None:
    assert ours(data, count) == by_csv_module(data)


def test_a_newline_where_the_others_have_a_separator() -> None:
    """Both rows of the first have six bytes, but the second six are two rows."""
    with pytest.raises(RaggedRow) as caught:
        Cells(b"1,2,3\n1\n2,3\n", ord(","), 3)
    assert (caught.value.start, caught.value.cells) == (6, 1)


@given(
    st.lists(
        st.lists(st.sampled_from(["0", "1", "22", "333"]), min_size=3, max_size=3), min_size=1, max_size=12
    )
)
def test_random_rows(rows: list[list[str]]) -> None:
    data = "".join(",".join(row) + "\n" for row in rows).encode()
    assert ours(data, 3) == rows


@given(st.lists(st.tuples(st.integers(0, 255), st.integers(0, 99)), min_size=1, max_size=40))
def test_eight_bytes_before_a_place_are_the_same_in_even_and_in_uneven_rows(
    rows: list[tuple[int, int]],
) -> None:
    even = Cells("".join(f"{a:03d},{b:02d}\n" for a, b in rows).encode(), ord(","), 2)
    uneven = Cells("".join(f"{a:03d},{b:02d}\n" for a, b in rows).encode() + b"1,1\n", ord(","), 2)
    for column in range(2):
        ends = even.bounds(column)[1], uneven.bounds(column)[1][:-1]
        low, high = (cells.numbers(2, end - 2) for cells, end in zip((even, uneven), ends, strict=True))
        assert (low == high).all()
        assert (low & np.uint16(0xFF) == [ord(str(row[column] // 10 % 10)) for row in rows]).all()
