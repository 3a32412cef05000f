"""State captures whose clock stands for signals without a column: rows written by hand, one a sample.

What a Z80 shows at the end of RD and of MREQ: Zilog Z80 CPU User Manual UM0080, Timing (M1, MREQ and RD end
together in an opcode fetch; refresh is MREQ and RFSH with RD high).
"""

from __future__ import annotations

import pytest
from tests.bus.test_rebuild import capture, layout, listed

from wrongbit.bus.rebuild import Rebuilder, rebuild_all
from wrongbit.bus.recipes import builtin_recipe
from wrongbit.capture.capture import Times
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point, Processor

BUSES = (*(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8)))


def z80(**more: object) -> Processor:
    return Processor(name="U1", word_bits=8, address_bits=16, **({"recipe": "z80"} | more))  # type: ignore[arg-type]


def at(clock: str, **more: object) -> Point:
    return Point(name="bus", mode="state", clock=clock, **more)  # type: ignore[arg-type]


def read(clock: str, names: tuple[str, ...], rows: list[dict[str, int | None]], **more: object) -> Rebuilder:
    of = layout(*BUSES, *names)
    rebuilder = Rebuilder(z80(), at(clock, **more))
    rebuilder.feed(capture(of, rows, Times(), mode="state"))
    return rebuilder


def test_each_sample_of_a_capture_clocked_by_rd_is_a_read_and_m1_marks_a_fetch() -> None:
    rows: list[dict[str, int | None]] = [
        {"A": 0x0000, "D": 0x3A, "M1": 0},
        {"A": 0x0001, "D": 0x34, "M1": 1},
        {"A": 0x0002, "D": 0x12, "M1": 1},
        {"A": 0x1234, "D": 0x55, "M1": 1},
        {"A": 0x0003, "D": 0x76, "M1": 0},
    ]
    of = layout(*BUSES, "M1")
    cycles = rebuild_all(capture(of, rows, Times(), mode="state"), z80(), at("RD ends"))
    assert listed(cycles) == [
        ("fetch", 0x0000, 0x3A),
        ("read", 0x0001, 0x34),
        ("read", 0x0002, 0x12),
        ("read", 0x1234, 0x55),
        ("fetch", 0x0003, 0x76),
    ]
    assert cycles.sample.tolist() == [0, 1, 2, 3, 4]


def test_without_m1_every_sample_is_a_read() -> None:
    rows: list[dict[str, int | None]] = [{"A": 0, "D": 0x3A}, {"A": 1, "D": 0x34}]
    cycles = rebuild_all(capture(layout(*BUSES), rows, Times(), mode="state"), z80(), at("/RD ends"))
    assert listed(cycles) == [("read", 0, 0x3A), ("read", 1, 0x34)]


def test_an_input_is_told_from_a_read_where_iorq_is_probed() -> None:
    rows: list[dict[str, int | None]] = [
        {"A": 0, "D": 0xDB, "M1": 0, "IORQ": 1},
        {"A": 1, "D": 0x10, "M1": 1, "IORQ": 1},
        {"A": 0x10, "D": 0x77, "M1": 1, "IORQ": 0},
    ]
    of = layout(*BUSES, "M1", "IORQ")
    cycles = rebuild_all(capture(of, rows, Times(), mode="state"), z80(), at("RD ends"))
    assert [kind for kind, _, _ in listed(cycles)] == ["fetch", "read", "io_read"]


def test_what_the_clock_implies_and_does_not_show_is_told() -> None:
    notes = read("RD ends", (), [{"A": 0, "D": 0}]).notes
    assert any("MREQ" in note and "implied" in note for note in notes)
    assert any("does not show" in note and "write" in note for note in notes)


def test_at_mreq_the_strobes_that_are_probed_tell_reads_writes_and_refreshes() -> None:
    rows: list[dict[str, int | None]] = [
        {"A": 0, "D": 0x32, "M1": 0, "RD": 0, "WR": 1, "RFSH": 1},
        {"A": 0x7F, "D": 0, "M1": 1, "RD": 1, "WR": 1, "RFSH": 0},
        {"A": 1, "D": 0x00, "M1": 1, "RD": 0, "WR": 1, "RFSH": 1},
        {"A": 0x8000, "D": 0x99, "M1": 1, "RD": 1, "WR": 0, "RFSH": 1},
    ]
    of = layout(*BUSES, "M1", "RD", "WR", "RFSH")
    cycles = rebuild_all(capture(of, rows, Times(), mode="state"), z80(), at("MREQ ends"))
    assert [kind for kind, _, _ in listed(cycles)] == ["fetch", "refresh", "read", "write"]


def test_at_mreq_a_refresh_is_no_read_even_where_rd_has_no_column() -> None:
    rows: list[dict[str, int | None]] = [
        {"A": 0, "D": 0x00, "M1": 0, "RFSH": 1},
        {"A": 0x7F, "D": 0, "M1": 1, "RFSH": 0},
        {"A": 1, "D": 0x11, "M1": 1, "RFSH": 1},
    ]
    of = layout(*BUSES, "M1", "RFSH")
    cycles = rebuild_all(capture(of, rows, Times(), mode="state"), z80(), at("MREQ ends"))
    assert [kind for kind, _, _ in listed(cycles)] == ["fetch", "refresh", "read"]
    with pytest.raises(CaptureError, match="RD"):  # nothing tells a refresh from a read
        read("MREQ ends", ("M1",), [{"A": 0, "D": 0, "M1": 0}])


def test_a_signal_that_alone_tells_reads_from_writes_is_never_implied() -> None:
    processor = z80(recipe="6502")
    rows: list[dict[str, int | None]] = [{"A": 0, "D": 0}]
    with pytest.raises(CaptureError, match="'RW'") as caught:
        rebuild_all(capture(layout(*BUSES), rows, Times(), mode="state"), processor, at("PHI2 ends"))
    assert "'PHI2 ends'" in caught.value.remedy
    assert "state capture" in caught.value.remedy


def test_the_recipe_itself_is_not_changed_and_a_full_state_capture_is_read_as_before() -> None:
    recipe = builtin_recipe("6502")
    names = ("RW", "SYNC", "RDY")
    rebuilder = Rebuilder(z80(recipe="6502"), at("PHI2 ends"))
    row: dict[str, int | None] = {"A": 0xFFFC, "D": 0, "RW": 1, "SYNC": 0, "RDY": 1}
    rebuilder.feed(capture(layout(*BUSES, *names), [row], Times(), mode="state"))
    assert rebuilder.recipe is recipe
    assert rebuilder.notes == ()


def test_a_tied_line_counts_as_seen_at_its_level() -> None:
    names = tuple(name for name in BUSES if name != "A14")
    rows: list[dict[str, int | None]] = [{"A": 0x2402, "D": 0x3A}]
    of = layout(*names)
    row = {name: rows[0]["A"] >> int(name[1:]) & 1 for name in names if name[0] == "A"}  # type: ignore[operator]
    chunk = capture(of, [{**row, "D": 0x3A}], Times(), mode="state")
    unseen = rebuild_all(chunk, z80(), at("RD ends"))
    assert int(unseen.address_known[0]) == 0xBFFF
    low = rebuild_all(chunk, z80(), at("RD ends", tied={"A14": 0}))
    high = rebuild_all(chunk, z80(), at("RD ends", tied={"A[14]": 1}))
    assert [int(low.address[0]), int(low.address_known[0])] == [0x2402, 0xFFFF]
    assert [int(high.address[0]), int(high.address_known[0])] == [0x6402, 0xFFFF]


def test_a_tied_level_is_that_of_the_wire() -> None:
    """/M1 held low is active: every read is a fetch."""
    chunk = capture(layout(*BUSES), [{"A": 0, "D": 1}], Times(), mode="state")
    assert listed(rebuild_all(chunk, z80(), at("RD ends", tied={"/M1": 0})))[0][0] == "fetch"
    assert listed(rebuild_all(chunk, z80(), at("RD ends", tied={"/M1": 1})))[0][0] == "read"


def test_a_tied_strobe_never_moves() -> None:
    """A simulation without WR: the reads are there, and nothing asks for the column."""
    names = ("M1", "MREQ", "RD")
    idle: dict[str, int | None] = {"A": 0, "D": 0, "M1": 1, "MREQ": 1, "RD": 1}
    active = {**idle, "A": 0x12, "D": 0x34, "MREQ": 0, "RD": 0}
    chunk = capture(layout(*BUSES, *names), [idle, active, active, idle, idle], Times())
    seen = Point(name="bus", mode="timing", tied={"WR": 1})
    with pytest.raises(CaptureError, match="'WR'") as caught:
        rebuild_all(chunk, z80(), Point(name="bus", mode="timing"))
    assert "tied = { WR = 1 }" in caught.value.remedy
    assert "state capture" not in caught.value.remedy
    assert listed(rebuild_all(chunk, z80(), seen)) == [("read", 0x12, 0x34)]


def test_gaps_in_what_is_carried_are_told() -> None:
    names = tuple(name for name in BUSES if name not in ("A14", "D3"))
    chunk = capture(layout(*names), [{"D0": 0}], Times(), mode="state")
    with pytest.raises(CaptureError, match=r"A \(A0 to A13, A15\), D \(D0 to D2, D4 to D7\)"):
        rebuild_all(chunk, z80(), at("CLK ends"))


def test_a_capture_clocked_by_wr_shows_writes() -> None:
    chunk = capture(layout(*BUSES), [{"A": 0x8000, "D": 0x99}], Times(), mode="state")
    assert listed(rebuild_all(chunk, z80(), at("WR ends"))) == [("write", 0x8000, 0x99)]


def test_at_clk_the_strobes_are_looked_at_as_ever() -> None:
    idle: dict[str, int | None] = {"A": 0, "D": 0, "M1": 1, "MREQ": 1, "RD": 1, "WR": 1}
    active = {**idle, "A": 0x12, "D": 0x34, "M1": 0, "MREQ": 0, "RD": 0}
    chunk = capture(layout(*BUSES, "M1", "MREQ", "RD", "WR"), [idle, active, idle], Times(), mode="state")
    assert listed(rebuild_all(chunk, z80(), at("CLK begins"))) == [("fetch", 0x12, 0x34)]
