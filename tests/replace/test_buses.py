"""Bus times against sums that data sheets print or that are added up here from their figures."""

from __future__ import annotations

import pytest

from replace.builders import CATALOGUE
from wrongbit.errors import UsageError
from wrongbit.replace.buses import BusTimes, given_times, old_chip_times, processor_times

NS = 1000


def nanoseconds(times: BusTimes, name: str) -> float:
    ps = times.ps(name)
    assert ps is not None
    return ps / NS


@pytest.mark.parametrize(
    ("clock", "expected"),
    [
        # Intel 231455: 3 TCLCL - TCLAV - TDVCL and 2 TCLCL - TCLRL - TDVCL; TRHAV = TCLCL - 45, 40, 35.
        ("5 MHz", (3 * 200 - 110 - 30, 2 * 200 - 165 - 30, 200 - 45)),
        ("8 MHz", (3 * 125 - 60 - 20, 2 * 125 - 100 - 20, 125 - 40)),
        ("10 MHz", (3 * 100 - 50 - 5, 2 * 100 - 70 - 5, 100 - 35)),
    ],
)
def test_8086(clock: str, expected: tuple[int, int, int]) -> None:
    times = processor_times(CATALOGUE, "8086", clock)
    names = ("address_to_data", "output_to_data", "float_time")
    assert tuple(nanoseconds(times, name) for name in names) == expected


def test_8086_at_5_mhz_gives_460_and_205_ns() -> None:
    times = processor_times(CATALOGUE, "8086", "5 MHz")
    assert times.ps("address_to_data") == 460 * NS
    assert times.ps("output_to_data") == 205 * NS
    # TCLCH min = 2/3 TCLCL - 15 = 118 ns; TAVAL = TCLCH - 60; TLLAX = TCHCL - 10 with TCHCL = 69 ns.
    assert nanoseconds(times, "address_before_close") == pytest.approx(118 - 60, abs=0.4)
    assert nanoseconds(times, "hold_after_close") == pytest.approx(69 - 10, abs=0.4)
    assert nanoseconds(times, "open_width") == pytest.approx(118 - 20, abs=0.4)


@pytest.mark.parametrize(
    ("clock", "printed"),
    [
        # Intel 8085AH 231718: tAD, tRD, tALL, tLA, tLL at 320, 200 and 167 ns.
        ("3.125 MHz", (575, 300, 90, 100, 140)),
        ("5 MHz", (350, 150, 50, 50, 80)),
        ("5.988024 MHz", (225, 75, 25, 20, 50)),
    ],
)
def test_8085(clock: str, printed: tuple[int, ...]) -> None:
    times = processor_times(CATALOGUE, "8085AH", clock)
    names = ("address_to_data", "output_to_data", "address_before_close", "hold_after_close", "open_width")
    assert [nanoseconds(times, name) for name in names] == pytest.approx(printed, abs=0.6)


def test_a_wait_state_adds_a_clock() -> None:
    none, one = (processor_times(CATALOGUE, "8086", "5 MHz", waits=n) for n in (0, 1))
    assert one.ps("address_to_data") == 660 * NS
    assert one.ps("float_time") == none.ps("float_time")


def test_a_slower_clock_on_the_same_part_gives_more() -> None:
    assert processor_times(CATALOGUE, "8085AH", "4 MHz", grade="5 MHz").ps("address_to_data") == 475 * NS


def test_6502_at_1_mhz() -> None:
    """R6500: 1000 - TADS 225 - TDSU 100 (from memory, not checked)."""
    times = processor_times(CATALOGUE, "6502", "1 MHz")
    assert times.ps("address_to_data") == 675 * NS
    assert times.ps("address_hold") == 30 * NS
    assert all(term.status != "checked" for term in times.address_to_data or ())


def test_68000_at_8_mhz() -> None:
    """Three clocks from S1 to the end of S6 (M68000 User's Manual 5.1.1), less 70 and 15 ns (from memory)."""
    assert processor_times(CATALOGUE, "68000", "8 MHz").ps("address_to_data") == 290 * NS


@pytest.mark.parametrize(
    ("processor", "clock", "grade", "said"),
    [
        ("8068", "5 MHz", None, r"processor '8068'.*Did you mean '8088'"),
        ("8086", "12 MHz", None, r"no grade of the 8086 runs at 12 MHz.*5 MHz, 8 MHz, 10 MHz"),
        ("8086", "8 MHz", "5 MHz", r"no 5 MHz grade of the 8086 runs at 8 MHz"),
    ],
)
def test_what_cannot_run_is_refused(processor: str, clock: str, grade: str | None, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        processor_times(CATALOGUE, processor, clock, grade=grade)


def test_stated_times_win_over_the_data_sheet() -> None:
    times = given_times({"float_time": 20 * NS}).over(processor_times(CATALOGUE, "8086", "5 MHz"))
    assert times.ps("float_time") == 20 * NS
    assert times.ps("address_to_data") == 460 * NS
    assert any("231455" in note for note in times.notes)


def test_the_old_chips_figures_say_what_they_are() -> None:
    times = old_chip_times(450 * NS)
    assert times.ps("address_to_data") == 450 * NS
    assert times.enable_to_data is None
    assert "not known" in times.notes[0]


def test_unknown_and_negative_times_are_refused() -> None:
    with pytest.raises(UsageError, match=r"'adress_to_data'.*Did you mean 'address_to_data'"):
        given_times({"adress_to_data": 1})
    with pytest.raises(UsageError, match="negative"):
        given_times({"float_time": -1})
