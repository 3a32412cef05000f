"""CSV captures. The small files are named for the point that they make.

Every file of `DIALECTS` holds the same four samples, 10 ns apart from -20 ns on; their words were chosen by
hand. How instruments and spreadsheets write CSV is common practice, no source, but for RFC 4180 (quoting).
"""

from __future__ import annotations

import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from wrongbit.bits import gather_bits
from wrongbit.capture.capture import Capture
from wrongbit.capture.formats import open_samples
from wrongbit.capture.formats.csv import open_csv
from wrongbit.errors import CaptureError, UsageError
from wrongbit.machine.model import Point

FILES = Path(__file__).parent / "files"
WIDTHS = {"A": 16, "D": 8, "RD": 1}
ADDRESSES, WORDS, STROBE = [0x3F00, 0x3F01, 0x3F02, 0xFFFF], [0xA5, 0x5A, 0x00, 0xFF], [1, 0, 0, 1]


def point(**keys: Any) -> Point:
    return Point(**({"name": "bus", "mode": "timing"} | keys))


def read(name: str, **keys: Any) -> tuple[Capture, tuple[str, ...]]:
    source = open_samples(FILES / name, point(**keys), WIDTHS)
    (capture,) = source.chunks()
    assert source.bytes_done() == source.byte_count == (FILES / name).stat().st_size
    return capture, source.notes


def word(capture: Capture, name: str) -> list[int]:
    return gather_bits(capture.planes[0], capture.layout.bits_of(name)).tolist()


def unknown(capture: Capture, name: str) -> list[int]:
    plane = capture.unknown[0]
    return [0] * len(capture) if plane is None else gather_bits(plane, capture.layout.bits_of(name)).tolist()


def write(folder: Path, text: str | bytes, name: str = "capture.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def chunks(path: Path, *, widths: dict[str, int] = WIDTHS, **keys: Any) -> list[Capture]:
    limits = {name: keys.pop(name) for name in ("block", "chunk_rows") if name in keys}
    return list(open_csv(path, point(**keys), widths, **limits).chunks())


DIALECTS: dict[str, dict[str, Any]] = {
    "plain_buses.csv": {},
    "decimal_comma_semicolon.csv": {},
    "tabs_and_unpadded_words.csv": {},
    "exporter_junk_lines.csv": {},
    "heading_behind_hash.csv": {},
    "quoted_decimal_comma.csv": {},
    "quoted_note_over_two_lines.csv": {},
    "utf16_tabs.csv": {},
    "byte_order_mark_crlf.csv": {},
    "old_line_ends.csv": {},
    "end_of_file_mark.csv": {},
    "per_bit_columns.csv": {},
    "per_bit_letters_and_blanks.csv": {},
    "marked_words.csv": {},
    "octal_words.csv": {"radix": 8},
    "decimal_words.csv": {"radix": 10},
    "binary_words.csv": {"radix": 2},
    "exponents.csv": {},
    "units_in_cells.csv": {},
    "units_below_names.csv": {},
    "separator_at_line_ends.csv": {},
    "blank_lines_and_comments.csv": {},
    "sample_numbers.csv": {"period": "10 ns"},
    "split_address.csv": {},
    "cut_last_line.csv": {},
    "unused_and_ignored_columns.csv": {"ignore": ["Spare"]},
    "odd_names.csv": {
        "columns": {"pod one": "A", "Pod Two": "D", "strobe": "/RD", "clock ticks": "time [ns]"}
    },
}


@pytest.mark.parametrize("name", DIALECTS)
def test_every_dialect_gives_the_same_samples(name: str) -> None:
    capture, _ = read(name, **DIALECTS[name])
    assert word(capture, "A") == ADDRESSES
    assert word(capture, "D") == WORDS
    assert word(capture, "RD") == STROBE
    assert capture.unknown == (None,)
    assert (capture.times.start_ps, capture.times.period_ps) == (-20_000, 10_000)
    assert (capture.mode, capture.first_sample, capture.change_list) == ("timing", 0, False)
    assert capture.source == str(FILES / name)


@pytest.mark.parametrize("name", DIALECTS)
@pytest.mark.parametrize("block", [1, 30, 75])
def test_blocks_may_end_anywhere(name: str, block: int) -> None:
    parts = chunks(FILES / name, block=block, chunk_rows=1, **DIALECTS[name])
    assert [value for part in parts for value in word(part, "A")] == ADDRESSES
    assert [value for part in parts for value in word(part, "D")] == WORDS
    assert [part.first_sample for part in parts] == np.cumsum([0, *map(len, parts)])[:-1].tolist()


@pytest.mark.parametrize(
    ("name", "note"),
    [
        ("plain_buses.csv", "Read as CSV: comma between cells, names of the columns in line 1."),
        ("decimal_comma_semicolon.csv", "Times have a decimal comma."),
        ("tabs_and_unpadded_words.csv", "Read as CSV: tab between cells, names of the columns in line 1."),
        ("exporter_junk_lines.csv", "Read as CSV: comma between cells, names of the columns in line 8."),
        ("units_below_names.csv", "names of the columns in line 1, units below them."),
        ("utf16_tabs.csv", "Text in UTF-16-LE."),
        ("exponents.csv", "Column 'TIME' gives no unit: read as seconds."),
        ("cut_last_line.csv", "Line 6, the last one, is cut short and was left out."),
        ("separator_at_line_ends.csv", "Columns without a name, not used: number 5."),
        (
            "unused_and_ignored_columns.csv",
            "Columns not used, as their cells are no levels: 'Marker', 'Volts'.",
        ),
    ],
)
def test_the_notes_tell_how_a_file_was_read(name: str, note: str) -> None:
    notes = read(name, **DIALECTS[name])[1]
    assert any(note in each for each in notes)


def test_lines_of_settings_with_as_many_cells_are_no_names(tmp_path: Path) -> None:
    source = open_samples(FILES / "key_values_like_rows.csv", point(), {"AD": 16, "RD": 1})
    (capture,) = source.chunks()
    assert word(capture, "AD") == ADDRESSES
    assert word(capture, "RD") == STROBE


def test_unknown_levels_stay_unknown() -> None:
    """A word that begins with an unknown digit is filled with unknown bits, as in a VCD."""
    capture, _ = read("unknown_levels.csv")
    assert (word(capture, "A"), unknown(capture, "A")) == ([0x3F00, 1, 0, 0], [0xFF, 0xFFF0, 0xFFFF, 0])
    assert (word(capture, "D"), unknown(capture, "D")) == ([0, 0xA0, 0, 0], [0xFF, 0x0F, 0xFF, 0])
    assert (word(capture, "RD"), unknown(capture, "RD")) == ([0, 0, 1, 0], [1, 1, 0, 0])


def test_bits_of_more_than_one_plane(tmp_path: Path) -> None:
    """A hundred columns of random levels, some of them unknown, against the table they were made from."""
    random = np.random.default_rng(7)
    levels = random.choice([0, 1, 2], (500, 100), p=[0.45, 0.45, 0.1])
    names = [f"P{number // 10}X{number % 10}" for number in range(100)]
    lines = [",".join("01x"[level] for level in row) for row in levels]
    path = write(tmp_path, ",".join(names) + "\n" + "\n".join(lines) + "\n")
    (capture,) = chunks(path, widths={})
    assert len(capture.planes) == 2
    for number, name in enumerate(names):
        plane, place = divmod(capture.layout.signals[name], 64)
        assert (capture.planes[plane] >> np.uint64(place) & 1).tolist() == (levels[:, number] == 1).tolist()
        missing = capture.unknown[plane]
        assert missing is not None
        assert (missing >> np.uint64(place) & 1).tolist() == (levels[:, number] == 2).tolist()


# -- time --------------------------------------------------------------------------------------------------


def test_times_at_uneven_steps_are_stamps() -> None:
    capture, _ = read("irregular_time.csv")
    assert capture.times.period_ps is None
    assert capture.times.stamps_ps is not None
    assert capture.times.stamps_ps.tolist() == [0, 10_000, 35_000, 35_000, 400_000]
    assert not capture.change_list


def test_steps_that_are_equal_but_for_rounding_are_a_clock(tmp_path: Path) -> None:
    """A sample every 12.5 ns, printed in whole nanoseconds: steps of 12 and 13."""
    rows = "".join(f"{round(number * 12.5)},{number % 2}\n" for number in range(1000))
    (capture,) = chunks(write(tmp_path, "Time [ns],CLK\n" + rows))
    assert capture.times.period_ps == 12_500


def test_a_few_steps_that_are_nearly_equal_prove_no_clock(tmp_path: Path) -> None:
    (capture,) = chunks(write(tmp_path, "Time [ns],CLK\n0,0\n12,1\n25,0\n"))
    assert capture.times.stamps_ps is not None
    assert capture.times.stamps_ps.tolist() == [0, 12_000, 25_000]


def test_a_period_of_broken_picoseconds_stays_as_it_was_printed(tmp_path: Path) -> None:
    """12 MHz: 83 333.3… ps; a clock of whole picoseconds would drift away from the printed times."""
    times = [round(number / 12e6 * 1e9) for number in range(20_000)]
    path = write(tmp_path, "Time [ns],CLK\n" + "".join(f"{time},0\n" for time in times))
    (capture,) = chunks(path)
    assert capture.times.stamps_ps is not None
    assert capture.times.stamps_ps.tolist() == [time * 1000 for time in times]


def test_digits_too_coarse_for_the_steps_prove_no_clock(tmp_path: Path) -> None:
    path = write(
        tmp_path, "Time [us],CLK\n" + "".join(f"{time},0\n" for time in ("0.0", "0.1", "0.1", "0.3"))
    )
    (capture,) = chunks(path)
    assert capture.times.stamps_ps is not None
    assert capture.times.stamps_ps.tolist() == [0, 100_000, 100_000, 300_000]


def test_a_file_that_is_regular_at_first_only_has_stamps_throughout(tmp_path: Path) -> None:
    times = [*range(50), *range(60, 90)]
    path = write(tmp_path, "Time [ns],CLK\n" + "".join(f"{time},0\n" for time in times))
    parts = chunks(path, block=64, chunk_rows=8)
    assert len(parts) > 5
    stamps = [part.times.stamps_ps for part in parts]
    assert [time for each in stamps if each is not None for time in each.tolist()] == [
        t * 1000 for t in times
    ]


def test_a_clock_that_limps_in_the_middle_keeps_its_times(tmp_path: Path) -> None:
    """Beginning and end keep to one clock, one sample between them does not: its time is still as printed."""
    times = list(range(80))
    times[41] = 40
    path = write(tmp_path, "Time [ns],CLK\n" + "".join(f"{time},0\n" for time in times))
    parts = chunks(path, block=64, chunk_rows=8)
    assert all(part.times.period_ps == 1000 for part in parts)
    found = [part.times.at(np.arange(len(part))) for part in parts]
    assert [time for each in found if each is not None for time in each.tolist()] == [t * 1000 for t in times]


@pytest.mark.parametrize("ending", ["\n", "", "\n20", "\n\n \n", "\r\n\x1a"])
def test_the_clock_of_a_long_file_is_found_from_its_two_ends(tmp_path: Path, ending: str) -> None:
    rows = "\n".join(f"{number * 5},{number % 2}" for number in range(-9, 200))
    parts = chunks(write(tmp_path, "Time [ns],CLK\n" + rows + ending), block=64, chunk_rows=8)
    assert {part.times.period_ps for part in parts} == {5000}
    assert [part.times.start_ps for part in parts] == [part.first_sample * 5000 - 45_000 for part in parts]
    assert sum(map(len, parts)) == 209


def test_numbers_of_samples_with_gaps_are_stamps(tmp_path: Path) -> None:
    path = write(tmp_path, "Sample,CLK\n0,0\n5,1\n6,0\n")
    (capture,) = chunks(path, period="20 ns")
    assert capture.times.stamps_ps is not None
    assert capture.times.stamps_ps.tolist() == [0, 100_000, 120_000]


def test_without_any_time_the_period_of_the_probe_point_serves(tmp_path: Path) -> None:
    path = write(tmp_path, "CLK\n" + "0\n1\n" * 40)
    parts = chunks(path, period="20 ns", block=16, chunk_rows=8)
    assert [part.times.start_ps for part in parts] == [part.first_sample * 20_000 for part in parts]
    source = open_csv(path, point(), WIDTHS)
    (capture,) = source.chunks()
    assert (capture.times.period_ps, capture.times.stamps_ps) == (None, None)
    assert "The capture has no time." in source.notes


def test_whole_numbers_without_a_unit_are_no_time_but_their_order(tmp_path: Path) -> None:
    source = open_csv(write(tmp_path, "Time,CLK\n0,0\n10,1\n20,0\n"), point(), WIDTHS)
    (capture,) = source.chunks()
    assert (capture.times.period_ps, capture.times.stamps_ps) == (None, None)
    assert any(
        "whole numbers without a unit" in note and '"Time" = "time [ns]"' in note for note in source.notes
    )
    (capture,) = chunks(write(tmp_path, "Time,CLK\n7,0\n8,1\n9,0\n"), period="1 us")
    assert (capture.times.start_ps, capture.times.period_ps) == (7 * 10**6, 10**6)


# -- bad files ---------------------------------------------------------------------------------------------

BAD: dict[str, tuple[int | None, str, str]] = {
    "empty.csv": (None, "The file is empty.", "Export the capture again."),
    "blanks_only.csv": (None, "nothing but blanks", "Export the capture again."),
    "names_only.csv": (1, "names columns ('Time [ns]', 'A', 'D', '/RD') but has no rows", "with its samples"),
    "no_names.csv": (
        1,
        "no line with the names of the columns above the first row, '0.00000001,3F00,A5,1'",
        "Put a line above it that names all 4 columns, such as 'time [ns],D0,D1,D2'",
    ),
    "no_table.csv": (
        1,
        "no line holds values. The first line is 'Dear reader,'",
        "Export the capture as CSV",
    ),
    "comma_twice_meant.csv": (
        2,
        "Line 1 names 4 columns, but the rows below have 5 cells",
        "numbers need a decimal point or quotation marks",
    ),
    "duplicate_column.csv": (
        1,
        "Two columns carry RD: '/RD' (column 3) and 'RD#' (column 5).",
        "Name one of them under 'ignore' of the probe point 'bus'",
    ),
    "bus_and_its_bit.csv": (1, "Two columns carry A3: 'A' (column 2) and 'A3' (column 3).", "'ignore'"),
    "time_goes_back.csv": (
        4,
        "Time goes back in column 'Time [ns]': '10' after '20'.",
        "export one recording a file",
    ),
    "mixed_width.csv": (
        3,
        "This row has 3 cells; 4 were expected, as line 1 names 4 columns. It reads '10,0001,00'.",
        "Repair or remove the line",
    ),
    "wrong_level.csv": (3, "Column '/RD' has '7'; expected a level: 0 or 1, H or L", "Correct the cell"),
    "wrong_word.csv": (
        3,
        "Column 'A' has '00G1'; expected a hexadecimal word of 16 bits.",
        "Correct the cell",
    ),
    "word_too_wide.csv": (
        3,
        "Column 'D' has '1FF'; expected a hexadecimal word of 8 bits, no more than FF.",
        "",
    ),
    "wrong_time.csv": (3, "Column 'Time [ns]' has 'ten'; expected a time such as 0.000012", "'ignore'"),
    "quote_never_closed.csv": (
        3,
        "A quotation mark is opened here and never closed",
        "Close it, or remove it.",
    ),
    "packed.csv.gz": (None, "The file is packed (gzip), not text.", "Unpack it first."),
    "missing.csv": (None, "There is no such file.", "Check the name"),
}


@pytest.mark.parametrize("name", BAD)
@pytest.mark.parametrize("block", [24, 1 << 20])
def test_a_bad_file_is_told_with_its_place_and_the_remedy(name: str, block: int) -> None:
    line, message, remedy = BAD[name]
    with pytest.raises(CaptureError) as caught:
        chunks(FILES / name, block=block)
    assert caught.value.file == str(FILES / name)
    assert caught.value.line == line
    assert message in caught.value.message or (name == "time_goes_back.csv" and block == 24)
    assert remedy in caught.value.remedy


def test_binary_garbage_is_told_with_its_byte() -> None:
    with pytest.raises(CaptureError) as caught:
        read("binary_garbage.csv")
    assert caught.value.byte == 35
    assert "the byte 0x00" in caught.value.message


def test_binary_garbage_behind_a_good_beginning_is_told_with_its_byte(tmp_path: Path) -> None:
    good = "Time [ns],CLK\n" + "".join(f"{number},0\n" for number in range(60_000))
    path = write(tmp_path, good.encode() + b"60000,\x02\n")
    with pytest.raises(CaptureError, match="the byte 0x02") as caught:
        chunks(path)
    assert caught.value.byte == len(good) + 6


def test_a_cut_line_with_all_its_cells_is_kept_and_a_short_line_inside_is_not(tmp_path: Path) -> None:
    (capture,) = chunks(write(tmp_path, "A,D\n0000,00\n0001,1"))
    assert word(capture, "D") == [0, 1]
    with pytest.raises(CaptureError, match="has 1 cell; 2 were expected"):
        chunks(write(tmp_path, "A,D\n0000,00\n0001\n"))


def test_a_file_with_nothing_but_a_cut_line_has_no_rows(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match=r"no whole row|no rows"):
        chunks(write(tmp_path, "CLK,A,D\n0,0000"))


def test_a_wrong_cell_far_into_the_file_is_told_with_its_line(tmp_path: Path) -> None:
    rows = [f"{number},{number % 2}" for number in range(150_000)]
    rows[140_000] = "140000,up"
    with pytest.raises(CaptureError, match="'CLK' has 'up'") as caught:
        chunks(write(tmp_path, "Time [ns],CLK\n" + "\n".join(rows) + "\n"), widths={"CLK": 1})
    assert caught.value.line == 140_002


def test_the_first_of_several_wrong_cells_is_told(tmp_path: Path) -> None:
    path = write(tmp_path, "Time [ns],A,RD\n0,0000,0\n1,0001,up\n2,00G0,0\nx,0000,0\n")
    with pytest.raises(CaptureError, match="'RD' has 'up'") as caught:
        chunks(path)
    assert caught.value.line == 3


def test_a_wrong_cell_in_the_first_row_is_no_name(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="'A' has 'what'") as caught:
        chunks(write(tmp_path, "Time [ns],A,RD\n0,what,0\n1,0001,0\n2,0002,1\n"))
    assert caught.value.line == 2


def test_a_needed_wire_that_holds_words_asks_for_its_width(tmp_path: Path) -> None:
    with pytest.raises(CaptureError) as caught:
        chunks(write(tmp_path, "Time [ns],Pod\n0,3F\n1,A0\n"), columns={"Pod": "S"})
    assert "holds words such as '3F'" in caught.value.message
    assert '"Pod" = "S[7:0]"' in caught.value.remedy
    (capture,) = chunks(write(tmp_path, "Time [ns],Pod\n0,3F\n1,A0\n"), columns={"Pod": "S[7:0]"})
    assert word(capture, "S") == [0x3F, 0xA0]


def test_a_file_without_any_signal_lists_its_columns(tmp_path: Path) -> None:
    with pytest.raises(
        CaptureError, match=r"No column carries a signal. The file has: 'Time \[ns\]', 'Volts'"
    ):
        chunks(write(tmp_path, "Time [ns],Volts\n0,3.1\n1,3.2\n"))


def test_names_that_could_be_words_are_names(tmp_path: Path) -> None:
    """A0 and D3 are hexadecimal numbers as well; the levels below them show what they are."""
    (capture,) = chunks(write(tmp_path, "A0,D3,CE\n0,1,1\n1,1,0\n"))
    assert sorted(capture.layout.signals) == ["A0", "CE", "D3"]
    with pytest.raises(CaptureError, match="no line with the names"):
        chunks(write(tmp_path, "A0,D3\n3F,C0\n40,1D\n"))


def test_whole_cycles_are_not_samples() -> None:
    with pytest.raises(UsageError, match="takes whole bus cycles"):
        open_samples(FILES / "plain_buses.csv", point(mode="cycles"), WIDTHS)


def test_a_long_table_of_settings_before_the_names(tmp_path: Path) -> None:
    settings = "".join(f"Channel {number}: threshold 1.4 V, label P{number}\n" for number in range(400))
    (capture,) = chunks(write(tmp_path, settings + "Time [ns],A,RD\n0,0001,1\n1,0002,0\n"))
    assert word(capture, "A") == [1, 2]


def test_memory_stays_bounded(tmp_path: Path) -> None:
    """Four times the file, no more memory: what is held at a time is a few blocks and a chunk."""

    def peak(rows: int) -> int:
        path = write(
            tmp_path, "Time [ns],A,CLK\n" + "".join(f"{n},{n & 0xFFFF:04X},1\n" for n in range(rows))
        )
        tracemalloc.start()
        assert sum(
            len(part) for part in open_csv(path, point(), WIDTHS, block=1 << 16, chunk_rows=1 << 13).chunks()
        )
        _, highest = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return highest

    peak(1000)
    assert peak(400_000) < 1.5 * peak(100_000)
