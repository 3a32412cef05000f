"""Generators and makers of 8-bit contents for the tests of file formats."""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st

from wrongbit.image.contents import Contents


def contents_of(parts: list[tuple[int, bytes]], known: int = 0xFF) -> Contents:
    """Contents with these bytes at these addresses, the rest not known."""
    base = min(address for address, _ in parts)
    end = max(address + len(data) for address, data in parts)
    words, mask = np.zeros(end - base, np.uint64), np.zeros(end - base, np.uint64)
    for address, data in parts:
        words[address - base : address - base + len(data)] = list(data)
        mask[address - base : address - base + len(data)] = known
    return Contents(words, mask, 8, base)


def bytes_of(contents: Contents) -> bytes:
    """The words as bytes."""
    return contents.words.astype(np.uint8).tobytes()


@st.composite
def segments(draw: st.DrawFn, highest: int = 1 << 32) -> list[tuple[int, bytes]]:
    """Pieces of data in rising order that neither touch nor overlap, near a 64 Ki border as often as not."""
    base = draw(st.one_of(st.just(0), st.integers(0, highest - (1 << 20)), st.just(0xFFF0), st.just(0x1FFE8)))
    parts, address = [], base
    for _ in range(draw(st.integers(1, 4))):
        data = draw(st.binary(min_size=1, max_size=60))
        parts.append((address, data))
        address += len(data) + draw(st.sampled_from([1, 2, 15, 300, 0xFFF0]))
    return parts
