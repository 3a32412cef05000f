"""How much a measurement tells: the doubt that is expected to remain after it.

Doubt is Shannon's entropy in bits: 1 bit is an even choice between two parts, 3.46 bits one among 11. The
measurement with the least expected remaining doubt is the best one (J. de Kleer and B. C. Williams,
"Diagnosing multiple faults", Artificial Intelligence 32 (1987) 97-130); effort is weighed in by taking the
doubt removed per minute.
"""

from __future__ import annotations

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
    return float(-(some * np.log2(some)).sum()) + 0.0


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
