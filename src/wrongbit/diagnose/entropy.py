"""How much a measurement tells: the doubt that is expected to remain after it.

Doubt is Shannon's entropy in bits: 1 bit is an even choice between two parts, 3.46 bits one among 11. The
measurement with the least expected remaining doubt is the best one (J. de Kleer and B. C. Williams,
"Diagnosing multiple faults", Artificial Intelligence 32 (1987) 97-130); effort is weighed in by taking the
doubt removed per minute.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Shares = NDArray[np.float64]


def entropy(shares: Shares) -> float:
    """Doubt in bits.

    Args:
        shares: ``float64 (n,)`` probabilities that sum to 1.

    >>> entropy(np.array([0.5, 0.5]))
    1.0
    """
    some = shares[shares > 0]
    return max(float(-(some * np.log2(some)).sum()), 0.0)


def pool(shares: Shares, groups: NDArray[np.intp] | None) -> Shares:
    """Shares of groups: what matters is which part it is, not in which of its ways it fails.

    Args:
        shares: ``float64 (n,)`` or ``(n, k)``.
        groups: ``intp (n,)`` number of each hypothesis's group; None: each is its own.
    """
    if groups is None:
        return shares
    pooled = np.zeros((int(groups.max(initial=-1)) + 1, *shares.shape[1:]))
    np.add.at(pooled, groups, shares)
    return pooled


def outcome_shares(shares: Shares, outcomes: Shares) -> Shares:
    """Probability of each outcome, ``float64 (k,)``; arguments as for `expected_entropy`."""
    return np.asarray(shares @ outcomes)


def expected_entropy(shares: Shares, outcomes: Shares, groups: NDArray[np.intp] | None = None) -> float:
    """Doubt in bits that is expected to remain after a measurement.

    Args:
        shares: ``float64 (n,)`` probability of each hypothesis.
        outcomes: ``float64 (n, k)`` probability of each outcome under each hypothesis; rows sum to 1.
        groups: ``intp (n,)`` group of each hypothesis, where the doubt is about groups; else None.

    Raises:
        ValueError: A row of ``outcomes`` does not sum to 1.

    >>> expected_entropy(np.array([0.5, 0.5]), np.eye(2))
    0.0
    """
    if len(outcomes) and not np.allclose(outcomes.sum(axis=1), 1):
        raise ValueError("the outcomes of each hypothesis must sum to 1")
    joint = pool(shares[:, None] * outcomes, groups)
    total = joint.sum(axis=0)
    return float(sum(p * entropy(joint[:, k] / p) for k, p in enumerate(total) if p > 0))


def merit(gain: float, minutes: float, risk: float) -> float:
    """Doubt removed per minute, in bits; a measurement that may do harm counts as so much longer.

    Args:
        gain: Doubt removed, in bits.
        minutes: Effort.
        risk: Probability that it spoils something (a lifted track, a slipped clip).

    >>> merit(1.0, 5.0, 0.0)
    0.2
    """
    return gain / (minutes + RISK_MINUTES * risk)


RISK_MINUTES = 240.0
"""Minutes that a mishap costs: half a working day. Bench sense, no source."""


def doubt_text(bits: float) -> str:
    """Doubt among parts in words: as much as among so many parts that are equally likely (2 to the bits).

    >>> doubt_text(0.02), doubt_text(0.4)
    ('hardly any, the first part is as good as certain', 'little, the first part stands well before the rest')
    >>> doubt_text(1.0), doubt_text(2.67)
    ('as between 2 equally likely parts', 'as among 6 equally likely parts')
    """
    alike = 2.0 ** max(bits, 0.0)
    if alike < 1.05:
        return "hardly any, the first part is as good as certain"
    if alike < 1.5:
        return "little, the first part stands well before the rest"
    count = round(alike)
    return f"as {'between' if count == 2 else 'among'} {count} equally likely parts"


def removes_text(gain: float, remaining: float) -> str:
    """What a measurement is expected to do to the doubt that there is.

    Args:
        gain: Bits that it is expected to remove.
        remaining: Bits that are expected to remain.

    >>> removes_text(0.78, 1.89), removes_text(0.001, 2.0), removes_text(0.0, 0.0)
    ('29 % of the doubt', 'under 1 % of the doubt', 'none of the doubt')
    """
    share = gain / (gain + remaining) if gain > 0 else 0.0
    if share <= 0:
        return "none of the doubt"
    return f"{100 * share:.0f} % of the doubt" if share >= 0.01 else "under 1 % of the doubt"


def odds_text(nats: float) -> str:
    """What an observation says for or against, as people say it: 2.3 nats (of log odds) are ten to one.

    >>> odds_text(2.302585), odds_text(-0.05), odds_text(-40), odds_text(12.4)
    ('for, 10 to 1', 'hardly anything', 'against, more than 1,000,000 to 1', 'for, more than 100,000 to 1')
    >>> odds_text(0.3), odds_text(-7.6)
    ('for, 1.3 to 1', 'against, more than 1,000 to 1')
    """
    if abs(nats) < 0.1:
        return "hardly anything"
    return f"{'for' if nats > 0 else 'against'}, {odds_figure(abs(nats))} to 1"


def odds_figure(nats: float) -> str:
    """Odds of so much to 1, as people say them: no more digits than they are worth.

    Args:
        nats: Natural logarithm of the odds, 0 or more.

    >>> odds_figure(2.302585), odds_figure(5.0), odds_figure(900.0)
    ('10', '150', 'more than 1,000,000')
    """
    size = min(nats, 20.0)
    steps = [least for least in (1_000, 10_000, 100_000, 1_000_000) if size >= math.log(least)]
    if steps:
        return f"more than {steps[-1]:,}"
    # From a hundred on rounded to tens.
    return f"{math.exp(size):.2g}" if size < 4.6 else f"{round(math.exp(size), -1):.0f}"
