"""The plain way of reading VCD changes: word by word, with an exact error for what cannot be right.

It gives the same changes as `wrongbit.capture.formats._vcd_fast`, about thirty times slower. It is used for
blocks that hold a form the fast way does not know, and to say what is wrong with a block and where.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np

from wrongbit.capture.formats._vcd_words import (
    IGNORED,
    KEYWORDS,
    UNDECLARED,
    BodyError,
    Changes,
    Slots,
    low_mask,
)

_WORD = re.compile(rb"[^\x00-\x20]+")
_ONES = bytes.maketrans(b"xXzZ", b"0000")
_UNKNOWNS = bytes.maketrans(b"01xXzZ", b"001111")
_LATEST = 2**63 - 1
_DAMAGED = "The file may be damaged or edited; export it again."


@dataclass
class _Collected:
    ticks: list[int] = field(default_factory=list)
    before: list[int] = field(default_factory=list)
    slot: list[int] = field(default_factory=list)
    value: list[int] = field(default_factory=list)
    unknown: list[int] = field(default_factory=list)


class PlainReader:
    """Reads blocks of changes word by word.

    Args:
        slots: Where values go.
    """

    def __init__(self, slots: Slots) -> None:
        self._slots = slots

    def read(self, block: bytes, now: int) -> Changes:
        """The changes in a block that begins and ends between words; comments have been blanked out.

        Args:
            block: The text.
            now: The last time stamp before it.

        Raises:
            BodyError: Something cannot be right.
        """
        found = _Collected()
        opener: re.Match[bytes] | None = None  # a vector, real or string whose id comes next
        for word in _WORD.finditer(block):
            text = word[0]
            first = text[:1]
            if opener is not None:
                self._vector(found, opener, text, word.start())
                opener = None
            elif first in b"01xXzZ":
                self._scalar(found, text, word.start())
            elif first == b"#":
                now = self._stamp(text, now, word.start())
                found.ticks.append(now)
            elif first in b"bBrRsS":
                opener = word
            elif text not in KEYWORDS:
                raise _unexpected(text, word.start())
        return Changes(
            np.array(found.ticks, np.int64),
            np.array(found.before, np.int64),
            np.array(found.slot, np.int64),
            np.array(found.value, np.uint64),
            np.array(found.unknown, np.uint64) if any(found.unknown) else None,
            None if opener is None else opener.start(),
        )

    def _stamp(self, text: bytes, now: int, offset: int) -> int:
        if not re.fullmatch(rb"#[0-9]+", text):
            raise BodyError(
                offset, f"The time is {shown(text)}; '#' and a whole number was expected.", _DAMAGED
            )
        tick = int(text[1:]) if len(text) < 1000 else _LATEST + 1
        if tick > _LATEST:
            raise BodyError(
                offset, f"The time {shown(text)} is past what 63 bits can count.", "Export a shorter stretch."
            )
        if tick < now:
            raise BodyError(
                offset,
                f"The time goes backwards: {shown(text)} comes after '#{now}'.",
                "Export the capture again; two captures pasted together must be read one by one.",
            )
        return tick

    def _scalar(self, found: _Collected, text: bytes, offset: int) -> None:
        if len(text) == 1:
            raise BodyError(
                offset,
                f"The value {shown(text)} has no id right behind it.",
                "A change of one bit is written without a blank, such as '1!'.",
            )
        self._add(found, text[:1], text[1:], offset)

    def _vector(self, found: _Collected, value: re.Match[bytes], code: bytes, offset: int) -> None:
        text = value[0]
        if self._slot(code, offset) == IGNORED:
            return
        if text[:1] in b"bB":
            digits = text[1:]
            bad = digits.lstrip(b"01xXzZ")
            if bad or not digits:
                what = f"digit {shown(bad[:1])}" if bad else "no digit"
                raise BodyError(
                    value.start(),
                    f"The vector {shown(text)} has {what}; 0, 1, x and z were expected.",
                    _DAMAGED,
                )
            self._add(found, digits, code, offset)
        else:
            raise BodyError(
                value.start(),
                f"{shown(text)} is no value for {shown(code)}, which is declared as bits.",
                _DAMAGED,
            )

    def _slot(self, code: bytes, offset: int) -> int:
        slot = self._slots.of_code.get(code, UNDECLARED)
        if slot == UNDECLARED:
            raise BodyError(
                offset,
                f"The id {shown(code)} was not declared by any '$var'.",
                "The header and the changes do not belong together; export the capture again.",
            )
        return slot

    def _add(self, found: _Collected, digits: bytes, code: bytes, offset: int) -> None:
        slot = self._slot(code, offset)
        if slot == IGNORED:
            return
        width = int(self._slots.width[slot])
        if len(digits) > width:
            raise BodyError(
                offset,
                f"A vector of {len(digits)} digits is given to {shown(code)}, which has {width} bits.",
                "The header and the changes do not belong together; export the capture again.",
            )
        value = int(digits.translate(_ONES), 2)
        unknown = int(digits.translate(_UNKNOWNS), 2)
        if digits[:1] in b"xXzZ":  # a short vector is filled up with its leftmost x or z, else with 0
            unknown |= (1 << width) - (1 << len(digits))
        for piece in range((width + 63) // 64):
            found.before.append(len(found.ticks))
            found.slot.append(slot + piece)
            found.value.append(value >> 64 * piece & low_mask(64))
            found.unknown.append(unknown >> 64 * piece & low_mask(64))


def _unexpected(text: bytes, offset: int) -> BodyError:
    if text.startswith(b"$"):
        return BodyError(
            offset,
            f"The keyword {shown(text)} stands among the changes; $dumpvars, $dumpall, $dumpoff, $dumpon, "
            "$comment or $end was expected.",
            "If two VCD files were pasted together, read them one by one.",
        )
    if text[:1] in b"pP":
        return BodyError(
            offset,
            f"{shown(text)} is a port value of an extended VCD; 0, 1, x, z, b… or #… was expected.",
            "Dump a four-state VCD ($dumpvars) in place of ports ($dumpports).",
        )
    return BodyError(
        offset, f"{shown(text)} is no change; 0, 1, x or z and an id, b…, r… or #… was expected.", _DAMAGED
    )


def shown(word: bytes) -> str:
    """A word for a message: quoted, unprintable bytes escaped, not endless.

    >>> shown(b"b01"), shown(b"0" * 100)
    ("'b01'", "'00000000000000000000000000000000000…'")
    """
    text = ascii(word.decode("latin-1"))
    return text if len(text) <= 40 else f"{text[:36]}…'"
