"""In which reads a loose fault acted: what the order of the reads tells, or the conditions of a pass."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_bits
from wrongbit.compare.memory_map import MemoryMap
from wrongbit.faults.fault import Fault
from wrongbit.faults.noise import Noise
from wrongbit.faults.predict import predict
from wrongbit.faults.rows import Costs, Rows
from wrongbit.reading.dependence import Dependence
from wrongbit.reading.evidence import wrong_bits
from wrongbit.reading.stack import Stack

MOST_TELLING = 1 << 15
"""Reads that tell, over all passes, by which the order of a loose fault is judged."""

WINDOW = 1 << 16
"""Addresses of each pass, one after another, that are looked at for that."""


def speeds_of(hurried: Dependence, number: NDArray[np.int64]) -> NDArray[np.int64]:
    """The group of each read by its pass; passes whose speed is not known are one group."""
    group = np.full(int(number.max(initial=0)) + 1, -1)
    for place, passes in enumerate(hurried.passes):
        group[[each for each in passes if each < len(group)]] = place
    return np.asarray(group[number])


@dataclass(frozen=True)
class Telling:
    """Reads that tell whether a fault acted, in order.

    Args:
        ratio: ``float64 (k,)`` log of how much likelier what was read is if it acted.
        place: ``int64 (k,)`` which read of all it was.
        number: ``int64 (k,)`` its pass.
    """

    ratio: NDArray[np.float64]
    place: NDArray[np.int64]
    number: NDArray[np.int64]


def telling_reads(
    fault: Fault, stack: Stack, memory_map: MemoryMap, noise: Noise, *, late: bool = False
) -> Telling:
    """For the reads of every pass, in order, whether this loose fault acted.

    Args:
        fault: The fault.
        stack: The passes.
        memory_map: The chip alone in a reader.
        noise: The noise rate.
        late: The fault is late data (see `with_words_before`).
    """
    chip = memory_map.chips[0]
    wrong = np.flatnonzero(wrong_bits(stack, chip)[0])
    middle = int(wrong[len(wrong) // 2]) if len(wrong) else 0
    start = max(0, min(middle - WINDOW // 2, len(stack) - WINDOW))
    most = MOST_TELLING // stack.passes + 1
    ratios, places, numbers = [], [], []
    for number in range(stack.passes):
        rows = _in_order(stack, memory_map, number, slice(start, start + WINDOW))
        ratio = _log_ratio(fault, with_words_before(rows) if late else rows, noise)
        telling = np.flatnonzero(ratio)[:most]
        ratios.append(ratio[telling])
        places.append(telling + number * len(stack))
        numbers.append(np.full(len(telling), number))
    return Telling(np.concatenate(ratios), np.concatenate(places), np.concatenate(numbers))


def _in_order(stack: Stack, memory_map: MemoryMap, number: int, part: slice) -> Rows:
    """Reads of one pass, as they were made."""
    chip = memory_map.chips[0]
    words = stack.words[number].astype(np.uint64)
    held = np.concatenate([[np.uint64(stack.mask)], words[:-1]])[part]
    judged = chip.known[part] if stack.known is None else chip.known[part] & stack.known[number][part]
    address = np.arange(len(words), dtype=np.uint64)[part]
    return Rows(
        memory_map,
        np.zeros(len(address), np.int32),
        address,
        held,
        chip.contents[part] & judged,
        judged,
        words[part] & judged,
        np.ones(len(address), np.bool_),
        np.ones(len(address)),
    )


def with_words_before(rows: Rows) -> Rows:
    """The same reads, held being the right word of the address before, where the reference gives it.

    A slow chip does arrive at its word, only after the reader has taken one: so the next late read shows the
    right word of the address before, not what was read there.
    """
    chip = rows.memory_map.chips[0]
    before = np.maximum(rows.address, 1).astype(np.intp) - 1
    known = (rows.address > 0) & (chip.known[before] == np.uint64((1 << len(chip.lane)) - 1))
    return replace(rows, held=np.where(known, chip.contents[before], rows.held), _cache={})


def _log_ratio(fault: Fault, rows: Rows, noise: Noise) -> Costs:
    """Log of how much likelier each read is if the fault acts, all its active shapes being likely alike."""
    idle = noise.wrong * count_bits(rows.wrong).astype(np.float64)
    active = []
    for shape in fault.shapes():
        if shape is not None:
            prediction = predict([shape], rows)
            value = prediction.value | (prediction.floating if fault.drift >= 0.5 else np.uint64(0))
            open_ = prediction.soft if prediction.unknown is None else prediction.soft | prediction.unknown
            nats = noise.wrong * count_bits((value ^ rows.seen) & rows.judged & ~open_)
            active.append(-nats - noise.open * count_bits(open_ & rows.judged))
    return np.asarray(idle + np.logaddexp.reduce(active, axis=0) - np.log(len(active)))
