"""Unique observations with counts, against a dictionary and by hand."""

from collections import Counter
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wrongbit.bus.cycles import KIND_CODE, Cycles
from wrongbit.compare import observations
from wrongbit.compare.verdicts import AGREES, BASIS_RAM, BASIS_ROM, Verdicts
from wrongbit.faults.evidence import gather_evidence

FETCH, READ, WRITE = KIND_CODE["fetch"], KIND_CODE["read"], KIND_CODE["write"]


def table(rows):
    """Cycles and verdicts from (kind, bank, address, held, expected, judged, seen, basis)."""
    columns = list(zip(*rows, strict=True)) if rows else [()] * 8
    kind, bank, address, held, expected, judged, seen, basis = columns
    n = len(rows)

    def words(column):
        return np.array(column, np.uint64)

    cycles = Cycles(
        np.arange(n),
        np.arange(n),
        np.array(kind, np.uint8),
        np.array(bank, np.int32),
        words(address),
        np.full(n, 2**32 - 1, np.uint64),
        words(seen),
        np.full(n, 2**64 - 1, np.uint64),
        words(held),
        np.zeros(n, np.uint8),
    )
    wrong = (words(expected) ^ words(seen)) & words(judged)
    verdicts = Verdicts(
        words(expected), words(judged), wrong, np.full(n, AGREES, np.uint8), np.array(basis, np.uint8)
    )
    return cycles, verdicts


def test_equal_reads_are_counted_and_the_first_is_remembered():
    right = (FETCH, 0, 0x10, 0xFF, 0xA5, 0xFF, 0xA5, BASIS_ROM)
    wrong = (READ, 0, 0x10, 0xFF, 0xA5, 0xFF, 0xA4, BASIS_ROM)
    write = (WRITE, 0, 0x10, 0xFF, 0xA5, 0xFF, 0xA5, BASIS_ROM)
    blind = (READ, 0, 0x11, 0xFF, 0x00, 0x00, 0x55, 0)
    found = gather_evidence(*table([write, right, wrong, right, blind, right]))
    assert found.address.tolist() == [0x10, 0x10]
    assert found.seen.tolist() == [0xA5, 0xA4]
    assert found.count.tolist() == [3, 1]
    assert found.first.tolist() == [1, 2]
    assert found.from_rom.tolist() == [True, True]


def test_bits_that_are_not_judged_do_not_tell_rows_apart():
    one = (READ, 0, 1, 0, 0x05, 0x0F, 0xF5, BASIS_ROM)
    two = (READ, 0, 1, 0, 0x05, 0x0F, 0xA5, BASIS_ROM)
    found = gather_evidence(*table([one, two]))
    assert (found.seen.tolist(), found.count.tolist()) == ([0x05], [2])


def test_no_cycles_give_no_evidence():
    assert len(gather_evidence(*table([]))) == 0
    assert len(gather_evidence(*table([(WRITE, 0, 1, 2, 3, 255, 3, BASIS_RAM)]))) == 0


def test_tables_of_different_length_are_refused():
    cycles, verdicts = table([(READ, 0, 1, 0, 1, 255, 1, BASIS_ROM)])
    with pytest.raises(ValueError, match="1 cycles but 0 verdicts"):
        gather_evidence(cycles, table([])[1])
    assert len(verdicts) == 1


def words(bits):
    return st.integers(0, 2**bits - 1)


rows = st.integers(1, 64).flatmap(
    lambda bits: st.lists(
        st.tuples(
            st.sampled_from([FETCH, READ, WRITE]),
            st.integers(-1, 3),
            st.sampled_from([0, 1, 2**31, 2**32 - 1]),
            st.sampled_from([0, 2**bits - 1, 5 % 2**bits]),
            words(bits),
            words(bits),
            words(bits),
            st.sampled_from([BASIS_ROM, BASIS_RAM]),
        ),
        max_size=60,
    )
)
"""Words of every width, so that keys need one 64-bit number or several."""


@settings(max_examples=150, deadline=None)
@given(rows, st.integers(1, 70))
def test_counts_agree_with_a_dictionary(rows, slab):
    """However many rows are grouped at once."""
    counted, first = Counter(), {}
    for row, (kind, bank, address, held, expected, judged, seen, basis) in enumerate(rows):
        if kind != WRITE and judged:
            # The expectation is compared as it stands; `judge` leaves its unknown bits zero.
            key = bank, address, held, expected, judged, seen & judged, basis == BASIS_ROM
            counted[key] += 1
            first.setdefault(key, row)
    with patch.object(observations, "SLAB", slab):
        found = gather_evidence(*table(rows))
    columns = (
        found.bank,
        found.address,
        found.held,
        found.expected,
        found.judged,
        found.seen,
        found.from_rom,
    )
    keys = list(zip(*(column.tolist() for column in columns), strict=True))
    assert dict(zip(keys, found.count.tolist(), strict=True)) == dict(counted)
    assert found.first.tolist() == sorted(found.first.tolist())
    assert found.first.tolist() == [first[key] for key in keys]
