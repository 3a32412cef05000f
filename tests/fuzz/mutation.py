"""Inputs by mutation: pieces taken out, doubled, moved, swapped between files, replaced by telling words.

What comes out follows from the seeds and the number of the input alone, but for what the corpus has learned:
an input that makes a reader answer in a new way becomes a seed itself.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Sequence

LONGEST = 2048
"""Bytes of an input at most: what is wrong in a large file is wrong in a small one, and sooner found."""

_MOST_SEEDS = 3000
_CHANGING = re.compile(r"'[^']*'|\"[^\"]*\"|\d+|0x[0-9A-Fa-f]+")


class Mutator:
    """Makes inputs for one reader.

    Args:
        seeds: Files to start from.
        words: Pieces that mean something to the format.
        mend: Makes counts and checksums right again; done to half of the inputs.
        seed: Of the random numbers.
    """

    def __init__(
        self,
        seeds: Sequence[bytes],
        words: Sequence[bytes],
        seed: int,
        mend: Callable[[bytes], bytes] | None = None,
    ) -> None:
        self._mend = mend
        self._corpus = [each[:LONGEST] for each in seeds] or [b""]
        self._words = list(words) or [b"\x00", b"\xff"]
        self._random = random.Random(seed)
        self._answers: set[str] = set()
        self._last = b""

    def next(self) -> bytes:
        """The next input."""
        draw = self._random
        data = bytearray(draw.choice(self._corpus))
        for _ in range(draw.choice((1, 1, 1, 1, 2, 2, 3, 6))):
            draw.choice(_CHANGES)(data, self)
        self._last = bytes(data[:LONGEST])
        if self._mend is not None and draw.random() < 0.5:
            self._last = self._mend(self._last)
        return self._last

    def learn(self, answer: str) -> None:
        """Say how the reader answered the last input; a new answer makes it a seed."""
        if answer == "read":  # to tell one good file from another there is chance only
            answer += str(self._random.randrange(_MOST_SEEDS * 20) // 100)
        if answer not in self._answers and len(self._corpus) < _MOST_SEEDS:
            self._answers.add(answer)
            self._corpus.append(self._last)

    # -- what changes take from here -------------------------------------------------------------------

    def place(self, data: bytearray) -> int:
        return self._random.randrange(len(data) + 1)

    def length(self) -> int:
        return self._random.choice((1, 1, 1, 2, 3, 4, 8, 16, 50))

    def word(self) -> bytes:
        return self._random.choice(self._words)

    def byte(self) -> int:
        return self._random.randrange(256)

    def other(self) -> bytes:
        return self._random.choice(self._corpus)


def answer_of(error: Exception | None) -> str:
    """What an answer has in common with others of its kind: place and words, but not what it quotes."""
    if error is None:
        return "read"
    at = error.__traceback__
    while at is not None and at.tb_next is not None:
        at = at.tb_next
    place = "" if at is None else f"{at.tb_frame.f_code.co_filename}:{at.tb_lineno}"
    message = str(getattr(error, "message", error))
    return f"{type(error).__name__} {place} {_CHANGING.sub('', message)[:60]}"


def _insert_word(data: bytearray, by: Mutator) -> None:
    at = by.place(data)
    data[at:at] = by.word()


def _replace_by_word(data: bytearray, by: Mutator) -> None:
    at = by.place(data)
    word = by.word()
    data[at : at + (len(word) if by.byte() & 1 else by.length())] = word


def _take_out(data: bytearray, by: Mutator) -> None:
    at = by.place(data)
    del data[at : at + by.length()]


def _double(data: bytearray, by: Mutator) -> None:
    at, to = by.place(data), by.place(data)
    data[to:to] = data[at : at + by.length()]


def _line(data: bytearray, by: Mutator) -> tuple[int, int]:
    """Start and end of a line."""
    at = by.place(data)
    return data.rfind(b"\n", 0, at) + 1, (data.find(b"\n", at) + 1 or len(data))


def _double_line(data: bytearray, by: Mutator) -> None:
    start, end = _line(data, by)
    to, _ = _line(data, by)
    data[to:to] = data[start:end]


def _drop_line(data: bytearray, by: Mutator) -> None:
    start, end = _line(data, by)
    del data[start:end]


def _change_byte(data: bytearray, by: Mutator) -> None:
    if data:
        data[by.place(data) % len(data)] = by.byte()


def _flip_bit(data: bytearray, by: Mutator) -> None:
    if data:
        data[by.place(data) % len(data)] ^= 1 << (by.byte() & 7)


def _change_number(data: bytearray, by: Mutator) -> None:
    found = list(re.finditer(rb"\d+", data))
    if found:
        match = found[by.place(data) % len(found)]
        value = int(match[0][:18]) + by.byte() - 128
        data[match.start() : match.end()] = b"%d" % abs(value if by.byte() & 1 else value << (by.byte() & 31))


def _splice(data: bytearray, by: Mutator) -> None:
    other = by.other()
    at = by.place(data)
    cut = by.place(bytearray(other))
    data[at:] = other[cut:]


def _repeat(data: bytearray, by: Mutator) -> None:
    at = by.place(data)
    piece = bytes(data[at : at + by.length()])
    data[at:at] = piece * (by.byte() & 63)


def _cut(data: bytearray, by: Mutator) -> None:
    del data[by.place(data) :]


_CHANGES: tuple[Callable[[bytearray, Mutator], None], ...] = (
    *(_insert_word, _insert_word, _replace_by_word, _replace_by_word, _take_out, _take_out, _double),
    *(_double_line, _drop_line, _change_byte, _change_byte, _flip_bit, _change_number, _change_number),
    *(_splice, _repeat, _cut),
)
