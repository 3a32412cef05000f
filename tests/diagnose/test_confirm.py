"""What would confirm a part before it is unsoldered: by its kind, and only once the odds have decided.

Which acts confirm what is common practice at the bench, no source.
"""

from __future__ import annotations

import pytest

from diagnose.boards import Bench, loaded
from wrongbit.demo.bench import parse_part_fault
from wrongbit.diagnose.confirm import confirmations, confirmed_by, decided_part
from wrongbit.diagnose.hand import Measurement
from wrongbit.diagnose.looks import Look
from wrongbit.diagnose.suspects import Weighing, weigh_suspects

LOOM, TIDE, LIFT = loaded("fellgate"), loaded("saltmarsh"), loaded("hollowmere")


def looks(name: str, *points: str, inside: str = "", part: str = "") -> list[Look]:
    on = loaded(name)
    fault = parse_part_fault(part, on.structure.machine, on.demo) if part else None
    bench = Bench(on, fault, 1, chip_fault=on.demo.inject(inside, 1) if inside else None)
    return [bench.look(point) for point in points]


def kinds(weighing: Weighing) -> list[str]:
    return [each.measurement.kind if each.measurement else "look" for each in confirmations(weighing)]


@pytest.fixture(scope="module")
def stuck() -> list[Look]:
    return looks("fellgate", "u1-cycles", "memory-bus", inside="stuck-low:U4.D3")


def test_nothing_while_the_odds_are_open_or_nothing_is_wrong() -> None:
    assert confirmations(weigh_suspects(LOOM.structure, [])) == ()
    sound = weigh_suspects(LOOM.structure, looks("fellgate", "u1-cycles"))
    assert decided_part(sound) == "" and confirmations(sound) == ()
    tied = weigh_suspects(LOOM.structure, looks("fellgate", "u1-cycles", part="X4.D4.open"))
    assert len(tied.top()) > 1 and confirmations(tied) == ()


def test_a_rom_in_a_socket_is_reseated_read_and_swapped(stuck: list[Look]) -> None:
    weighing = weigh_suspects(LOOM.structure, stuck)
    assert decided_part(weighing) == "U4"
    found = confirmations(weighing)
    assert kinds(weighing) == ["reseated", "swapped", "reading"]
    assert [each.minutes for each in found] == sorted(each.minutes for each in found)
    assert all(each.confirms and each.clears for each in found)
    assert {each.part for each in found} == {"U4"}
    assert "U4" in found[2].text and "socket X4" in found[2].clears


def test_what_was_done_is_not_asked_for_again_but_told(stuck: list[Look]) -> None:
    read = Measurement("reading", "U4", outcome="bad")
    weighing = weigh_suspects(LOOM.structure, stuck, [read])
    assert kinds(weighing) == ["reseated", "swapped"]
    assert confirmed_by(weighing) == (read.say(),)
    # What speaks against it confirms nothing.
    against = weigh_suspects(LOOM.structure, stuck, [Measurement("reseated", "X4", outcome="same")])
    assert confirmed_by(against) == () and "reseated" not in kinds(against)


def test_a_soldered_chip_is_unsoldered_last() -> None:
    assert not TIDE.structure.sockets.get("U15")
    weighing = weigh_suspects(TIDE.structure, looks("saltmarsh", "u1-cycles", inside="stuck-low:U15.D3"))
    assert decided_part(weighing) == "U15"
    found = confirmations(weighing)
    assert kinds(weighing)[-1] == "swapped" and "comes last" in found[-1].text
    assert "reading" not in kinds(weighing)  # no reader takes it while it sits on the board
    assert any("ohmmeter and power off" in each.text for each in found)
    assert any("Clip on the pins of U15 itself" in each.text for each in found)


def test_a_contact_is_measured_with_power_off() -> None:
    """An open contact of a socket: the chip reads as it should, and it came right when it was put back."""
    open_ = looks("fellgate", "u1-cycles", "memory-bus", part="X4.D4.open")
    told = [Measurement("reading", "U4", outcome="good"), Measurement("reseated", "X4", outcome="cured")]
    weighing = weigh_suspects(LOOM.structure, open_, told)
    assert decided_part(weighing) == "X4"
    (measured,) = confirmations(weighing)
    assert measured.measurement == Measurement("continuity", "X4", 4, "data")
    assert "power off" in measured.text and "D4" in measured.text
    assert confirmed_by(weighing) == (told[1].say(),)


def test_a_driver_is_looked_at_on_both_sides() -> None:
    stuck = looks("fellgate", "u1-cycles", "u1-state", "memory-bus", part="U9.D4.stuck-low")
    weighing = weigh_suspects(LOOM.structure, stuck)
    assert decided_part(weighing) == "U9"
    found = confirmations(weighing)
    assert any("input and output pin of U9 on D4" in each.text for each in found)
    # It is in a socket here, or it is not swapped without need.
    swapped = [each for each in found if each.measurement and each.measurement.kind == "swapped"]
    assert bool(swapped) == LOOM.structure.parts["U9"].socketed
