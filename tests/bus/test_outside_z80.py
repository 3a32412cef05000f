"""Z80: a reference emulator runs Debian's C-BIOS; every access of its own must come back from the pins.

The emulator is the PyPI package ``z80``, the ROM ``/usr/share/cbios/cbios_main_msx1.rom`` of Debian's
package ``cbios``. The pins follow Zilog's published timing (see `bus.emulated.z80_pins`).
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from bus.emulated.wave import NS, Access, accesses, all_known, cut
from bus.emulated.z80_machine import Step, Z80Board
from bus.emulated.z80_pins import Z80Pins
from wrongbit.bus.cycles import KIND_CODE, Cycles
from wrongbit.bus.rebuild import rebuild_all
from wrongbit.machine.model import Point, Processor

ROM = Path("/usr/share/cbios/cbios_main_msx1.rom")
PROCESSOR = Processor(name="U1", word_bits=8, address_bits=16, recipe="z80")
TIMING = Point(name="bus", mode="timing")
FORMS = ("sampled at 23.7 ns", "change list without delays", "change list with delays")

needs_rom = [
    pytest.mark.debian,
    pytest.mark.skipif(not ROM.exists(), reason=f"{ROM} is missing: apt-get install cbios"),
]


@cache
def boot() -> tuple[Step, ...]:
    """The first instructions after reset, then, past the memory test, a busy part with interrupts."""
    board = Z80Board(ROM.read_bytes(), ports={0x99: 0x80})
    steps: list[Step] = []
    done = kept = 0
    while kept < 50_000:
        step = board.step()
        done += len(step.accesses)
        turn = [step]
        if done % 1500 < 4 and (interrupt := board.interrupt()):
            turn.append(interrupt)
        if done < 8_000 or done > 608_000:
            steps += turn
            kept += sum(len(each.accesses) for each in turn)
    return tuple(steps)


def drive(steps: tuple[Step, ...], seed: int | None = None, *, ideal: bool = False) -> Z80Pins:
    """The pins of these instructions; with a seed also random wait states and idle clocks."""
    pins = Z80Pins(ideal=ideal)
    rng = np.random.default_rng(seed)
    for step in steps:
        refresh = iter(step.refresh)
        for kind, address, word in step.accesses:
            waits = 0 if seed is None else int(rng.choice([0, 0, 1, 2, 7]))
            cycle = getattr(pins, kind)
            if kind in ("fetch", "acknowledge"):
                cycle(address, word, next(refresh), waits)
            else:
                cycle(address, word, waits)
        if seed is not None:
            pins.idle(int(rng.integers(0, 3)))
    return pins


def truth(steps: tuple[Step, ...]) -> list[Access]:
    return [access for step in steps for access in step.accesses]


def refreshes(steps: tuple[Step, ...]) -> list[int]:
    return [address for step in steps for address in step.refresh]


def check(cycles: Cycles, steps: tuple[Step, ...]) -> None:
    got = accesses(cycles, "refresh")
    want = truth(steps)
    wrong = next((n for n, pair in enumerate(zip(got, want, strict=False)) if pair[0] != pair[1]), None)
    assert wrong is None, f"access {wrong}: expected {want[wrong]}, rebuilt {got[wrong]}"
    assert len(got) == len(want)
    refresh = [access.address for access in accesses(cycles) if access.kind == "refresh"]
    assert refresh == refreshes(steps)


def rebuilt(steps: tuple[Step, ...], form: str, seed: int | None = None) -> Cycles:
    """The cycles of a capture of these instructions, as one kind of instrument would record them."""
    wave = drive(steps, seed, ideal=form == FORMS[1]).wave
    if form == FORMS[0]:
        return rebuild_all(wave.sampled(23_700, seed=5, phase_ps=-9_000), PROCESSOR, TIMING)
    # Real pins do not move together: MREQ rises a little before RD. A change list shows that, and the
    # probe point says by how much channels differ.
    point = TIMING if form == FORMS[1] else TIMING.model_copy(update={"skew": 30 * NS})
    return rebuild_all(wave.change_list(), PROCESSOR, point)


@pytest.mark.parametrize("form", FORMS)
class TestCbios:
    pytestmark = needs_rom

    def test_every_access_comes_back(self, form: str) -> None:
        steps = boot()
        assert len(truth(steps)) >= 50_000
        kinds = {access.kind for access in truth(steps)}
        assert kinds == {"fetch", "read", "write", "io_read", "io_write", "acknowledge"}
        cycles = rebuilt(steps, form)
        check(cycles, steps)
        assert all_known(cycles.take(cycles.kind != KIND_CODE["refresh"]), 8, 16)

    def test_wait_states_change_nothing(self, form: str) -> None:
        steps = boot()[::7]
        check(rebuilt(steps, form, seed=11), steps)


def sled() -> tuple[Step, ...]:
    """A refresh for nearly every access: I points into the ROM, prefixes follow each other, then HALT."""
    program = bytes(
        [0x3E, 0x12, 0xED, 0x47, 0xED, 0x4F]  # LD A,12h; LD I,A; LD R,A: refresh looks like code at 12xxh
        + [0x00, 0xDD, 0xDD, 0xFD, 0x00, 0xCB, 0x07, 0xDD, 0xCB, 0x10, 0x46, 0xED, 0x44] * 60
        + [0x76]
    )
    board = Z80Board(program)
    return tuple(board.step() for _ in range(1500))


@pytest.mark.parametrize("lead", ["RFSH on a lead", "RFSH not probed"])
def test_refresh_is_never_a_memory_read(lead: str) -> None:
    steps = sled()
    assert len(refreshes(steps)) > 0.85 * len(truth(steps))
    wave = drive(steps, seed=3).wave
    if lead == "RFSH not probed":
        wave = wave.without("RFSH")
    for capture in (wave.sampled(31_300, seed=2), wave.sampled(19_900, seed=3)):
        cycles = rebuild_all(capture, PROCESSOR, TIMING)
        assert accesses(cycles, "refresh") == truth(steps)
        found = [access.address for access in accesses(cycles) if access.kind == "refresh"]
        assert found == (refreshes(steps) if lead == "RFSH on a lead" else [])


def test_the_result_does_not_depend_on_chunks_glitches_or_wiring() -> None:
    steps = sled()[:40]
    wave = drive(steps, seed=4).wave
    order = np.random.default_rng(1).permutation(130)[: sum(wave.widths.values())]
    bounce = dict.fromkeys(("RD", "WR", "MREQ", "IORQ"), 0.3)
    capture = wave.sampled(17 * NS, seed=8, glitches=bounce, order=order)
    for sizes in ([100_000], [1], [3, 1, 7], [64, 1000]):
        check(rebuild_all(cut(capture, sizes), PROCESSOR, TIMING), steps)
