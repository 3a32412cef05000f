"""What an open address input costs whose level wanders.

A floating input keeps its level for a while, so that reads in a row find the same one: what they say of the
level is not independent. The reads are taken in the order in which each was first made, as a chain of two
states: the level stays, or is drawn anew (on average after `RUN` reads), high in a share p of the draws. The
cost is minus the logarithm of the chain's likelihood (the forward recursion; Baum 1970), summed over p, of
which any value is as likely, and over how often floating data lines drift to 1.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_bits
from wrongbit.faults.fault import ALWAYS, Fault, Point, Rates
from wrongbit.faults.noise import Noise
from wrongbit.faults.predict import predict
from wrongbit.faults.rows import Costs, Rows

RUN = 8.0
"""Reads that find a floating input at one level, about. A choice, no source: its charge leaks away in
microseconds, which is a few bus cycles."""

STEPS = 12
"""Shares that are summed over, closer together near 0 and 1."""

STRAY = 0.5
"""Probability that a RAM read that was sent to another cell finds something else than the last write seen."""

FEW_DRIFTS: Rates = (
    Point(0.0, 0.4),
    Point(0.1, 0.15),
    Point(0.35, 0.15),
    Point(0.65, 0.1),
    Point(0.9, 0.1),
    Point(1.0, 0.1),
)
"""How often a floating data line drifts to 1: as `wrongbit.faults.fault.DRIFTS`, in fewer steps."""

_ANGLES = (np.arange(STEPS) + 0.5) / STEPS * (np.pi / 2)
_SHARE = np.sin(_ANGLES) ** 2
_BELIEF = np.log(np.sin(2 * _ANGLES) / np.sin(2 * _ANGLES).sum())

Counts = NDArray[np.int64]


def cost_of_wandering(fault: Fault, rows: Rows, noise: Noise) -> float:
    """Cost in nats, as `wrongbit.faults.likelihood.cost_of` gives it for other faults.

    Args:
        fault: An open input of which each read finds the one or the other of its two shapes.
        rows: The observations, in the order in which they were first made.
        noise: The noise rate.
    """
    if not len(rows):
        return 0.0
    high, low = (_counts(shape, rows) for shape in fault.shapes() if shape is not None)
    stray = _stray_costs(np.maximum(high[:, 4], low[:, 4]), noise)
    total = []
    for point in FEW_DRIFTS if high[:, 2:4].any() or low[:, 2:4].any() else ALWAYS:
        drift = np.array([point.value])
        prices = np.array([noise.wrong, noise.open, *noise.seen(drift), *noise.seen(1 - drift)])
        costs = np.stack([each[:, :4] @ prices + stray for each in (high, low)]) * rows.weight
        total.append(np.log(point.belief) + np.logaddexp.reduce(_BELIEF - chain_costs(costs, _SHARE)))
    return -float(np.logaddexp.reduce(total))


def chain_costs(costs: Costs, share: Costs) -> Costs:
    """Cost of reads whose level stays for a while, for several shares in which it is high.

    Args:
        costs: ``float64 (2, m)`` cost of each read if the level is high, and if it is low.
        share: ``float64 (g,)`` share in which a new level is high.

    Returns:
        ``float64 (g,)``. The products of the chain's matrices are taken in pairs, all shares at once.
    """
    least = costs.min(axis=0)
    likelihood = np.exp(least - costs).T  # (m, 2)
    start = np.stack([share, 1 - share], axis=1)  # (g, 2)
    step = np.eye(2) * (1 - 1 / RUN) + start[:, None, :] / RUN  # (g, from, to)
    chain = step[None] * likelihood[:, None, None, :]
    chain[0] = start[:, None, :] * likelihood[0]  # from anywhere
    scale = np.zeros(len(share))
    while len(chain) > 1:
        odd = chain[-1:] if len(chain) % 2 else chain[:0]
        chain = np.concatenate([_multiplied(chain[: len(chain) - len(odd) : 2], chain[1::2]), odd])
        top = chain.max(axis=(2, 3), keepdims=True)
        scale += np.log(top).sum(axis=(0, 2, 3))
        chain = chain / top
    return np.asarray(float(least.sum()) - scale - np.log(chain[0, :, 0].sum(axis=1)))


def _multiplied(one: Costs, two: Costs) -> Costs:
    """Products of matrices of two rows and columns; faster than ``@`` for so small ones."""
    return one[..., :, :1] * two[..., :1, :] + one[..., :, 1:] * two[..., 1:, :]


def _counts(shape: Fault, rows: Rows) -> Counts:
    """``int64 (m, 5)``: wrong bits, open bits, floating bits that rose and that stayed, and strays."""
    prediction = predict([shape], rows)
    settled = rows.judged
    floating = prediction.floating & settled & ~prediction.value
    settled = settled & ~floating
    soft = prediction.soft & settled
    if prediction.unknown is not None:
        soft = soft | (prediction.unknown & settled)
    told = [
        count_bits((prediction.value ^ rows.seen) & settled & ~soft),
        count_bits(soft),
        count_bits(floating & rows.seen),
        count_bits(floating & ~rows.seen),
        np.zeros(len(rows), np.uint8),
    ]
    table = np.stack(told, axis=1).astype(np.int64)
    if prediction.strays is not None:
        # Told by how many bits are judged and how many of them are wrong.
        table[prediction.strays, :4] = 0
        bits = count_bits(rows.judged).astype(np.int64) * 256 + count_bits(rows.wrong)
        table[prediction.strays, 4] = bits[prediction.strays]
    return table


def _stray_costs(told: NDArray[np.int64], noise: Noise) -> Costs:
    """Cost of each read for what may have gone to another cell with either level."""
    judged, wrong = told // 256, told % 256
    right, anything = np.log1p(-STRAY) - noise.wrong * wrong, np.log(STRAY) - noise.open * judged
    return np.asarray(np.where(told > 0, -np.logaddexp(right, anything), 0.0))
