"""What each probe point sees, worked out by hand on a small board.

U4 → X4 → U9 (buffer) → J1 → U1        data of two chips: U5 → X5 → U9 → J1 → U1
U1 → U7 (buffer) → X4 → U4             addresses
"""

from __future__ import annotations

import pytest

from wrongbit.diagnose.effects import NOTHING, LinesFloat, Shown
from wrongbit.diagnose.structure import Hypothesis, Structure
from wrongbit.machine.load import read_machine

BOARD = """
[machine]
name = "Nettlecombe weaving counter"
[[processor]]
name = "U1"
word_bits = 8
address_bits = 16
recipe = "z80"
[[chip]]
name = "U4"
kind = "rom"
words = 4096
bits = 8
lane = "0..7"
region = [{ base = 0, size = 4096 }]
[[chip]]
name = "U5"
kind = "rom"
words = 4096
bits = 8
lane = "0..7"
region = [{ base = 4096, size = 4096 }]
[[part]]
name = "X4"
kind = "socket"
[[part]]
name = "X5"
kind = "socket"
[[part]]
name = "U9"
kind = "buffer"
[[part]]
name = "U7"
kind = "buffer"
[[part]]
name = "J1"
kind = "connector"
[[path]]
name = "d4"
carries = "data"
chips = ["U4"]
through = ["X4", "U9", "J1"]
[[path]]
name = "d5"
carries = "data"
chips = ["U5"]
through = ["X5", "U9", "J1"]
[[path]]
name = "a4"
carries = "address"
chips = ["U4"]
through = ["U7", "X4"]
[[path]]
name = "a5"
carries = "address"
chips = ["U5"]
through = ["U7", "X5"]
[[path]]
name = "e9"
carries = "enable"
chips = ["U9"]
through = ["J1"]
[[point]]
name = "pins"
mode = "timing"
[[point]]
name = "bus"
mode = "timing"
on = { d4 = "X4", d5 = "X5", a4 = "U7", a5 = "U7" }
[[point]]
name = "legs"
mode = "timing"
on = { d4 = "", a4 = "X4" }
"""
STRUCTURE = Structure(read_machine(BOARD))
BOTH, FOUR = frozenset({"U4", "U5"}), frozenset({"U4"})


def seen(
    part: str, carries: str, what: str, point: str, line: int = 3, other: int = -1, **more: object
) -> object:
    hypothesis = Hypothesis(part, carries, what, line, other, **more)  # type: ignore[arg-type]
    return STRUCTURE.effect(hypothesis, STRUCTURE.machine.point_of(point))


@pytest.mark.parametrize(
    ("part", "what", "point", "chips"),
    [
        ("X4", "open", "pins", FOUR),  # behind the socket, its own chip only
        ("X4", "open", "bus", FOUR),
        ("X4", "open", "legs", None),  # before it
        ("U9", "open", "pins", BOTH),
        ("U9", "open", "bus", None),
        ("J1", "stuck at 0", "pins", BOTH),
        ("J1", "stuck at 0", "bus", None),  # held up to the buffer, not beyond it
        ("U9", "stuck at 1", "bus", None),  # the buffer's output fails
        ("X4", "stuck at 0", "pins", BOTH),  # a short holds the whole net in front of the buffer
        ("X4", "stuck at 0", "bus", BOTH),
        ("X4", "stuck at 0", "legs", FOUR),
        ("X5", "stuck at 0", "legs", FOUR),
    ],
)
def test_data(part: str, what: str, point: str, chips: frozenset[str] | None) -> None:
    effect = seen(part, "data", what, point)
    assert effect == NOTHING if chips is None else effect.chips == chips  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("part", "what", "point", "chips", "shown"),
    [
        ("U7", "stuck at 1", "pins", BOTH, None),  # the processor's pins show the address before the buffer
        ("U7", "stuck at 1", "bus", None, Shown("stuck at 1", 3)),  # words fit the address shown
        ("X4", "open", "pins", FOUR, None),
        ("X4", "open", "bus", FOUR, None),
        ("X4", "open", "legs", None, None),
        ("X4", "stuck at 1", "pins", BOTH, None),
        ("X4", "stuck at 1", "bus", None, Shown("stuck at 1", 3)),  # the short holds the line there as well
    ],
)
def test_addresses(
    part: str, what: str, point: str, chips: frozenset[str] | None, shown: Shown | None
) -> None:
    effect = seen(part, "address", what, point)
    assert effect.shown == shown  # type: ignore[attr-defined]
    assert effect.chips == (chips or frozenset())  # type: ignore[attr-defined]


def test_a_buffer_that_is_never_enabled_floats_behind_it() -> None:
    effect = seen("J1", "enable", "silent", "pins", -1, ends=("U9",))
    assert effect.fault == LinesFloat("bus", 0xFF) and effect.chips == BOTH  # type: ignore[attr-defined]
    assert seen("J1", "enable", "silent", "bus", -1, ends=("U9",)) == NOTHING


def test_a_lead_is_seen_at_its_own_point_only() -> None:
    assert seen("lead of pins", "probe", "open", "pins") != NOTHING
    assert seen("lead of pins", "probe", "open", "bus") == NOTHING


def test_a_resistance_is_that_of_the_net() -> None:
    short = Hypothesis("X4", "data", "stuck at 0", 3)
    assert STRUCTURE.shares_net(short, "X5") and STRUCTURE.shares_net(short, "U9")
    assert not STRUCTURE.shares_net(short, "J1") and not STRUCTURE.shares_net(short, "U7")
    output = Hypothesis("U9", "data", "stuck at 0", 3)
    assert STRUCTURE.shares_net(output, "J1") and not STRUCTURE.shares_net(output, "X4")


def test_rates_are_spread_over_the_lines_and_can_be_overridden() -> None:
    sockets = [each for each in STRUCTURE.hypotheses() if each.part == "X4"]
    assert sum(each.weight for each in sockets) == pytest.approx(
        20 * 0.009, rel=0.05
    )  # 8 data, 12 address, each contact after decades as in `wrongbit.diagnose.rates`
    given = Structure(
        read_machine(
            BOARD.replace('name = "X4"\nkind = "socket"', 'name = "X4"\nkind = "socket"\nprior = 7.0')
        )
    )
    assert sum(each.weight for each in given.hypotheses() if each.part == "X4") == pytest.approx(
        7.0, rel=0.05
    )
