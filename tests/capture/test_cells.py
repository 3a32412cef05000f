"""Single cells, and whole columns of them: both must read the same, and as Python's own numbers do."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wrongbit.capture.formats._cells import (
    CellError,
    Word,
    read_kind,
    read_level,
    read_time,
    read_word,
)
from wrongbit.capture.formats._level_columns import read_levels
from wrongbit.capture.formats._packing import BadCell
from wrongbit.capture.formats._times import read_times
from wrongbit.capture.formats._tokens import Cells
from wrongbit.capture.formats._word_columns import read_words
from wrongbit.machine.recipe import KINDS

FORMS = {2: "b", 8: "o", 10: "d", 16: "x"}


def column(texts: list[str]) -> Cells:
    return Cells("".join(f"0;{text};1\n" for text in texts).encode(), ord(";"), 3)


@pytest.mark.parametrize(
    ("text", "radix", "width", "value", "unknown"),
    [
        ("3F", 16, 8, 0x3F, 0),
        ("0x3f", 16, 8, 0x3F, 0),
        ("0X3F", 8, 8, 0x3F, 0),
        ("$3F", 10, 8, 0x3F, 0),
        ("3Fh", 2, 8, 0x3F, 0),
        ("8'h3F", 10, 8, 0x3F, 0),
        ("8'b00111111", 16, 8, 0x3F, 0),
        ("0b00111111", 2, 8, 0x3F, 0),
        ("0b11", 16, 16, 0x0B11, 0),  # in hexadecimal, b is a digit
        ("0o77", 16, 8, 0x3F, 0),
        ("0011_1111", 2, 8, 0x3F, 0),
        ("0011 1111", 2, 8, 0x3F, 0),
        ("77", 8, 8, 0o77, 0),
        ("63", 10, 8, 63, 0),
        ("3X", 16, 8, 0x30, 0x0F),
        ("0x", 16, 8, 0x00, 0x0F),
        ("0X3F", 16, 16, 0x003F, 0x0F00),  # all four digits are there, and one is not known
        ("0x3F", 16, 16, 0x003F, 0),
        ("1z0", 2, 3, 0b100, 0b010),
        ("x7", 8, 8, 7, 0xF8),  # filled to the left as a VCD is
        ("?", 16, 12, 0, 0xFFF),
        ("--", 10, 8, 0, 0xFF),
        ("", 16, 8, 0, 0xFF),
        ("FFFFFFFFFFFFFFFF", 16, 64, 2**64 - 1, 0),
    ],
)
def test_a_word_is_read_digit_by_digit(text: str, radix: int, width: int, value: int, unknown: int) -> None:
    assert read_word(text, radix, width) == Word(value, unknown)
    words, odd = read_words(column([text, text]), 1, radix, width)
    assert words.tolist() == [value, value]
    assert (0 if odd is None else int(odd[1])) == unknown


@pytest.mark.parametrize(
    ("text", "radix", "expected"),
    [
        ("3G", 16, "a hexadecimal word of 8 bits"),
        ("8", 8, "an octal word of 8 bits"),
        ("100", 16, "no more than FF"),
        ("256", 10, "no more than 255"),
        ("1X", 10, "leaves no bit known"),
        ("0x", 10, "a decimal word"),
        ("1.5", 16, "a hexadecimal word"),
        ("٣", 10, "a decimal word"),
    ],
)
def test_a_wrong_word_says_what_was_expected(text: str, radix: int, expected: str) -> None:
    with pytest.raises(CellError, match=expected):
        read_word(text, radix, 8)
    with pytest.raises(BadCell) as caught:
        read_words(column(["0", text]), 1, radix, 8)
    assert (caught.value.row, caught.value.column) == (1, 1)
    assert expected in caught.value.expected


@given(
    st.sampled_from([2, 8, 10, 16]),
    st.lists(st.integers(0, 2**64 - 1), min_size=1, max_size=20),
    st.integers(1, 64),
    st.booleans(),
)
def test_columns_of_words_are_what_python_reads(
    radix: int, values: list[int], width: int, padded: bool
) -> None:
    """Outside check: the texts come from Python's own formatting of the numbers."""
    values = [value >> (64 - width) for value in values]
    longest = max(len(format(value, FORMS[radix])) for value in values) if padded else 0
    texts = [format(value, f"0{longest}{FORMS[radix]}") for value in values]
    words, unknown = read_words(column(texts), 1, radix, width)
    assert words.tolist() == values
    assert unknown is None


@given(
    st.sampled_from([2, 8, 16]),
    st.lists(st.text("01xXzZ?-237aF$h ", max_size=10), min_size=1, max_size=12),
)
def test_a_column_reads_as_its_cells_do(radix: int, texts: list[str]) -> None:
    singly: list[Word | None] = []
    for text in texts:
        try:
            singly.append(read_word(text, radix, 16))
        except CellError:
            singly.append(None)
    if None in singly:
        with pytest.raises(BadCell) as caught:
            read_words(column(texts), 1, radix, 16)
        assert caught.value.row == singly.index(None)
        return
    words, unknown = read_words(column(texts), 1, radix, 16)
    assert words.tolist() == [each.value for each in singly if each]
    assert ([0] * len(texts) if unknown is None else unknown.tolist()) == [e.unknown for e in singly if e]


@pytest.mark.parametrize(
    ("text", "level"),
    [
        ("0", 0),
        ("L", 0),
        ("low", 0),
        ("False", 0),
        ("0.0", 0),
        ("1", 1),
        ("h", 1),
        ("HIGH", 1),
        ("TRUE", 1),
        ("x", 2),
        ("Z", 2),
        ("?", 2),
        ("-", 2),
        ("", 2),
        (" 1 ", 1),
    ],
)
def test_levels(text: str, level: int) -> None:
    assert read_level(text) == level
    assert read_levels(column(["0", text, "1"]), 1).tolist() == [0, level, 1]


@pytest.mark.parametrize("text", ["2", "3.3", "up", "01"])
def test_a_wrong_level_is_refused(text: str) -> None:
    with pytest.raises(CellError):
        read_level(text)
    with pytest.raises(BadCell):
        read_levels(column(["0", text]), 1)


@pytest.mark.parametrize(
    ("text", "unit", "picoseconds"),
    [
        ("0.000000015", 10**12, 15_000),
        ("-0,000000015", 10**12, -15_000),
        ("1.5e-08", 10**12, 15_000),
        ("-2E-8", 10**12, -20_000),
        ("-2e-00008", 10**12, -20_000),
        ("0e999", 10**12, 0),
        ("+15", 1000, 15_000),
        ("15.", 1000, 15_000),
        (".5", 1000, 500),
        ("15 ns", None, 15_000),
        ("15ns", 10**12, 15_000),
        ("1.5 µs", None, 1_500_000),
        ("1.5 μs", None, 1_500_000),
        ("0.0004", 1000, 0),
        ("0.0005", 1000, 1),
        ("-0.0005", 1000, 0),  # halves up
        ("1234567.890123456789", 10**12, 1234567890123456789),
    ],
)
def test_times(text: str, unit: int | None, picoseconds: int) -> None:
    assert read_time(text, unit) == picoseconds
    assert read_times(column([text, text]), 1, unit).time_ps.tolist() == [picoseconds] * 2


NO_TIMES = ["", "ten", "1.2.3", "1,2.3", "--1", "1e", "e5", ".", "12:30", "nan", "inf", "5 V", "9e9", "1e999"]


@pytest.mark.parametrize("text", NO_TIMES)
def test_a_wrong_time_is_refused_in_any_row(text: str) -> None:
    with pytest.raises(CellError):
        read_time(text, 10**12)
    for texts in (["1", text], ["1e-3", text], [text, "1"], ["1 ns", text], ["0.5", *["1"] * 40, text]):
        with pytest.raises(BadCell) as caught:
            read_times(column(texts), 1, 10**12)
        assert caught.value.row == texts.index(text)


@given(
    st.lists(
        st.tuples(st.integers(-(10**9), 10**9), st.integers(0, 12), st.sampled_from("fFeg")),
        min_size=1,
        max_size=40,
    ),
    st.sampled_from([1, 1000, 10**6, 10**9, 10**12]),
)
def test_columns_of_times_are_what_decimal_reads(numbers: list[tuple[int, int, str]], unit: int) -> None:
    """Outside check: Python's decimal module on the same texts."""
    texts = [format(number / 10**9, f".{places}{form}") for number, places, form in numbers]
    exact = [Decimal(text) * unit for text in texts]
    found = read_times(column(texts), 1, unit).time_ps.tolist()
    assert all(
        abs(Decimal(time) - wanted) <= Decimal("0.51") for time, wanted in zip(found, exact, strict=True)
    )


def test_units_may_change_from_row_to_row() -> None:
    texts = ["-20 ns", "999.5 ns", "1 us", "1.0005 ms", "2s", "0.1 ps", "7µs"]
    found = read_times(column(texts), 1, None)
    assert found.time_ps.tolist() == [-20_000, 999_500, 10**6, 1_000_500_000, 2 * 10**12, 0, 7 * 10**6]


@pytest.mark.parametrize(
    ("texts", "resolution"),
    [
        (["0.010", "0.020"], 10**9),
        (["1e-6", "1.5e-6"], 10**5),
        (["5 ns", "10 ns"], 1000),
        (["1", "2"], 10**12),
    ],
)
def test_the_last_digit_is_known(texts: list[str], resolution: float) -> None:
    assert read_times(column(texts), 1, 10**12).resolution_ps == pytest.approx(resolution)


def test_kinds_of_the_probe_point_come_first() -> None:
    assert KINDS[read_kind("R", {"r": "write"})] == "write"
    assert KINDS[read_kind(" memory  read ", {})] == "read"
    assert read_kind("", {}) == -1


def test_no_rows_give_no_words() -> None:
    assert read_words(column([]), 1, 16, 8)[0].dtype == np.uint64
    assert len(read_times(column([]), 1, 1000).time_ps) == 0
