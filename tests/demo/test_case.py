"""Whole case folders: read back through the door that a user's files come in by."""

import numpy as np
import pytest

from wrongbit.bus.rebuild import rebuild_all
from wrongbit.bus.recipes import bus_widths, recipe_names
from wrongbit.bus.rows import cycles_from_rows
from wrongbit.capture.formats import open_samples, read_cycle_rows
from wrongbit.demo.case import SCREEN_ROWS, write_case
from wrongbit.demo.instrument import Instrument
from wrongbit.demo.machines import machine_named, machines
from wrongbit.demo.trace import CODE
from wrongbit.demo.waveform import Unrest
from wrongbit.errors import UsageError
from wrongbit.machine.load import load_machine

NAMES = [machine.name for machine in machines()]
SAMPLED = ("u1-timing", "u1-changes", "u1-state")


def rebuilt(case, capture):
    machine = load_machine(case.machine_file, recipe_names=recipe_names())
    processor, point = machine.processor[0], machine.point_of(capture.point)
    source = open_samples(capture.path, point, bus_widths(processor))
    return rebuild_all(source.chunks(), processor, point)


@pytest.mark.parametrize("point", SAMPLED)
@pytest.mark.parametrize("name", NAMES)
def test_the_cycles_come_back_from_every_capture(tmp_path, name, point):
    """All cycles of the trace, in order, from a capture with skew, wrong levels and drifting lines."""
    for seed in (1, 2):
        instrument = Instrument(skew=0.95, glitches=0.2, unrest=Unrest(1.0, 1.0))
        case = write_case(tmp_path, name, points=[point], cycles=4000, seed=seed, instrument=instrument)
        cycles = rebuilt(case, case.captures[0])
        trace = case.trace
        # The end of the capture may cut the last cycle off.
        assert len(trace) - 1 <= len(cycles) <= len(trace)
        count = len(cycles)
        assert (cycles.kind == trace.kind[:count]).all()
        assert (cycles.bank == trace.bank[:count]).all()
        assert (cycles.address == trace.address[:count]).all()
        moved = trace.kind[:count] != CODE["refresh"]
        assert (cycles.word[moved] == trace.word[:count][moved]).all()


@pytest.mark.parametrize("name", NAMES)
def test_a_case_is_complete_and_repeatable(tmp_path, name):
    points = [export.point for export in machine_named(name).exports]
    one = write_case(tmp_path / "one", name, points=points, cycles=1500, seed=9)
    two = write_case(tmp_path / "two", name, points=points, cycles=1500, seed=9)
    names = sorted(path.name for path in one.folder.iterdir())
    written = {one.machine_file, *one.images, *(capture.path for capture in one.captures)}
    assert names == sorted(path.name for path in written)
    assert [capture.point for capture in one.captures] == points
    for file in names:
        assert (one.folder / file).read_bytes() == (two.folder / file).read_bytes(), file
    assert one.fault.notation == machine_named(name).default_fault


@pytest.mark.parametrize("name", NAMES)
def test_every_probe_point_of_the_machine_file_has_its_export(tmp_path, name):
    case = write_case(tmp_path, name, cycles=10)
    described = load_machine(case.machine_file, recipe_names=recipe_names())
    at_processor = [(point.name, point.mode) for point in described.point if not point.on]
    assert at_processor == [(export.point, export.mode) for export in machine_named(name).exports]


@pytest.mark.parametrize("name", NAMES)
def test_every_fault_that_a_machine_is_shown_with_is_seen(tmp_path, name):
    machine = machine_named(name)
    good = machine.simulate(machine.inject("none", 1), 20_000, 1)
    for notation in (machine.default_fault, *machine.more_faults):
        trace = machine.simulate(machine.inject(notation, 1), 20_000, 1)
        assert (trace.word != good.word).any(), notation


def test_depth_cuts_the_capture_and_not_the_run(tmp_path):
    whole = write_case(tmp_path, "fellgate", cycles=2000)
    lines = whole.captures[0].path.read_text().count("\n")
    cut = write_case(tmp_path, "fellgate", cycles=2000, instrument=Instrument(depth=1000))
    assert cut.captures[0].path.read_text().count("\n") == 1001 < lines
    assert len(cut.trace) == len(whole.trace) == 2000
    cycles = rebuilt(cut, cut.captures[0])
    assert 80 < len(cycles) < 110
    assert (cycles.address == cut.trace.address[: len(cycles)]).all()


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("point", SAMPLED)
def test_a_capture_may_begin_long_after_reset(tmp_path, name, point):
    instrument = Instrument(start_cycle=1000)
    case = write_case(tmp_path, name, points=[point], cycles=1500, instrument=instrument)
    cycles = rebuilt(case, case.captures[0])
    # The end of the cycle before may be in the capture too.
    assert 498 <= len(cycles) <= 501
    assert any(
        np.array_equal(cycles.address, case.trace.address[first : first + len(cycles)])
        for first in (999, 1000)
    )


def test_the_truth_is_not_in_the_folder(tmp_path):
    case = write_case(tmp_path, "saltmarsh", "stuck-low:U12.D6", cycles=500)
    for path in case.folder.iterdir():
        content = path.read_bytes().lower()
        assert b"stuck" not in content and b"is dead" not in content, path


@pytest.mark.parametrize("point", ["u1-cycles", "u1-screen"])
@pytest.mark.parametrize("name", NAMES)
def test_rows_of_whole_cycles_come_back(tmp_path, name, point):
    case = write_case(tmp_path, name, points=[point], cycles=900)
    machine = load_machine(case.machine_file, recipe_names=recipe_names())
    processor = machine.processor[0]
    widths = {"address": processor.address_bits, "word": processor.word_bits}
    rows = read_cycle_rows(case.captures[0].path, machine.point_of(point), widths)
    cycles = cycles_from_rows(rows, processor)
    # Such instruments show no refresh; and nobody types more than a few hundred lines.
    trace = case.trace
    shown = np.flatnonzero(trace.kind != CODE["refresh"])[: len(cycles)]
    assert len(shown) == len(cycles) == (SCREEN_ROWS if point == "u1-screen" else len(shown)) >= 200
    for column in ("kind", "bank", "address", "word"):
        assert (getattr(cycles, column) == getattr(trace, column)[shown]).all(), column


@pytest.mark.parametrize(
    "arguments, message",
    [
        ({"machine_name": "nowhere"}, "No invented machine"),
        ({"fault": "rust"}, "No fault is called 'rust'"),
        ({"points": ["u2"]}, "has no probe point 'u2'"),
        ({"cycles": 0}, "0 bus cycles"),
        ({"cycles": 10, "instrument": Instrument(start_cycle=10)}, "begin with cycle 10"),
    ],
)
def test_nothing_is_written_for_a_wrong_wish(tmp_path, arguments, message):
    folder = tmp_path / "case"
    with pytest.raises(UsageError, match=message):
        write_case(folder, **arguments)
    assert not folder.exists()


def test_a_folder_that_is_a_file_is_refused(tmp_path):
    place = tmp_path / "case"
    place.write_text("here already")
    with pytest.raises(UsageError, match="cannot be written"):
        write_case(place, cycles=10)
    assert place.read_text() == "here already"


def test_the_machine_runs_the_same_whatever_is_captured(tmp_path):
    one = write_case(tmp_path, "quarrybank", points=["u1-state"], cycles=800)
    two = write_case(tmp_path, "quarrybank", points=["u1-changes"], cycles=800)
    assert np.array_equal(one.trace.word, two.trace.word)
