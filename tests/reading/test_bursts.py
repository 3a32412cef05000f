"""The chain of two states against its own definition, summed step by step in plain Python."""

from __future__ import annotations

import numpy as np
import pytest

from wrongbit.reading.bursts import SHARES, STRETCHES, find_bursts, gain_by_group


def plain(ratio: np.ndarray, place: np.ndarray, share: float, stretch: float) -> float:
    """The forward sum over both states, one read after the other, silent ones included."""
    stop = 1 / stretch
    start = min(stop * share / (1 - share), 1.0)
    share = start / (start + stop)
    idle, acting = 1 - share, share
    told = dict(zip(place.tolist(), ratio.tolist(), strict=True))
    total = 0.0
    for at in range(int(place[0]), int(place[-1]) + 1):
        if at > place[0]:
            idle, acting = idle * (1 - start) + acting * stop, idle * start + acting * (1 - stop)
        acting *= float(np.exp(told.get(at, 0.0)))
        scale = idle + acting
        total += float(np.log(scale))
        idle, acting = idle / scale, acting / scale
    return total


def test_the_gain_is_that_of_the_plain_sum() -> None:
    draw = np.random.default_rng(2)
    place = np.unique(draw.integers(0, 900, 300))
    ratio = np.where((place // 100) % 3 == 0, 6.0, -6.0) + draw.normal(0, 1, len(place))
    chains = [plain(ratio, place, share, stretch) for stretch in STRETCHES for share in SHARES]
    anew = [float(np.log1p(share * (np.exp(ratio) - 1)).sum()) for share in SHARES]
    by_hand = np.logaddexp.reduce(chains) - np.log(len(chains))
    by_hand -= np.logaddexp.reduce(anew) - np.log(len(anew))
    found = find_bursts(ratio, place)
    assert found.gain == pytest.approx(by_hand, rel=1e-9)
    assert found.gain > 50
    assert found.stretch == 100


def test_reads_that_fall_anew_show_no_stretches() -> None:
    draw = np.random.default_rng(4)
    ratio = np.where(draw.random(2000) < 0.3, 6.0, -6.0)
    assert find_bursts(ratio, np.arange(2000)).gain < 0


def test_groups_of_their_own_share_are_seen() -> None:
    draw = np.random.default_rng(4)
    group = np.repeat([0, 1], 1000)
    ratio = np.where((draw.random(2000) < 0.3) & (group == 1), 6.0, -6.0)
    assert gain_by_group(ratio, group) > 20
    assert gain_by_group(ratio, np.arange(2000) % 2) < 0


def test_nothing_is_told_by_a_single_read() -> None:
    assert find_bursts(np.array([3.0]), np.array([0])).gain == 0
