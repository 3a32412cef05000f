"""Generators of what comes in from outside, for tests of several rooms.

CSV captures, VCD, HEX, S-records, listings and machine files have theirs beside their own tests, in
`capture/test_csv_outside.py`, `capture/test_vcd_references.py`, `image/byte_contents.py` and
`machine/machines.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from hypothesis import strategies as st

from wrongbit.capture.capture import Capture, Layout, Times
from wrongbit.machine.recipe import KINDS

words64 = st.integers(0, 2**64 - 1)


@st.composite
def captures(draw: st.DrawFn) -> Capture:
    """Packed captures of up to three planes: with clock, stamps or neither; some levels are not known."""
    count, planes = draw(st.integers(1, 40)), draw(st.integers(1, 3))
    column = st.lists(words64, min_size=count, max_size=count)
    unknown = [np.array(draw(column), np.uint64) if draw(st.booleans()) else None for _ in range(planes)]
    levels = [
        np.array(draw(column), np.uint64) & (~np.uint64(0) if doubt is None else ~doubt) for doubt in unknown
    ]
    start, step = draw(st.integers(-(10**15), 10**15)), draw(st.integers(0, 10**9))
    stamps = np.sort(
        np.array(draw(st.lists(st.integers(-(2**60), 2**60), min_size=count, max_size=count)), np.int64)
    )
    times = draw(st.sampled_from([Times(), Times(start, step), Times(stamps_ps=stamps)]))
    places = draw(st.lists(st.integers(0, 64 * planes - 1), min_size=1, max_size=8, unique=True))
    signals = {f"S{number}": place for number, place in enumerate(places)} | {"LAST": 64 * planes - 1}
    return Capture(
        layout=Layout(signals, {"S": tuple(places), "HALF": (-1, places[0])}),
        planes=tuple(levels),
        unknown=tuple(unknown),
        times=times,
        mode=draw(st.sampled_from(["timing", "state"])),
        first_sample=draw(st.sampled_from([0, 7, 2**40])),
        change_list=draw(st.booleans()),
        source=draw(st.text(max_size=8)),
        notes=tuple(draw(st.lists(st.text(max_size=8), max_size=2))),
    )


@dataclass(frozen=True)
class CycleTable:
    """A table of whole bus cycles as a file, and what stands in it.

    Args:
        text: The file.
        cycles: (address, word, index into ``KINDS``) of each row.
    """

    text: str
    cycles: tuple[tuple[int, int, int], ...]


@st.composite
def cycle_tables(draw: st.DrawFn) -> CycleTable:
    """CSV tables of bus cycles in the ways that instruments write them."""
    cycles = draw(
        st.lists(
            st.tuples(st.integers(0, 0xFFFF), st.integers(0, 0xFF), st.integers(0, len(KINDS) - 1)),
            min_size=1,
            max_size=20,
        )
    )
    separator = draw(st.sampled_from([",", ";", "\t"]))
    end = draw(st.sampled_from(["\n", "\r\n"]))
    mark, capital = draw(st.sampled_from(["", "0x"])), draw(st.booleans())
    quote = draw(st.sampled_from(["", '"']))

    def cell(text: str) -> str:
        return f"{quote}{text}{quote}"

    def digits(value: int, width: int) -> str:
        return mark + (f"{value:0{width}X}" if capital else f"{value:0{width}x}")

    head = separator.join(map(cell, ("Sample", "Address", "Data", "Status")))
    rows = [
        separator.join(map(cell, (str(number), digits(address, 4), digits(word, 2), KINDS[kind])))
        for number, (address, word, kind) in enumerate(cycles)
    ]
    return CycleTable(end.join([head, *rows]) + end, tuple(cycles))


@st.composite
def instruction_tables(draw: st.DrawFn) -> tuple[str, dict[int, str]]:
    """An instruction table of one-byte instructions as TOML, and the text of each operation code it has."""
    codes = draw(st.lists(st.integers(0, 255), min_size=1, max_size=30, unique=True))
    names = {code: f"OP{number}" for number, code in enumerate(codes)}
    rows = []
    for code, name in names.items():
        pattern = draw(st.sampled_from([f"{code:08b}", f"0x{code:02X}"]))
        cycles = draw(st.sampled_from(["", "4", "2/3", "2/3+1"]))
        rows.append(f"{pattern} | {name} | next | | {cycles}")
    keys = [f"address_bits = {draw(st.integers(8, 32))}", "unit_bits = 8", 'name = "made up"']
    big = draw(st.booleans())
    keys.append(f"big_endian = {str(big).lower()}")
    keys = draw(st.permutations(keys))
    return "\n".join([*keys, 'rows = """', *rows, '"""']) + "\n", names


toml_values = st.recursive(
    st.one_of(
        st.booleans(), st.integers(-(2**70), 2**70), st.floats(), st.text(max_size=8), st.dates(), st.times()
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(min_size=1, max_size=5), inner, max_size=3)
    ),
    max_leaves=6,
)
"""Anything that TOML can hold."""


@st.composite
def case_tables(draw: st.DrawFn) -> dict[str, object]:
    """What a ``case.toml`` could hold: the right keys, some with right and some with any values."""
    right = {
        "capture": {"point": "u1-cycles", "file": "u1.csv"},
        "reading": {"chip": "U5", "file": "u5.bin", "format": "binary"},
        "measurement": {
            "kind": "continuity",
            "part": "X4",
            "line": "D5",
            "carries": "data",
            "outcome": "open",
            "note": "",
        },
    }
    found: dict[str, object] = {}
    for name, keys in right.items():
        tables = []
        for _ in range(draw(st.integers(0, 2))):
            table: dict[str, object] = dict(keys)
            for key in draw(st.lists(st.sampled_from([*keys, "other"]), max_size=2)):
                table[key] = draw(
                    st.one_of(toml_values, st.sampled_from(["", "D99", "A0", "..", "U5", "good"]))
                )
            tables.append(table)
        found[name] = tables if draw(st.integers(0, 9)) else draw(toml_values)
    for key in draw(st.lists(st.sampled_from(["machine", "notes", "captures"]), max_size=1)):
        found[key] = draw(toml_values)
    return found
