"""Words and the lanes they are made of: split, merge, halves, bytes, complement. Unknown bits stay unknown.

A *lane* is a tuple of word bit numbers, one an output of the chip, output 0 first. Common practice, no
source: in a 16-bit word of two byte-wide chips, the upper chip's output n is word bit n + 8.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from wrongbit.bits import gather_bits, scatter_bits
from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents

Part = Literal["all", "even", "odd", "low", "high"]
ByteOrder = Literal["little", "big"]


def split(contents: Contents, lane: Sequence[int], *, inverted: bool = False) -> Contents:
    """What the chip on this lane holds.

    Args:
        contents: Words as the processor sees them.
        lane: Word bit on each output of the chip, output 0 first.
        inverted: An inverting buffer stands between chip and processor.

    Returns:
        Contents of ``len(lane)`` bits at the same addresses.

    Raises:
        ImageError: A bit that the word does not have, or one twice.

    >>> word = Contents(np.array([0xBEEF], np.uint64), np.array([0xFFFF], np.uint64), 16)
    >>> hex(int(split(word, range(8, 16)).words[0]))
    '0xbe'
    """
    _check_lane(lane, contents.word_bits)
    part = replace(
        contents,
        words=gather_bits(contents.words, lane),
        known=gather_bits(contents.known, lane),
        word_bits=len(lane),
    )
    return invert(part) if inverted else part


def merge(parts: Sequence[tuple[Contents, Sequence[int]]], word_bits: int) -> Contents:
    """The processor's words from the chips on its lanes: the inverse of `split`.

    Args:
        parts: Contents of each chip, all at the same base, and its lane. Shorter ones are not known at
            their end; bits that no lane feeds are not known.
        word_bits: Width of the word.

    Raises:
        ImageError: No parts, bases that differ, a lane that does not fit its chip or the word, or two
            lanes that share a bit.
    """
    if not parts:
        raise ImageError("there are no lanes to merge.", "Give at least one.")
    _check_lane([bit for _, lane in parts for bit in lane], word_bits)
    bases = {contents.base for contents, _ in parts}
    if len(bases) > 1:
        raise ImageError(
            f"the lanes start at different addresses: {', '.join(f'0x{base:X}' for base in sorted(bases))}.",
            "Bring them to one base first.",
        )
    words = np.zeros(max(len(contents) for contents, _ in parts), np.uint64)
    known = np.zeros_like(words)
    for contents, lane in parts:
        if len(lane) != contents.word_bits:
            raise ImageError(
                f"a lane of {len(lane)} bits was given for contents of {contents.word_bits} bits.",
                "A lane names one word bit for each output.",
                file=contents.source or None,
            )
        words[: len(contents)] |= scatter_bits(contents.words, lane)
        known[: len(contents)] |= scatter_bits(contents.known, lane)
    sources = " + ".join(contents.source for contents, _ in parts if contents.source)
    notes = tuple(note for contents, _ in parts for note in contents.notes)
    return Contents(words, known, word_bits, bases.pop(), sources, notes)


def _check_lane(lane: Sequence[int], word_bits: int) -> None:
    wrong = [bit for bit in lane if not 0 <= bit < word_bits]
    if wrong or not lane:
        found = f"names bit {wrong[0]}" if wrong else "is empty"
        raise ImageError(f"a lane {found}; the word has bits 0 to {word_bits - 1}.", "Correct the lane.")
    if len(set(lane)) < len(lane):
        twice = next(bit for index, bit in enumerate(lane) if bit in lane[:index])
        raise ImageError(f"word bit {twice} is fed twice.", "Each word bit belongs to one output.")


def invert(contents: Contents) -> Contents:
    """The complement of every known bit."""
    return replace(contents, words=~contents.words & contents.known)


def take(contents: Contents, part: Part) -> Contents:
    """Every other word, or half of each word.

    Args:
        contents: Words of a file.
        part: 'even' or 'odd': the words at even or odd addresses, closed up; 'low' or 'high': the lower
            or upper half of each word's bits; 'all': everything.

    Raises:
        ImageError: 'low' or 'high' of a word with an odd count of bits.

    >>> file = Contents(np.arange(4, dtype=np.uint64), np.full(4, 255, np.uint64), 8)
    >>> take(file, "odd").words.tolist()
    [1, 3]
    """
    if part == "all":
        return contents
    if part in ("even", "odd"):
        parity = int(part == "odd")
        first = (contents.base + parity) % 2
        return replace(
            contents,
            words=contents.words[first::2],
            known=contents.known[first::2],
            base=(contents.base + first) // 2,
        )
    half, odd = divmod(contents.word_bits, 2)
    if odd:
        raise ImageError(
            f"words of {contents.word_bits} bits have no '{part}' half.",
            "Take 'all', 'even' or 'odd'.",
            file=contents.source or None,
        )
    return split(contents, range(half) if part == "low" else range(half, contents.word_bits))


def as_words(contents: Contents, word_bits: int, byte_order: ByteOrder) -> Contents:
    """Wider words from bytes: word address = byte address / bytes in a word.

    Args:
        contents: 8-bit words.
        word_bits: Width of the new word, a multiple of 8.
        byte_order: 'little': the byte at the lower address is the low one; 'big': the high one.

    Returns:
        Words from the one that holds the first byte to the one that holds the last; bytes that are
        missing there are not known.

    Raises:
        ImageError: The contents are not bytes, or the width is no multiple of 8.

    >>> file = Contents(np.array([0x34, 0x12], np.uint64), np.full(2, 255, np.uint64), 8)
    >>> hex(int(as_words(file, 16, "little").words[0])), hex(int(as_words(file, 16, "big").words[0]))
    ('0x1234', '0x3412')
    """
    if contents.word_bits != 8 or word_bits % 8 or not 8 <= word_bits <= 64:
        raise ImageError(
            f"words of {word_bits} bits cannot be made of words of {contents.word_bits} bits; "
            "words of 8 are joined to words of 8, 16, 24 … 64.",
            "Check the width of the chip and the file's format.",
            file=contents.source or None,
        )
    size = word_bits // 8
    before = contents.base % size
    after = -(before + len(contents)) % size
    words = np.pad(contents.words, (before, after)).reshape(-1, size)
    known = np.pad(contents.known, (before, after)).reshape(-1, size)
    shifts = _shifts(size, byte_order)
    return replace(
        contents,
        words=np.bitwise_or.reduce(words << shifts, axis=1),
        known=np.bitwise_or.reduce(known << shifts, axis=1),
        word_bits=word_bits,
        base=contents.base // size,
    )


def as_bytes(contents: Contents, byte_order: ByteOrder) -> Contents:
    """Bytes from wider words: the inverse of `as_words`.

    Raises:
        ImageError: The width is no multiple of 8.
    """
    if contents.word_bits % 8:
        raise ImageError(
            f"words of {contents.word_bits} bits are not made of bytes.",
            "Split them into lanes first.",
            file=contents.source or None,
        )
    size = contents.word_bits // 8
    shifts = _shifts(size, byte_order)
    low = np.uint64(0xFF)
    return replace(
        contents,
        words=((contents.words[:, None] >> shifts) & low).reshape(-1),
        known=((contents.known[:, None] >> shifts) & low).reshape(-1),
        word_bits=8,
        base=contents.base * size,
    )


def _shifts(size: int, byte_order: ByteOrder) -> np.ndarray[tuple[int], np.dtype[np.uint64]]:
    shifts = np.arange(size, dtype=np.uint64) * np.uint64(8)
    return shifts if byte_order == "little" else shifts[::-1]


def spread(contents: Contents, step: int) -> Contents:
    """Words at every ``step``-th address, those between not known: for addresses that count bytes.

    >>> two = Contents(np.array([7, 8], np.uint64), np.full(2, 0xFFFF, np.uint64), 16, base=4)
    >>> spread(two, 2).base, spread(two, 2).words.tolist()
    (8, [7, 0, 8])
    """
    if step == 1:
        return contents
    words = np.zeros(max(len(contents) * step - step + 1, 0), np.uint64)
    known = np.zeros_like(words)
    words[::step], known[::step] = contents.words, contents.known
    return replace(contents, words=words, known=known, base=contents.base * step)


def window(contents: Contents, base: int, words: int) -> Contents:
    """Exactly ``words`` words from ``base`` on, as addresses from 0; what the contents lack is not known."""
    result, known = np.zeros(words, np.uint64), np.zeros(words, np.uint64)
    start = max(contents.base, base)
    end = min(contents.base + len(contents), base + words)
    if end > start:
        here, there = slice(start - base, end - base), slice(start - contents.base, end - contents.base)
        result[here], known[here] = contents.words[there], contents.known[there]
    return replace(contents, words=result, known=known, base=0)
