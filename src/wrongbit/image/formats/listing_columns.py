"""Which columns of a listing are addresses and words, and where the words of each line end.

A word of hex digits and a mnemonic can look alike (``DB``, ``ADD``, ``DEC``, ``FACE``). The rules, in the
order in which they decide, are told for people in ``docs/image-formats.md``:

1. A word has the full count of digits; anything else ends the words of its line.
2. The next line's address tells how many words fit before it.
3. A column in which more lines have text than sure words (those with one of 0 to 9) is a text column.
4. What still may be a mnemonic is not used, and a note says so: rather a word not known than a wrong one.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from wrongbit.image.formats.listing_words import WordShape, address_pattern, parse_address

HEX_MNEMONICS = frozenset(
    {"DB", "DC", "DD"}
    | {"ABA", "ADC", "ADD", "BCC", "CBA", "DAA", "DAC", "DAD", "DCB", "DEC", "FCB", "FCC", "FDB"}
    | {"ADCA", "ADCB", "ADDA", "ADDB", "ADDD", "DADD"}
)
"""Mnemonics and assembler words that consist of hex digits only (common practice, no source)."""

_TOKEN = re.compile(r"\S+")
_NUMBER = re.compile(r"[0-9]{1,9}")
_GLUED = re.compile(r"^(\s*(?:[0-9]+\s+)?(?:\$|0[xX])?[0-9A-Fa-f]{1,11}[hHrR']?)\s*[:/]")


@dataclass(frozen=True)
class Token:
    """A piece of a line without spaces, and the columns where it starts and ends (tabs expanded)."""

    text: str
    start: int

    @property
    def end(self) -> int:
        """Column after its last character."""
        return self.start + len(self.text)


@dataclass(frozen=True)
class Line:
    """A line that is neither blank nor a comment."""

    number: int
    text: str
    tokens: tuple[Token, ...]


@dataclass(frozen=True)
class Row:
    """A line read by a layout.

    Args:
        line: The line.
        at: Its address token.
        address: The address.
        rest: All tokens after the address (and what is skipped with it).
        run: How many of them, from the first, look like words.
    """

    line: Line
    at: Token
    address: int
    rest: tuple[Token, ...]
    run: int


@dataclass(frozen=True)
class Layout:
    """Which token of a line is the address and which the first word.

    Args:
        address: Index of the address: 0, or 1 behind a line number.
        first_word: Index of the first word: right after the address, or one later behind a level number.
    """

    address: int
    first_word: int


LAYOUTS = (Layout(0, 1), Layout(1, 2), Layout(0, 2), Layout(1, 3))
"""All that are tried; an earlier one is preferred."""


def split_line(number: int, text: str, shape: WordShape) -> Line:
    """A line in tokens: a separator glued to the address is cut off, and a dash between two words."""
    expanded = text.expandtabs(8).replace("\f", " ")
    expanded = _GLUED.sub(r"\1: ", expanded)
    tokens: list[Token] = []
    for match in _TOKEN.finditer(expanded):
        piece, start = match[0], match.start()
        half = shape.digits
        if len(piece) == 2 * half + 1 and piece[half] == "-" and shape.radix != 10:
            left, right = piece[:half], piece[half + 1 :]
            if shape.is_word(left) and shape.is_word(right):
                tokens += [Token(left, start), Token(right, start + half + 1)]
                continue
        tokens.append(Token(piece, start))
    return Line(number, text, tuple(tokens))


def read_rows(lines: Sequence[Line], layout: Layout, shape: WordShape, address_radix: int) -> list[Row]:
    """The lines that this layout can read, those without a word included (``run`` is 0)."""
    pattern = address_pattern(address_radix)
    rows = []
    for line in lines:
        if len(line.tokens) <= layout.address:
            continue
        numbers = line.tokens[: layout.address]
        levels = line.tokens[layout.address + 1 : layout.first_word]
        if not all(_NUMBER.fullmatch(token.text) for token in (*numbers, *levels)):
            continue
        if any(shape.is_word(token.text) for token in levels):
            continue
        at = line.tokens[layout.address]
        address = parse_address(at.text, pattern, address_radix)
        if address is None:
            continue
        rest = line.tokens[layout.first_word :]
        run = 0
        while run < len(rest) and shape.is_word(rest[run].text):
            run += 1
        rows.append(Row(line, at, address, rest, run))
    return rows


def is_sure(token: Token) -> bool:
    """A word with one of 0 to 9 in it is hardly a mnemonic."""
    return any("0" <= character <= "9" for character in token.text)


def links(row: Row, following: Row, step: int) -> bool:
    """The next address is just what the words of the row lead up to."""
    room, remainder = divmod(following.address - row.address, step)
    if remainder or not 0 < room <= row.run:
        return False
    return room == row.run or not is_sure(row.rest[room])


def count_links(rows: Sequence[Row], step: int) -> int:
    """How many neighbouring rows link: the measure of a layout."""
    return sum(links(row, following, step) for row, following in pairwise(rows))


def numbers_count_lines(rows: Sequence[Row]) -> bool:
    """The first numbers rise with the lines of the file, as line numbers do and addresses hardly ever."""
    pairs = list(pairwise(rows))
    rising = sum(
        int(following.line.tokens[0].text) - int(row.line.tokens[0].text)
        == following.line.number - row.line.number
        for row, following in pairs
    )
    return rising * 2 > len(pairs)


def in_column(rows: Sequence[Row], step: int) -> list[Row]:
    """Rows whose address stands where most addresses stand, or links to a neighbour.

    Keeps a page header such as ``12 10 81 PAGE 1`` from being read as words. Rows without a word stay if
    they are in the column: their address still tells how many words fit before it.
    """
    with_words = [row for row in rows if row.run]
    if not with_words:
        return []
    ends = Counter(row.at.end for row in with_words).most_common(1)[0]
    starts = Counter((row.at.start, len(row.at.text)) for row in with_words).most_common(1)[0]
    colons = sum(row.at.text.endswith(":") for row in with_words) * 2 > len(with_words)
    if max(ends[1], starts[1]) * 2 <= len(with_words):  # typed freely: no column to speak of
        return with_words
    kept = []
    for index, row in enumerate(rows):
        placed = row.at.end == ends[0] or (row.at.start, len(row.at.text)) == starts[0]
        placed |= colons and row.at.text.endswith(":")
        neighbours = rows[max(index - 1, 0) : index + 2]
        if placed or (row.run and any(links(a, b, step) for a, b in pairwise(neighbours))):
            kept.append(row)
    return kept


@dataclass(frozen=True)
class Columns:
    """What stands at each column, over all rows.

    Args:
        sure: Sure words that start at a column.
        text: Rows whose first token that is no word starts at a column.
    """

    sure: Counter[int]
    text: Counter[int]

    @staticmethod
    def of(rows: Sequence[Row]) -> Columns:
        """Count over rows that have a word."""
        sure: Counter[int] = Counter()
        text: Counter[int] = Counter()
        for row in rows:
            sure.update(token.start for token in row.rest[: row.run] if is_sure(token))
            if 0 < row.run < len(row.rest):
                text[row.rest[row.run].start] += 1
        return Columns(sure, text)

    def is_text(self, token: Token) -> bool:
        """More rows have text here than sure words."""
        return self.text[token.start] > self.sure[token.start]

    def is_clear(self, token: Token) -> bool:
        """Words stand here in other rows, and never text."""
        return self.sure[token.start] > 0 and self.text[token.start] == 0


def count_words(row: Row, following: int | None, step: int, columns: Columns) -> tuple[int, str]:
    """How many tokens of the row are words, and a note where that was not plain.

    Args:
        row: The row.
        following: The next row's address, None for the last.
        step: Addresses from one word to the next.
        columns: What stands where.
    """
    if following is not None and following > row.address:
        room, remainder = divmod(following - row.address, step)
        if room == row.run and not remainder:
            return row.run, ""
        if not remainder and room < row.run:
            token = row.rest[room]
            if columns.is_text(token):
                return room, ""
            if not is_sure(token) or columns.text[token.start]:
                return room, f"{token.text!r} was taken for a mnemonic, as the next line's address fits that"
    for index in range(row.run):
        token = row.rest[index]
        if columns.is_text(token):
            return index, ""
        if token.text.isalpha() and _may_be_mnemonic(row, index, clear=columns.is_clear(token)):
            return index, f"{token.text!r} may be a word or a mnemonic and was not used"
    return row.run, ""


def _may_be_mnemonic(row: Row, index: int, *, clear: bool) -> bool:
    """A word of letters only is doubtful by its name, or by the text that follows it."""
    token = row.rest[index]
    listed = token.text.upper() in HEX_MNEMONICS
    if index + 1 < row.run:
        return listed and not clear and index > 0  # words come first, so the first is one
    if row.run == len(row.rest):
        return False  # nothing follows that could be its operand
    return (listed or not clear) and not _ends_spaced_words(row, index)


def _ends_spaced_words(row: Row, index: int) -> bool:
    """The token is as far from the word before it as words are, and the text after it is farther."""
    token = row.rest[index]
    gap_after = row.rest[index + 1].start - token.end
    gap_before = token.start - (row.rest[index - 1].end if index else row.at.end)
    usual = row.rest[1].start - row.rest[0].end if index >= 2 else gap_before
    return gap_before == usual and gap_after > gap_before
