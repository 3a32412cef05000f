"""Every built-in recipe against waveforms drawn by hand from the family's timing diagrams.

The drawings, with their sources, are in `bus.emulated.families`. Each is recorded as a change list and by a
sampling instrument, as drawn and behind inverters, whole and with optional signals left out.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import cycle
from typing import NamedTuple

import pytest

from bus.emulated.drawing import draw
from bus.emulated.families import FAMILIES, INTEL_8086, MOTOROLA_6809, MOTOROLA_68000, ZILOG_Z80, Family
from bus.emulated.wave import NS, Wave
from wrongbit.bus.cycles import DOUBTFUL_BYTE, Cycles
from wrongbit.bus.rebuild import rebuild_all
from wrongbit.bus.recipes import builtin_recipe, family_names
from wrongbit.capture.capture import Capture
from wrongbit.machine.model import Point, Processor
from wrongbit.machine.recipe import KINDS

POINT = Point(name="bus", mode="timing")

FORMS: dict[str, Callable[[Wave], Capture]] = {
    "change list": Wave.change_list,
    "a sample every 7.3 ns": lambda wave: wave.sampled(7_300, seed=1),
    "a sample every 41 ns": lambda wave: wave.sampled(41 * NS, seed=2, phase_ps=-13_000),
}

VALUES = cycle([(0x12345678, 0xA5C3), (0xEDCBA986, 0x5A3C), (0x0F1E2D3C, 0xFF00), (0xF0E1D2C4, 0x00FF)])


class Seen(NamedTuple):
    kind: str
    address: int
    word: int
    known: int


class Step(NamedTuple):
    """One drawn cycle with its address and word."""

    name: str
    address: int
    word: int


def processor(family: Family, **more: object) -> Processor:
    return Processor(
        name="U1",
        word_bits=family.word_bits,
        address_bits=family.address_bits,
        recipe=family.recipe,
        **more,  # type: ignore[arg-type]
    )


def every_cycle(family: Family) -> list[Step]:
    """Each drawing twice, in two orders, with numbers of its own."""
    names = [*family.cycles, *reversed(family.cycles)]
    if family is MOTOROLA_6809:  # there the cycle before counts
        names = [
            "read, last", "vector", "vector, dead next", "dead, last", "opcode", "read, dead next", "dead",
            "write, last", "opcode", "read", "read, last", "opcode", "halted", "dead, last", "opcode",
        ]  # fmt: skip
    values = iter(VALUES)
    return [step(family, name, *next(values)) for name in names]


def step(family: Family, name: str, address: int, word: int) -> Step:
    mask, fixed = family.cycles[name].fixed
    address &= (1 << family.address_bits) - 1
    return Step(name, (address & ~mask) | fixed, word & ((1 << family.word_bits) - 1))


def expected(family: Family, steps: list[Step], other: dict[str, str | None] | None = None) -> list[Seen]:
    whole = (1 << family.word_bits) - 1
    seen = []
    for name, address, word in steps:
        drawn = family.cycles[name]
        kind = (other or {}).get(name, drawn.kind)
        known = whole if drawn.known is None else drawn.known
        if kind is not None:
            driven = known if kind != "refresh" else 0
            seen.append(Seen(kind, address, word & driven, driven))
    return seen


def listed(cycles: Cycles) -> list[Seen]:
    rows = zip(cycles.kind, cycles.address, cycles.word, cycles.known, strict=True)
    return [
        Seen(KINDS[k], int(a), 0 if KINDS[k] == "refresh" else int(w), 0 if KINDS[k] == "refresh" else int(n))
        for k, a, w, n in rows
    ]


def waveform(family: Family, steps: list[Step]) -> Wave:
    drawings = [(family.cycles[name].drawing, address, word) for name, address, word in steps]
    return draw(family.wires, drawings)


families = pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.recipe)
forms = pytest.mark.parametrize("form", FORMS)


def test_every_recipe_is_drawn() -> None:
    assert {family.recipe for family in FAMILIES} == set(family_names())


@families
@forms
class TestDrawn:
    def test_as_drawn(self, family: Family, form: str) -> None:
        steps = every_cycle(family)
        cycles = rebuild_all(FORMS[form](waveform(family, steps)), processor(family), POINT)
        assert listed(cycles) == expected(family, steps)
        assert (cycles.address_known == (1 << family.address_bits) - 1).all()

    def test_behind_inverters(self, family: Family, form: str) -> None:
        """Every signal and bus the other way round, and the machine file says so."""
        steps = every_cycle(family)
        wave = waveform(family, steps)
        low = builtin_recipe(family.recipe).active_low
        active = {name: "high" if name in low else "low" for name in wave.widths}
        inverted = FORMS[form](wave.inverted(*wave.widths))
        cycles = rebuild_all(inverted, processor(family, active=active), POINT)
        assert listed(cycles) == expected(family, steps)
        assert listed(rebuild_all(inverted, processor(family), POINT)) != expected(family, steps)

    def test_leads_left_out(self, family: Family, form: str) -> None:
        steps = every_cycle(family)
        wave = waveform(family, steps)
        for names, other in family.missing.items():
            cycles = rebuild_all(FORMS[form](wave.without(*names)), processor(family), POINT)
            assert listed(cycles) == expected(family, steps, other), f"without {names}"


class TestMotorola6809:
    STEPS = (
        Step("read", 0xC100, 0x11),
        Step("vector", 0xFFFE, 0xC0),
        Step("vector, dead next", 0xFFFF, 0x00),
        Step("dead, last", 0xFFFF, 0x00),
        Step("opcode", 0xC000, 0x86),
        Step("read, last", 0xC001, 0x5A),
    )

    def kinds(self, *missing: str) -> list[str]:
        wave = waveform(MOTOROLA_6809, list(self.STEPS)).without(*missing)
        cycles = rebuild_all(wave.change_list(), processor(MOTOROLA_6809), POINT)
        return [seen.kind for seen in listed(cycles)]

    def test_reset_with_all_status(self) -> None:
        assert self.kinds() == ["read", "read", "read", "idle", "fetch", "read"]

    def test_no_lic_no_fetch(self) -> None:
        assert self.kinds("LIC") == ["read", "read", "read", "idle", "read", "read"]

    def test_without_bs_and_avma_the_dead_cycle_is_a_read(self) -> None:
        """It shows FFFF, as the read of the reset vector does: judged as a read of the ROM's last byte."""
        assert self.kinds("BS", "AVMA") == ["read", "read", "read", "read", "fetch", "read"]

    def test_either_status_is_enough(self) -> None:
        assert self.kinds("AVMA") == self.kinds()
        assert self.kinds("BS") == self.kinds()

    @pytest.mark.parametrize("bit", range(16))
    def test_only_ffff_is_a_dead_cycle(self, bit: int) -> None:
        steps = [Step("read", 0xFFFF ^ 1 << bit, 0x3C), Step("write, last", 0xFFFF, 0x5A)]
        capture = waveform(MOTOROLA_6809, steps).without("AVMA").change_list()
        assert listed(rebuild_all(capture, processor(MOTOROLA_6809), POINT)) == expected(MOTOROLA_6809, steps)

    def test_a_plain_6809(self) -> None:
        assert self.kinds("LIC", "AVMA") == ["read", "read", "read", "idle", "read", "read"]
        assert self.kinds("LIC", "AVMA", "BS", "BA") == ["read"] * 6


class TestByteLanes:
    def test_without_bhe_the_upper_byte_counts_and_is_marked(self) -> None:
        """The documented price of leaving the lead out: an unused upper byte is not told from a moved one.

        At an odd address it is: the 8086 moves at least one byte, and the lower one has even addresses
        (data sheet 231455, table of BHE and A0) [M].
        """
        steps = [Step("read low byte", 0x12344, 0xABCD), Step("read high byte", 0x12345, 0xABCD)]
        wave = waveform(INTEL_8086, steps).without("BHE")
        cycles = rebuild_all(wave.change_list(), processor(INTEL_8086), POINT)
        assert listed(cycles) == [
            Seen("read", 0x12344, 0xABCD, 0xFFFF),
            Seen("read", 0x12345, 0xAB00, 0xFF00),
        ]
        assert cycles.flags.tolist() == [DOUBTFUL_BYTE << 1, 0]
        whole = rebuild_all(waveform(INTEL_8086, steps).change_list(), processor(INTEL_8086), POINT)
        assert whole.flags.tolist() == [0, 0]

    def test_data_strobes_that_end_a_sample_apart_are_one_cycle(self) -> None:
        """68000: UDS and LDS never rise together on real pins."""
        drawing = """
            A    |.NNNNNN==========.|
            UDS  |---________-------|
            LDS  |---_________------|
            RW   |------------------|
            FC2  |------------------|
            FC1  |------------------|
            FC0  |__________________|
            BERR |------------------|
            D    |.....WWWW======...|"""
        wave = draw(MOTOROLA_68000.wires, [(drawing, 0x00C000, 0x4E71)] * 3)
        capture = wave.sampled(100 * NS, phase_ps=50 * NS, skew=False)
        cycles = rebuild_all(capture, processor(MOTOROLA_68000), POINT)
        assert listed(cycles) == [Seen("fetch", 0x00C000, 0x4E71, 0xFFFF)] * 3


def test_test_and_set_gives_its_read_and_its_write() -> None:
    """68000 TAS: AS stays active while the data strobe comes twice (User's Manual, section 5.1.3) [M]."""
    drawing = """
        A    |.NNNNNN==================.|
        AS   |---____________________---|
        UDS  |---______------______-----|
        LDS  |--------------------------|
        RW   |------------_________-----|
        FC2  |--------------------------|
        FC1  |__________________________|
        FC0  |--------------------------|
        BERR |--------------------------|
        D    |.....1200=...WWWW=====....|"""
    wave = draw(MOTOROLA_68000.wires, [(drawing, 0x123456, 0x9234)])
    for form in FORMS.values():
        cycles = rebuild_all(form(wave), processor(MOTOROLA_68000), POINT)
        assert listed(cycles) == [
            Seen("read", 0x123456, 0x1200, 0xFF00),
            Seen("write", 0x123456, 0x9200, 0xFF00),
        ]


@pytest.mark.parametrize(
    "family", [each for each in FAMILIES if "RW" in each.wires.widths], ids=lambda family: family.recipe
)
def test_an_unknown_read_write_line_makes_no_read_or_write(family: Family) -> None:
    steps = [step for step in every_cycle(family) if family.cycles[step.name].kind in ("read", "write")]
    cycles = [(family.cycles[name].drawing, address, word) for name, address, word in steps]
    vague = [(re.sub(r"RW( *)\|.*\|", unknown_line, drawing), a, w) for drawing, a, w in cycles]
    capture = draw(family.wires, vague).change_list()
    assert {seen.kind for seen in listed(rebuild_all(capture, processor(family), POINT))} <= {"idle"}


def unknown_line(match: re.Match[str]) -> str:
    return re.sub(r"[_-]", ".", match[0])


def test_an_unknown_level_makes_no_cycle_of_a_wrong_kind() -> None:
    """Z80 with IORQ and MREQ unknown: nobody can say what was read."""
    drawing = """
        A    |.NNNN========.|
        M1   |--------------|
        MREQ |.............-|
        IORQ |.............-|
        RD   |---________---|
        WR   |--------------|
        RFSH |--------------|
        D    |.......WW===..|"""
    wave = draw(ZILOG_Z80.wires, [(drawing, 0x1234, 0x56), (ZILOG_Z80.cycles["read"].drawing, 0x2345, 0x67)])
    cycles = rebuild_all(wave.change_list(), processor(ZILOG_Z80), POINT)
    assert listed(cycles) == [Seen("read", 0x2345, 0x67, 0xFF)]
