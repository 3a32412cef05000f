"""Moving bits about, against the same done bit by bit with Python's integers."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wrongbit.bits import count_bits, gather_bits, mask_of, scatter_bits

words = st.lists(st.integers(0, 2**64 - 1), max_size=4)
positions_or_none = st.lists(st.integers(-1, 63), max_size=64)
distinct_positions = st.lists(st.integers(0, 63), max_size=64, unique=True)


def gathered(value: int, positions: list[int]) -> int:
    return sum((value >> p & 1) << j for j, p in enumerate(positions) if p >= 0)


def scattered(value: int, positions: list[int]) -> int:
    return sum((value >> j & 1) << p for j, p in enumerate(positions) if p >= 0)


@given(words, positions_or_none)
def test_gather_takes_each_bit_from_its_position(values: list[int], positions: list[int]) -> None:
    result = gather_bits(np.array(values, np.uint64), positions)
    assert result.dtype == np.uint64
    assert result.tolist() == [gathered(value, positions) for value in values]


@given(words, st.lists(st.integers(-1, 63), max_size=64, unique=True))
def test_scatter_puts_each_bit_at_its_position(values: list[int], positions: list[int]) -> None:
    result = scatter_bits(np.array(values, np.uint64), positions)
    assert result.dtype == np.uint64
    assert result.tolist() == [scattered(value, positions) for value in values]


@given(words, distinct_positions)
def test_scatter_undoes_gather(values: list[int], positions: list[int]) -> None:
    array = np.array(values, np.uint64)
    mask = np.uint64(mask_of(positions))
    assert (scatter_bits(gather_bits(array, positions), positions) == (array & mask)).all()


@given(words)
def test_all_64_bits_in_order_change_nothing(values: list[int]) -> None:
    array = np.array(values, np.uint64)
    assert (gather_bits(array, range(64)) == array).all()
    assert (gather_bits(gather_bits(array, range(63, -1, -1)), range(63, -1, -1)) == array).all()


@given(words)
def test_count_is_the_number_of_ones(values: list[int]) -> None:
    assert count_bits(np.array(values, np.uint64)).tolist() == [bin(value).count("1") for value in values]


@pytest.mark.parametrize(
    ("positions", "mask"), [([], 0), ([-1], 0), ([0, 3], 9), ([63], 1 << 63), (range(8, 16), 0xFF00)]
)
def test_mask(positions: list[int], mask: int) -> None:
    assert mask_of(positions) == mask


def test_inputs_are_left_alone() -> None:
    values = np.array([0xA5], np.uint64)
    gather_bits(values, [0, 1])
    scatter_bits(values, [4, 5])
    assert values.tolist() == [0xA5]


# Common practice, no source: of a 16-bit word in two byte-wide chips the upper chip has bits 8 to 15.
def test_upper_byte_of_a_word() -> None:
    word = np.array([0x12FE], np.uint64)
    assert gather_bits(word, range(8, 16)).tolist() == [0x12]
    assert gather_bits(word, range(15, 7, -1)).tolist() == [0x48]  # outputs wired the other way round
