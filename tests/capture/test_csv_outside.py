"""CSV against other people's readers on the same generated files: polars, and Python's own csv module."""

from __future__ import annotations

import csv
import io
import tempfile
from pathlib import Path

import numpy as np
import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from wrongbit.bits import gather_bits
from wrongbit.capture.capture import Capture
from wrongbit.capture.formats._tokens import Cells, RaggedRow
from wrongbit.capture.formats.csv import open_csv
from wrongbit.machine.model import Point

WIDTHS = {"A": 16, "D": 12, "RD": 1, "WR": 1}


@st.composite
def tables(draw: st.DrawFn) -> tuple[str, str]:
    """A separator, and a CSV with times, hexadecimal and decimal words and levels, quoted at random."""
    separator = draw(st.sampled_from([",", ";", "\t"]))
    comma = separator != "," and draw(st.booleans())
    places = draw(st.sampled_from([6, 9]))
    quote = draw(st.sampled_from(["none", "all", "some"]))
    ending = draw(st.sampled_from(["\n", "\r\n"]))
    blank = draw(st.sampled_from(["", " "]))
    padded = draw(st.booleans())
    count = draw(st.integers(1, 30))
    steps = draw(st.lists(st.integers(0, 5), min_size=count, max_size=count))
    start = draw(st.integers(-40, 40))
    dice = draw(st.randoms(use_true_random=False))
    headings = ["Time [s]", "A", "/RD", "D", "WR", "Remark"]
    lines = [separator.join(headings)]
    for number in range(count):
        time = f"{(start + sum(steps[:number])) * 10.0**-places:.{places}f}"
        cells = [
            time.replace(".", ",") if comma else time,
            format(dice.randrange(1 << 16), "04X" if padded else "x"),
            str(dice.randrange(2)),
            format(dice.randrange(1 << 12), "03X" if padded else "X"),
            str(dice.randrange(2)),
            dice.choice(["go", "stop, wait", 'say "so"', "a;b"]),
        ]
        for index, cell in enumerate(cells):
            must = any(mark in cell for mark in (separator, '"'))
            if must or quote == "all" or (quote == "some" and dice.randrange(2)):
                cell = '"' + cell.replace('"', '""') + '"'
            cells[index] = cell if index == 0 or '"' in cell else blank + cell
        lines.append(separator.join(cells))
    return separator, ending.join(lines) + ending


def whole(parts: list[Capture], name: str) -> list[int]:
    return [v for part in parts for v in gather_bits(part.planes[0], part.layout.bits_of(name)).tolist()]


def times(parts: list[Capture]) -> list[int]:
    found = [part.times.at(np.arange(len(part))) for part in parts]
    return [time for each in found if each is not None for time in each.tolist()]


@settings(deadline=None, max_examples=150)
@given(tables(), st.sampled_from([64, 1 << 20]))
def test_every_column_is_what_polars_reads(table: tuple[str, str], block: int) -> None:
    """polars parses the cells and the numbers (decimal, hexadecimal, times); nothing of ours takes part."""
    separator, text = table
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture.csv"
        path.write_bytes(text.encode())
        point = Point(name="bus", mode="timing", ignore=("Remark",))
        parts = list(open_csv(path, point, WIDTHS, block=block, chunk_rows=4).chunks())
        theirs = pl.read_csv(path, separator=separator, infer_schema=False)
    theirs = theirs.with_columns(pl.all().str.strip_chars())
    for ours, column in (("A", "A"), ("D", "D")):
        assert whole(parts, ours) == theirs[column].str.to_integer(base=16).to_list()
    for ours, column in (("RD", "/RD"), ("WR", "WR")):
        assert whole(parts, ours) == theirs[column].cast(pl.Int64).to_list()
    seconds = theirs["Time [s]"].str.replace(",", ".").cast(pl.Decimal(30, 12))
    assert times(parts) == [int(value * 10**12) for value in seconds]


@settings(deadline=None, max_examples=150)
@given(st.integers(1, 70), st.integers(1, 40), st.randoms(use_true_random=False), st.booleans())
def test_columns_of_levels_are_what_polars_infers(
    columns: int, rows: int, dice: object, shuffled: bool
) -> None:
    """Any number of bit columns in any order, next to each other or with a word between them."""
    random = np.random.default_rng(dice.randrange(1 << 32))  # type: ignore[attr-defined]
    names = [f"D{number}" for number in range(columns)]
    if shuffled:
        random.shuffle(names)
    names.insert(int(random.integers(0, columns + 1)), "A")
    table = {name: random.integers(0, 2, rows) for name in names}
    table["A"] = random.integers(0, 1 << 16, rows)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture.csv"
        pl.DataFrame(table).write_csv(path)
        point = Point(name="bus", mode="state", radix=10)
        parts = list(open_csv(path, point, {"A": 16, "D": columns}, block=200, chunk_rows=7).chunks())
        theirs = pl.read_csv(path)
    for name in names:
        found = []
        for part in parts:
            places = part.layout.bits_of(name)
            low = places[0] // 64 * 64
            found += gather_bits(part.planes[low // 64], [place - low for place in places]).tolist()
        assert found == theirs[name].to_list()


@settings(deadline=None, max_examples=200)
@given(
    st.lists(st.lists(st.text('ab1 ",;\n', max_size=5), min_size=3, max_size=3), min_size=1, max_size=6),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
)
def test_cells_are_those_of_the_csv_module(
    rows: list[list[str]], separator: str, ending: str, quoting: int
) -> None:
    """RFC 4180: separators, newlines and doubled marks inside quotation marks."""
    buffer = io.StringIO()
    csv.writer(buffer, delimiter=separator, lineterminator=ending, quoting=quoting).writerows(rows)  # type: ignore[arg-type]
    text = buffer.getvalue()
    theirs = [row for row in csv.reader(io.StringIO(text, newline=""), delimiter=separator) if any(row)]
    rows_with_cells = [row for row in theirs if row and not row[0].startswith("#")]
    try:
        cells = Cells(text.encode(), ord(separator), 3)
    except RaggedRow as error:
        raise AssertionError(error) from None
    found = [[cells.text(row, column) for column in range(3)] for row in range(len(cells))]
    assert [row for row in found if any(row)] == [
        stripped for row in rows_with_cells if any(stripped := [cell.strip(" ") for cell in row])
    ]
