"""Plans as a whole, levels, and the check of a capture of the circuit that was planned."""

from __future__ import annotations

import numpy as np
import pytest

from bringup.captures import POSITION, changes_at, pieces
from bringup.machines import machine
from bringup.test_timer555 import seconds, wanted
from wrongbit.bringup.levels import INPUTS, OUTPUTS, margins
from wrongbit.bringup.standin import check_capture, plan, train_changes, wanted_of
from wrongbit.bringup.timer555 import Tolerances, choices
from wrongbit.errors import UsageError
from wrongbit.machine.model import StartInput


def test_an_input_of_the_machine() -> None:
    entry = next(each for each in machine().input if each.name == "/MARK")
    wish = wanted_of(entry)
    assert (wish.level, wish.pulse_seconds, wish.period_seconds) == ("low", 50e-6, 10e-3)
    with pytest.raises(UsageError, match="how long /X is low"):
        wanted_of(StartInput(name="/X"))


def test_levels_against_the_families_data_sheets() -> None:
    """TTL takes 2.0 V and 0.8 V and draws 1.6 mA while low (74 family data sheets): 0.16 V across 100 Ω."""
    assert (INPUTS["ttl"].high, INPUTS["ttl"].low, INPUTS["ttl"].current) == (2.0, 0.8, 1.6)
    assert margins(OUTPUTS["bipolar"], "ttl").low == pytest.approx(0.8 - 0.35 - 0.16)
    assert not margins(OUTPUTS["bipolar"], "cmos5").fits
    assert margins(OUTPUTS["cmos"], "cmos5").fits
    assert all(margins(each, "ttl").fits for each in OUTPUTS.values())


def test_the_driver_fits_the_input() -> None:
    ttl = plan("X", wanted("50 us", "low", "10 ms"))
    assert (ttl.timer_family, ttl.margins[0].output.name) == ("bipolar", "bipolar 555")
    cmos = plan("X", wanted("50 us", "low", "10 ms"), family="cmos5")
    assert (cmos.timer_family, cmos.margins[0].fits) == ("cmos", True)
    assert any("CMOS kind" in note for note in cmos.notes)
    pulse = plan("X", wanted("100 ms", "low"), family="cmos5")
    assert (pulse.timer_family, pulse.margins[0].output.name) == ("bipolar", "74HCT04")
    assert pulse.margins[0].fits


def test_limits_that_the_worst_case_leaves_are_told() -> None:
    loose = plan("X", wanted("50 us ± 25 %", "low", "10 ms ± 25 %"))
    assert loose.choices[0].fits is True
    tight = plan("X", wanted("50 us ± 5 %", "low", "10 ms ± 5 %"))
    assert tight.choices[0].fits is False
    assert any("trimmers" in note for note in tight.notes)
    better = plan("X", wanted("50 us", "low", "10 ms"), tolerances=Tolerances(0.01, 0.05, 0.0))
    assert better.choices[0].error < loose.choices[0].error


def test_what_no_555_gives_a_timer_still_can() -> None:
    found = plan("X", wanted("2 us", "low", "10 ms"))
    assert found.choices == () and found.circuit is None and "5 µs" in found.why_none
    assert found.counts[0].error == 0


def test_a_capture_of_the_planned_circuit_holds_and_a_wrong_one_does_not() -> None:
    wish = wanted("50 us", "low", "10 ms")
    best = choices(wish, Tolerances())[0]
    high, low = seconds(best)

    def edges(scale: float) -> np.ndarray:
        falls = (np.arange(60) + 1) * (high + low) * scale
        return np.rint(np.stack([falls, falls + low * scale], 1).ravel() * 1e12).astype(np.int64)

    good = check_capture("X", wish, pieces(changes_at(edges(1), first_level=1), 9), POSITION, "c")
    assert {each.key: each.verdict for each in good} == {
        "period": "within", "low": "within", "missing pulses": "within", "short pulses": "within",
    }  # fmt: skip
    slow = check_capture("X", wish, pieces(changes_at(edges(1.2), first_level=1), 9), POSITION, "c")
    assert slow[0].verdict == "outside" and slow[0].outside_by > 0


def test_a_single_pulse_is_checked() -> None:
    wish = wanted("100 ms", "low")
    for width, verdict in ((100, "within"), (150, "outside")):
        capture = changes_at(np.array([10, 10 + width]) * 10**9, first_level=1, end=400 * 10**9)
        found = check_capture("X", wish, pieces(capture, 9), POSITION, "c")
        assert [each.verdict for each in found] == [verdict, "within"]


@pytest.mark.parametrize(("level", "period"), [("low", "10 ms"), ("high", "10 ms"), ("low", None)])
def test_the_written_train_is_the_wanted_one(level: str, period: str | None) -> None:
    assert level == "low" or level == "high"
    wish = wanted("50 us", level, period)
    changes = train_changes(wish)
    times = np.array([time for time, _ in changes])
    levels = [each for _, each in changes]
    assert levels[:3] == [int(level == "low"), int(level == "high"), int(level == "low")]
    assert set(np.diff(times)[1:-1:2]) == {50 * 10**6}
    if period is not None:
        assert set(np.diff(times[1:-1:2])) == {10 * 10**9}
