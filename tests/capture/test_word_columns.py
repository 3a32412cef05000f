"""Words of hexadecimal digits, read all digits at once, against Python's own `int`."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from wrongbit.capture.formats._word_columns import hexadecimal_values

DIGITS = set(b"0123456789abcdefABCDEF")


def windows(texts: list[bytes]) -> NDArray[np.uint64]:
    """The eight bytes of each text as a little-endian number, the text at their end."""
    return np.frombuffer(b"".join(text.rjust(8, b",") for text in texts), "<u8").astype(np.uint64)


@pytest.mark.parametrize("place", range(8))
def test_every_byte_in_every_place_is_a_digit_or_is_not(place: int) -> None:
    texts = [bytes([*b"7" * place, byte, *b"A" * (7 - place)]) for byte in range(256)]
    values, odd = hexadecimal_values(windows(texts), np.uint64(8))
    assert [not each for each in odd.tolist()] == [byte in DIGITS for byte in range(256)]
    for text, value, wrong in zip(texts, values.tolist(), odd.tolist(), strict=True):
        assert wrong or value == int(text, 16)


@given(st.lists(st.text("0123456789abcdefABCDEF", min_size=1, max_size=8), min_size=1, max_size=40))
def test_digits_of_any_length_are_what_python_reads(texts: list[str]) -> None:
    lengths = np.array([len(text) for text in texts], np.uint64)
    values, odd = hexadecimal_values(windows([text.encode() for text in texts]), lengths)
    assert not odd.any()
    assert values.tolist() == [int(text, 16) for text in texts]
