"""Columns and signals. The spellings of headings are common practice, no source."""

from __future__ import annotations

import pytest

from wrongbit.capture.columns import (
    Target,
    assign_columns,
    build_layout,
    check_one_each,
    find_columns,
    sample_heading,
    target_of,
    time_heading,
)
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point

WIDTHS = {"A": 16, "D": 8, "AD": 16, "RD": 1, "CE": 1}
NS, US, MS, S = 10**3, 10**6, 10**9, 10**12


@pytest.mark.parametrize(
    ("heading", "signals"),
    [
        ("A0", ["A0"]),
        ("a[0]", ["A0"]),
        ("A(7)", ["A7"]),
        ("A 7", ["A7"]),
        ("A07", ["A7"]),
        ("D_3", ["D3"]),
        ("D.3", ["D3"]),
        ("AD<5>", ["AD5"]),
        ("~D[3]", ["D3"]),
        ("D7#", ["D7"]),
        ("/RD", ["RD"]),
        ("RD#", ["RD"]),
        ("nRD", ["RD"]),
        ("RD*", ["RD"]),
        ("R/W", ["RW"]),
        ("PHI2", ["PHI2"]),
        ("D[1:0]", ["D0", "D1"]),
        ("D(1..0)", ["D0", "D1"]),
        ("D<1:0>", ["D0", "D1"]),
        ("D1:0", ["D0", "D1"]),
        ("D1-D0", ["D0", "D1"]),
        ("D[5-4]", ["D4", "D5"]),
        ("D[4:5]", ["D4", "D5"]),
        ("D.4..5", ["D4", "D5"]),
        ("STATUS[2:0]", ["STATUS0", "STATUS1", "STATUS2"]),
        ("P1.3", ["P1_3"]),
        ("CE_1", ["CE_1"]),  # CE is one wire here, so this is a second one and no bit of a bus
        ("P1-3", ["P1-3"]),  # not a range: a pod's channel
    ],
)
def test_a_heading_names_its_signals(heading: str, signals: list[str]) -> None:
    assert list(target_of(heading, WIDTHS).signals) == signals


def test_a_bus_that_the_machine_needs_has_its_width() -> None:
    assert target_of("d", WIDTHS).signals == tuple(f"D{bit}" for bit in range(8))


@pytest.mark.parametrize(
    ("heading", "unit"),
    [
        ("Time[s]", S),
        ("Time (ns)", NS),
        ("t/us", US),
        ("time_ns", NS),
        ("Time, ms", MS),
        ("TIME NS", NS),
        ("Timestamp (µs)", US),  # micro sign
        ("Timestamp (μs)", US),  # Greek letter
        ("time stamp in us", US),
        ("t [nsec]", NS),
        ("Time (seconds)", S),
        ("Zeit [µs]", US),
        ("rel. time", None),
        ("T", None),
    ],
)
def test_a_time_is_recognised_with_its_unit(heading: str, unit: int | None) -> None:
    assert time_heading(heading) == (True, unit)


@pytest.mark.parametrize("heading", ["TC", "Tick", "Trigger", "TS", "Test", "Timer", "Time of day", "t1"])
def test_other_names_are_no_time(heading: str) -> None:
    assert time_heading(heading) == (False, None)


@pytest.mark.parametrize("heading", ["#", "No.", "Nr", "Sample", "sample number", "Sample #", "Index"])
def test_running_numbers_are_recognised(heading: str) -> None:
    assert sample_heading(heading)


def roles(headings: list[str], **point: object) -> list[tuple[str, str | None]]:
    columns = assign_columns(headings, Point(name="bus", mode="state", **point), WIDTHS, "f.csv")
    return [(column.role, column.target.name if column.target else None) for column in columns]


def test_the_probe_point_outranks_headings() -> None:
    assert roles(
        ["A", "time", "pod 1", "junk", "D"],
        columns={"time": "/RD", "Pod 1": "A7", "A": "time [us]"},
        ignore=["JUNK"],
    ) == [("time", None), ("signal", "RD"), ("signal", "A7"), ("ignored", None), ("signal", "D")]


def test_a_signal_of_the_machine_outranks_the_time() -> None:
    columns = assign_columns(["T"], Point(name="bus", mode="state"), {"T": 1}, "f.csv")
    assert columns[0].role == "signal"


def test_a_mapped_column_may_be_spelt_as_another_active_low_name() -> None:
    assert roles(["RD#"], columns={"/rd": "CE"}) == [("signal", "CE")]


def test_a_mapped_column_that_is_missing_is_told_with_the_nearest() -> None:
    with pytest.raises(CaptureError) as caught:
        roles(["Pod one", "Pod two", "Clock"], columns={"pod onw": "A"})
    assert "'pod onw'" in caught.value.message
    assert "It has: 'Pod one', 'Pod two', 'Clock'." in caught.value.message
    assert "The nearest is 'Pod one'." in caught.value.message
    assert caught.value.file == "f.csv"


def test_two_columns_for_one_wire_are_refused() -> None:
    point = Point(name="bus", mode="state")
    columns = assign_columns(["D[7:0]", "clk", "D_3"], point, WIDTHS, "f.csv")
    with pytest.raises(CaptureError, match=r"carry D3: 'D\[7:0\]' \(column 1\) and 'D_3' \(column 3\)"):
        check_one_each(columns, point, "f.csv", 1)


def test_buses_are_packed_lowest_bit_first_and_never_straddle_planes() -> None:
    """Sixty single wires, then a bus of 16: the bus begins the second plane."""
    targets = [Target(f"W{letter}{more}") for letter in "ABCDEFGHIJ" for more in "ABCDEF"]
    targets += [target_of(f"A{bit}", WIDTHS) for bit in range(15, -1, -1)]
    layout = build_layout(targets, WIDTHS)
    assert layout.buses["A"] == tuple(range(64, 80))
    assert layout.signals["A3"] == 67
    assert layout.plane_count == 2


def test_bits_that_no_probe_carries_have_no_position() -> None:
    layout = build_layout([target_of("A1", WIDTHS), target_of("A17", WIDTHS)], WIDTHS)
    assert layout.buses["A"] == (-1, 0, *[-1] * 15, 1)


@pytest.mark.parametrize(
    ("heading", "unit"), [("Zeit rel. [us]", 10**6), ("Delta (ns)", 1000), ("dt/ms", 10**9), ("ticks", None)]
)
def test_a_mapped_time_has_the_unit_in_its_heading(heading: str, unit: int | None) -> None:
    point = Point(name="bus", mode="state", columns={heading: "time"})
    assert assign_columns([heading, "A0"], point, {"A": 16}, "f.csv")[0].unit_ps == unit
    said = Point(name="bus", mode="state", columns={heading: "time [ps]"})
    assert assign_columns([heading, "A0"], said, {"A": 16}, "f.csv")[0].unit_ps == 1


def test_a_column_is_found_by_the_name_that_a_message_gives_its_bit() -> None:
    point = Point(name="bus", mode="state", columns={"P1.0 ADR0": "A0"})
    assert find_columns(point.columns, ["No.", "P1.0 ADR00"], point, "f.csv") == {"P1.0 ADR0": 1}
