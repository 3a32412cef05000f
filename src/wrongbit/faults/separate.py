"""Reads that would tell findings apart which the capture does not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import count_bits
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.faults.fault import Fault
from wrongbit.faults.findings import Finding, Separation
from wrongbit.faults.predict import predict
from wrongbit.faults.rows import Rows, Words

MOST_ADDRESSES = 1024
"""Addresses of a region that are tried, evenly spread."""


def separations(
    findings: Sequence[Finding], group: Sequence[int], memory_map: MemoryMap
) -> tuple[Separation, ...]:
    """For each finding that ties with the best, a read for which both surely predict different words.

    Args:
        findings: All findings.
        group: Indices of those that cannot be told apart, the best one first.
        memory_map: The chips on the bus.
    """
    if len(group) < 2:
        return ()
    rows, written = _reads(memory_map)
    value, settled = likeliest_word(findings[group[0]].faults, rows)
    found = []
    for index in group[1:]:
        other, also = likeliest_word(findings[index].faults, rows)
        differs = (value ^ other) & settled & also & rows.judged
        if not differs.any():
            continue
        at = int(np.argmax(count_bits(differs)))
        twin = at + len(rows) // 2  # the same read with the data lines at 1 before; those at 0 come first
        steady = twin < len(rows) and (value[twin], other[twin]) == (value[at], other[at])
        found.append(
            Separation(
                bank=int(rows.bank[at]),
                address=int(rows.address[at]),
                held=None if steady else int(rows.held[at]),
                write=int(rows.expected[at]) if written[at] else None,
                first=int(value[at]),
                second=int(other[at]),
                bits=int(differs[at]),
                other=index,
            )
        )
    return tuple(found)


def likeliest(faults: Sequence[Fault]) -> tuple[Fault, ...]:
    """What holds in most reads."""
    chosen = []
    for fault in faults:
        shape = fault.shapes()[int(np.argmax(fault.weights(*fault.values)))]
        if shape is not None:
            chosen.append(replace(shape, drift=fault.drift))
    return tuple(chosen)


def likeliest_word(faults: Sequence[Fault], rows: Rows) -> tuple[Words, Words]:
    """Words that the faults predict for most reads, and masks of the bits that they settle."""
    form = likeliest(faults)
    prediction = predict(form, rows)
    drifting = prediction.floating & ~prediction.value  # a line that held 1 stays there
    drift = max((fault.drift for fault in form), default=0.0)
    settled = ~prediction.soft if drift in (0.0, 1.0) else ~(prediction.soft | drifting)
    if prediction.unknown is not None:
        settled &= ~prediction.unknown
    if prediction.strays is not None:
        settled &= np.where(prediction.strays, np.uint64(0), ~np.uint64(0))
    return prediction.value | drifting if drift == 1.0 else prediction.value, settled


def _reads(memory_map: MemoryMap) -> tuple[Rows, NDArray[np.bool_]]:
    """Reads that could be made, and whether something must be written before.

    Every ROM, and every RAM after zeros or ones were written there; once with all data lines at 0 just
    before, once with all at 1.
    """
    parts = [_of_chip(chip) for chip in memory_map.chips if chip.kind in ("rom", "ram")]
    bank = np.concatenate([np.empty(0, np.int32), *(part[0] for part in parts)])
    address = np.concatenate([np.empty(0, np.uint64), *(part[1] for part in parts)])
    expected, judged = memory_map.expected(bank, address)
    every = np.uint64((1 << memory_map.word_bits) - 1)
    written = judged == 0
    for chip in memory_map.chips:
        if chip.kind == "ram":
            judged[chip.selected(bank, address) & written] |= np.uint64(chip.lane_mask)
    expected = np.where(written & (np.arange(len(bank)) % 2 == 1), every, expected) & judged
    once = Rows(
        memory_map,
        bank,
        address,
        np.zeros_like(address),
        expected,
        judged,
        expected,
        ~written,
        np.ones(len(bank)),
    )
    both = once.repeat(2)
    both.held[len(bank) :] = every
    return both, np.tile(written, 2)


def _of_chip(chip: ChipMap) -> tuple[NDArray[np.int32], Words]:
    """Banks and addresses of a chip's reads; a RAM's are doubled, for two patterns."""
    banks, addresses = [], []
    for region in chip.regions:
        offset = np.unique(
            np.linspace(0, region.size - 1, min(region.size, MOST_ADDRESSES)).astype(np.uint64)
        )
        here = np.uint64(region.base) + offset
        if chip.kind == "ram":
            here = np.repeat(here[:16], 2)
        addresses.append(here)
        banks.append(np.full(len(here), region.bank or 0, np.int32))
    return np.concatenate(banks), np.concatenate(addresses)
