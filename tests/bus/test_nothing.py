"""Read pulses that gave no cycle: a Z80 whose MREQ rises a little before RD, as changes drawn by hand."""

from __future__ import annotations

import numpy as np
from tests.bus.test_rebuild import capture, layout
from tests.bus.test_state import BUSES, z80

from wrongbit.bus.nothing import explain_losses
from wrongbit.bus.rebuild import Rebuilder
from wrongbit.capture.capture import Times
from wrongbit.machine.model import Point, Processor

IDLE: dict[str, int | None] = {"A": 0, "D": 0, "M1": 1, "MREQ": 1, "RD": 1, "WR": 1}


def losses(fetches: int, *, early: bool, skew: str | None = None) -> tuple[tuple[str, ...], int]:
    """What is told of so many fetches, and the number of cycles; 100 ns apart, MREQ 10 ns early or not."""
    rows, stamps = [], []
    for number in range(fetches):
        active = {**IDLE, "A": number, "D": 1, "M1": 0, "MREQ": 0, "RD": 0}
        steps = [active, {**active, "MREQ": 1}, IDLE] if early else [active, IDLE]
        moments = [0, 40_000, 50_000] if early else [0, 50_000]
        rows += steps
        stamps += [100_000 * number + moment for moment in moments]
    times = Times(stamps_ps=np.array(stamps, np.int64))
    given = {} if skew is None else {"skew": skew}
    rebuilder = Rebuilder(z80(), Point(name="pins", mode="timing", **given))  # type: ignore[arg-type]
    source = capture(layout(*BUSES, "M1", "MREQ", "RD", "WR"), rows, times, change_list=True)
    parts = [rebuilder.feed(source), rebuilder.finish()]
    return explain_losses(rebuilder, parts[0].join(parts)), sum(map(len, parts))


def test_lost_fetches_are_counted_and_the_remedy_is_a_skew() -> None:
    told, cycles = losses(40, early=True)
    assert cycles == 0
    assert told[0] == "'RD ends' came 40 times, and 40 of them gave no cycle."
    assert "skew" in told[-1]
    assert "'pins'" in told[-1]


def test_with_the_skew_nothing_is_lost_and_nothing_told() -> None:
    assert losses(40, early=True, skew="20 ns") == ((), 40)
    assert losses(40, early=False) == ((), 40)


def test_a_pulse_or_two_at_the_ends_are_not_told() -> None:
    assert losses(5, early=True)[0] == ()


def torn(fetches: int, apart_ps: int, skew: str | None = None) -> tuple[str, ...]:
    """What is told of fetches of a 68000 whose UDS ends so long before its LDS."""
    buses = [*(f"A{bit}" for bit in range(1, 9)), *(f"D{bit}" for bit in range(16))]
    rows: list[dict[str, int | None]] = []
    stamps = []
    for number in range(fetches):
        active: dict[str, int | None] = {
            **{f"A{bit}": number >> bit & 1 for bit in range(1, 9)}, "D": 0x4E71,
            "UDS": 0, "LDS": 0, "RW": 1, "FC0": 0, "FC1": 1, "FC2": 1,
        }  # fmt: skip
        steps = [
            (0, active),
            (40_000, {**active, "UDS": 1}),
            (40_000 + apart_ps, {**active, "UDS": 1, "LDS": 1}),
        ]
        if not apart_ps:
            del steps[1]
        rows += [row for _, row in steps]
        stamps += [100_000 * number + moment for moment, _ in steps]
    wide = Processor(name="U1", word_bits=16, address_bits=24, recipe="68000")
    given = {} if skew is None else {"skew": skew}
    rebuilder = Rebuilder(wide, Point(name="pins", mode="timing", **given))  # type: ignore[arg-type]
    names = layout(*buses, "UDS", "LDS", "RW", "FC0", "FC1", "FC2")
    source = capture(names, rows, Times(stamps_ps=np.array(stamps, np.int64)), change_list=True)
    parts = [rebuilder.feed(source), rebuilder.finish()]
    return explain_losses(rebuilder, parts[0].join(parts))


def test_strobes_that_end_apart_tear_words_and_the_remedy_is_a_skew() -> None:
    """A 68000 fetches whole words: UDS and LDS are both active (M68000 User's Manual, 9th edition, 5.1)."""
    told = torn(40, 5_000)
    assert told[0].startswith("40 of 40 fetches show a part of the word only: when 'UDS|LDS ends' came")
    assert "skew" in told[-1]
    assert torn(40, 5_000, "20 ns") == ()
    assert torn(40, 0) == ()
