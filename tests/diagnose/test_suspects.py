"""Suspects, witnesses, conflicts and pairs on a demo machine whose fault is known."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.boards import Bench, loaded
from wrongbit.demo.bench import parse_part_fault
from wrongbit.diagnose.figure import board_map
from wrongbit.diagnose.hand import _TABLE, OUTCOMES, Measurement
from wrongbit.diagnose.looks import Look
from wrongbit.diagnose.planning import proposals
from wrongbit.diagnose.rates import chip_rate
from wrongbit.diagnose.suspects import Weighing, weigh_suspects

ON = loaded("fellgate")


def bench(text: str) -> Bench:
    return Bench(ON, parse_part_fault(text, ON.structure.machine, ON.demo), 1)


OPEN = bench("X4.D4.open")
PINS = OPEN.look("u1-cycles")
BUS = OPEN.look("memory-bus")


def test_nothing_measured_leaves_the_priors() -> None:
    weighing = weigh_suspects(ON.structure, [])
    suspects = weighing.suspects()
    assert sum(each.share for each in suspects) == pytest.approx(1)
    assert all(each.share == pytest.approx(each.prior) for each in suspects)
    assert not weighing.fault_seen and weighing.conflicts == ()


def test_captures_add_up_and_their_order_does_not_matter_much() -> None:
    one = weigh_suspects(ON.structure, [PINS, BUS])
    two = weigh_suspects(ON.structure, [BUS, PINS])
    assert one.top()[0] == two.top()[0] == "X4"
    assert "U9" not in one.top()  # nearer to the chip the words are wrong as well
    assert one.suspects()[0].share == pytest.approx(two.suspects()[0].share, abs=0.05)
    assert one.fault_seen and one.explained


def test_witnesses_are_the_changes_of_the_log_odds() -> None:
    weighing = weigh_suspects(ON.structure, [PINS, BUS])
    for suspect in weighing.suspects()[:2]:
        odds = np.log(suspect.share / (1 - suspect.share)) - np.log(suspect.prior / (1 - suspect.prior))
        assert sum(each.nats for each in suspect.witnesses) == pytest.approx(odds, abs=1e-3)


def test_conflicts_are_the_parts_that_the_wrong_words_passed() -> None:
    (conflict,) = weigh_suspects(ON.structure, [PINS]).conflicts
    assert conflict == {"U4", "X4", "U9", "U7", "U10", "X5"}  # X5 for the enable of U5
    (nearer,) = weigh_suspects(ON.structure, [BUS]).conflicts
    assert nearer == {"U4", "X4", "U10", "U7", "X5"}  # not U9; U7 for the decoder only
    diagnoses = weigh_suspects(ON.structure, [PINS, BUS]).diagnoses
    assert set(diagnoses) == {frozenset({part}) for part in nearer}


@pytest.mark.parametrize(
    ("measurement", "up"),
    [
        (Measurement("continuity", "X4", 4, "data", "open"), "X4"),
        (Measurement("swapped", "U4", outcome="cured"), "U4"),
        (Measurement("reading", "U4", outcome="bad"), "U4"),
        (Measurement("reseated", "X4", outcome="cured"), "X4"),
        (Measurement("swapped", "U9", outcome="cured"), "U9"),
        (Measurement("reclipped", "u1-cycles", outcome="cured"), "lead of u1-cycles"),
    ],
)
def test_each_measurement_speaks_for_its_part(measurement: Measurement, up: str) -> None:
    before = {each.part: each.share for each in weigh_suspects(ON.structure, [PINS]).suspects()}
    after = {each.part: each.share for each in weigh_suspects(ON.structure, [PINS], [measurement]).suspects()}
    assert after[up] > before[up]


BAD, GOOD = Measurement("reading", "U4", outcome="bad"), Measurement("reading", "U4", outcome="good")


def said_of(part: str, weighing: Weighing, number: int) -> float:
    """Nats that an observation says for a part."""
    suspect = next(each for each in weighing.suspects() if each.part == part)
    return suspect.witnesses[number].nats


def test_a_reading_speaks_though_the_captures_have_decided() -> None:
    """By Bayes: 0.95 in place of 0.03 for the chip that reads bad, the inverse against all others."""
    stuck = Bench(ON, None, 1, chip_fault=ON.demo.inject("stuck-low:U4.D3", 1))
    looks = [stuck.look("u1-cycles"), stuck.look("memory-bus")]
    alone = weigh_suspects(ON.structure, looks)
    assert alone.top() == ("U4",) and alone.suspects()[0].share > 0.999
    weighing = weigh_suspects(ON.structure, looks, [BAD])
    assert said_of("U4", weighing, 2) == pytest.approx(np.log(0.95 / 0.03), abs=0.01)
    for other in ("X4", "U9"):
        assert said_of(other, weighing, 2) == pytest.approx(-np.log(0.95 / 0.03), abs=0.01)
    good = weigh_suspects(ON.structure, looks, [GOOD])
    assert said_of("U4", good, 2) == pytest.approx(-np.log(0.97 / 0.05), abs=0.01)
    assert said_of("X4", good, 2) == pytest.approx(np.log(0.97 / 0.05), abs=0.01)


def test_a_bad_reading_alone_raises_the_chip_by_bayes() -> None:
    """Nothing was captured: the share is that of the prior odds times 0.95 against 0.03."""
    weighing = weigh_suspects(ON.structure, [], [BAD])
    (own,) = (each for each in weighing.suspects() if each.part == "U4")
    odds = own.prior / (1 - own.prior) * 0.95 / 0.03
    assert own.share == pytest.approx(odds / (1 + odds))
    assert weighing.fault_seen


def test_a_good_reading_leaves_what_lies_between_chip_and_processor() -> None:
    """An open contact of the socket looks like an open output of the chip; read alone, the chip is good."""
    before = {each.part: each.share for each in weigh_suspects(ON.structure, [PINS, BUS]).suspects()}
    after = {each.part: each.share for each in weigh_suspects(ON.structure, [PINS, BUS], [GOOD]).suspects()}
    assert after["U4"] < before["U4"] / 10 and after["X4"] > before["X4"]


def test_a_reader_need_not_show_a_fault_of_speed() -> None:
    slow = Bench(ON, None, 1, chip_fault=ON.demo.inject("slow-data:U4", 1))
    weighing = weigh_suspects(ON.structure, [slow.look("u1-cycles")], [GOOD])
    numbers = [
        k for k, each in enumerate(weighing.explanations) if "slow" in each.say() and each.part == "U4"
    ]
    assert len(numbers)
    assert weighing.costs[numbers, 1] == pytest.approx(-np.log(0.40))


def test_a_chip_is_suspected_by_all_its_faults_before_anything_was_measured() -> None:
    """Not by those alone that are listed one by one: the share is that of its rate among all rates."""
    suspects = {each.part: each.prior for each in weigh_suspects(ON.structure, []).suspects()}
    chips = {chip.name: chip_rate(chip) for chip in ON.structure.machine.chip if chip.kind != "io"}
    parts = {name: suspects[name] / suspects["U4"] * chips["U4"] for name in suspects if name not in chips}
    for name, rate in chips.items():
        assert suspects[name] == pytest.approx(rate / (sum(chips.values()) + sum(parts.values())))


def test_reads_without_a_wrong_word_speak_for_a_chip_the_more_of_it_was_read() -> None:
    """It need not be sound for all that: something may show at other speeds or temperatures only."""
    few, many = (Bench(ON, None, 1, cycles).look("u1-cycles") for cycles in (60, 2500))
    costs = few.cost_unseen("U4"), many.cost_unseen("U4")
    assert 0 < costs[0] < costs[1] < -np.log(0.05)
    assert PINS.cost_unseen("U5") == 0 and "U5" not in PINS.chips_judged


def test_chances_of_outcomes_sum_to_one_and_rule_nothing_out() -> None:
    for (kind, _), row in _TABLE.items():
        assert len(row) == len(OUTCOMES[kind]) and sum(row) == pytest.approx(1)
        assert min(row) > 0


def test_expected_doubt_is_what_proposals_promise() -> None:
    weighing = weigh_suspects(ON.structure, [PINS])
    for proposal in proposals(weighing)[:6]:
        assert 0 <= proposal.remaining < weighing.doubt + 1e-9
        assert sum(outcome.share for outcome in proposal.outcomes) == pytest.approx(1)
        assert proposal.gain == pytest.approx(weighing.doubt - proposal.remaining, abs=0.02)


def test_two_faults_are_found_where_no_single_one_explains() -> None:
    looks = []
    for text, chip in (("X4.D4.open", "U4"), ("X5.D1.open", "U5")):
        whole = bench(text).look("u1-cycles")
        memory_map = whole.rows.memory_map
        looks.append(Look.of(whole.point, chip, whole.evidence, memory_map, 1e-4, frozenset({chip})))
    weighing = weigh_suspects(ON.structure, looks)
    assert not weigh_suspects(ON.structure, looks, pairs=False).explained
    assert weighing.explained
    assert {"X4", "X5"} == set(weighing.top()[0].split(" and "))


def test_the_board_map_has_every_part_and_the_shares() -> None:
    weighing = weigh_suspects(ON.structure, [PINS, BUS])
    svg = board_map(weighing)
    assert svg.startswith("<svg") and svg.rstrip().endswith("</svg>")
    for part in (*ON.structure.parts, *ON.structure.chips, "U1"):
        if part != "U8":  # a port on no path
            assert f">{part}<" in svg
    for suspect in weighing.suspects()[:2]:  # an open contact of X4, an open pin of U4
        assert f"▲ {suspect.share:.0%}" in svg
    assert "wrong words seen" in svg


def test_a_short_that_comes_and_goes_is_paid_for_once() -> None:
    """At the bus the line moves though it should be held; the words at the pins have a rate below 1."""
    on = loaded("quarrybank")
    short = parse_part_fault("X2.A10.stuck-high@0.7", on.structure.machine, on.demo)
    seen = Bench(on, short, 2, 3000)
    weighing = weigh_suspects(on.structure, [seen.look(point) for point in ("memory-bus", "u1-timing")])
    assert "X2" in weighing.top()
    best = weighing.costs[int(np.argmax(weighing.shares))]
    assert best[0] == pytest.approx(-np.log(0.2), abs=0.01)


@pytest.mark.parametrize(
    "fault", ["slow-data:U4@0.4", "floating-data:U6", "weak-column:U4.D3.column5.high@0.5"]
)
def test_faults_of_every_shape_are_taken_over_from_capture_to_capture(fault: str) -> None:
    seen = Bench(ON, None, 1, chip_fault=ON.demo.inject(fault, 1))
    weighing = weigh_suspects(ON.structure, [seen.look(point) for point in ("u1-cycles", "memory-bus")])
    assert any(fault.partition(":")[2][:2] in part for part in weighing.top())
