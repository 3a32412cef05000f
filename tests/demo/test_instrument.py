"""The instrument: what it samples, checked against the waveforms time by time."""

import numpy as np
import pytest

from wrongbit.demo.instrument import Instrument, record_state, record_timing
from wrongbit.demo.waveform import BEFORE, Line, Waveforms

PERIOD = 100_000


def lines_at(line, times):
    return line.level[np.searchsorted(line.at_ps, times, "right") - 1]


@pytest.fixture
def waveforms():
    """A bus of 8 wires that changes every 700 ns or so, and a strobe of 150 ns or more."""
    rng = np.random.default_rng(1)
    at = np.concatenate(([BEFORE], np.cumsum(rng.integers(500_000, 900_000, 400))))
    bus = Line(at, rng.integers(0, 256, len(at), np.uint64), 8)
    edges = np.concatenate(([BEFORE], np.cumsum(rng.integers(150_000, 800_000, 401))))
    strobe = Line(edges, np.arange(len(edges), dtype=np.uint64) & np.uint64(1), 1)
    return Waveforms({"D": bus, "CK": strobe}, ("D",), "CK", 1, 0, int(at[-1]))


def take(waveforms, seed=5, **settings):
    instrument = Instrument(**settings)
    return record_timing(waveforms, ["D", "CK"], instrument, PERIOD, np.random.default_rng(seed))


def test_an_ideal_instrument_shows_the_level_of_each_moment(waveforms):
    recording = take(waveforms, skew=0, glitches=0)
    assert len(recording) > 2000
    for name in ("D", "CK"):
        assert (recording.of(name) == lines_at(waveforms.lines[name], recording.at_ps)).all()


def test_a_channel_is_late_by_less_than_a_sample_and_always_by_the_same(waveforms):
    recording = take(waveforms, skew=1.0, glitches=0)
    delays = []
    for position, channel in enumerate(recording.channels):
        wire = recording.samples >> np.uint64(position) & np.uint64(1)
        line = waveforms.lines[channel.line]
        fitting = [
            delay
            for delay in range(0, PERIOD, 500)
            if (
                wire == (lines_at(line, recording.at_ps + delay) >> np.uint64(channel.bit) & np.uint64(1))
            ).all()
        ]
        assert fitting, f"channel {position} has no constant delay"
        delays.append(fitting[0])
    assert max(delays) - min(delays) > PERIOD // 3


def test_wrong_levels_last_one_sample_right_after_a_change_of_a_bus(waveforms):
    recording = take(waveforms, skew=0, glitches=0.5)
    true = lines_at(waveforms.lines["D"], recording.at_ps)
    wrong = np.flatnonzero(recording.of("D") != true)
    changes = len(waveforms.lines["D"].at_ps) - 1
    assert 0.35 * changes < len(wrong) < 0.6 * changes
    assert (np.bitwise_count(recording.of("D")[wrong] ^ true[wrong]) == 1).all()
    for sample in wrong:
        since = recording.at_ps[sample] - waveforms.lines["D"].at_ps
        assert 0 <= since[since >= 0].min() < PERIOD
    assert (recording.of("CK") == lines_at(waveforms.lines["CK"], recording.at_ps)).all(), "strobes are clean"


def test_depth_and_trigger(waveforms):
    recording = take(waveforms, depth=1000, trigger=0.25)
    assert len(recording) == 1000
    times = recording.trigger_ps
    assert (times[0], times[250], times[-1]) == (-250 * PERIOD, 0, 749 * PERIOD)
    assert take(waveforms, depth=10**9).at_ps[-1] <= waveforms.end_ps


def test_phase_and_delays_come_from_the_seed(waveforms):
    assert (take(waveforms, 5).samples == take(waveforms, 5).samples).all()
    assert take(waveforms, 5).at_ps[0] != take(waveforms, 6).at_ps[0]


def test_state_mode_takes_one_sample_an_edge(waveforms):
    recording = record_state(waveforms, ["D"], Instrument())
    clock = waveforms.lines["CK"]
    rising = clock.at_ps[1:][clock.level[1:] == 1]
    rising = rising[rising <= waveforms.end_ps]
    assert (recording.at_ps == rising).all()
    assert (recording.of("D") == lines_at(waveforms.lines["D"], rising - 5000)).all()
    assert len(record_state(waveforms, ["D"], Instrument(depth=7))) == 7
    with pytest.raises(ValueError, match="no times"):
        _ = recording.trigger_ps


@pytest.mark.parametrize("settings", [{"skew": 1.5}, {"depth": 0}, {"period_ps": 0}, {"trigger": -0.1}])
def test_impossible_settings_are_refused(settings):
    with pytest.raises(ValueError):
        Instrument(**settings)
