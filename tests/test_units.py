"""Quantities in the field's notation, and back."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wrongbit.errors import InputError
from wrongbit.units import (
    LONGEST_TIME,
    format_bits,
    format_time,
    parse_bits,
    parse_frequency,
    parse_integer,
    parse_time,
)


class TestTime:
    # The units are the SI's (BIPM, The International System of Units, 9th edition, Table 7: prefixes).
    @pytest.mark.parametrize(
        ("text", "picoseconds"),
        [
            ("1 ps", 1),
            ("450 ns", 450_000),
            ("450ns", 450_000),
            ("1.5 us", 1_500_000),
            ("1,5 µs", 1_500_000),  # decimal comma, micro sign
            ("1.5 μs", 1_500_000),  # Greek mu
            ("2 ms", 2_000_000_000),
            ("1 s", 1_000_000_000_000),
            ("1 000 ns", 1_000_000),
            ("1_000 ns", 1_000_000),
            ("1e3 ns", 1_000_000),
            ("-20 ns", -20_000),
            ("0.4 ps", 0),
            ("0.6 ps", 1),
        ],
    )
    def test_value(self, text: str, picoseconds: int) -> None:
        assert parse_time(text) == picoseconds

    @pytest.mark.parametrize(
        "text",
        [
            "",
            "450",
            "ns",
            "450 nanoseconds",
            "450 NS",
            "four ns",
            "1.2.3 ns",
            "1 MHz",
            "0x10 ns",
            "--1 ns",
            "nan s",
        ],
    )
    def test_anything_else_is_refused_with_the_units(self, text: str) -> None:
        with pytest.raises(InputError, match="is not a time") as caught:
            parse_time(text)
        assert "ns" in caught.value.remedy

    @pytest.mark.parametrize(
        "text", ["1e999999 s", "1e99999999999 ns", "1e-99999999999999999999 s", "9223373 s"]
    )
    def test_what_no_instrument_measures_is_refused(self, text: str) -> None:
        with pytest.raises(InputError):
            parse_time(text)

    def test_limit_is_that_of_a_signed_64_bit_integer(self) -> None:
        assert parse_time(f"{2**63 - 1} ps") == LONGEST_TIME
        with pytest.raises(InputError, match="hundred days"):
            parse_time(f"{2**63} ps")

    @given(st.integers(-LONGEST_TIME, LONGEST_TIME))
    def test_every_whole_picosecond_is_exact(self, picoseconds: int) -> None:
        assert parse_time(f"{picoseconds} ps") == picoseconds

    @given(st.integers(-(10**15), 10**15))
    def test_format_keeps_four_digits(self, picoseconds: int) -> None:
        again = parse_time(format_time(picoseconds))
        assert abs(again - picoseconds) <= abs(picoseconds) * 0.5e-3

    @pytest.mark.parametrize(
        ("picoseconds", "text"),
        [(0, "0 ps"), (999, "999 ps"), (1000, "1 ns"), (1_500_000, "1.5 µs"), (-450_000, "-450 ns")],
    )
    def test_format_takes_the_unit_that_reads_best(self, picoseconds: int, text: str) -> None:
        assert format_time(picoseconds) == text


class TestFrequency:
    @pytest.mark.parametrize(
        ("text", "hertz"), [("50 Hz", 50), ("32.768 kHz", 32768), ("1 MHz", 1e6), ("0,5 GHz", 5e8)]
    )
    def test_value(self, text: str, hertz: float) -> None:
        assert parse_frequency(text) == hertz

    @pytest.mark.parametrize("text", ["1", "1 Mhz", "1 s", "MHz", "1e9999 Hz"])
    def test_anything_else_is_refused(self, text: str) -> None:
        with pytest.raises(InputError, match="is not a frequency"):
            parse_frequency(text)


class TestInteger:
    @pytest.mark.parametrize(
        ("text", "value"),
        [
            ("255", 255),
            ("0xFF", 255),
            ("0XfF", 255),
            ("0o377", 255),
            ("0b1111", 15),
            (" 7 ", 7),
            ("-1", -1),
            ("1_0", 10),
        ],
    )
    def test_value(self, text: str, value: int) -> None:
        assert parse_integer(text) == value

    @pytest.mark.parametrize(
        "text", ["", "FF", "010", "0x", "0o8", "1.0", "1e3", "$FF", "FFh", "١٢", "9" * 5000]
    )
    def test_anything_else_is_refused(self, text: str) -> None:
        with pytest.raises(InputError, match="is not a whole number"):
            parse_integer(text)


class TestBits:
    @pytest.mark.parametrize(
        ("text", "bits"),
        [
            ("5", (5,)),
            ("0..3", (0, 1, 2, 3)),
            ("3..0", (3, 2, 1, 0)),
            ("4..4", (4,)),
            ("0, 2, 4..6", (0, 2, 4, 5, 6)),
            (" 8 .. 10 ", (8, 9, 10)),
            ("1,1", (1, 1)),  # whether a bit may stand twice is for the caller to say
        ],
    )
    def test_value(self, text: str, bits: tuple[int, ...]) -> None:
        assert parse_bits(text) == bits

    @pytest.mark.parametrize(
        "text", ["", ",", "0..", "..7", "0-7", "0...7", "0,,1", "-1", "a", "12345", "9" * 5000]
    )
    def test_anything_else_is_refused(self, text: str) -> None:
        with pytest.raises(InputError, match="is not a list of bits"):
            parse_bits(text)

    @given(st.lists(st.integers(0, 63), min_size=1).map(tuple))
    def test_format_is_the_inverse(self, bits: tuple[int, ...]) -> None:
        assert parse_bits(format_bits(bits)) == bits

    def test_nothing_is_an_empty_text(self) -> None:
        assert format_bits(()) == ""

    @pytest.mark.parametrize(
        ("bits", "text"), [((0, 1), "0..1"), ((9, 8, 7, 3, 4), "9..7, 3..4"), ((0, 2, 4), "0, 2, 4")]
    )
    def test_format_shortens_runs(self, bits: tuple[int, ...], text: str) -> None:
        assert format_bits(bits) == text
