"""The reader's own faults, costed on the scale of the board's."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_bits
from wrongbit.compare.memory_map import ChipMap
from wrongbit.faults.fault import Fault
from wrongbit.faults.likelihood import cost_of
from wrongbit.faults.models import MODELS, NO_FAULT_PRIOR
from wrongbit.faults.models.selection import ChipSilent, SlowData
from wrongbit.faults.noise import Noise
from wrongbit.faults.predict import predict
from wrongbit.faults.rows import Rows, Words
from wrongbit.image.contents import Contents
from wrongbit.reading.loose import with_words_before
from wrongbit.reading.models import UNRELATED_PRIOR, Unrelated, reader_faults
from wrongbit.reading.weighed import Pattern

MARGIN = 20.0
"""Explanations whose odds against the best are longer than e^20 (5 × 10^8) to 1 are left out."""


def scale() -> float:
    """What the priors of all families are divided by."""
    return NO_FAULT_PRIOR + sum(family.prior for family in MODELS)


def weigh_own(rows: Rows, chip: ChipMap, others: Mapping[str, Contents], noise: Noise) -> list[Pattern]:
    """The reader's own faults that come within reach of the best of them and of no fault."""
    few = rows.take(
        np.concatenate([index[:: len(index) // 512 + 1] for index in _wrong_and_right(rows) if len(index)])
    )
    found: list[Pattern] = []
    best = np.log(NO_FAULT_PRIOR / scale()) - noise.wrong * rows.wrong_weight()
    listed = [
        (cost_of([fault], few, noise).nats, fault, prior) for fault, prior in reader_faults(chip, others)
    ]
    for bound, fault, prior in sorted(listed, key=lambda item: item[0]):
        log_prior = float(np.log(prior / scale()))
        if log_prior - bound < best - MARGIN:
            continue
        score = log_prior - cost_of([fault], rows, noise).nats
        best = max(best, score)
        found.append(_pattern((fault,), score, rows))
    found += [_unrelated(rows, chip, noise), _late(rows, chip, noise)]
    best = max(best, *(each.score for each in found))
    return [each for each in found if each.score >= best - MARGIN]


def _late(rows: Rows, chip: ChipMap, noise: Noise) -> Pattern:
    """Words that come late: the one before as a whole, or a mixture."""
    rows = with_words_before(rows)
    prior = next(family.prior for family in MODELS if family.name == "slow data")
    costs = [cost_of([fault], rows, noise) for fault in (SlowData(chip.name), ChipSilent(chip.name))]
    best = min(costs, key=lambda cost: cost.nats)
    (fault,) = best.faults
    refused = rows.wrong
    for shape in fault.shapes():
        if shape is not None:
            prediction = predict([shape], rows)
            drifted = prediction.floating & ~prediction.value if fault.drift else np.uint64(0)
            refused = refused & (prediction.value ^ rows.seen) & ~prediction.soft & ~drifted
    return Pattern(
        "slow data",
        best.faults,
        f"{chip.name} answers too late in about {fault.rate:.0%} of the reads: its lines still show the word "
        "before, or a mixture.",
        "",
        0.0,
        float(np.log(prior / scale())) - best.nats,
        int(count_bits(rows.wrong & ~refused).sum()),
        int(count_bits(refused).sum()),
    )


def own_faults(
    rows: Rows, chip: ChipMap, others: Mapping[str, Contents], noise: Noise
) -> list[tuple[Fault, float]]:
    """The best of the reader's own faults that stand for themselves, with the log of their prior."""
    found = [
        (cost_of([fault], rows, noise).nats, fault, float(np.log(prior / scale())))
        for fault, prior in reader_faults(chip, others)
    ]
    nats, fault, log_prior = min(found, key=lambda item: item[0])
    return [(fault, log_prior)] if nats < noise.wrong * rows.wrong_weight() / 2 else []


def _unrelated(rows: Rows, chip: ChipMap, noise: Noise) -> Pattern:
    """Every cell holds anything; what costs is one bit a cell, and reads of one cell that differ."""
    fresh = np.ones(len(rows), np.bool_)
    fresh[1:] = rows.address[1:] != rows.address[:-1]
    first = np.flatnonzero(fresh)
    judged = np.bitwise_or.reduceat(rows.judged, first)
    ones = np.bitwise_or.reduceat(rows.seen, first)
    zeros = np.bitwise_or.reduceat(~rows.seen & rows.judged, first)
    both = np.asarray(ones & zeros, np.uint64)
    nats = noise.open * float(count_bits(judged).sum()) + noise.wrong * float(count_bits(both).sum())
    fault = Unrelated(chip.name)
    return _pattern((fault,), float(np.log(UNRELATED_PRIOR / scale())) - nats, rows)


def _wrong_and_right(rows: Rows) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    wrong = rows.wrong != 0
    return np.flatnonzero(wrong), np.flatnonzero(~wrong)


def _pattern(faults: tuple[Fault, ...], score: float, rows: Rows) -> Pattern:
    """A fault that predicts every bit, as an explanation."""
    prediction = predict(faults, rows)
    open_ = prediction.soft | prediction.floating
    if prediction.unknown is not None:
        open_ = open_ | prediction.unknown
    return explanation(faults, score, rows, (prediction.value ^ rows.seen) & rows.judged & ~open_)


def explanation(faults: tuple[Fault, ...], score: float, rows: Rows, refused: Words) -> Pattern:
    """Faults as an explanation, its advice and its probability still to come.

    Args:
        faults: One, or several at once.
        score: Log of prior and likelihood.
        rows: All reads.
        refused: ``uint64 (n,)`` bits that were read otherwise than the faults allow.
    """
    return Pattern(
        " + ".join(fault.model for fault in faults),
        faults,
        " ".join(fault.say() for fault in faults),
        "",
        0.0,
        score,
        int(count_bits(rows.wrong & ~refused).sum()),
        int(count_bits(refused).sum()),
    )
