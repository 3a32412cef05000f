"""Whole bus cycles as CSV. Names of columns and status texts are common practice, no source."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import polars as pl
import pytest

from wrongbit.capture.formats import read_cycle_rows
from wrongbit.capture.formats.cycle_rows import COLUMN_NAMES
from wrongbit.capture.source import CycleRows
from wrongbit.errors import CaptureError, UsageError
from wrongbit.machine.model import Point
from wrongbit.machine.recipe import KINDS

FILES = Path(__file__).parent / "files"
WIDTHS = {"address": 16, "word": 8}


def read(path: Path | str, widths: dict[str, int] = WIDTHS, **keys: Any) -> CycleRows:
    return read_cycle_rows(FILES / path, Point(**({"name": "screen", "mode": "cycles"} | keys)), widths)


def write(folder: Path, text: str) -> Path:
    path = folder / "cycles.csv"
    path.write_text(text)
    return path


def kinds(rows: CycleRows) -> list[str | None]:
    return [KINDS[kind] if kind >= 0 else None for kind in rows.kind]


def test_columns_are_known_by_their_names() -> None:
    rows = read("cycles_named_columns.csv", kinds={"OPF": "fetch"})
    assert rows.address.tolist() == [0xFFFC, 0xFFFD, 0xC000, 0xC001]
    assert rows.address_known.tolist() == [0xFFFF] * 4
    assert rows.word.tolist() == [0x00, 0xC0, 0xA0, 0x00]
    assert rows.known.tolist() == [0xFF, 0xFF, 0xF0, 0x00]
    assert kinds(rows) == ["read", "read", "fetch", None]
    assert rows.bank is not None
    assert rows.bank.tolist() == [0, 0, 1, -1]
    assert rows.time_ps is not None
    assert rows.time_ps.tolist() == [0, 10**6, 2 * 10**6, 3_500_000]
    assert rows.sample.tolist() == [0, 1, 2, 3]
    assert rows.notes[0] == "Read as CSV: semicolon between cells, names of the columns in line 1."
    assert "Columns not used: 'Remark'." in rows.notes


def test_columns_are_mapped_by_the_probe_point() -> None:
    """Octal: 177774 is FFFC, 300 is C0, 24X is A0 with its lowest three bits unknown."""
    rows = read(
        "cycles_mapped_columns.csv",
        radix=8,
        columns={"Where": "address", "what": "word", "How": "kind", "Page": "bank"},
        kinds={"5": "read", "6": "fetch"},
    )
    assert rows.address.tolist() == [0xFFFC, 0xFFFD, 0xC000]
    assert rows.word.tolist() == [0x00, 0xC0, 0xA0]
    assert rows.known.tolist() == [0xFF, 0xFF, 0xF8]
    assert kinds(rows) == ["read", "read", "fetch"]
    assert rows.time_ps is None


@pytest.mark.parametrize("address", COLUMN_NAMES["address"])
def test_every_name_of_an_address_is_known(tmp_path: Path, address: str) -> None:
    rows = read(write(tmp_path, f"{address.upper()},Data\n12,34\n"))
    assert (rows.address.tolist(), rows.word.tolist()) == ([0x12], [0x34])


@pytest.mark.parametrize("word", COLUMN_NAMES["word"])
def test_every_name_of_a_word_is_known(tmp_path: Path, word: str) -> None:
    rows = read(write(tmp_path, f"Addr\t{word.title()}\n12\t34\n"))
    assert (rows.address.tolist(), rows.word.tolist()) == ([0x12], [0x34])


@pytest.mark.parametrize("kind", COLUMN_NAMES["kind"])
def test_every_name_of_a_status_is_known(tmp_path: Path, kind: str) -> None:
    text = (
        f"addr,data,{kind}\n0,0,M1\n0,0,memr\n0,0,WR\n0,0,I/O read\n0,0,out\n0,0,INTA\n0,0,rfsh\n0,0,idle\n"
    )
    assert kinds(read(write(tmp_path, text))) == [
        "fetch",
        "read",
        "write",
        "io_read",
        "io_write",
        "acknowledge",
        "refresh",
        "idle",
    ]


def test_status_texts_that_are_not_known_are_told(tmp_path: Path) -> None:
    rows = read(write(tmp_path, "addr,data,stat\n0,0,DMA\n1,0,RD\n2,0,DMA\n3,0,\n"))
    assert kinds(rows) == [None, "read", None, None]
    assert any("'DMA' in 2 rows. Say what they mean under 'kinds'" in note for note in rows.notes)


def test_the_address_may_have_a_radix_of_its_own(tmp_path: Path) -> None:
    rows = read(write(tmp_path, "addr,data\n177777,3F\n"), address_radix=8)
    assert (rows.address.tolist(), rows.word.tolist()) == ([0xFFFF], [0x3F])


def test_without_widths_nothing_is_too_wide(tmp_path: Path) -> None:
    rows = read(write(tmp_path, "addr,data\nFFFFFFFF,3FX0\n"), widths={})
    assert rows.address.tolist() == [0xFFFFFFFF]
    assert int(rows.known[0]) == 2**64 - 1 - 0xF0


def test_a_column_that_is_mapped_outranks_one_that_is_named_so(tmp_path: Path) -> None:
    rows = read(write(tmp_path, "address,latched,data\n1,2,3\n"), columns={"latched": "address"})
    assert rows.address.tolist() == [2]
    assert "Columns not used: 'address'." in rows.notes


def test_lines_before_the_names_and_quotation_marks(tmp_path: Path) -> None:
    rows = read(write(tmp_path, '; screen 3\nDepth,2\n\n"Addr","Data","Stat"\n"0012","34","Memory read"\n'))
    assert (rows.address.tolist(), kinds(rows)) == ([0x12], ["read"])


def test_every_column_is_what_polars_reads(tmp_path: Path) -> None:
    """Outside check, on enough rows for several blocks."""
    count = 120_000
    table = pl.DataFrame({"n": range(count)}).select(
        pl.format("{}", pl.col("n") * 7919 % 65536).alias("addr"),
        pl.format("{}", pl.col("n") * 31 % 256).alias("data"),
        pl.when(pl.col("n") % 3 == 0).then(pl.lit("RD")).otherwise(pl.lit("WR")).alias("stat"),
        pl.format("{}", pl.col("n") * 5).alias("time [ns]"),
    )
    path = tmp_path / "cycles.csv"
    table.write_csv(path)
    rows = read(path, radix=10)
    theirs = pl.read_csv(path)
    assert rows.address.tolist() == theirs["addr"].to_list()
    assert rows.word.tolist() == theirs["data"].to_list()
    assert rows.time_ps is not None
    assert rows.time_ps.tolist() == (theirs["time [ns]"] * 1000).to_list()
    assert kinds(rows) == [{"RD": "read", "WR": "write"}[text] for text in theirs["stat"]]


@pytest.mark.parametrize(
    ("name", "keys", "line", "message", "remedy"),
    [
        (
            "cycles_mapped_columns.csv",
            {"radix": 8, "columns": {"Were": "address", "What": "word"}},
            None,
            "maps the column 'Were', which the file does not have. "
            "It has: 'Where', 'What', 'How', 'Page'. The nearest is 'Where'.",
            "Correct the name under 'columns'",
        ),
        (
            "cycles_mapped_columns.csv",
            {"columns": {"Where": "PHI2"}},
            None,
            "maps the column 'Where' to 'PHI2'; a column of whole cycles is one of address, word, kind, bank",
            "Correct the mapping",
        ),
        (
            "cycles_two_addresses.csv",
            {},
            1,
            "Two columns carry the address: 'Address' (column 1) and 'Addr' (column 2).",
            "Name one of them under 'ignore'",
        ),
        (
            "cycles_wrong_word.csv",
            {},
            3,
            "Column 'Data' has '0Q'; expected a hexadecimal word of 8 bits.",
            "another base, say so with 'radix' or 'address_radix'",
        ),
        (
            "cycles_time_goes_back.csv",
            {},
            3,
            "Time goes back in column 'Time [ns]', at '4'.",
            "export one recording a file",
        ),
        ("empty.csv", {}, None, "The file is empty.", "Export the capture again."),
        ("missing.csv", {}, None, "There is no such file", "Check the name"),
    ],
)
def test_a_bad_file_is_told_with_its_place_and_the_remedy(
    name: str, keys: dict[str, Any], line: int | None, message: str, remedy: str
) -> None:
    with pytest.raises(CaptureError) as caught:
        read(name, **keys)
    assert caught.value.file == str(FILES / name)
    assert caught.value.line == line
    assert message in caught.value.message
    assert remedy in caught.value.remedy


def test_a_file_that_is_neither_names_both_forms() -> None:
    with pytest.raises(CaptureError) as caught:
        read("cycles_mapped_columns.csv", radix=8)
    assert "'Where' was found as the address; expected an octal word of 16 bits." in caught.value.message
    assert "It is no CSV either: no line names columns for address and word." in caught.value.notes[0]


def test_names_without_rows(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="no whole row below them"):
        read(write(tmp_path, "Address,Data\n"))


def test_samples_are_not_whole_cycles() -> None:
    with pytest.raises(UsageError, match="takes samples, not whole bus cycles"):
        read("cycles_named_columns.csv", mode="state")


def test_a_vcd_holds_no_whole_cycles(tmp_path: Path) -> None:
    path = tmp_path / "a.vcd"
    path.write_text("$timescale 1 ns $end\n")
    with pytest.raises(CaptureError, match="A VCD holds samples"):
        read(path)


def test_a_line_of_units_below_the_names_is_no_row(tmp_path: Path) -> None:
    text = "title\n\nNo;ADR;DAT;STAT;Zeit\n;hex;hex;bin;us\n0;0000;F3;0;0,80\n1;0001;31;0;2,40\n"
    keys = {"columns": {"Zeit": "time"}, "kinds": {"0": "read"}}
    rows = read(write(tmp_path, text), **keys)
    assert (rows.address.tolist(), rows.word.tolist()) == ([0, 1], [0xF3, 0x31])
    assert rows.time_ps is not None
    assert rows.time_ps.tolist() == [800_000, 2_400_000]
    assert rows.notes[0].endswith("names of the columns in line 3, units below them.")


def test_the_unit_in_a_mapped_heading_counts(tmp_path: Path) -> None:
    text = "ADR,DAT,Zeit abs. [us]\n0000,F3,0.80\n0001,31,2.40\n"
    rows = read(write(tmp_path, text), columns={"Zeit abs. [us]": "time"})
    assert rows.time_ps is not None
    assert rows.time_ps.tolist() == [800_000, 2_400_000]
    assert not any("gives no unit" in note for note in rows.notes)


def test_address_and_word_may_have_a_column_for_each_line(tmp_path: Path) -> None:
    path = write(tmp_path, "A0,A1,A3,Data[0],CH9,R/W\n1,0,1,1,0,R\n0,1,1,x,1,W\n")
    rows = read(path, {"address": 4, "word": 2}, columns={"CH9": "D1"})
    assert rows.address.tolist() == [0b1001, 0b1010]
    assert rows.address_known.tolist() == [0b1011] * 2
    assert rows.word.tolist() == [0b01, 0b10]
    assert rows.known.tolist() == [0b11, 0b10]
    assert kinds(rows) == ["read", "write"]


def test_single_lines_beside_a_whole_address_are_not_used(tmp_path: Path) -> None:
    path = write(tmp_path, "addr,data,A0\nFFFC,12,1\n")
    rows = read(path)
    assert rows.address.tolist() == [0xFFFC]
    assert "Columns not used: 'A0'." in rows.notes


def test_a_line_that_the_processor_does_not_have_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path, "A0,A4,D0\n1,0,1\n")
    with pytest.raises(
        CaptureError, match=r"'A4' is line A4 of the address, which has only A0 to A3"
    ) as caught:
        read(path, {"address": 4, "word": 2})
    assert caught.value.line == 1
    assert "'ignore'" in caught.value.remedy


def test_a_level_of_a_line_that_is_none_is_told_with_its_line(tmp_path: Path) -> None:
    path = write(tmp_path, "A0,D0\n1,1\n7,1\n")
    with pytest.raises(CaptureError, match="Column 'A0' has '7'") as caught:
        read(path, {"address": 1, "word": 1})
    assert caught.value.line == 3


@pytest.mark.parametrize(
    ("heading", "columns"), [("UDS/LDS", {}), ("/UDS /LDS", {}), ("Strobes", {"Strobes": "UDS LDS"})]
)
def test_byte_strobes_may_share_a_column(tmp_path: Path, heading: str, columns: dict[str, str]) -> None:
    path = write(tmp_path, f"addr,data,{heading}\n0,1234,00\n2,1234,01\n4,1234,1x\n")
    rows = read(path, {"address": 24, "word": 16, "LDS": 1, "UDS": 1}, columns=columns)
    assert {name: levels.tolist() for name, levels in rows.levels.items()} == {
        "UDS": [0, 0, 1],
        "LDS": [0, 1, 2],
    }


def test_byte_strobes_may_have_a_column_each(tmp_path: Path) -> None:
    path = write(tmp_path, "addr,data,/LDS,nUDS\n0,1234,0,1\n2,1234,1,0\n")
    rows = read(path, {"address": 24, "word": 16, "LDS": 1, "UDS": 1})
    assert {name: levels.tolist() for name, levels in rows.levels.items()} == {"UDS": [1, 0], "LDS": [0, 1]}


def test_a_processor_without_byte_strobes_has_no_such_column(tmp_path: Path) -> None:
    path = write(tmp_path, "addr,data,UDS/LDS\n0,12,00\n")
    assert not read(path).levels
    with pytest.raises(CaptureError, match="maps the column 'UDS/LDS' to 'UDS LDS'"):
        read(path, columns={"UDS/LDS": "UDS LDS"})


def test_a_line_of_bases_is_no_row_and_may_say_that_times_are_relative(
    tmp_path: Path,
) -> None:
    text = (
        '"Label >","ADDR","DATA","STAT","Time"\n"Base >","Hex","Hex","Symbol","Rel"\n'
        '"0","FFFC","12","RD","500 ns"\n"1","FFFD","34","RD","500 ns"\n"2","C000","A9","RD","1 us"\n'
    )
    rows = read(write(tmp_path, text))
    assert rows.address.tolist() == [0xFFFC, 0xFFFD, 0xC000]
    assert rows.time_ps is not None
    assert rows.time_ps.tolist() == [500_000, 1_000_000, 2_000_000]
    assert "Times in column 'Time' count from row to row." in rows.notes
