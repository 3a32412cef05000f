"""Any list of bus cycles, drawn as pins and recorded in any way, comes back exactly.

Random cycles, addresses and words; random sampling period, phase, skew, bounce on the strobes and wiring
order; random cuts into chunks. The drawings are those of `bus.emulated.families`.
"""

from __future__ import annotations

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bus.emulated.clocked_pins import ClockedPins
from bus.emulated.drawing import draw
from bus.emulated.families import FAMILIES, MOTOROLA_6809, Drawn, Family
from bus.emulated.wave import NS, Access, Wave, accesses, cut
from wrongbit.bus.cycles import Cycles
from wrongbit.bus.rebuild import rebuild_all
from wrongbit.bus.recipes import builtin_recipe
from wrongbit.capture.capture import Capture
from wrongbit.machine.model import Point, Processor
from wrongbit.machine.recipe import KINDS, parse_event

POINT = Point(name="bus", mode="timing")
SLOT = 100
LONGEST_PERIOD = 60
"""Nanoseconds. The shortest strobe drawn (ALE) lasts two slots; a row is taken up to three samples early."""

chunk_sizes = st.lists(st.integers(1, 400), max_size=6).map(lambda sizes: [*sizes, 2500])


@st.composite
def recordings(draw_: st.DrawFn, strobes: tuple[str, ...]) -> dict[str, object]:
    """How an instrument records: arguments of `Wave.sampled`, but for the wiring order.

    Bounce takes two samples at either edge, so a strobe that may bounce must be wider than five.
    """
    bounce = draw_(st.sampled_from([0.0, 0.2]))
    longest = LONGEST_PERIOD if not bounce else LONGEST_PERIOD // 2
    return {
        "period_ps": draw_(st.integers(5 * NS, longest * NS)),
        "seed": draw_(st.integers(0, 1 << 30)),
        "phase_ps": draw_(st.integers(-200 * NS, 0)),
        "glitches": dict.fromkeys(strobes, bounce),
    }


@st.composite
def cycle_lists(draw_: st.DrawFn, family: Family) -> list[tuple[Drawn, int, int]]:
    names = draw_(st.lists(st.sampled_from(sorted(family.cycles)), min_size=1, max_size=25))
    steps = []
    for name in names:
        drawn = family.cycles[name]
        mask, fixed = drawn.fixed
        address = draw_(st.integers(0, (1 << family.address_bits) - 1))
        word = draw_(st.integers(0, (1 << family.word_bits) - 1))
        steps.append((drawn, (address & ~mask) | fixed, word))
    return steps


def processor(family: Family) -> Processor:
    return Processor(
        name="U1", word_bits=family.word_bits, address_bits=family.address_bits, recipe=family.recipe
    )


def strobes_of(family: Family) -> tuple[str, ...]:
    """Signals on which the recipe waits for edges.

    Joined strobes are left out: where both bounce a sample apart, the joined edge is three samples wide, more
    than the one sample that a rebuild allows for unless the probe point says so.
    """
    recipe = builtin_recipe(family.recipe)
    names = dict.fromkeys(parse_event(item.at)[0] for item in (*recipe.latch, *recipe.transfer))
    return tuple(name for name in names if "|" not in name)


def shuffled(wave: Wave, seed: int) -> np.ndarray:
    """Positions of the wires, over three planes."""
    return np.random.default_rng(seed).permutation(190)[: sum(wave.widths.values())]


def same(first: Cycles, second: Cycles) -> bool:
    names = (
        "sample",
        "time_ps",
        "kind",
        "bank",
        "address",
        "address_known",
        "word",
        "known",
        "held",
        "flags",
    )
    return all(np.array_equal(getattr(first, name), getattr(second, name)) for name in names)


def check(family: Family, capture: Capture, steps: list[tuple[Drawn, int, int]], sizes: list[int]) -> None:
    whole = (1 << family.word_bits) - 1
    want = []
    for drawn, address, word in steps:
        if drawn.kind is not None:
            known = whole if drawn.known is None else drawn.known
            want.append((drawn.kind, address, word & known, known))
    cycles = rebuild_all([capture], processor(family), POINT)
    got = [
        (KINDS[kind], int(address), int(word), int(known))
        for kind, address, word, known in zip(
            cycles.kind, cycles.address, cycles.word, cycles.known, strict=True
        )
    ]
    # Nobody drives the data bus during a refresh; what is on it does not matter.
    driven = [row if row[0] != "refresh" else (*row[:2], 0, 0) for row in got]
    assert driven == [row if row[0] != "refresh" else (*row[:2], 0, 0) for row in want]
    assert same(cycles, rebuild_all(cut(capture, sizes), processor(family), POINT))


TEMPLATED = [family for family in FAMILIES if family is not MOTOROLA_6809]


@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_sampled(data: st.DataObject) -> None:
    family = data.draw(st.sampled_from(TEMPLATED), label="family")
    steps = data.draw(cycle_lists(family), label="cycles")
    wave = draw(family.wires, [(drawn.drawing, a, w) for drawn, a, w in steps], SLOT)
    how = data.draw(recordings(strobes_of(family)), label="recording")
    capture = wave.sampled(**how, order=shuffled(wave, int(how["seed"])))  # type: ignore[arg-type, call-overload]
    check(family, capture, steps, data.draw(chunk_sizes, label="chunks"))


@settings(max_examples=120, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_change_list(data: st.DataObject) -> None:
    family = data.draw(st.sampled_from(TEMPLATED), label="family")
    steps = data.draw(cycle_lists(family), label="cycles")
    wave = draw(family.wires, [(drawn.drawing, a, w) for drawn, a, w in steps], SLOT)
    capture = wave.change_list(shuffled(wave, data.draw(st.integers(0, 1000))))
    check(family, capture, steps, data.draw(chunk_sizes, label="chunks"))


# -- 6809E: what a cycle is depends on the one before it -----------------------------------------------------

STATUS = {"BA": 0, "BS": 0, "LIC": 0, "AVMA": 1}
busy = st.one_of(
    st.tuples(st.just("read"), st.integers(0, 0xFFFE), st.integers(0, 255)),
    st.tuples(st.just("write"), st.integers(0, 0xFFFF), st.integers(0, 255)),
    st.tuples(st.just("idle"), st.just(0xFFFF), st.integers(0, 255)),
)
opcode = st.tuples(st.just("fetch"), st.integers(0, 0xFFFE), st.integers(0, 255))
instructions = st.lists(st.tuples(opcode, st.lists(busy, min_size=1, max_size=5)), min_size=1, max_size=12)


@settings(max_examples=80)
@given(program=instructions, how=recordings(("E",)), sizes=chunk_sizes)
def test_6809_instructions(
    program: list[tuple[tuple[str, int, int], list[tuple[str, int, int]]]],
    how: dict[str, object],
    sizes: list[int],
) -> None:
    """Opcode fetches from LIC, dead cycles from AVMA, BS and the address FFFF."""
    cycles = [(Access("read", 0xFFFE, 0x12), True), (Access("idle", 0xFFFF, 0), True)]
    for first, others in program:
        body = [Access(*first), *(Access(*each) for each in others)]
        cycles += [(access, access is body[-1]) for access in body]
    pins = ClockedPins("E", STATUS, period=700, access=200)
    following = [access for access, _ in cycles[1:]]
    for (access, last), after in zip(cycles, [*following, None], strict=True):
        status = {
            "BA": 0,
            "BS": int(access.kind == "read" and access.address == 0xFFFE and access is cycles[0][0]),
            "LIC": int(last),
            "AVMA": int(after is None or after.kind != "idle"),
        }
        if access.kind == "write":
            pins.write(access.address, access.word, **status)
        else:
            pins.read(access.address, access.word, **status)
    want = [access for access, _ in cycles]
    capture = pins.wave.sampled(**how)  # type: ignore[arg-type]
    for missing in ((), ("AVMA",), ("BS",)):
        if missing:
            capture = pins.wave.without(*missing).sampled(**how)  # type: ignore[arg-type]
        assert accesses(rebuild_all(cut(capture, sizes), processor(MOTOROLA_6809), POINT)) == want
