"""Faulty parts on the paths: a sound board behaves like the plain one, a part that all share like the bus."""

from random import Random

import numpy as np
import pytest

from wrongbit.demo.bench import PartBench, parse_part_fault
from wrongbit.demo.machines import machine_named, machines
from wrongbit.demo.wiring import WiredBus, draw_part_fault, part_faults
from wrongbit.errors import UsageError
from wrongbit.machine.load import read_machine

CYCLES = 1500


def described(name):
    demo = machine_named(name)
    return demo, read_machine(demo.build().files[f"{name}.toml"].decode())


def bench(name, text=None, cycles=CYCLES):
    demo, machine = described(name)
    return PartBench(demo, machine, parse_part_fault(text, machine, demo) if text else None, 1, cycles)


@pytest.mark.parametrize("name", [machine.name for machine in machines()])
def test_without_a_fault_every_point_sees_what_the_plain_board_does(name):
    demo, machine = described(name)
    plain = demo.simulate(demo.inject("none", 1), CYCLES, 1)
    rng = Random(f"{name} 1")  # as the plain board has it, so that RAM begins with the same words
    bus = WiredBus(demo.board, machine, machine.processor[0].name, None, rng, demo.ports(Random("ports 1")))
    demo.processor(bus).run(CYCLES)
    memory = np.isin(plain.kind, [0, 1, 2])
    for point in machine.point:
        if machine.processor_of(point.processor) is machine.processor[0]:
            seen = bus.point_trace(point.name, demo.clock_hz)
            here = np.isin(seen.kind, [0, 1, 2])
            size = min(memory.sum(), here.sum())
            assert (seen.address[here][:size] == plain.address[memory][:size]).all()
            assert (seen.word[here][:size] == plain.word[memory][:size]).all()


@pytest.mark.parametrize(
    ("part", "bus"),
    [
        ("U9.D3.stuck-high", "stuck-high:bus.D3"),
        ("U9.D6.stuck-low", "stuck-low:bus.D6"),
        ("U9.D1-D2.touch-low", "bridged-data-and:bus.D1-D2"),
        ("U9.D1-D2.touch-high", "bridged-data-or:bus.D1-D2"),
    ],
)
def test_a_data_buffer_that_all_chips_share_is_the_bus(part, bus):
    """Two simulators, one fault: the processor goes the same way."""
    demo, _ = described("fellgate")
    plain = demo.simulate(demo.inject(bus, 1), 300, 1)
    seen = bench("fellgate", part, 300).trace("u1-cycles")
    apart = np.flatnonzero(seen.address[:300] != plain.address[: len(seen)])
    together = int(apart[0]) if len(apart) else len(plain)
    rom = np.flatnonzero(plain.address[:together] >= 0xE000)
    assert len(rom) >= 2  # the reset vector at least
    assert (seen.word[rom] == plain.word[rom]).all()


def test_a_fault_is_seen_behind_its_part_only():
    on = bench("hollowmere", "J0.D5.open")
    sound = bench("hollowmere")
    for point, wrong in (
        ("u1-cycles", True),
        ("u2-cycles", True),
        ("backplane-u1", True),
        ("rom-card", False),
    ):
        faulty = on.trace(point)
        whole = sound.trace(point)
        reads = whole.kind < 2
        good = dict(zip(whole.address[reads].tolist(), whole.word[reads].tolist(), strict=True))
        rom = (faulty.address < 4096) & (faulty.kind < 2)  # fetches and reads
        differ = [
            w != good.get(a, w)
            for a, w in zip(faulty.address[rom].tolist(), faulty.word[rom].tolist(), strict=True)
        ]
        assert any(differ) == wrong, point


def test_true_answers_by_hand():
    on = bench("fellgate", "X4.D4.open")
    assert on.answer("continuity", "X4", 4, "data") == "open"
    assert on.answer("continuity", "X4", 5, "data") == on.answer("continuity", "X5", 4, "data") == "good"
    assert (on.answer("swapped", "X4"), on.answer("swapped", "U4")) == ("cured", "same")
    assert (on.answer("reseated", "X4"), on.answer("short", "X4", 4, "data")) == ("cured", "none")
    held = bench("fellgate", "X4.D4.stuck-low")
    assert (
        held.answer("short", "X5", 4, "data") == "found"
    )  # the sockets share the bus in front of the buffer
    assert held.answer("continuity", "X4", 4, "data") == "good"
    assert held.answer("activity", "U9", 4, "data") == "none"


def test_every_part_can_be_drawn_and_written():
    for demo in machines():
        _, machine = described(demo.name)
        on_paths = {part for path in machine.path for part in path.through}
        assert {fault.part for fault in part_faults(machine, demo.board)} == on_paths
        assert draw_part_fault(machine, demo.board, 3) == draw_part_fault(machine, demo.board, 3)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("J0", "says nothing"),
        ("J0.D5.melted", "says nothing"),
        ("J9.D5.open", "no such part"),
        ("J0.D16.open", "no such part"),
        ("J0.D5.open@2", "not between 0 and 1"),
    ],
)
def test_mistakes(text, said):
    demo, machine = described("hollowmere")
    with pytest.raises(UsageError, match=said):
        parse_part_fault(text, machine, demo)
