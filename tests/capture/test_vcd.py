"""VCD captures as a repairer's instrument or simulator writes them, and files that cannot be right.

Grammar and rules: IEEE Std 1364-2005, clause 18 (four-state value change dump).
"""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from wrongbit.capture.capture import Capture
from wrongbit.capture.formats import _vcd_blocks, vcd
from wrongbit.capture.formats.vcd import VcdSource, open_vcd
from wrongbit.capture.source import SampleSource
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point

FILES = Path(__file__).parent / "files"
POINT = Point(name="bus", mode="timing")
HEADER = (
    "$timescale 1 ns $end $scope module m $end\n"
    '$var wire 1 ! CLK $end\n$var wire 4 " D [3:0] $end\n'
    "$upscope $end $enddefinitions $end\n"
)


def text_of(capture: Capture, name: str) -> list[str]:
    """A signal or bus at each sample as digits, '?' where unknown, '-' where no wire is."""
    rows = []
    for sample in range(len(capture)):
        digits = ""
        for position in reversed(capture.layout.bits_of(name)):
            plane, bit = divmod(position, 64)
            unknown = capture.unknown[plane]
            if position < 0:
                digits += "-"
            elif unknown is not None and int(unknown[sample]) >> bit & 1:
                assert not int(capture.planes[plane][sample]) >> bit & 1, "an unknown level is 0 in its plane"
                digits += "?"
            else:
                digits += str(int(capture.planes[plane][sample]) >> bit & 1)
        rows.append(digits)
    return rows


def whole(source: VcdSource) -> Capture:
    """All chunks of a source as one capture."""
    chunks = list(source.chunks())
    unknown = [
        np.concatenate(
            [np.zeros(len(c), np.uint64) if c.unknown[p] is None else c.unknown[p] for c in chunks]
        )
        for p in range(source.layout.plane_count)
    ]
    stamps = np.concatenate([chunk.times.stamps_ps for chunk in chunks])
    assert [chunk.first_sample for chunk in chunks] == [
        sum(len(earlier) for earlier in chunks[:number]) for number in range(len(chunks))
    ]
    return Capture(
        source.layout,
        tuple(np.concatenate([c.planes[p] for c in chunks]) for p in range(source.layout.plane_count)),
        tuple(unknown),
        chunks[0].times.__class__(stamps_ps=stamps),
        change_list=True,
        notes=chunks[-1].notes,
    )


def read(name: str | Path, point: Point = POINT, **widths: int) -> Capture:
    return whole(open_vcd(FILES / name, point, widths))


@pytest.fixture
def write(tmp_path: Path):
    """Writes a file and returns its path."""

    def _write(text: str | bytes) -> Path:
        path = tmp_path / "given.vcd"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return _write


def stamps(capture: Capture) -> list[int]:
    return capture.times.stamps_ps.tolist()


class TestChanges:
    def test_one_sample_for_each_moment_of_change_in_picoseconds(self):
        """Ids '#' and '$', a time scale of 1 ps, and a last time without changes.

        After the form of the example that encyclopaedias give for the format; its values are invented.
        """
        capture = read("serial_data_1ps.vcd")
        assert stamps(capture) == [0, 2211, 2296, 2302]
        assert text_of(capture, "DATA") == ["10000001", "10000001", "00000000", "00000000"]
        assert text_of(capture, "VALID") == ["0", "0", "1", "0"]
        assert text_of(capture, "SEND") == ["1", "0", "0", "0"]
        assert capture.change_list
        assert capture.unknown[0] is not None and not capture.unknown[0].any()

    def test_chunk_says_none_where_every_level_is_known(self):
        (chunk,) = open_vcd(FILES / "serial_data_1ps.vcd", POINT, {}).chunks()
        assert chunk.unknown == (None,)

    def test_ids_that_look_like_values_times_and_keywords(self):
        """An id is any run of printing characters, so words are told by their place (18.2.3.7)."""
        capture = read("ids_like_values.vcd")
        assert stamps(capture) == [0, 5000]
        assert text_of(capture, "A") == ["0001", "1111"]
        assert text_of(capture, "B") == ["0010", "1000"]
        assert text_of(capture, "C") == ["10", "01"]
        assert text_of(capture, "E") == ["01", "11"]
        assert text_of(capture, "RD") == ["0", "1"]
        assert text_of(capture, "WR") == ["0", "1"]
        assert text_of(capture, "CS") == ["1", "0"]
        assert any("real board.V" in note for note in capture.notes)

    def test_line_ends_tabs_and_several_words_a_line_mean_nothing(self):
        capture = read("crlf_tabs_and_crowded_lines.vcd")
        assert stamps(capture) == [0, 1_000_000, 2_000_000, 3_000_000, 4_000_000]
        assert text_of(capture, "PHI2") == ["0", "1", "0", "1", "0"]
        assert text_of(capture, "D") == ["00001010"] * 2 + ["00001011"] * 3

    def test_dump_tasks_and_comments_among_changes(self):
        """$dumpoff writes x, $dumpon and $dumpall restate values (18.2.3.3 to 18.2.3.6)."""
        capture = read("dump_tasks.vcd")
        assert stamps(capture) == [0, 10_000, 20_000, 30_000, 40_000, 50_000]
        assert text_of(capture, "A") == ["0", "1", "?", "1", "1", "0"]
        assert text_of(capture, "B") == ["00", "00", "??", "10", "10", "10"]

    @pytest.mark.parametrize(
        ("written", "meant"),
        [
            ("b1", "0001"),
            ("b01", "0001"),
            ("B10", "0010"),
            ("bx", "????"),
            ("bX01", "??01"),
            ("bz0", "???0"),
            ("bZ", "????"),
            ("b0x", "000?"),
            ("b1z", "001?"),
            ("b10z1", "10?1"),
        ],
    )
    def test_short_vectors_are_extended_to_the_left(self, write, written, meant):
        """Leading 0 or 1 gives 0, x gives x, z gives z (1364-2005, 18.2.1, table of left extension).

        The rule is from memory of the standard; the reference readers of test_vcd_references agree.
        """
        capture = whole(open_vcd(write(HEADER + f'#0 0! {written} "\n'), POINT, {}))
        assert text_of(capture, "D") == [meant]

    def test_scalar_form_for_a_vector_is_a_vector_of_one_digit(self, write):
        capture = whole(open_vcd(write(HEADER + '#0 1" #1 x" #2 0"\n'), POINT, {}))
        assert text_of(capture, "D") == ["0001", "????", "0000"]

    def test_levels_before_their_first_change_are_unknown(self, write):
        capture = whole(open_vcd(write(HEADER + '#5 1!\n#6 b1 "\n'), POINT, {}))
        assert text_of(capture, "D") == ["????", "0001"]

    def test_changes_before_the_first_time_happen_at_time_0(self, write):
        capture = whole(open_vcd(write(HEADER + '0! b1 "\n#7\n1!\n'), POINT, {}))
        assert stamps(capture) == [0, 7000]

    def test_last_change_of_a_moment_counts_even_when_its_time_is_repeated(self, write):
        capture = whole(open_vcd(write(HEADER + "#1 0!\n#4 1! 0! 1!\n#4 0!\n#4\n#5\n#6\n#9 1!\n"), POINT, {}))
        assert stamps(capture) == [1000, 4000, 9000]
        assert text_of(capture, "CLK") == ["0", "0", "1"]

    @pytest.mark.parametrize("block", range(1, 40))
    def test_result_does_not_depend_on_where_blocks_end(self, monkeypatch, block):
        """Every block length from 1 byte up, over a file with comments, keywords and vectors."""
        for name in ("dump_tasks.vcd", "ids_like_values.vcd", "crlf_tabs_and_crowded_lines.vcd"):
            expected = read(name)
            source = open_vcd(FILES / name, POINT, {})
            source._block = block
            monkeypatch.setattr(vcd, "_CHUNK_ROWS", 2)
            capture = whole(source)
            assert stamps(capture) == stamps(expected)
            assert [p.tolist() for p in capture.planes] == [p.tolist() for p in expected.planes]
            assert [u.tolist() for u in capture.unknown] == [u.tolist() for u in expected.unknown]

    @pytest.mark.parametrize("block", range(1, 60))
    def test_a_comment_between_a_value_and_its_id_wherever_blocks_end(self, write, block):
        source = open_vcd(write(HEADER + '#1 0! b0011 $comment b1 " #9 $end\n"\n#2 1!\n'), POINT, {})
        source._block = block
        capture = whole(source)
        assert stamps(capture) == [1000, 2000]
        assert text_of(capture, "D") == ["0011", "0011"]

    @pytest.mark.parametrize("code", ["$comment", "a$comment", "$commenta", "$end", "$dumpvars"])
    def test_ids_like_keywords_open_no_comment(self, write, code):
        text = HEADER.replace("$upscope", f"$var wire 2 {code} E [1:0] $end $upscope")
        capture = whole(
            open_vcd(write(text + f"#1 0! b01 {code}\n#2 1! x{code} 0!\n#3 b11 {code}\n"), POINT, {})
        )
        assert text_of(capture, "E") == ["01", "??", "11"]
        assert text_of(capture, "CLK") == ["0", "0", "0"]

    def test_chunks_may_be_read_again(self):
        source: SampleSource = open_vcd(FILES / "dump_tasks.vcd", POINT, {})
        first, second = (list(source.chunks()) for _ in range(2))
        assert [chunk.planes[0].tolist() for chunk in first] == [chunk.planes[0].tolist() for chunk in second]
        assert source.bytes_done() == source.byte_count == (FILES / "dump_tasks.vcd").stat().st_size

    def test_memory_does_not_grow_with_the_file(self, write):
        """Four times the file, the same peak: a few blocks and one chunk."""
        peaks = []
        for count in (100_000, 400_000):
            path = write(HEADER + "".join(f'#{n}\n{n & 1}!\nb{n & 15:b} "\n' for n in range(count)))
            tracemalloc.start()
            assert sum(len(chunk) for chunk in open_vcd(path, POINT, {}).chunks()) == count
            peaks.append(tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
        assert peaks[1] < 1.5 * peaks[0] < 60_000_000

    def test_wide_vectors_and_many_signals_go_on_in_further_planes(self, write):
        ones = "1" * 30 + "0" * 70 + "x10"
        body = f"b{ones} !\n" + "".join(f"b{n % 2}1 w{n}\n" for n in range(40))
        text = (
            "$timescale 1 ns $end\n$var wire 130 ! L $end\n"
            + "".join(f"$var wire 2 w{n} P{n}_ [1:0] $end\n" for n in range(40))
            + f"$enddefinitions $end\n#0\n{body}#1 b0 !\n#2 bz !\n#3 b1 w39\n"
        )
        capture = whole(open_vcd(write(text), POINT, {}))
        assert capture.layout.plane_count > 3
        assert text_of(capture, "L") == [ones.rjust(130, "0").replace("x", "?"), "0" * 130] + ["?" * 130] * 2
        assert text_of(capture, "P38_") == ["01"] * 4
        assert text_of(capture, "P39_") == ["11"] * 3 + ["01"]


class TestTimeScale:
    @pytest.mark.parametrize(
        ("scale", "picoseconds"),
        [("1ps", 7), ("10 ps", 70), ("1 ns", 7_000), ("100us", 700_000_000), ("1\nms", 7 * 10**9)],
    )
    def test_numbers_and_units_with_or_without_a_blank(self, write, scale, picoseconds):
        path = write(HEADER.replace("1 ns", scale) + "#7 1!\n")
        assert stamps(whole(open_vcd(path, POINT, {}))) == [picoseconds]

    def test_femtoseconds_are_rounded_and_told(self, write):
        path = write(HEADER.replace("1 ns", "100 fs") + "#4 1! #5 0! #16 1! #20 0!\n")
        source = open_vcd(path, POINT, {})
        assert stamps(whole(source)) == [0, 1, 2, 2]
        assert any("rounded to whole picoseconds" in note for note in source.notes)

    def test_missing_time_scale_is_told(self, write):
        path = write(HEADER.replace("$timescale 1 ns $end", "") + "#4 1!\n")
        source = open_vcd(path, POINT, {})
        assert any("no $timescale" in note for note in source.notes)
        assert stamps(whole(source)) == [4000]

    @pytest.mark.parametrize("scale", ["ns", "1", "1.5 ns", "1 m", "0 ns", "-1 ns", "1 ns 2"])
    def test_what_is_no_time_scale_is_refused(self, write, scale):
        with pytest.raises(CaptureError, match="time scale is") as caught:
            open_vcd(write(HEADER.replace("1 ns", scale) + "#7 1!\n"), POINT, {})
        assert caught.value.line == 1

    def test_a_time_past_63_bits_is_refused(self, write):
        source = open_vcd(write(HEADER.replace("1 ns", "1 s") + "#1 0!\n#9300000 1!\n"), POINT, {})
        with pytest.raises(CaptureError, match="2\\^63 picoseconds"):
            whole(source)


class TestWhatCannotBeRight:
    @pytest.mark.parametrize(
        ("name", "line", "parts"),
        [
            ("empty.vcd", None, ["empty"]),
            ("not_a_vcd.vcd", 1, ["not a VCD", "'time,CLK,D'"]),
            ("no_end_of_declarations.vcd", 4, ["'#0'", "$enddefinitions"]),
            (
                "malformed_var.vcd",
                2,
                ["lacks some of its four parts", "'wire CLK !'", "$var TYPE WIDTH ID NAME"],
            ),
        ],
    )
    def test_header(self, name, line, parts):
        with pytest.raises(CaptureError) as caught:
            open_vcd(FILES / name, POINT, {})
        assert caught.value.line == line
        assert caught.value.file == str(FILES / name)
        assert caught.value.remedy
        for part in parts:
            assert part in str(caught.value)

    @pytest.mark.parametrize(
        ("name", "line", "parts"),
        [
            ("undeclared_id.vcd", 12, ["'%'", "not declared"]),
            ("time_goes_backwards.vcd", 11, ["'#10'", "'#20'"]),
            ("bad_digit.vcd", 9, ["'b0021'", "'2'", "0, 1, x and z"]),
            ("vector_too_long.vcd", 9, ["5 digits", "4 bits"]),
            ("no_change.vcd", None, ["no change"]),
        ],
    )
    def test_changes(self, name, line, parts):
        source = open_vcd(FILES / name, POINT, {})
        with pytest.raises(CaptureError) as caught:
            list(source.chunks())
        assert caught.value.line == line
        assert caught.value.file == str(FILES / name)
        assert caught.value.remedy
        for part in parts:
            assert part in str(caught.value)

    @pytest.mark.parametrize(
        ("body", "part"),
        [
            ("#0 0! q!\n", "'q!' is no change"),
            ("#0 0! $dumpports\n", "keyword '$dumpports'"),
            ("#0 pU 0 6 <0\n", "extended VCD"),
            ("#0 0! #1x 1!\n", "time is '#1x'"),
            ("#0 0! # 1!\n", "time is '#'"),
            ("#0 0! #-5 1!\n", "time is '#-5'"),
            ("#99999999999999999999 0!\n", "63 bits"),
            ("#0 0 !\n", "no id right behind it"),
            ('#0 b "\n', "has no digit"),
            ('#0 r1.5 "\n', "declared as bits"),
            ('#0 bu "\n', "digit 'u'"),
            ("#0 0! \xff\xfe\n", "is no change"),
            ("#0 0! b0 b0 b0 b0\n", "id 'b0'"),
        ],
    )
    def test_words_that_are_none(self, write, body, part):
        source = open_vcd(write(HEADER.encode() + body.encode("latin-1")), POINT, {})
        with pytest.raises(CaptureError) as caught:
            list(source.chunks())
        assert part in caught.value.message
        assert caught.value.line == HEADER.count("\n") + 1

    def test_line_number_is_right_far_into_the_file(self, write):
        good = "".join(f"#{n}\n{n % 2}!\n" for n in range(60_000))
        source = open_vcd(write(HEADER + good + "1%\n"), POINT, {})
        with pytest.raises(CaptureError) as caught:
            list(source.chunks())
        assert caught.value.line == HEADER.count("\n") + 120_001

    def test_a_word_without_end_is_refused_in_bounded_memory(self, write, monkeypatch):
        monkeypatch.setattr(_vcd_blocks, "_LONGEST_WORD", 1 << 16)
        source = open_vcd(write(HEADER + "#0 0!\n" + "1" * (1 << 20)), POINT, {})
        with pytest.raises(CaptureError, match="A word of more than") as caught:
            list(source.chunks())
        assert caught.value.line == HEADER.count("\n") + 2

    def test_a_file_that_is_not_there(self, tmp_path):
        with pytest.raises(CaptureError, match="There is no such file"):
            open_vcd(tmp_path / "none.vcd", POINT, {})

    def test_a_folder(self, tmp_path):
        with pytest.raises(CaptureError, match="This is a folder"):
            open_vcd(tmp_path, POINT, {})

    @pytest.mark.parametrize(
        ("header", "part"),
        [
            ("$timescale 1 ns $end $enddefinitions $end", "declares no variable"),
            ("$timescale 1 ns $end $var wire 1 ! A $end", "the end of the file"),
            ("$var wire 8 ! A [15:0] $end $enddefinitions $end", "has 16 bits, but its '$var' says 8"),
            ("$var wire -1 ! A $end $enddefinitions $end", "width of a '$var' is '-1'"),
            ("$var wire 1 $end\n$var wire 1 ! A $end $enddefinitions $end", "lacks some of its four parts"),
            ("$var wire 1 ! A\n#0\n1!\n", "'$var' has no '$end'"),
            ("$comment never closed", "'$comment' has no '$end'"),
            ("\x1f\x8b\x08\x00binary", "not a VCD"),
            ("   \n\n", "empty"),
        ],
    )
    def test_headers_that_are_none(self, write, header, part):
        with pytest.raises(CaptureError) as caught:
            open_vcd(write(header.encode("latin-1")), POINT, {})
        assert part in caught.value.message


class TestEndOfFile:
    def test_a_cut_line_is_dropped_and_told(self):
        source = open_vcd(FILES / "cut_short.vcd", POINT, {})
        capture = whole(source)
        assert text_of(capture, "D") == ["0011", "0011"]
        assert text_of(capture, "CLK") == ["0", "1"]
        assert any("'b11'" in note and "not used" in note for note in source.notes)
        assert capture.notes == source.notes

    @pytest.mark.parametrize(
        ("tail", "told"),
        [
            ("0", "'0'"),
            ("#2", "'#2'"),
            ('b01 "x', "'\"x'"),
            ("b01 ", "'b01'"),
            ("1&", "'1&'"),
            ("$dumpa", "'$dumpa'"),
        ],
    )
    def test_what_may_be_half_a_word_is_dropped_and_told(self, write, tail, told):
        source = open_vcd(write(HEADER + '#0 0! b0 "\n#1 1!\n' + tail), POINT, {})
        capture = whole(source)
        assert stamps(capture) == [0, 1000]
        assert text_of(capture, "D") == ["0000", "0000"]
        assert any(told in note for note in source.notes)

    @pytest.mark.parametrize(("tail", "level"), [("0!", "0"), ("1!", "1"), ("b1 !", "1"), ("$end", "?")])
    def test_a_whole_last_word_needs_no_line_end(self, write, tail, level):
        source = open_vcd(write(HEADER + f'#0 b0 "\n{tail}'), POINT, {})
        assert text_of(whole(source), "CLK") == [level]
        assert source.notes == ("Read as VCD: a list of changes in steps of 1 ns, 2 of 2 ids.",)

    def test_an_id_that_begins_another_may_be_cut(self, write):
        header = "$timescale 1 ns $end $var wire 1 a A $end $var wire 1 ab B $end $enddefinitions $end\n"
        source = open_vcd(write(header + "#0 0a 0ab\n#1 1a"), POINT, {})
        assert text_of(whole(source), "A") == ["0"]
        assert any("'1a'" in note for note in source.notes)

    def test_an_open_comment_is_told(self, write):
        source = open_vcd(write(HEADER + '#0 b0 " 0!\n$comment #1 1!\n#2 1!\n'), POINT, {})
        assert text_of(whole(source), "CLK") == ["0"]
        assert any("inside a $comment" in note for note in source.notes)
