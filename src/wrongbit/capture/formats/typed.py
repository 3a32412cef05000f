"""Bus cycles typed or pasted from an instrument's screen: one a line, ``address word [status]``.

    ; first pass after reset
    FFFC: 00  read
    FFFD = C0
    C000  A?, fetch       # lower digit not legible

Blanks, ``:``, ``=`` and ``,`` stand between the parts, comments begin with ``;`` or ``#``. Digits are those
of the probe point's radix; ``x``, ``z``, ``?`` and ``-`` are digits that nobody knows. Our own notation, made
to take what people write down.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from wrongbit.capture.formats._cells import RADIX_NAMES, CellError, Word, read_kind, read_word
from wrongbit.capture.formats._packing import Words
from wrongbit.capture.source import CycleRows
from wrongbit.capture.text import TextFile
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point

_COMMENT = re.compile(r"[;#].*$")
_BETWEEN = re.compile(r"[\s:=,]+")
_REMEDY = "Write one cycle a line as 'address word' or 'address word status', comments after ';'."


@dataclass(frozen=True)
class _Cycle:
    address: Word
    word: Word
    kind: int
    status: str


def read_typed(text: TextFile, point: Point, widths: Mapping[str, int]) -> CycleRows:
    """Read typed cycles.

    Args:
        text: The file.
        point: Its ``radix``, ``address_radix`` and ``kinds``.
        widths: ``address`` and ``word`` = their bits. Left out: up to 64, not checked.

    Raises:
        CaptureError: A line is no cycle, or there is none.
    """
    reader = _Reader(text, point, widths)
    cycles = list(reader.cycles())
    if not cycles:
        raise CaptureError("The file holds no bus cycle, only comments.", _REMEDY, file=text.name)
    address, address_known = _packed([each.address for each in cycles], reader.address_bits)
    word, known = _packed([each.word for each in cycles], reader.word_bits)
    return CycleRows(
        sample=np.arange(len(cycles), dtype=np.int64),
        time_ps=None,
        kind=np.array([each.kind for each in cycles], np.int8),
        bank=None,
        address=address,
        address_known=address_known,
        word=word,
        known=known,
        source=text.name,
        notes=(*reader.notes(cycles), *text.notes),
        unread_status=np.array([each.kind < 0 and bool(each.status) for each in cycles], np.bool_),
    )


class _Reader:
    def __init__(self, text: TextFile, point: Point, widths: Mapping[str, int]) -> None:
        self.text, self.point = text, point
        self.address_bits, self.word_bits = widths.get("address", 64), widths.get("word", 64)
        self.address_radix = point.address_radix or point.radix
        self.heading_line: int | None = None

    def cycles(self) -> Iterator[_Cycle]:
        for block in self.text.blocks():
            for number, line in enumerate(block.data.decode(errors="replace").split("\n"), block.line):
                parts = [part for part in _BETWEEN.split(_COMMENT.sub("", line)) if part]
                if not parts:
                    continue
                if self.heading_line is None and self._is_heading(parts):
                    self.heading_line = number
                    continue
                self.heading_line = self.heading_line or 0
                yield self._cycle(parts, line.strip(), number)

    @staticmethod
    def _is_heading(parts: list[str]) -> bool:
        """Names of columns above the first cycle, such as ``ADDR DATA STATUS``."""
        from wrongbit.capture.formats.cycle_rows import role_of_heading

        return len(parts) > 1 and [role_of_heading(part) for part in parts[:2]] == ["address", "word"]

    def _cycle(self, parts: list[str], line: str, number: int) -> _Cycle:
        if len(parts) < 2:
            raise self._error(number, f"{line!r} has an address only; a word was expected after it.")
        status = " ".join(parts[2:])
        kind = read_kind(status, self.point.kinds) if status else -1
        if kind < 0 and self._is_word(parts[1], parts[2:]):
            raise self._error(number, f"{line!r} has more than one word; one cycle a line was expected.")
        address = self._word(parts[0], self.address_radix, self.address_bits, "the address", number)
        word = self._word(parts[1], self.point.radix, self.word_bits, "the word", number)
        return _Cycle(address, word, kind, status)

    def _is_word(self, word: str, status: list[str]) -> bool:
        """Whether what stands where the status should is one more word, as in a dump of memory."""
        if not status or len(status[0]) != len(word):
            return False
        try:
            read_word(status[0], self.point.radix, self.word_bits)
        except CellError:
            return False
        return any(character.isdigit() for character in status[0]) or len(status) > 1

    def _word(self, text: str, radix: int, bits: int, what: str, number: int) -> Word:
        try:
            return read_word(text, radix, bits)
        except CellError as error:
            raise self._error(number, f"{text!r} was found as {what}; expected {error}.") from None

    def _error(self, number: int, message: str) -> CaptureError:
        return CaptureError(message, _REMEDY, file=self.text.name, line=number)

    def notes(self, cycles: list[_Cycle]) -> Iterator[str]:
        from wrongbit.capture.formats.cycle_rows import unknown_kinds_note

        addresses, words = RADIX_NAMES[self.address_radix], RADIX_NAMES[self.point.radix]
        yield f"Read as typed text: address ({addresses}), word ({words}) and status on each line."
        if self.heading_line:
            yield f"Line {self.heading_line} names the columns."
        unknown: dict[str, int] = {}
        for cycle in cycles:
            if cycle.kind < 0 and cycle.status:
                unknown[cycle.status] = unknown.get(cycle.status, 0) + 1
        if unknown:
            yield unknown_kinds_note(unknown, self.point)


def _packed(words: list[Word], bits: int) -> tuple[Words, Words]:
    whole = (1 << bits) - 1
    value = np.array([word.value for word in words], np.uint64)
    return value, np.array([whole & ~word.unknown for word in words], np.uint64)
