"""Spellings of signal names. Common practice, no source, except where a data sheet is named."""

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wrongbit.machine.names import SignalName, parse_signal, split_bus_bit

ACTIVE_LOW_SPELLINGS = [
    "/CE", "CE#", "nCE", "~CE", "CE*", "!CE", "-CE", "CE_N", "CE_n", "CE/", "CE_BAR", "CE_bar",
    "n_CE", "N_CE", "n_ce", "~{CE}", "~ce", " /CE ", "C̅E̅", "/CE#", "/nCE",
]  # fmt: skip


@pytest.mark.parametrize("spelling", ACTIVE_LOW_SPELLINGS)
def test_every_active_low_spelling_is_the_same_wire(spelling: str) -> None:
    assert parse_signal(spelling) == SignalName("CE", active_low=True)


@pytest.mark.parametrize(
    ("spelling", "base", "active_low"),
    [
        ("CE", "CE", False),
        ("ce", "CE", False),
        ("NMI", "NMI", False),  # begins with N, which is part of the name
        ("nmi", "NMI", False),  # small letters throughout tell nothing
        ("NMI#", "NMI", True),
        ("nNMI", "NMI", True),
        ("n_reset", "RESET", True),
        ("nReset", "RESET", True),
        ("net", "NET", False),
        ("nibble", "NIBBLE", False),
        ("CEN", "CEN", False),
        ("nCS0", "CS0", True),
        ("CS0#", "CS0", True),
        ("N_1", "N_1", False),  # bit 1 of a bus called N
    ],
)
def test_traps_of_the_letter_n(spelling: str, base: str, active_low: bool) -> None:
    assert parse_signal(spelling) == SignalName(base, active_low)


@pytest.mark.parametrize(
    ("spelling", "base", "active_low"),
    [
        ("R/W", "RW", False),
        ("R/W#", "RW", False),
        ("R//W", "RW", False),
        ("R/~W", "RW", False),
        ("R/nW", "RW", False),
        ("R/~{W}", "RW", False),
        ("RW", "RW", False),
        ("IO/M", "IOM", False),  # 8085, 8088: high for input and output
        ("IO//M", "IOM", False),
        ("M/IO", "MIO", False),  # 8086: high for memory, the opposite of IO/M
        ("DT/R", "DTR", False),  # 8086: high for transmit
        ("R#/W", "RW", True),  # the mark at the first meaning turns the wire round
        ("/R/W", "RW", True),
        ("OE#/VPP", "OEVPP", True),
        ("W/R#", "W/R", False),  # high for write: not the strobe WR, which is low for write
        ("RD/", "RD", True),  # a slash at the end is a mark
        ("CLK/2", "CLK/2", False),  # a divided clock has no second meaning
    ],
)
def test_a_slash_inside_gives_a_wire_two_meanings(spelling: str, base: str, active_low: bool) -> None:
    assert parse_signal(spelling) == SignalName(base, active_low)


@pytest.mark.parametrize("spelling", ["#", "//", "*", "~"])
def test_a_name_of_marks_only_is_its_own_name(spelling: str) -> None:
    assert parse_signal(spelling) == SignalName(spelling, active_low=False)


@pytest.mark.parametrize(
    ("spelling", "expected"),
    [
        ("A3", ("A", 3)),
        ("A[3]", ("A", 3)),
        ("A<3>", ("A", 3)),
        ("A(3)", ("A", 3)),
        ("A_3", ("A", 3)),
        ("A.3", ("A", 3)),
        ("A 3", ("A", 3)),
        ("ad15", ("AD", 15)),
        ("/A3", ("A", 3)),
        ("A3#", ("A", 3)),
        ("/A[3]", ("A", 3)),
        ("D[7]#", ("D", 7)),
        ("d_n[3]", ("D", 3)),
        ("B1_3", ("B1", 3)),  # a bus whose own name ends in a digit
        ("CLK", None),
        ("12", None),
        ("_7", None),
        ("D[7:0]", None),  # a whole bus
        ("R/W", None),
        ("A99999999", None),  # no bus is so wide
        ("", None),
    ],
)
def test_bus_bits(spelling: str, expected: tuple[str, int] | None) -> None:
    assert split_bus_bit(spelling) == expected


def test_mark_of_a_bus_bit_stays_known() -> None:
    assert parse_signal("/D7").active_low
    assert parse_signal("D_N[7]").active_low
    assert not parse_signal("D7").active_low


# Wire names as they stand on drawings: a letter first, then letters and digits.
wires = st.from_regex(r"[A-MO-Z][A-Z0-9]{0,5}", fullmatch=True)


@given(
    wires, st.sampled_from(["/{}", "{}#", "n{}", "~{}", "{}*", "!{}", "-{}", "{}_N", "{}/", "n_{}", "{}_BAR"])
)
def test_marking_a_wire_changes_its_polarity_and_not_its_name(wire: str, mark: str) -> None:
    assert parse_signal(wire) == SignalName(wire, active_low=False)
    assert parse_signal(mark.format(wire)) == SignalName(wire, active_low=True)


@given(st.text(string.printable, max_size=12))
def test_a_base_name_is_settled(text: str) -> None:
    base = parse_signal(text).base
    assert parse_signal(base).base == base


@given(wires.filter(lambda wire: not wire[-1].isdigit()), st.integers(0, 63))
def test_all_spellings_of_a_bus_bit_agree(bus: str, bit: int) -> None:
    spellings = [
        f"{bus}{bit}",
        f"{bus}[{bit}]",
        f"{bus}_{bit}",
        f"{bus}<{bit}>",
        f"/{bus}{bit}",
        f"{bus}{bit}#",
    ]
    assert {split_bus_bit(spelling) for spelling in spellings} == {(bus, bit)}
