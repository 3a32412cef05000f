"""The rungs, their order and their verdicts; values from captures with known edges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.captures import LAYOUT, POSITION, changes_at, pieces, sampled, train
from bringup.machines import machine
from wrongbit.bringup.advice import advice, cautions, next_step
from wrongbit.bringup.ladder import Key, Measured, Rung, judge, judge_rung, rungs_of
from wrongbit.bringup.pulses import measure
from wrongbit.bringup.seen import Values, measure_start_up, values_of
from wrongbit.capture.capture import Capture
from wrongbit.machine.limits import Limits
from wrongbit.machine.model import Clock, StartInput

MS, US, NS = 10**9, 10**6, 10**3


def rung(low: float | None = None, high: float | None = None, key: Key = "voltage") -> Rung:
    return Rung("rail", "VCC", key, Limits("voltage", low, high))


def test_rungs_stand_in_the_order_in_which_a_repairer_looks() -> None:
    titles = [each.title for each in rungs_of(machine())]
    assert titles == [
        "VCC voltage", "VCC ripple", "VEE voltage",
        "PHI0 frequency", "PHI0 duty", "PHI0 jitter",
        "/RESET low", "/RESET ended", "/RESET low level", "/RESET high level",
        "/MARK period", "/MARK low", "/MARK low level", "/MARK high level",
    ]  # fmt: skip


def test_levels_by_family() -> None:
    """TTL: 0.8 V and 2.0 V in the family's data sheets. CMOS at 5 V: from memory, not checked."""
    levels = {each.title: each.limits for each in rungs_of(machine()) if each.assumed}
    assert (levels["/MARK low level"].high, levels["/MARK high level"].low) == (0.8, 2.0)
    assert (levels["/RESET low level"].high, levels["/RESET high level"].low) == (1.5, 3.5)


@pytest.mark.parametrize(
    ("value", "verdict", "off"),
    [
        (5.0, "within", ""),
        (4.75, "within", ""),
        (5.25, "within", ""),
        (4.6, "outside", "0.15 V too low"),
        (5.3, "outside", "50 mV too high"),
    ],
)
def test_a_rail(value: float, verdict: str, off: str) -> None:
    judged = judge_rung(rung(4.75, 5.25), Measured(value, value))
    assert (judged.verdict, judged.off) == (verdict, off)


@given(*(st.integers(low, high) for low, high in ((-10, 10), (0, 5), (0, 3), (-5, 0), (0, 5))))
def test_a_verdict_holds_for_every_value_that_the_allowance_hides(
    least: int, width: int, slack: int, low: int, high: int
) -> None:
    verdict = judge_rung(rung(low, high), Measured(least, least + width, allowance=slack)).verdict
    ends = [(least + a * slack, least + width + b * slack) for a in (-1, 1) for b in (-1, 1)]
    inside = [low <= first and last <= high for first, last in ends]
    if verdict == "within":
        assert all(inside)
    elif verdict == "outside":
        assert not any(inside)


def test_a_pulse_that_may_go_on_can_be_long_enough_or_too_long_but_not_too_short() -> None:
    assert judge_rung(rung(100, None), Measured(120, None)).verdict == "within"
    assert judge_rung(rung(100, None), Measured(80, None)).verdict == "not measured"
    assert judge_rung(rung(None, 100), Measured(120, None)).verdict == "outside"
    assert judge_rung(rung(None, 100), Measured(80, None)).verdict == "not measured"


def values(capture: Capture, entry: Clock | StartInput, size: int = 100) -> Values:
    edge = "falling" if isinstance(entry, StartInput) and entry.active == "low" else "rising"
    found = measure(pieces(capture, size), POSITION, leading=edge)
    return {(entry.name, key): value for key, value in values_of(entry, found, "capture")}


def judged(capture: Capture, name: str) -> dict[str, Rung]:
    described = machine()
    entry = next(each for each in (*described.clock, *described.input) if each.name == name)
    return {each.key: each for each in judge(described, values(capture, entry)).rungs if each.name == name}


def test_a_good_train_holds_and_a_slow_one_does_not() -> None:
    good = judged(changes_at(train(50, 10.2 * MS, 48 * US), first_level=1), "/MARK")
    assert {key: each.verdict for key, each in good.items()} == {
        "period": "within", "low": "within", "missing pulses": "within", "short pulses": "within",
        "low level": "not measured", "high level": "not measured",
    }  # fmt: skip
    slow = judged(changes_at(train(50, 11.5 * MS, 30 * US), first_level=1), "/MARK")
    assert (slow["period"].off, slow["low"].off) == ("500 µs too long", "10 µs too short")


def test_missing_pulses_are_counted_and_placed() -> None:
    edges = train(50, 10 * MS, 50 * US).reshape(-1, 2)
    edges = np.delete(edges, [20, 21, 40], axis=0).ravel()
    found = judged(changes_at(edges, first_level=1), "/MARK")
    assert found["missing pulses"].verdict == "outside"
    assert found["missing pulses"].measured == "3, the first 200 ms after the beginning"
    assert found["period"].verdict == "within"


def test_a_train_that_stops() -> None:
    edges = train(50, 10 * MS, 50 * US)
    found = judged(changes_at(edges, first_level=1, end=int(edges[-1]) + 100 * MS), "/MARK")
    assert found["missing pulses"].verdict == "outside"
    assert "silent for the last 100" in found["missing pulses"].measured


@pytest.mark.parametrize("level", [0, 1])
def test_a_signal_that_never_moves(level: int) -> None:
    capture = sampled(np.full(100, bool(level)), 1000)
    for name, key in (("/MARK", "period"), ("PHI0", "frequency")):
        found = judged(capture, name)[key]
        assert (found.verdict, found.off) == ("outside", "")
        assert found.measured == f"never moves, stays {('low', 'high')[level]}"


def test_a_clock_with_known_jitter() -> None:
    rng = np.random.default_rng(5)
    rises = np.arange(1, 2001) * 1000 * NS + np.rint(rng.normal(0, 3 * NS, 2000))
    edges = np.sort(np.concatenate([rises, rises + 500 * NS])).astype(np.int64)
    found = judged(changes_at(edges), "PHI0")
    assert found["frequency"].verdict == found["duty"].verdict == "within"
    periods = np.diff(rises)
    peak = (periods.max() - periods.min()) / NS
    assert found["jitter"].outside_by == pytest.approx((peak - 20) * NS)
    assert found["jitter"].measured.startswith(
        f"{peak:.4g} ns peak to peak, {periods.std() / NS:.4g} ns r.m.s."
    )


def test_sampling_too_coarse_for_a_limit_is_not_a_verdict() -> None:
    wave = np.tile(np.repeat([True, False], 5), 200)
    found = judged(sampled(wave, 100 * NS), "PHI0")
    assert found["frequency"].verdict == "within"
    assert found["jitter"].verdict == "not measured"
    assert "sample faster" in found["jitter"].note
    assert found["duty"].verdict == "within"  # 50 % ± 10 %, just so


@pytest.mark.parametrize(
    ("edges", "first", "low", "ended"),
    [
        ([120 * MS], 0, "within", "within"),  # the capture begins within the pulse: at least 120 ms
        ([80 * MS], 0, "not measured", "within"),
        ([10 * MS, 90 * MS], 1, "outside", "within"),
        ([], 0, "within", "outside"),  # still active at the end, after 200 ms
        ([], 1, "not measured", "within"),
    ],
)
def test_reset(edges: list[int], first: int, low: str, ended: str) -> None:
    found = judged(changes_at(np.array(edges, np.int64), first_level=first, end=200 * MS), "/RESET")
    assert (found["low"].verdict, found["ended"].verdict) == (low, ended)


def test_a_capture_gives_what_it_has() -> None:
    capture = changes_at(train(20, 10 * MS, 50 * US), first_level=1)
    found = measure_start_up(machine(), LAYOUT, pieces(capture, 7), "c.csv")
    assert {name for name, _ in found} == {"/MARK"}


def test_the_first_failure_is_named_and_rails_come_before_blame() -> None:
    described = machine()
    slow: Values = {("PHI0", "frequency"): Measured(0.9e6, 0.9e6)}
    ladder = judge(described, slow)
    assert ladder.first_outside is not None and ladder.first_outside.title == "PHI0 frequency"
    assert next_step(ladder, described).startswith("Before PHI0 is blamed, measure VCC voltage at U1 pin 8")
    low: Values = {("VCC", "voltage"): Measured(4.0, 4.0), **slow}
    assert next_step(judge(described, low), described).startswith("Switch off.")
    assert next_step(judge(described, {}), described).startswith("Measure VCC voltage at U1 pin 8 next")


def test_every_rung_has_advice_and_the_missing_input_names_the_stand_in() -> None:
    described = machine()
    for each in rungs_of(described):
        for by in (-1.0, 1.0):
            failed = judge_rung(each, Measured(0, 0, stuck=True))
            assert advice(failed, described)
            assert advice(Rung(each.group, each.name, each.key, each.limits, outside_by=by), described)
    failed = next(each for each in rungs_of(described) if each.title == "/MARK period")
    assert "wrongbit standin MACHINE --input /MARK" in advice(failed, described)
    assert "(mains monitor)" in advice(failed, described)


def test_cautions_name_what_can_hurt() -> None:
    text = " ".join(cautions(machine()))
    assert all(word in text for word in ("pull the plug", "capacitors", "picture tube", "local codes"))
