"""Which variables of a VCD become which signals and buses."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from wrongbit.capture.capture import Layout
from wrongbit.capture.formats._vcd_header import read_header
from wrongbit.capture.formats._vcd_signals import Selection, select_signals
from wrongbit.capture.formats.vcd import open_vcd
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point

FILES = Path(__file__).parent / "files"


def point(columns: Mapping[str, str] | None = None, *ignore: str) -> Point:
    return Point(name="bus", mode="timing", columns=dict(columns or {}), ignore=ignore)


@pytest.fixture
def select(tmp_path: Path):
    """Selects signals from declarations given as text."""

    def _select(declarations: str, at: Point | None = None, **widths: int) -> Selection:
        path = tmp_path / "given.vcd"
        path.write_text(f"$timescale 1 ns $end {declarations} $enddefinitions $end\n")
        return select_signals(read_header(path), at or point(), widths, str(path))

    return _select


def levels(layout: Layout, plane: int, name: str) -> str:
    """Digits of a bus in a plane's value, highest first; '-' where no wire is."""
    return "".join("-" if p < 0 else str(plane >> p & 1) for p in reversed(layout.bits_of(name)))


class TestNames:
    def test_bits_and_parts_of_a_bus_are_put_together(self):
        """`A [0]`, `A[1]`, `A [ 2 ]`, `\\A[3] ` and `A [7:4]` are one bus; D0 and D1 are another."""
        source = open_vcd(FILES / "per_bit_bus.vcd", point(), {})
        (chunk,) = source.chunks()
        plane = int(chunk.planes[0][0])
        assert levels(source.layout, plane, "A") == "10010101"
        assert levels(source.layout, plane, "D") == "01"
        assert levels(source.layout, plane, "A7") == "1"
        assert levels(source.layout, plane, "RD") == "1"
        assert levels(source.layout, plane, "WR") == "0"

    def test_a_range_that_counts_upward_keeps_its_value(self):
        """The rightmost digit is the lowest bit whatever the direction (1364-2005, 18.2.3.7 with 4.3.1)."""
        source = open_vcd(FILES / "per_bit_bus.vcd", point(), {})
        (chunk,) = source.chunks()
        assert levels(source.layout, int(chunk.planes[0][0]), "T") == "110"
        assert any("board.T[0:2]" in note for note in source.notes)

    def test_a_range_that_does_not_end_at_0_keeps_its_numbers(self):
        """As in a 68000's address bus A23..A1, which has no wire A0."""
        source = open_vcd(FILES / "per_bit_bus.vcd", point(), {"H": 24})
        (chunk,) = source.chunks()
        assert levels(source.layout, int(chunk.planes[0][0]), "H") == "101" + "-" * 21

    def test_a_bus_is_as_wide_as_the_machine_needs(self, select):
        chosen = select("$var wire 8 ! A [7:0] $end", A=16)
        assert chosen.layout.buses["A"] == (*range(8), *[-1] * 8)

    def test_variables_with_one_id_share_a_position(self, select):
        chosen = select("$var wire 4 ! A [3:0] $end $var wire 4 ! M [3:0] $end $var wire 1 % C $end")
        assert chosen.layout.buses["A"] == chosen.layout.buses["M"]
        assert len(chosen.slots) == 2

    def test_a_bus_whose_name_ends_in_a_digit_does_not_hide_another(self, select):
        """Bit 0 of D1 is not D10, which is bit 10 of D."""
        layout = select("$var wire 16 ! D [15:0] $end $var wire 8 % D1 [7:0] $end").layout
        assert layout.signals["D10"] == layout.buses["D"][10]
        assert layout.signals["D1_0"] == layout.buses["D1"][0]
        assert layout.bits_of("D1") == layout.buses["D1"]

    def test_escaped_names_and_names_with_blanks(self, select):
        layout = select(
            r"$var wire 1 ! \RD# $end $var wire 1 % Channel 3 $end $var wire 1 & \n$1 $end"
        ).layout
        assert set(layout.signals) >= {"RD", "CHANNEL3", "N$1"}

    def test_elements_of_an_array_are_words_of_their_own(self, select):
        layout = select("$var reg 8 ! ram[3] [7:0] $end $var reg 8 % ram[4] $end").layout
        assert len(layout.buses["RAM[3]"]) == len(layout.buses["RAM[4]"]) == 8
        assert "RAM" not in layout.buses

    def test_what_carries_no_levels_is_left_out_and_told(self, select):
        chosen = select(
            "$var real 64 ! volts $end $var event 1 % hit $end $var parameter 32 & SIZE [31:0] $end"
            " $var integer 32 ' n $end $var supply1 1 ( VCC $end"
        )
        assert set(chosen.layout.signals) >= {"N0", "N31", "VCC"}
        assert not {"VOLTS", "HIT", "SIZE0"} & set(chosen.layout.signals)
        (note,) = chosen.notes
        for name in ("real volts", "event hit", "parameter SIZE"):
            assert name in note

    def test_no_slot_straddles_two_planes(self, select):
        chosen = select("".join(f"$var wire 24 i{n} V{n}_ [23:0] $end " for n in range(9)))
        assert (chosen.slots.shift + chosen.slots.width <= 64).all()
        assert chosen.layout.plane_count == 5


class TestSeveralScopes:
    def test_one_name_for_two_signals_is_refused_with_both_paths(self):
        with pytest.raises(CaptureError) as caught:
            open_vcd(FILES / "two_scopes.vcd", point(), {"A": 8, "CLK": 1})
        text = str(caught.value)
        assert "top.cpu.A[7:0]" in text
        assert "top.video.A[7:0]" in text
        assert '"top.cpu.A" = "A"' in text
        assert caught.value.line == 11

    def test_all_such_names_are_told_at_once(self):
        with pytest.raises(CaptureError) as caught:
            open_vcd(FILES / "two_scopes.vcd", point(), {})
        assert any("top.video.state[3:0]" in note for note in caught.value.notes)

    def test_the_same_net_in_several_scopes_is_one_signal(self):
        source = open_vcd(FILES / "two_scopes.vcd", point(), {"CLK": 1})
        assert "CLK" in source.layout.signals
        assert any("top.cpu.state" in note and "top.video.state" in note for note in source.notes)

    @pytest.mark.parametrize(
        ("columns", "digits"),
        [
            ({"top.cpu.A": "A"}, "00010010"),
            ({"top.video.A": "A"}, "00110100"),
            ({"top.video.A[7:0]": "A"}, "00110100"),
            ({"top.video.A [7:0]": "A", "top.cpu.A": "CPUA"}, "00110100"),
        ],
    )
    def test_a_full_path_chooses(self, columns, digits):
        source = open_vcd(FILES / "two_scopes.vcd", point(columns), {"A": 8})
        (chunk,) = source.chunks()
        assert levels(source.layout, int(chunk.planes[0][0]), "A") == digits

    @pytest.mark.parametrize("ignored", ["top.video.A", "top.video.A[7:0]", "top.video"])
    def test_an_ignored_path_or_scope_is_out_of_the_way(self, ignored):
        source = open_vcd(FILES / "two_scopes.vcd", point(None, ignored), {"A": 8})
        (chunk,) = source.chunks()
        assert levels(source.layout, int(chunk.planes[0][0]), "A") == "00010010"


class TestColumns:
    def test_names_are_mapped_to_signals_buses_and_bits(self, select):
        chosen = select(
            "$var wire 1 ! ch0 $end $var wire 1 % ch1 $end $var wire 4 & lo [3:0] $end "
            "$var wire 1 ( q [5] $end",
            point({"ch0": "/RD", "ch1": "D3", "lo": "A", "q[5]": "WR"}),
        )
        layout = chosen.layout
        assert layout.signals["RD"] != layout.signals["WR"]
        assert layout.buses["D"] == (-1, -1, -1, layout.signals["D3"])
        assert layout.bits_of("A") == tuple(layout.signals[f"A{bit}"] for bit in range(4))

    def test_a_mapped_name_goes_before_the_same_name_in_the_file(self, select):
        layout = select("$var wire 1 ! RD $end $var wire 1 % probe $end", point({"probe": "RD"}), RD=1).layout
        assert len(layout.signals) == 1

    def test_a_mapped_part_and_the_rest_of_a_bus_are_put_together(self, select):
        variables = "$var wire 4 ! x [3:0] $end $var wire 4 % A [7:4] $end $var wire 4 & A [3:0] $end"
        chosen = select(variables, point({"x": "A[3:0]"}), A=8)
        assert sorted(chosen.layout.buses["A"]) == list(range(8))
        assert b"&" not in {code for code, slot in chosen.slots.of_code.items() if slot >= 0}

    def test_the_bits_of_a_bus_are_renamed_together(self, select):
        layout = select("$var wire 1 ! x [0] $end $var wire 1 % x [1] $end", point({"x": "AD"})).layout
        assert layout.buses == {"AD": (layout.signals["AD0"], layout.signals["AD1"])}

    def test_a_column_that_is_not_there_is_refused_with_near_names(self, select):
        with pytest.raises(
            CaptureError, match=r"'ADRESS', which the file does not have.*nearest is 'ADDRESS'"
        ):
            select("$var wire 8 ! ADDRESS [7:0] $end", point({"ADRESS": "A"}))

    @pytest.mark.parametrize(
        "key", ["top.cpu.BUS", "TOP.cpu.bus[3:0]", "BUS", "bus", "bus [3:0]", "Top.Cpu.Bus [3 : 0]"]
    )
    def test_capitals_and_blanks_make_no_difference_where_nothing_else_fits(self, select, key):
        scopes = "$scope module top $end $scope module cpu $end $var wire 4 ! BUS [3:0] $end"
        assert "AD" in select(scopes, point({key: "AD"})).layout.buses

    def test_the_most_exact_key_decides(self, select):
        variables = "$var wire 1 ! C $end $scope module b $end $var wire 1 % C $end"
        layout = select(variables, point({"C": "RD", "b.C": "WR"})).layout
        assert set(layout.signals) == {"RD", "WR"}

    def test_part_of_a_bus_is_named_with_its_bits(self, select):
        variables = "$var wire 8 ! hi [7:0] $end $var wire 8 % lo [7:0] $end $var wire 1 & top $end"
        layout = select(variables, point({"hi": "A.8..15", "lo": "A[7:0]", "top": "A.16"}), A=20).layout
        assert len(layout.buses["A"]) == 20
        assert all(place >= 0 for place in layout.buses["A"][:17])
        assert set(layout.buses["A"][17:]) == {-1}
        assert layout.signals["A8"] == layout.buses["A"][8]

    def test_a_mapping_to_more_wires_than_bits_is_refused(self, select):
        with pytest.raises(CaptureError, match=r"has 4 bits, but is mapped to the 8 wires 'A.8..15'"):
            select("$var wire 4 ! hi [3:0] $end", point({"hi": "A.8..15"}))

    def test_underlined_bits_belong_to_a_bus_that_the_machine_has(self, select):
        layout = select("$var wire 1 ! D_0 $end $var wire 1 % D_1 $end $var wire 1 & CE_1 $end", D=2).layout
        assert layout.buses["D"] == (layout.signals["D0"], layout.signals["D1"])
        assert "CE_1" in layout.signals

    def test_two_columns_for_one_signal_are_refused(self, select):
        with pytest.raises(CaptureError, match="both mapped to RD"):
            select("$var wire 1 ! p $end $var wire 1 % q $end", point({"p": "RD", "q": "/RD"}))

    def test_nothing_left_is_refused(self, select):
        with pytest.raises(CaptureError, match="No variable of the file is left"):
            select("$var wire 1 ! RD $end", point(None, "RD"))

    def test_one_id_with_two_widths_is_refused(self, select):
        with pytest.raises(CaptureError, match="same id"):
            select("$var wire 8 ! A [7:0] $end $var wire 4 ! B [3:0] $end")


class TestLargeDumps:
    def test_of_more_bits_than_an_instrument_has_only_needed_ones_are_read(self, select):
        """A simulator dumps everything; signals that nobody asked for would cost time and memory."""
        many = " ".join(f"$var wire 32 i{n} V{n}x [31:0] $end" for n in range(40))
        chosen = select(many + " $var wire 8 ! D [7:0] $end $var wire 1 % A15 $end", D=8, A=16)
        assert set(chosen.layout.buses) == {"D", "A"}
        assert chosen.layout.plane_count == 1
        assert any("1289 bits" in note for note in chosen.notes)

    def test_a_large_dump_without_a_needed_signal_is_refused(self, select):
        many = " ".join(f"$var wire 32 i{n} V{n}x [31:0] $end" for n in range(40))
        with pytest.raises(CaptureError, match=r"None of the file's 40 variables .* needs: D, A"):
            select(many, D=8, A=16)

    def test_a_large_dump_is_read_whole_where_nothing_is_said_to_be_needed(self, select):
        many = " ".join(f"$var wire 32 i{n} V{n}x [31:0] $end" for n in range(40))
        assert len(select(many).layout.buses) == 40

    def test_needed_signals_share_the_first_plane(self, select):
        many = " ".join(f"$var wire 32 i{n} V{n}x [31:0] $end" for n in range(4))
        layout = select(many + " $var wire 8 ! D [7:0] $end", D=8).layout
        assert max(layout.bits_of("D")) < 64
