"""The fast way of reading VCD changes: whole blocks of bytes at a time, with numpy.

A block is cut into words at its white space. One look at the first byte tells a word's kind, and eight bytes
are loaded as one ``uint64`` and handled together, so that nothing is done byte by byte or line by line:

- *Digits of a time* occupy the top bytes of such a load. Neighbouring bytes, then pairs, then fours are
  joined by a multiplication and a shift each.
- *Digits of a vector*: bit 0 of ``0 1 x X z Z`` is the level, and bit 3 says that it is unknown. One
  multiplication moves eight such bits, one from each byte, into one byte.
- *Id codes* of one or two characters index a table; longer ones are found by binary search.

Whatever does not fit makes the reader give up the block (it returns None), and the plain reader takes it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from wrongbit.capture.formats._vcd_words import (
    IGNORED,
    KEYWORDS,
    LONGEST_STAMP,
    UNDECLARED,
    Changes,
    SlotNumbers,
    Slots,
    low_mask,
)

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

PADDING: Final = 8
"""Bytes that must stand before and behind a block: eight bytes are loaded at a time."""

_BAD, _SCALAR, _OPENER, _STAMP, _KEYWORD, _CODE = range(6)


def _kinds() -> Bytes:
    table = np.full(256, _BAD, np.uint8)
    for characters, kind in (
        (b"01xXzZ", _SCALAR),
        (b"bBrRsS", _OPENER),
        (b"#", _STAMP),
        (b"$", _KEYWORD),
    ):
        table[list(characters)] = kind
    return table


_KIND = _kinds()
_IS_DIGIT = np.isin(np.arange(256), list(b"01xXzZ\x00"))  # 0 stands for 'beyond the word'
_LOW_BYTES = np.array([low_mask(8 * n) for n in range(9)], np.uint64)
_HIGH_BYTES = np.array([low_mask(64) ^ low_mask(64 - 8 * n) for n in range(9)], np.uint64)
_LOW_BITS = np.array([low_mask(n) for n in range(65)], np.uint64)
_NOTHING = np.empty(0, np.uint64)


def _each_byte(byte: int) -> np.uint64:
    return np.uint64(int.from_bytes(bytes([byte]) * 8))


_ZEROS, _LEVELS = _each_byte(0x30), _each_byte(0x01)
_ABOVE_NINE, _TOP_BITS, _BUT_LEVEL = _each_byte(0x76), _each_byte(0x80), _each_byte(0xFE)
_GATHER = np.uint64(0x8040201008040201)


class FastReader:
    """Reads blocks of changes with numpy.

    Args:
        slots: Where values go.
    """

    def __init__(self, slots: Slots) -> None:
        self._width = slots.width
        self._codes = _Codes(slots)

    def read(self, block: Bytes, now: int) -> Changes | None:
        """The changes in a block, or None where it holds something that needs the plain reader.

        Args:
            block: ``uint8 (n,)``: `PADDING` blanks, text that ends with a blank, `PADDING` bytes of any kind.
                Comments have been blanked out.
            now: The last time stamp before it.
        """
        text = _Text(block)
        is_stamp = text.kind == _STAMP
        ticks = _ticks(text, np.flatnonzero(is_stamp), now)
        if ticks is None or not (text.kind != _BAD).all() or not _known_keywords(text):
            return None
        scalars = self._scalars(text)
        vectors = self._vectors(text)
        if scalars is None or vectors is None:
            return None
        found = _in_file_order([piece for piece in (scalars, *vectors) if len(piece.word)], len(text))
        before = np.cumsum(is_stamp, dtype=np.int32).take(found.word)
        return Changes(ticks, before, found.slot, found.value, found.unknown, text.unfinished)

    def _scalars(self, text: _Text) -> _Found | None:
        """Changes of one bit, or None where an id is not declared or missing."""
        word = np.flatnonzero(text.kind == _SCALAR)
        start = text.start.take(word) + 1
        slot = self._codes.find(text, start, text.end.take(word) - start)
        if (slot == UNDECLARED).any():
            return None
        first = text.first.take(word)
        if (slot == IGNORED).any():
            wanted = slot != IGNORED
            word, slot, first = word[wanted], slot[wanted], first[wanted]
        value = (first & 1).astype(np.uint64)
        if not (first & 8).any():
            return _Found(word, slot, value, None)
        unknown = (first >> 3 & 1).astype(np.uint64)
        width = self._width.take(slot)
        if (width > 64).any():
            return None
        # x and z fill a vector that is given one digit only
        return _Found(word, slot, value, unknown * _LOW_BITS.take(width))

    def _vectors(self, text: _Text) -> list[_Found] | None:
        """Changes of vectors, 64 bits at a time, or None where something is not as it should be."""
        word = np.flatnonzero(text.kind == _CODE)
        start = text.start.take(word)
        slot = self._codes.find(text, start, text.end.take(word) - start)
        if (slot == UNDECLARED).any():
            return None
        if (slot == IGNORED).any():
            wanted = slot != IGNORED
            word, slot = word[wanted], slot[wanted]
        if not len(word):
            return []
        start, end = text.start.take(word - 1) + 1, text.end.take(word - 1)
        count, width = end - start, self._width.take(slot)
        is_binary = (text.first.take(word - 1) | 0x20 == ord("b")).all()
        if not is_binary or count.min() < 1 or (count > width).any():
            return None
        found = []
        for piece in range((int(width.max()) + 63) // 64):
            if piece:
                more = np.flatnonzero(width > 64 * piece)
                word, slot, start, end, count, width = (
                    each.take(more) for each in (word, slot + 1, start, end, count, width)
                )
            numbers = _binary(text, end - 64 * piece, np.clip(count - 64 * piece, 0, 64))
            if numbers is None:
                return None
            value, unknown = numbers
            # A short vector is filled up with its leftmost x or z, else with 0.
            short = np.flatnonzero(count < width)
            open_end = short[text.block.take(start.take(short)) & 8 != 0]
            if len(open_end):
                unknown = np.zeros_like(value) if unknown is None else unknown
                upper, lower = (
                    _LOW_BITS.take(np.clip(each.take(open_end) - 64 * piece, 0, 64))
                    for each in (width, count)
                )
                unknown[open_end] |= upper & ~lower
            found.append(_Found(word, slot, value, unknown))
        return found


class _Text:
    """A block cut into words.

    Attributes:
        start, end: ``int64 (n,)`` bounds of each word in the block.
        first: ``uint8 (n,)`` its first byte.
        kind: ``uint8 (n,)`` what it is.
        unfinished: Offset, without padding, of a last word whose id is missing and which was left out.
    """

    def __init__(self, block: Bytes) -> None:
        self.block = block
        self.eights: Words = np.ndarray((len(block) - 7,), np.dtype("<u8"), block, strides=(1,))
        blanks = np.flatnonzero(block[PADDING - 1 : len(block) - PADDING] <= 32)
        blanks += PADDING - 1
        self.end = blanks[1:]
        self.start = blanks[:-1] + 1
        if not (filled := self.end > self.start).all():
            self.start, self.end = self.start[filled], self.end[filled]
        self.first = block.take(self.start)
        self.kind = _KIND.take(self.first)
        self.unfinished: int | None = None
        if self._mark_codes():
            self.unfinished = int(self.start[-1]) - PADDING
            self.start, self.end = self.start[:-1], self.end[:-1]
            self.first, self.kind = self.first[:-1], self.kind[:-1]

    def __len__(self) -> int:
        return len(self.kind)

    def _mark_codes(self) -> bool:
        """Mark the word after each vector, real or string as its id; True where the last one is missing."""
        opener = self.kind == _OPENER
        if not opener.any():
            return False
        if (opener[1:] & opener[:-1]).any():
            # An id may look like a value: of words in a row that do, every other one is an id.
            index = np.arange(len(opener))
            rank = index - np.maximum.accumulate(np.where(opener, -1, index))
            opener = rank & 1 == 1
        self.kind[1:][opener[:-1]] = _CODE
        return bool(opener[-1])


class _Found:
    """Changes of one form.

    Args:
        word: ``int64 (c,)`` number of the word that completes each.
        slot: Integers ``(c,)`` slot.
        value: ``uint64 (c,)`` new value.
        unknown: ``uint64 (c,)`` unknown bits, or None.
    """

    def __init__(self, word: Ints, slot: SlotNumbers, value: Words, unknown: Words | None) -> None:
        self.word = word
        self.slot = slot
        self.value = value
        self.unknown = unknown


def _in_file_order(pieces: list[_Found], words: int) -> _Found:
    """Changes of several forms, sorted by the word that completes them."""
    if not pieces:
        nothing = np.empty(0, np.int64)
        return _Found(nothing, nothing, _NOTHING, None)
    if len(pieces) == 1:
        return pieces[0]
    word = np.concatenate([piece.word for piece in pieces])
    order = np.argsort(word, kind="stable")
    unknown = None
    if any(piece.unknown is not None for piece in pieces):
        unknown = np.concatenate(
            [np.zeros_like(piece.value) if piece.unknown is None else piece.unknown for piece in pieces]
        ).take(order)
    return _Found(
        word.take(order),
        np.concatenate([piece.slot for piece in pieces]).take(order),
        np.concatenate([piece.value for piece in pieces]).take(order),
        unknown,
    )


def _known_keywords(text: _Text) -> bool:
    at = np.flatnonzero(text.kind == _KEYWORD)
    start, end = text.start.take(at), text.end.take(at)
    length = end - start
    head = text.eights[start] & _LOW_BYTES.take(np.minimum(length, 8))
    last = text.block.take(end - 1)
    known = np.zeros(len(at), np.bool_)
    for keyword in KEYWORDS:  # none is longer than nine letters
        number = np.uint64(int.from_bytes(keyword[:8], "little"))
        known |= (length == len(keyword)) & (head == number) & (last == keyword[-1])
    return bool(known.all())


def _eights(text: _Text, end: Ints, count: Ints) -> tuple[Words, Words | None]:
    """The last eight bytes before each ``end``, those beyond ``count`` 0; and the mask, if one was needed."""
    loaded = text.eights[end - 8]
    if count.min() >= 8:
        return loaded, None
    mask = _HIGH_BYTES.take(np.minimum(count, 8))
    loaded &= mask
    return loaded, mask


def _ticks(text: _Text, word: Ints, now: int) -> Ints | None:
    """Time stamps, or None where one is no number, is very long or goes backwards."""
    total = np.zeros(len(word), np.uint64)
    if not len(word):
        return total.view(np.int64)
    end = text.end.take(word)
    count = end - text.start.take(word) - 1
    if count.min() < 1 or count.max() > LONGEST_STAMP:
        return None
    for done in range(0, int(count.max()), 8):
        some = slice(None) if count.min() > done else np.flatnonzero(count > done)
        digits, mask = _eights(text, end[some] - done, count[some] - done)
        digits ^= _ZEROS if mask is None else _ZEROS & mask
        if ((digits + _ABOVE_NINE | digits) & _TOP_BITS).any():
            return None
        total[some] += _decimal(digits) * np.uint64(10**done)
    ticks = total.view(np.int64)
    return ticks if ticks[0] >= now and (ticks[1:] >= ticks[:-1]).all() else None


def _decimal(digits: Words) -> Words:
    """Eight digits, one a byte, the first in the lowest byte, as a number."""
    pairs = digits * np.uint64(10 << 8 | 1) >> np.uint64(8) & np.uint64(0x00FF_00FF_00FF_00FF)
    fours = pairs * np.uint64(100 << 16 | 1) >> np.uint64(16) & np.uint64(0x0000_FFFF_0000_FFFF)
    return fours * np.uint64(10000 << 32 | 1) >> np.uint64(32)


def _binary(text: _Text, end: Ints, count: Ints) -> tuple[Words, Words | None] | None:
    """Values and unknown bits of up to 64 digits before each ``end``; None where one is no digit."""
    value = np.zeros(len(end), np.uint64)
    unknown: Words | None = None
    for done in range(0, int(count.max(initial=0)), 8):
        some = slice(None) if count.min() > done else np.flatnonzero(count > done)
        digits, mask = _eights(text, end[some] - done, count[some] - done)
        shift = np.uint64(done)
        value[some] |= ((digits & _LEVELS) * _GATHER >> np.uint64(56)) << shift
        odd = np.flatnonzero(digits & _BUT_LEVEL != (_ZEROS if mask is None else _ZEROS & mask))
        if len(odd):
            digits = digits.take(odd)
            if not _IS_DIGIT.take(digits.view(np.uint8)).all():
                return None
            unknown = np.zeros_like(value) if unknown is None else unknown
            at = odd if isinstance(some, slice) else some.take(odd)
            unknown[at] |= ((digits >> np.uint64(3) & _LEVELS) * _GATHER >> np.uint64(56)) << shift
    return value, unknown


class _Codes:
    """Finds the slots of many id codes at once."""

    def __init__(self, slots: Slots) -> None:
        kind = np.dtype(np.int16 if len(slots) < 1 << 15 else np.int32)  # numpy sorts 16 bits by radix
        self._table: SlotNumbers = np.full(1 << 16, UNDECLARED, kind)
        long: dict[int, int] = {}
        self._longest: dict[bytes, int] = {}
        for code, slot in slots.of_code.items():
            number = int.from_bytes(code, "little")
            if len(code) <= 2:
                self._table[number] = slot
            elif len(code) <= 8:
                long[number] = slot
            else:
                self._longest[code] = slot
        self._keys = np.array(sorted(long), np.uint64)
        self._slots: SlotNumbers = np.array([long[key] for key in sorted(long)] or [UNDECLARED], kind)

    def find(self, text: _Text, start: Ints, length: Ints) -> SlotNumbers:
        """Slots of the codes that begin at ``start``; `UNDECLARED` where there is none, or no code."""
        longest = length.max(initial=1)
        if longest == 1:
            slot = self._table.take(text.block.take(start))
            slot[length < 1] = UNDECLARED
            return slot
        key = text.eights[start] & _LOW_BYTES.take(np.clip(length, 0, 8))
        slot = self._table.take((key & np.uint64(0xFFFF)).view(np.int64))
        slot[length < 1] = UNDECLARED
        if longest > 2:
            long = np.flatnonzero(length > 2)
            slot[long] = self._find_long(text, start.take(long), length.take(long), key.take(long))
        return slot

    def _find_long(self, text: _Text, start: Ints, length: Ints, key: Words) -> SlotNumbers:
        place = np.searchsorted(self._keys, key)
        slot = self._slots.take(place, mode="clip")
        if len(self._keys):
            slot[self._keys.take(place, mode="clip") != key] = UNDECLARED
        for index in np.flatnonzero(length > 8):
            code = text.block[start[index] : start[index] + length[index]].tobytes()
            slot[index] = self._longest.get(code, UNDECLARED)
        return slot
