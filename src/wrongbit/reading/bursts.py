"""When does a loose fault act: anew in every read, in stretches as a bad contact does, or in some passes?

A loose fault acts in a share of the reads. Accounts of the order in which it acts compete with "anew in every
read": in stretches (a chain of two states, acting and not, that changes seldom), or in each group of passes
with a share of its own. The gain is the log of how much likelier an account makes what was read, all
averaged over the same shares.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SHARES = (0.02, 0.1, 0.3, 0.6, 0.9, 0.99)
"""Shares of reads in which the fault acts, all believed alike."""

STRETCHES = (10.0, 100.0, 1000.0, 10000.0)
"""Mean numbers of reads for which an acting fault goes on, all believed alike."""


@dataclass(frozen=True)
class Bursts:
    """Outcome of `find_bursts`.

    Args:
        gain: Log of the odds of stretches against every read anew.
        stretch: The likeliest mean length of a stretch, in reads.
    """

    gain: float
    stretch: float


def find_bursts(log_ratio: NDArray[np.float64], place: NDArray[np.int64]) -> Bursts:
    """Compare the two accounts.

    Args:
        log_ratio: ``float64 (k,)`` for each read that tells, in reading order: the log of how much likelier
            what was read is if the fault acted than if it did not.
        place: ``int64 (k,)`` which read of all it was, rising.
    """
    if len(log_ratio) < 2:
        return Bursts(0.0, 1.0)
    acting = np.exp(np.clip(log_ratio, -50, 50))
    gaps = np.diff(place, prepend=place[0])
    chains = np.array([[_chain(acting, gaps, share, stretch) for share in SHARES] for stretch in STRETCHES])
    gain = np.logaddexp.reduce(chains.ravel()) - np.log(chains.size)
    gain -= _anew(acting, SHARES)
    return Bursts(float(gain), STRETCHES[int(np.argmax(chains.max(axis=1)))])


def gain_by_group(log_ratio: NDArray[np.float64], group: NDArray[np.int64]) -> float:
    """Log of the odds of a share for each group against one share for all.

    Args:
        log_ratio: As in `find_bursts`.
        group: ``int64 (k,)`` the group of each read. In a group the fault may also never act.
    """
    acting = np.exp(np.clip(log_ratio, -50, 50))
    apart = sum(_anew(acting[group == each], (0.0, *SHARES)) for each in np.unique(group))
    return apart - _anew(acting, SHARES)


def _anew(acting: NDArray[np.float64], shares: Sequence[float]) -> float:
    """Log likelihood if each read is a new throw, averaged over the shares."""
    totals = [float(np.log1p(share * (acting - 1)).sum()) for share in shares]
    return float(np.logaddexp.reduce(totals)) - float(np.log(len(shares)))


def _chain(acting: NDArray[np.float64], gaps: NDArray[np.int64], share: float, stretch: float) -> float:
    """Log likelihood under a chain of two states, by multiplying all steps' matrices two by two."""
    stop = 1 / stretch
    start = min(stop * share / (1 - share), 1.0)
    share = start / (start + stop)
    fading = (1 - start - stop) ** gaps.astype(np.float64)
    # A step over a gap tends to the shares of the two states as memory fades; then the read has its say.
    steps = np.empty((len(acting), 2, 2))
    for state in (0, 1):
        to_acting = share + fading * (state - share)
        steps[:, state, 1] = to_acting * acting
        steps[:, state, 0] = 1 - to_acting
    log_scale = 0.0
    while len(steps) > 1:
        odd = steps[-1:] if len(steps) % 2 else steps[:0]
        paired = steps[: len(steps) // 2 * 2]
        steps = np.concatenate([np.einsum("nij,njk->nik", paired[0::2], paired[1::2]), odd])
        largest = steps.max(axis=(1, 2))
        log_scale += float(np.log(largest).sum())
        steps = steps / largest[:, None, None]
    return log_scale + float(np.log(np.array([1 - share, share]) @ steps[0] @ np.ones(2)))
