"""The cycle rebuild against a plain reading of its own rules, sample by sample."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wrongbit.bus.cycles import NO_TIME, UNSETTLED, Cycles
from wrongbit.bus.nothing import explain_nothing
from wrongbit.bus.rebuild import Rebuilder, rebuild, rebuild_all
from wrongbit.bus.recipes import bus_widths
from wrongbit.capture.capture import Capture, Layout, Times
from wrongbit.capture.formats import open_samples
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point, Processor
from wrongbit.machine.recipe import KINDS, Recipe


def layout(*names: str) -> Layout:
    signals = {name: position for position, name in enumerate(names)}
    buses: dict[str, dict[int, int]] = {}
    for name, position in signals.items():
        stem = name.rstrip("0123456789")
        if stem != name:
            buses.setdefault(stem, {})[int(name[len(stem) :])] = position
    return Layout(
        signals,
        {bus: tuple(bits.get(k, -1) for k in range(max(bits) + 1)) for bus, bits in buses.items()},
    )


def capture(of: Layout, rows: list[dict[str, int | None]], times: Times, **more: object) -> Capture:
    """A capture from rows that name every signal and bus; None is an unknown level."""
    plane = np.zeros(len(rows), np.uint64)
    unknown = np.zeros(len(rows), np.uint64)
    for number, row in enumerate(rows):
        for name, value in row.items():
            for bit, position in enumerate(of.bits_of(name)):
                if value is None:
                    unknown[number] |= np.uint64(1 << position)
                elif value >> bit & 1:
                    plane[number] |= np.uint64(1 << position)
    return Capture(of, (plane,), (unknown if unknown.any() else None,), times, **more)  # type: ignore[arg-type]


STROBED = Recipe(
    transfer=(
        {"kind": "read", "at": "RD ends", "where": ["CS"]},
        {"kind": "write", "at": "WR ends", "where": ["CS"]},
    ),
    active_low=("RD", "WR"),
)
NAMES = ("A0", "A1", "A2", "A3", "D0", "D1", "D2", "D3", "RD", "WR", "CS")
IDLE = {"A": 0, "D": 0, "RD": 1, "WR": 1, "CS": 0}


def processor(recipe: Recipe = STROBED, **more: object) -> Processor:
    return Processor(name="U1", word_bits=4, address_bits=4, recipe=recipe, **more)  # type: ignore[arg-type]


def point(**more: object) -> Point:
    return Point(name="bus", **({"mode": "timing"} | more))  # type: ignore[arg-type]


def read_cycle(address: int, word: int) -> list[dict[str, int | None]]:
    """Ten samples of one read; the address goes away with the strobe, as on a real bus."""
    active = {"A": address, "D": word, "RD": 0, "WR": 1, "CS": 1}
    return [IDLE, {**active, "D": 0, "RD": 1}, *[active] * 5, {**active, "RD": 1}, IDLE, IDLE]


def listed(cycles: Cycles) -> list[tuple[str, int, int]]:
    return [
        (KINDS[k], int(a), int(w)) for k, a, w in zip(cycles.kind, cycles.address, cycles.word, strict=True)
    ]


def test_reads_and_times_by_hand() -> None:
    of = layout(*NAMES)
    rows = [*read_cycle(5, 9), *read_cycle(6, 3)]
    cycles = rebuild_all(capture(of, rows, Times(1000, 100)), processor(), point())
    assert listed(cycles) == [("read", 5, 9), ("read", 6, 3)]
    # RD rises between samples 6 and 7; one sample of guard leaves sample 5.
    assert cycles.sample.tolist() == [5, 15]
    assert cycles.time_ps.tolist() == [1500, 2500]
    assert cycles.held.tolist() == [0, 9]


def test_a_one_sample_glitch_on_the_strobe_is_no_cycle() -> None:
    of = layout(*NAMES)
    rows = [*read_cycle(5, 9), {**IDLE, "RD": 0, "CS": 1}, IDLE, *read_cycle(6, 3)]
    assert listed(rebuild_all(capture(of, rows, Times(0, 100)), processor(), point())) == [
        ("read", 5, 9),
        ("read", 6, 3),
    ]
    # With no skew allowed, the same pulse counts.
    without = rebuild_all(capture(of, rows, Times(0, 100)), processor(), point(skew=0))
    assert len(without) == 3


def test_a_bouncing_strobe_ends_once() -> None:
    of = layout(*NAMES)
    rows = read_cycle(5, 9)
    bounce = [*rows[:7], {**rows[6], "RD": 1}, {**rows[6], "RD": 0, "D": 15}, *rows[7:]]
    assert listed(rebuild_all(capture(of, bounce, Times(0, 100)), processor(), point())) == [("read", 5, 9)]


def test_no_skew_needs_no_time() -> None:
    """No allowance is none in samples too; any other skew cannot be turned into samples without a period."""
    of = layout(*NAMES)
    brief = [IDLE, {"A": 5, "D": 9, "RD": 0, "WR": 1, "CS": 1}, IDLE]
    assert listed(rebuild_all(capture(of, brief, Times()), processor(), point(skew=0))) == [("read", 5, 9)]
    with pytest.raises(CaptureError, match="the capture has no time"):
        rebuild_all(capture(of, brief, Times()), processor(), point(skew=10_000))


def test_skewed_data_and_qualifier_do_not_spoil_the_cycle() -> None:
    of = layout(*NAMES)
    rows = read_cycle(5, 9)
    rows[6] = {**rows[6], "D": 0, "CS": 0, "A": 12}  # all of these seen one sample before RD
    assert listed(rebuild_all(capture(of, rows, Times(0, 100)), processor(), point())) == [("read", 5, 9)]


def test_unknown_levels_stay_unknown() -> None:
    of = layout(*NAMES)
    rows = [{**row, "D1": None} for row in read_cycle(5, 0b1101)]
    cycles = rebuild_all(capture(of, rows, Times(0, 100)), processor(), point())
    assert cycles.known.tolist() == [0b1101]
    assert cycles.word.tolist() == [0b1101]


def test_an_unclipped_data_bit_is_unknown() -> None:
    of = layout(*(name for name in NAMES if name != "D2"))
    rows = read_cycle(5, 9)
    cycles = rebuild_all(capture(of, rows, Times(0, 100)), processor(), point())
    assert cycles.known.tolist() == [0b1011]


def test_unknown_strobe_is_not_active() -> None:
    of = layout(*NAMES)
    rows = [*read_cycle(5, 9), *[{**IDLE, "CS": 1, "RD": None}] * 5, IDLE]
    assert len(rebuild_all(capture(of, rows, Times(0, 100)), processor(), point())) == 1


def test_data_that_moves_within_set_up_time_is_flagged() -> None:
    recipe = STROBED.model_copy(update={"setup": "0.4 ns"})
    of = layout(*NAMES)
    late = read_cycle(5, 9)
    late[2] = late[3] = {**late[2], "D": 0}
    cycles = rebuild_all(capture(of, [*late, *read_cycle(6, 3)], Times(0, 100)), processor(recipe), point())
    assert cycles.flags.tolist() == [UNSETTLED, 0]


def test_change_list_takes_the_level_in_force_before_the_edge() -> None:
    of = layout(*NAMES)
    stamps = np.array([0, 1000, 1450, 2000, 2300], np.int64)
    active: dict[str, int | None] = {"A": 5, "D": 9, "RD": 0, "WR": 1, "CS": 1}
    rows = [IDLE, {**active, "D": 0}, active, {**IDLE, "D": 1, "A": 3}, IDLE]
    cycles = rebuild_all(capture(of, rows, Times(stamps_ps=stamps), change_list=True), processor(), point())
    assert listed(cycles) == [("read", 5, 9)]
    assert cycles.time_ps.tolist() == [1450]


def test_state_mode_takes_every_sample_as_the_clock_event() -> None:
    recipe = Recipe(
        transfer=(
            {"kind": "read", "at": "PHI2 ends", "where": ["RW"]},
            {"kind": "write", "at": "PHI2 ends", "where": ["!RW"]},
        )
    )
    of = layout(*NAMES[:8], "RW")
    rows: list[dict[str, int | None]] = [
        {"A": 1, "D": 2, "RW": 1},
        {"A": 3, "D": 4, "RW": 0},
        {"A": 5, "D": 6, "RW": 1},
    ]
    cycles = rebuild_all(
        capture(of, rows, Times(), mode="state"), processor(recipe), point(mode="state", clock="PHI2 ends")
    )
    assert listed(cycles) == [("read", 1, 2), ("write", 3, 4), ("read", 5, 6)]
    assert (cycles.time_ps == NO_TIME).all()


def test_latch_bank_enable_and_parts_of_buses() -> None:
    recipe = Recipe(
        latch=({"name": "low", "bus": ["D"], "at": "ALE ends"},),
        transfer=({"kind": "fetch", "at": "RD ends", "address": ["low", "A.2..3"], "data": "D"},),
        active_low=("RD",),
        bank=("A.0..1",),
        enable=({"bits": "0..1", "when": ["!low.0"]}, {"bits": "2..3", "when": ["CS"]}),
        held="address",
    )
    of = layout(*NAMES[:9], "ALE", "CS")
    rows: list[dict[str, int | None]] = [
        {"A": 0b1001, "D": 0b0011, "RD": 1, "ALE": 1, "CS": 1},
        {"A": 0b1001, "D": 0b0011, "RD": 1, "ALE": 0, "CS": 1},
        {"A": 0b1001, "D": 0b1111, "RD": 0, "ALE": 0, "CS": 1},
        {"A": 0b1001, "D": 0b0000, "RD": 1, "ALE": 0, "CS": 1},
    ]
    wide = Processor(name="U1", word_bits=4, address_bits=6, recipe=recipe)
    cycles = rebuild_all(capture(of, rows, Times()), wide, point(skew=None, mode="state"))
    assert cycles.address.tolist() == [0b10_0011]
    assert cycles.bank.tolist() == [0b01]
    assert cycles.known.tolist() == [0b1100]
    assert cycles.held.tolist() == [0b0011]


def test_latch_holds_what_it_saw_before_and_not_at_the_edge() -> None:
    """A pipelined bus: the edge that ends one transfer also latches the next address."""
    recipe = Recipe(
        latch=({"name": "next", "bus": ["A"], "at": "CLK ends"},),
        transfer=({"kind": "read", "at": "CLK ends", "address": ["next"]},),
    )
    of = layout(*NAMES[:8], "CLK")
    rows: list[dict[str, int | None]] = []
    for address, word in ((1, 0), (2, 11), (3, 12)):
        rows += [{"A": address, "D": word, "CLK": 1}, {"A": address, "D": word, "CLK": 0}]
    cycles = rebuild_all(capture(of, rows, Times(), mode="state"), processor(recipe), point(mode="state"))
    assert listed(cycles)[1:] == [("read", 1, 11), ("read", 2, 12)]
    assert cycles.address_known[0] == 0  # nothing had been latched yet


def test_joined_strobes_end_when_the_last_of_them_does() -> None:
    recipe = Recipe(
        transfer=({"kind": "read", "at": "UDS|LDS ends"},),
        active_low=("UDS", "LDS"),
        enable=({"bits": "0..1", "when": ["LDS"]}, {"bits": "2..3", "when": ["UDS"]}),
    )
    of = layout(*NAMES[:8], "UDS", "LDS")
    rest: dict[str, int | None] = {"A": 1, "D": 15, "UDS": 1, "LDS": 1}
    both, upper = {**rest, "UDS": 0, "LDS": 0}, {**rest, "UDS": 0}
    rows = [*[rest] * 3, *[both] * 4, *[rest] * 3, *[upper] * 4, *[rest] * 3]
    cycles = rebuild_all(capture(of, rows, Times()), processor(recipe), point())
    assert cycles.known.tolist() == [0b1111, 0b1100]


def test_polarity_comes_from_spelling_recipe_and_machine_file() -> None:
    of = layout(*NAMES)
    rows = [{**row, "RD": 1 - (row["RD"] or 0)} for row in read_cycle(5, 9)]
    positive = processor(active={"RD": "high"})
    assert listed(rebuild_all(capture(of, rows, Times()), positive, point())) == [("read", 5, 9)]
    inverted = processor(active={"RD": "high", "D": "low", "A": "low"})
    assert listed(rebuild_all(capture(of, rows, Times()), inverted, point())) == [("read", 10, 6)]
    unmarked = STROBED.model_copy(update={"active_low": ()})
    spelt = processor(unmarked, signals={"RD": "/RD", "WR": "WR#"})
    assert listed(rebuild_all(capture(of, read_cycle(5, 9), Times()), spelt, point())) == [("read", 5, 9)]


def test_missing_signal_is_named_with_what_there_is() -> None:
    of = layout(*(name for name in NAMES if name != "CS"))
    with pytest.raises(CaptureError, match=r"needs 'CS'.*carries: .*RD") as caught:
        rebuild_all(capture(of, [{"A": 0}], Times(), source="x.csv"), processor(), point())
    assert caught.value.file == "x.csv"
    assert "columns" in caught.value.remedy
    # A bus is named once, with its bits; a lone signal with a number is no bus.
    of = layout("WR", "PHI2", *(f"A{bit}" for bit in range(12)))
    with pytest.raises(CaptureError, match=r"It carries: A \(A0 to A11\), PHI2, WR\. "):
        rebuild_all(capture(of, [{"A": 0}], Times()), processor(), point())


def test_optional_signal_skips_its_transfer() -> None:
    recipe = Recipe(
        transfer=(
            {"kind": "fetch", "at": "RD ends", "where": ["M1"]},
            {"kind": "read", "at": "RD ends"},
        ),
        active_low=("RD",),
        optional=("M1",),
    )
    of = layout(*NAMES)
    assert listed(rebuild_all(capture(of, read_cycle(5, 9), Times()), processor(recipe), point())) == [
        ("read", 5, 9)
    ]


def test_no_cycle_says_which_term_never_held_and_which_wires_were_still() -> None:
    of = layout(*NAMES)
    rows = [{**row, "CS": 0} for row in [*read_cycle(5, 9), *read_cycle(6, 3)]]
    chunk = capture(of, rows, Times())
    rebuilder = Rebuilder(processor(), point())
    assert not len(rebuilder.feed(chunk)) and not len(rebuilder.finish())
    told = "\n".join(explain_nothing(rebuilder, [chunk]))
    assert "read: 'RD ends' came 2 times, but CS never held" in told
    assert "write: the event 'WR ends' never came" in told
    assert "CS (low)" in told and "WR (high)" in told and "RD (" not in told


def test_a_transfer_left_out_for_a_missing_signal_is_told_as_such() -> None:
    """It was never tried, so that neither its event nor its terms are at fault."""
    recipe = Recipe.model_validate(
        {
            "transfer": [
                {"kind": "fetch", "at": "RD ends", "where": ["M1"]},
                {"kind": "read", "at": "RD   ends", "where": ["CS"]},
            ],
            "active_low": ["RD"],
            "optional": ["M1"],
        }
    )
    of = layout(*NAMES)
    rows = [{**row, "CS": 0} for row in read_cycle(5, 9) * 2]
    chunk = capture(of, rows, Times())
    rebuilder = Rebuilder(processor(recipe), point())
    assert not len(rebuilder.feed(chunk)) and not len(rebuilder.finish())
    told = explain_nothing(rebuilder, [chunk])
    assert "fetch: left out, as the capture does not carry 'M1'." in told
    assert "read: 'RD   ends' came 2 times, but CS never held then." in told


def plain_reading(
    planes: list[int], unknown: list[int], of: Layout, guard: int
) -> list[tuple[str, int, int, int]]:
    """The rules of the module's documentation, one sample after another, without any library."""

    def level(index: int, name: str) -> int | None:
        position = of.signals[name]
        return None if unknown[index] >> position & 1 else planes[index] >> position & 1

    found = []
    for strobe, kind in (("RD", "read"), ("WR", "write")):
        active = [level(i, strobe) == 0 for i in range(len(planes))]
        edges = [i for i in range(1, len(planes)) if active[i] != active[i - 1]]
        clusters: list[list[int]] = []
        for edge in edges:
            if guard and clusters and edge - clusters[-1][-1] <= guard:
                clusters[-1].append(edge)
            else:
                clusters.append([edge])
        for cluster in clusters:
            if len(cluster) % 2 == 0 or active[cluster[0]]:
                continue
            at = max(cluster[0] - 1 - guard, 0)
            if level(at, "CS") == 1:
                address = sum((level(at, f"A{k}") or 0) << k for k in range(4))
                word = sum((level(at, f"D{k}") or 0) << k for k in range(4))
                found.append((cluster[0], kind, address, word))
    return [(kind, address, word, at) for at, kind, address, word in sorted(found)]


@settings(max_examples=150, deadline=None)
@given(
    runs=st.lists(st.tuples(st.integers(0, 2**11 - 1), st.integers(1, 5)), min_size=1, max_size=60),
    doubt=st.lists(st.integers(0, 2**11 - 1), max_size=3),
    guard=st.integers(0, 3),
    chunk=st.integers(1, 40),
)
def test_random_levels_agree_with_a_plain_reading_whatever_the_chunks(
    runs: list[tuple[int, int]], doubt: list[int], guard: int, chunk: int
) -> None:
    of = layout(*NAMES)
    levels = [value for value, length in runs for _ in range(length)]
    unknown = [0] * len(levels)
    for place, mask in enumerate(doubt):
        unknown[(place * 37) % len(levels)] = mask
    levels = [value & ~mask for value, mask in zip(levels, unknown, strict=True)]
    whole = Capture(
        of,
        (np.array(levels, np.uint64),),
        (np.array(unknown, np.uint64) if doubt else None,),
        Times(0, 100),
    )
    parts = list(rebuild(whole.chunks(chunk), processor(), point(skew=guard * 100)))
    cycles, joined = Cycles.gather(iter(parts)), Cycles.join(parts)
    for column in fields(Cycles):
        one, other = getattr(cycles, column.name), getattr(joined, column.name)
        assert one.dtype == other.dtype and one.tolist() == other.tolist()
    found = [
        (KINDS[k], int(a), int(w)) for k, a, w in zip(cycles.kind, cycles.address, cycles.word, strict=True)
    ]
    expected = plain_reading(levels, unknown, of, guard)
    assert sorted(found) == sorted(row[:3] for row in expected)


@settings(max_examples=100, deadline=None)
@given(
    runs=st.lists(st.tuples(st.integers(0, 2**11 - 1), st.integers(1, 900)), min_size=1, max_size=60),
    skew=st.integers(0, 500),
    setup=st.integers(0, 800),
    chunk=st.integers(1, 20),
)
def test_chunks_never_change_a_change_list(
    runs: list[tuple[int, int]], skew: int, setup: int, chunk: int
) -> None:
    stamps = np.cumsum([length for _, length in runs]).astype(np.int64)
    whole = Capture(
        layout(*NAMES),
        (np.array([value for value, _ in runs], np.uint64),),
        (None,),
        Times(stamps_ps=stamps),
        change_list=True,
    )
    recipe = STROBED.model_copy(update={"setup": f"{setup} ps"})
    at_once = rebuild_all([whole], processor(recipe), point(skew=skew))
    pieces = rebuild_all(whole.chunks(chunk), processor(recipe), point(skew=skew))
    for column in ("sample", "time_ps", "kind", "address", "word", "known", "held", "flags"):
        assert getattr(at_once, column).tolist() == getattr(pieces, column).tolist(), column


@pytest.mark.parametrize(("mapped", "refused"), [("A", True), ("A[23:1]", False), ("A[23:0]", False)])
def test_a_number_of_a_bus_that_begins_at_line_1_must_say_what_it_is(
    tmp_path: Path, mapped: str, refused: bool
) -> None:
    """The 68000 has address pins A1 to A23 (M68000 User's Manual, 9th edition, section 3)."""
    shown = 0x400 >> (mapped == "A[23:1]")
    rows = "".join(f"{shown:X},4E71,0,{strobe},{strobe},1\n" for strobe in (1, 1, 1, 0, 0, 0) * 3)
    path = tmp_path / "group.csv"
    path.write_text(f"ADDR,D,AS,UDS,LDS,R/W\n{rows}")
    point = Point(name="cpu", mode="timing", period="10 ns", columns={"ADDR": mapped})
    wide = Processor(name="U1", word_bits=16, address_bits=24, recipe="68000")
    source = open_samples(path, point, bus_widths(wide))
    if refused:
        with pytest.raises(CaptureError, match="does not tell whether that number is the address") as caught:
            rebuild_all(source.chunks(), wide, point)
        assert '"ADDR" = "A[23:1]"' in caught.value.remedy
        assert '"ADDR" = "A[23:0]"' in caught.value.remedy
    else:
        cycles = rebuild_all(source.chunks(), wide, point)
        assert set(cycles.address.tolist()) == {0x400}
