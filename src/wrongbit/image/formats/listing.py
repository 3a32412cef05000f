"""Plain listing: lines of an address, one or more words, then whatever an assembler or a person adds.

There is no standard; this is what paper listings look like when typed in, and what assemblers and dump
programs print (common practice, no source). `listing_columns` decides what is a word.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import zip_longest
from typing import Literal

import numpy as np

from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.image.formats.listing_columns import (
    LAYOUTS,
    Columns,
    Layout,
    Line,
    Row,
    count_links,
    count_words,
    in_column,
    numbers_count_lines,
    read_rows,
    split_line,
)
from wrongbit.image.formats.listing_words import RADIX_NAMES, WORD_BITS_OF_DIGITS, WordShape
from wrongbit.image.formats.records import LARGEST_SPAN, SPARSE_SPAN, too_wide
from wrongbit.image.formats.text import decode_lines, require_content, show, text_or_reason

_COMMENT_MARKS = (";", "*", "#")
_SAMPLE = 2000
"""Lines at the start on which shape and layout are decided."""
_SHOWN = 3
"""Lines of each sort that a note shows."""


@dataclass(frozen=True)
class ListingOptions:
    """What a person says about a listing.

    Args:
        address_radix: Number base of addresses: 8, 10 or 16.
        word_radix: Number base of words: 8, 10 or 16.
        word_bits: Width of a word; None: told by the count of digits (hex and octal), with a note.
        address_unit: What the addresses count; None: told by how they rise, with a note.
    """

    address_radix: int = 16
    word_radix: int = 16
    word_bits: int | None = None
    address_unit: Literal["word", "byte"] | None = None


def recognise(data: bytes) -> tuple[bool, str]:
    """Whether these bytes may be a listing, and why: they are text."""
    text, reason = text_or_reason(data)
    return text, reason


@dataclass(frozen=True)
class _Reading:
    """A listing read one way.

    Args:
        shape: How its words are written.
        layout: Which token is what.
        step: Addresses from one word to the next.
        rows: Lines that have their address where the others have it; some without a word.
        links: Rows that lead up to the next one's address: the measure of this way.
    """

    shape: WordShape
    layout: Layout
    step: int
    rows: list[Row]
    links: int

    @property
    def rank(self) -> tuple[int, int]:
        """The best reading has most links, then most rows. A layout that skips a number needs proof."""
        if self.layout != LAYOUTS[0] and not self.links:
            return (0, 0)
        if self.layout.address and not numbers_count_lines(self.rows):
            return (0, 0)
        return (self.links, sum(row.run > 0 for row in self.rows))


@dataclass
class _Gathered:
    """Words by address, with the line that gave each, and what is to be told."""

    words: dict[int, tuple[int, int, int]] = field(default_factory=dict)
    used: set[int] = field(default_factory=set)
    repeated: int = 0
    unclear: list[str] = field(default_factory=list)


def read(data: bytes, file: str, options: ListingOptions) -> tuple[Contents, int]:
    """A listing as words one after another, and by how much its addresses step from word to word.

    Returns:
        Contents whose base is the first address divided by the step; the step: 1, or the bytes in a word
        where the addresses count bytes.

    Raises:
        ImageError: No usable line, a word that is too wide, two lines that disagree, or addresses that
            span more than any ROM.
    """
    if len(data) > _KEPT_BYTES:
        return _read(data, file, options)
    try:
        contents, step = _kept(data, options)
    except ImageError as error:
        error.file = file
        raise
    return replace(contents, words=contents.words.copy(), known=contents.known.copy(), source=file), step


def _read(data: bytes, file: str, options: ListingOptions) -> tuple[Contents, int]:
    """The same, each time anew."""
    require_content(data, file)
    text, reason = text_or_reason(data)
    if not text:
        raise ImageError(
            f"this is not a text: {reason}.",
            "A listing is lines of text: give the file's true format.",
            file=file,
        )
    lines = decode_lines(data)
    worth = [
        (number, line.split(";")[0])
        for number, line in enumerate(lines, 1)
        if line.strip() and not line.lstrip().startswith(_COMMENT_MARKS)
    ]
    reading = _best_reading(worth, options, file)
    columns = Columns.of(reading.rows)
    gathered = _gather(reading, columns, file)
    notes = _notes(lines, worth, reading, gathered, options)
    if not gathered.words:
        raise _nothing_usable(worth, reading.shape, options, file)
    return _contents(gathered, reading, file, notes), reading.step


# A scanned print-out takes a second to read, and each view of a case asks for it.
_KEPT_BYTES = 4 << 20


@lru_cache(maxsize=8)
def _kept(data: bytes, options: ListingOptions) -> tuple[Contents, int]:
    return _read(data, "", options)


def _shapes(options: ListingOptions, file: str) -> list[WordShape]:
    if options.word_bits is not None:
        return [WordShape(options.word_radix, options.word_bits)]
    widths = WORD_BITS_OF_DIGITS.get(options.word_radix)
    if widths is None:
        raise ImageError(
            "decimal words do not show how many bits they have.",
            "State the width of a word (word_bits).",
            file=file,
        )
    return [WordShape(options.word_radix, bits) for bits in widths.values()]


def _best_reading(worth: Sequence[tuple[int, str]], options: ListingOptions, file: str) -> _Reading:
    """The word shape, layout and step under which most lines lead up to the next line's address."""
    tried = []
    for shape in _shapes(options, file):
        lines = [split_line(number, text, shape) for number, text in worth[:_SAMPLE]]
        tried += [each for layout in LAYOUTS for each in _readings(lines, shape, layout, options)]
    best = max(tried, key=lambda reading: reading.rank)  # of equal ones the first
    if len(worth) <= _SAMPLE:
        return best
    lines = [split_line(number, text, best.shape) for number, text in worth]
    whole = _readings(lines, best.shape, best.layout, options)
    return max(whole, key=lambda reading: reading.rank)


def _readings(
    lines: Sequence[Line], shape: WordShape, layout: Layout, options: ListingOptions
) -> list[_Reading]:
    """The lines read by one shape and layout, once for each step that is possible."""
    rows = read_rows(lines, layout, shape, options.address_radix)
    readings = []
    for step in _steps(shape, rows, options.address_unit):
        kept = in_column(rows, step)
        readings.append(_Reading(shape, layout, step, kept, count_links(kept, step)))
    return readings


def _steps(shape: WordShape, rows: Sequence[Row], unit: Literal["word", "byte"] | None) -> tuple[int, ...]:
    """Addresses count words; or bytes, where a word is several and every address is a multiple of them."""
    size = shape.bits // 8
    if size < 2 or shape.bits % 8 or unit == "word":
        return (1,)
    if unit == "byte":
        return (size,)
    return (1,) if any(row.address % size for row in rows if row.run) else (1, size)


def _gather(reading: _Reading, columns: Columns, file: str) -> _Gathered:
    """Take the words of each row; two rows may not disagree."""
    gathered = _Gathered()
    for row, after in zip_longest(reading.rows, reading.rows[1:]):
        following = after.address if after is not None else None
        count, unclear = count_words(row, following, reading.step, columns)
        if unclear:
            gathered.unclear.append(f"line {row.line.number}: {unclear}")
        if count == row.run:
            _check_end(row, reading.shape, columns, gathered, file)
        if count:
            gathered.used.add(row.line.number)
        for index in range(count):
            _take(row, index, reading, gathered, file)
    return gathered


def _check_end(row: Row, shape: WordShape, columns: Columns, gathered: _Gathered, file: str) -> None:
    """Look at the token that ended the words: too wide is an error, too short is told."""
    if row.run == len(row.rest):
        return
    token = row.rest[row.run]
    if not shape.is_number(token.text) or columns.sure[token.start] <= columns.text[token.start]:
        return
    if len(token.text) > shape.digits:
        raise ImageError(
            f"{token.text!r} stands where a word is expected and has {len(token.text)} digits; "
            f"a word has {shape.text}.",
            "Put spaces between the words, or state the true width of a word.",
            file=file,
            line=row.line.number,
        )
    gathered.unclear.append(
        f"line {row.line.number}: {token.text!r} has fewer digits than a word; the words end before it"
    )


def _take(row: Row, index: int, reading: _Reading, gathered: _Gathered, file: str) -> None:
    """Put one word at its address."""
    shape, line, token = reading.shape, row.line.number, row.rest[index]
    address = row.address + index * reading.step
    if address % reading.step:
        raise ImageError(
            f"address 0x{row.address:X} lies inside a word of {shape.bits} bits, as addresses count bytes.",
            "Correct the address, or state the true width of a word.",
            file=file,
            line=line,
        )
    if not shape.fits(token.text):
        raise ImageError(
            f"{token.text!r} is more than {shape.bits} bits can hold "
            f"(at most {shape.format((1 << shape.bits) - 1)}).",
            "Correct the word, or state the true width of a word.",
            file=file,
            line=line,
        )
    value, known = shape.parse(token.text)
    before = gathered.words.get(address)
    if before is None:
        gathered.words[address] = (value, known, line)
        return
    if (before[0] ^ value) & before[1] & known:
        raise ImageError(
            f"address 0x{address:X} is given as {token.text} here and as {shape.format(before[0])} "
            f"on line {before[2]}.",
            "Correct the line that is wrong. What is no word (a sum at the end of a line, say) goes "
            "behind a ';'.",
            file=file,
            line=line,
        )
    gathered.repeated += 1
    gathered.words[address] = (before[0] | value, before[1] | known, before[2])


def _contents(gathered: _Gathered, reading: _Reading, file: str, notes: list[str]) -> Contents:
    addresses = np.fromiter(gathered.words, np.int64) // reading.step
    base, span = int(addresses.min()), int(addresses.max() - addresses.min()) + 1
    if too_wide(span, len(gathered.words)):
        far = max(gathered.words)
        most = LARGEST_SPAN if span > LARGEST_SPAN else SPARSE_SPAN
        few = "" if span > LARGEST_SPAN else f", and only {len(gathered.words)} of them are given"
        raise ImageError(
            f"the addresses span more than {most >> 20} Mi words, from 0x{min(gathered.words):X} "
            f"to 0x{far:X}{few}.",
            "Correct the address that is too far off, or put each part into a file of its own.",
            file=file,
            line=gathered.words[far][2],
        )
    words, known = np.zeros(span, np.uint64), np.zeros(span, np.uint64)
    given = np.array([entry[:2] for entry in gathered.words.values()], np.uint64)
    words[addresses - base], known[addresses - base] = given[:, 0], given[:, 1]
    return Contents(words & known, known, reading.shape.bits, base, file, tuple(notes))


def _notes(
    lines: Sequence[str],
    worth: Sequence[tuple[int, str]],
    reading: _Reading,
    gathered: _Gathered,
    options: ListingOptions,
) -> list[str]:
    """What was taken for what, and what was not used."""
    shape = reading.shape
    notes = [_count_note(lines, worth, gathered)]
    if options.word_bits is None:
        notes.append(f"Words were taken to have {shape.bits} bits, as they have {shape.digits} digits.")
    if reading.layout.address:
        notes.append("The first number of each line was taken for a line number, the second for the address.")
    if reading.layout.first_word - reading.layout.address > 1:
        notes.append("The number after the address was taken for a level, not for a word.")
    if reading.step > 1:
        notes.append(f"The addresses count bytes: {reading.step} from word to word.")
    if not reading.links:
        notes.append(_unproven(reading, options))
    if gathered.repeated:
        notes.append(f"Given twice with the same value: {gathered.repeated} words.")
    if gathered.unclear:
        shown = "; ".join(gathered.unclear[:_SHOWN])
        more = len(gathered.unclear) - _SHOWN
        notes.append(f"Not plain: {shown}{f'; and {more} more' if more > 0 else ''}.")
    alone = [number for number, line in enumerate(lines, 1) if line.strip() == "*"]
    if alone:
        notes.append(
            f"Line {alone[0]} is a '*' alone ({len(alone)} such), as in dumps that leave out repeated lines: "
            "what it stands for is not known."
        )
    return notes


def _unproven(reading: _Reading, options: ListingOptions) -> str:
    """What nothing in the listing confirms: no line leads up to the next one's address."""
    text = "No line's words lead up to the next line's address: check that the first number is the address"
    several = any(row.run > 1 for row in reading.rows)
    if several and len(_steps(reading.shape, reading.rows, options.address_unit)) > 1:
        text += ", and that addresses count words, as was taken, not bytes"
    return f"{text}."


def _count_note(lines: Sequence[str], worth: Sequence[tuple[int, str]], gathered: _Gathered) -> str:
    filled = sum(bool(line.strip()) for line in lines)
    text = f"{len(gathered.used)} of {filled} lines used; {filled - len(worth)} comments; "
    unused = [(number, line) for number, line in worth if number not in gathered.used]
    if not unused:
        return f"{text}none left over."
    first = ", ".join(f"line {number} {show(line.strip())}" for number, line in unused[:_SHOWN])
    return f"{text}{len(unused)} not used (first: {first})."


def _nothing_usable(
    worth: Sequence[tuple[int, str]], shape: WordShape, options: ListingOptions, file: str
) -> ImageError:
    """The error when no line has an address and a word."""
    address = RADIX_NAMES[options.address_radix]
    return ImageError(
        f"no line has an address in {address} digits and then a word of {shape.text}.",
        "State the number bases and the width of a word; put spaces between words.",
        file=file,
        notes=tuple(f"line {number}: {show(line.strip(), 60)}" for number, line in worth[:_SHOWN]),
    )
