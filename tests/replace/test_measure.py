"""Times measured in a capture made by hand, where every edge is known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from wrongbit.capture.capture import Capture, Layout, Times
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Processor
from wrongbit.replace.buses import TIME_NAMES
from wrongbit.replace.measure import Event, Watch, measure_bus, measure_chunks, watch_of

SIGNALS = {"A0": 0, "A1": 1, "ALE": 2, "RD": 3, "CE": 4}


def capture(changes: list[tuple[int, str]], period_ps: int | None = None, mode: str = "timing") -> Capture:
    """A capture from (time in ns, signals that are high), as a change list or sampled."""
    moments = [time for time, _ in changes]
    levels = [sum(1 << SIGNALS[name] for name in high.split()) for _, high in changes]
    if period_ps is None:
        times = Times(stamps_ps=np.array(moments, np.int64) * 1000)
        plane = np.array(levels, np.uint64)
    else:
        times = Times(period_ps=period_ps)
        count = moments[-1] * 1000 // period_ps + 1
        at = np.searchsorted(np.array(moments) * 1000, np.arange(count) * period_ps, side="right") - 1
        plane = np.array(levels, np.uint64)[at]
    layout = Layout(SIGNALS, {"A": (0, 1)})
    return Capture(layout, (plane,), (None,), times, mode, source="hand.csv")  # type: ignore[arg-type]


# Two cycles: address at 100, latch opens at 90 and closes at 180, address leaves at 230, strobe 300..700
# with the data taken at its end; the second cycle is the same from 1000 on but 20 ns tighter at the start.
CYCLES = [
    (0, "RD CE"),
    (90, "ALE RD CE"),
    (100, "A0 ALE RD CE"),
    (150, "A0 ALE RD"),
    (180, "A0 RD"),
    (230, "A0 A1 RD"),
    (300, "A0 A1"),
    (700, "A0 A1 RD CE"),
    (1090, "A0 A1 ALE RD CE"),
    (1120, "A1 ALE RD CE"),
    (1150, "A1 ALE RD"),
    (1180, "A1 RD"),
    (1220, "RD"),
    (1300, ""),
    (1700, "RD CE"),
    (1800, "A0 RD CE"),
]  # fmt: skip
WATCH = Watch(
    taken=Event("/RD", "rising"),
    address=("A",),
    enable=Event("/CE", "falling"),
    output=Event("/RD", "falling"),
    latch_opens=Event("ALE", "rising"),
    latch_closes=Event("ALE", "falling"),
)


def test_the_shortest_of_each_time() -> None:
    times = measure_bus(capture(CYCLES), WATCH)
    assert times.ps("address_to_data") == (1700 - 1120) * 1000
    assert times.ps("enable_to_data") == (700 - 150) * 1000
    assert times.ps("output_to_data") == 400_000
    assert times.ps("open_to_data") == (700 - 90) * 1000
    assert times.ps("address_before_close") == 60_000
    assert times.ps("hold_after_close") == 40_000
    assert times.ps("open_width") == 90_000
    assert {term.status for term in times.address_to_data or ()} == {"measured"}


def test_an_address_that_stays_does_not_borrow_the_change_of_another_cycle() -> None:
    """The second cycle's address equals what is on the lines: its last change is the first one's data."""
    cycles = [
        (0, "RD"), (100, "A0 ALE RD"), (180, "A0 RD"), (300, ""), (500, "A1"), (700, "A1 RD"),
        (1090, "A1 ALE RD"), (1180, "A1 RD"), (1300, "A1"), (1700, "A1 RD"), (1800, "RD"),
    ]  # fmt: skip
    times = measure_bus(capture(cycles), WATCH)
    assert times.ps("address_to_data") == (700 - 100) * 1000


def test_a_time_below_the_sampling_is_not_given() -> None:
    assert measure_bus(capture(CYCLES, 20_000), WATCH).hold_after_close is None


def test_the_set_up_time_is_taken_off() -> None:
    watch = Watch(WATCH.taken, output=WATCH.output, setup_ps=30_000)
    assert measure_bus(capture(CYCLES), watch).ps("output_to_data") == 370_000


@pytest.mark.parametrize("period_ps", [10_000, 7_000, 3_000])
def test_sampling_never_makes_a_time_longer_than_it_was(period_ps: int) -> None:
    truth = measure_bus(capture(CYCLES), WATCH)
    seen = measure_bus(capture(CYCLES, period_ps), WATCH)
    for name in ("address_to_data", "output_to_data", "address_before_close", "open_width"):
        exact, sampled = truth.ps(name), seen.ps(name)
        assert exact is not None
        assert sampled is not None
        assert exact - 3 * period_ps <= sampled <= exact


def test_pieces_give_the_same_as_the_whole() -> None:
    whole = capture(CYCLES, 1000)
    pieces, once = measure_chunks(whole.chunks(900), WATCH), measure_bus(whole, WATCH)
    assert [pieces.ps(name) for name in TIME_NAMES] == [once.ps(name) for name in TIME_NAMES]
    with pytest.raises(CaptureError, match="the capture is empty"):
        measure_chunks([], WATCH)


@pytest.mark.parametrize(
    ("recipe", "taken", "address", "enable", "output", "closes"),
    [
        ("6502", Event("PHI2", "falling"), ("A",), Event("PHI2", "rising"), None, None),
        ("z80", Event("RD", "rising"), ("A",), None, Event("RD", "falling"), None),
        ("8086", Event("RD", "rising"), ("AD", "A"), None, Event("RD", "falling"), Event("ALE", "falling")),
    ],
)
def test_the_edges_of_built_in_recipes(
    recipe: str, taken: Event, address: tuple[str, ...], enable: Event | None, output: Event | None,
    closes: Event | None,
) -> None:  # fmt: skip
    """R6500 data sheet; Zilog UM0080; Intel 231455: where each processor takes data and latches addresses."""
    watch = watch_of(Processor(name="U1", word_bits=8, address_bits=16, recipe=recipe))
    assert (watch.taken, watch.address, watch.enable) == (taken, address, enable)
    assert (watch.output, watch.latch_closes) == (output, closes)


def test_own_spelling_and_polarity_are_followed() -> None:
    processor = Processor(
        name="U1", word_bits=8, address_bits=16, recipe="z80", signals={"RD": "READ"}, active={"RD": "high"}
    )
    assert watch_of(processor).taken == Event("READ", "falling")


def test_the_drawing_of_an_invented_processor(tmp_path: Path) -> None:
    """S16: LAD from 20 ns to 20 ns before T2, address at 50 ns, GET for two periods; set-up 100 ns."""
    from wrongbit.bus.recipes import bus_widths
    from wrongbit.capture.formats import open_samples
    from wrongbit.demo.case import write_case
    from wrongbit.machine.load import load_machine

    case = write_case(tmp_path, "saltmarsh", "none", points=["u1-timing"], cycles=500)
    machine = load_machine(case.machine_file)
    point, processor = machine.point_of("u1-timing"), machine.processor[0]
    chunks = open_samples(case.captures[0].path, point, bus_widths(processor)).chunks()
    times = measure_chunks(chunks, watch_of(processor))
    clock = 1e6 / 1.8432  # picoseconds
    drawn = {
        "output_to_data": 2 * clock - 100_000,
        "open_to_data": 3.5 * clock - 20_000 - 100_000,
        "address_to_data": 3.5 * clock - 50_000 - 100_000,
        "open_width": clock - 40_000,
    }
    for name, exact in drawn.items():
        seen = times.ps(name)
        assert seen is not None
        samples = 5 if name == "address_to_data" else 3  # of 100 ns; a bus may glitch for one
        assert exact - samples * 100_000 <= seen <= exact


def test_what_does_not_show_times_is_refused() -> None:
    with pytest.raises(CaptureError, match="does not show how long"):
        measure_bus(capture(CYCLES, mode="state"), WATCH)
    with pytest.raises(CaptureError, match=r"no signal '/WR'.*It has: A0, A1, ALE"):
        measure_bus(capture(CYCLES), Watch(Event("/WR", "rising")))
    with pytest.raises(CaptureError, match="ALE never has a rising edge"):
        measure_bus(capture(CYCLES[3:7]), Watch(Event("ALE", "rising")))


# A 68000 reads a byte at 300..700 (LDS alone) and a word from 1300 (both strobes, 20 ns apart at either end),
# and writes a word at 2000: its data strobes begin one state later and so last 150 ns only.
STROBES = {"A1": 0, "UDS": 1, "LDS": 2, "RW": 3}
STROBED = [
    (0, "UDS LDS RW"),
    (200, "A1 UDS LDS RW"),
    (300, "A1 UDS RW"),
    (700, "A1 UDS LDS RW"),
    (1150, "UDS LDS RW"),
    (1300, "LDS RW"),
    (1320, "RW"),
    (1690, "UDS RW"),
    (1710, "UDS LDS RW"),
    (1800, "A1 UDS LDS"),
    (2000, "A1"),
    (2150, "A1 UDS LDS"),
    (2300, "UDS LDS RW"),
]


def test_two_byte_strobes_are_one_and_a_write_is_no_read() -> None:
    """M68000 User's Manual, 9th edition, section 5.1: UDS and LDS begin in S2 of a read, in S4 of a write."""
    processor = Processor(
        name="U1", word_bits=16, address_bits=24, recipe="68000", address_unit="byte", byte_order="big"
    )
    watch = replace(watch_of(processor), skew_ps=0)
    moments = np.array([time for time, _ in STROBED], np.int64) * 1000
    levels = [sum(1 << STROBES[name] for name in high.split()) for _, high in STROBED]
    layout = Layout(STROBES, {"A": (-1, 0)})
    seen = Capture(layout, (np.array(levels, np.uint64),), (None,), Times(stamps_ps=moments), "timing")
    times = measure_bus(seen, watch)
    assert (
        times.ps("output_to_data") == (700 - 300) * 1000
    )  # 410 ns from the first to begin to the last to end
    assert times.ps("address_to_data") == (700 - 200) * 1000
    assert "over 2 cycles" in times.notes[0]
    # With one strobe clipped only, its own reads are timed.
    alone = replace(layout, signals={name: bit for name, bit in STROBES.items() if name != "LDS"})
    assert measure_bus(replace(seen, layout=alone), watch).ps("output_to_data") == (1690 - 1300) * 1000
