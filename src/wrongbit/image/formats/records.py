"""Byte records at addresses, as Intel HEX and S-records hold them: parsed, laid out, cut up again."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.image.formats.text import (
    decode_lines,
    last_line_number,
    require_content,
    show,
    text_or_reason,
)

Record = tuple[int, bytes, int]
"""Address of the first byte, the bytes, and the line that gave them."""

LARGEST_SPAN = 1 << 26
"""Addresses from first to last that contents may span (64 Mi): beyond, the file is not one ROM's."""

SPARSE_SPAN, _SHARE = 1 << 24, 16
"""Beyond 16 Mi addresses a file must give one in so many: memory follows the span, not the file's size."""

_SAMPLE = 200
"""Lines at the start of a file that are looked at to recognise it."""


@dataclass
class Gathered:
    """What the reader of a record format has met so far.

    Args:
        file: The file, for messages.
        ended: Line of the end record, None before it.
        records: Data records in file order.
        notes: What is to be told.
    """

    file: str
    ended: int | None = None
    records: list[Record] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


State = TypeVar("State", bound=Gathered)


def recognise_lines(data: bytes, record_like: re.Pattern[str], looks: str) -> tuple[bool, str]:
    """Whether most of the first lines match, and the reason in words.

    Args:
        data: The whole file.
        record_like: Matches the start of a record.
        looks: How a record starts, in words.
    """
    text, reason = text_or_reason(data)
    if not text:
        return False, reason
    lines = [line for line in decode_lines(data) if line.strip()][:_SAMPLE]
    alike = sum(record_like.match(line) is not None for line in lines)
    return alike * 2 > len(lines), f"{alike} of its first {len(lines)} lines start with {looks}"


def read_lines(data: bytes, state: State, read_record: Callable[[str, int, State, bool], None]) -> Contents:
    """Contents from a text of records, one a line.

    Args:
        data: The whole file.
        state: Filled on the way.
        read_record: Called with each line that is not blank, its number, the state, and whether it is
            the file's last.

    Raises:
        ImageError: From ``read_record``; empty file; no data; records that disagree.
    """
    require_content(data, state.file)
    lines = decode_lines(data)
    last = last_line_number(lines)
    for number, line in enumerate(lines, 1):
        text = line.strip()
        if not text:
            continue
        if state.ended is not None:
            state.notes.append(
                f"Line {number} and what follows the end record on line {state.ended} were not read."
            )
            break
        read_record(text, number, state, number == last)
    if state.ended is None:
        state.notes.append("There is no end record: the file may have been cut short after a whole record.")
    return lay_out(state.records, state.file, state.notes)


def wrong_start(text: str, expected: str, line: int, file: str) -> ImageError:
    """The error for a line that is no record."""
    return ImageError(
        f"the line starts with {show(text[:8])}; {expected}.",
        "Take this line out, or give the file's true format.",
        file=file,
        line=line,
    )


def wrong_checksum(raw: bytes, right: int, line: int, file: str) -> ImageError:
    """The error for a record whose last byte is not what the others make it."""
    return ImageError(
        f"the checksum is {raw[-1]:02X}; the record's bytes make it {right:02X}.",
        "A character of this line is wrong: get the file again or compare it with another copy.",
        file=file,
        line=line,
    )


def record_bytes(digits: str, line: int, file: str, *, last: bool) -> bytes:
    """The bytes of a record written as pairs of hex digits.

    Args:
        digits: Everything after the record's start mark.
        line: Its line number.
        file: Its file, for messages.
        last: It is the last line of the file, where a cut shows.

    Raises:
        ImageError: A character is not a hex digit, or a digit has no partner.
    """
    try:
        raw = bytes.fromhex(digits)
    except ValueError:
        raw = b""
    if len(raw) * 2 == len(digits):  # fromhex overlooks spaces
        return raw
    for column, character in enumerate(digits):
        if character not in "0123456789abcdefABCDEF":
            raise ImageError(
                f"{show(character)} is not a hex digit (character {column + 1} after the record's mark).",
                "Hex digits 0-9 and A-F were expected: get the file again, or give its true format.",
                file=file,
                line=line,
            )
    raise ImageError(
        f"the record has {len(digits)} hex digits, an odd count; bytes are pairs of digits.",
        cut_remedy(last),
        file=file,
        line=line,
    )


def cut_remedy(last: bool) -> str:
    """What to do about a record that is too short or too long."""
    if last:
        return "The file ends in the middle of this record: it was cut short, get it again."
    return "A character was lost or added in this line: get the file again or compare it with another copy."


def lay_out(records: list[Record], file: str, notes: list[str]) -> Contents:
    """Records as 8-bit contents from the first address to the last, gaps not known.

    Bytes given twice with the same value are told in ``notes``.

    Raises:
        ImageError: No data, records that disagree, or a span that is `too_wide`.
    """
    ordered = sorted((record for record in records if record[1]), key=lambda record: record[0])
    if not ordered:
        raise ImageError("the file holds no data record.", "Read or copy it again.", file=file)
    first = ordered[0][0]
    end = max(address + len(data) for address, data, _ in ordered)
    if too_wide(end - first, sum(len(data) for _, data, _ in ordered)):
        raise _too_wide(ordered, end - first, file)
    values, known = bytearray(end - first), bytearray(b"\xff" * (end - first))
    reached, overlap = first, False
    for address, data, _ in ordered:
        if address > reached:
            known[reached - first : address - first] = bytes(address - reached)
        overlap |= address < reached
        reached = max(reached, address + len(data))
        values[address - first : address - first + len(data)] = data
    if overlap:
        _check_overlaps(records, first, end, file, notes)
    return Contents(
        words=np.frombuffer(values, np.uint8).astype(np.uint64),
        known=np.frombuffer(known, np.uint8).astype(np.uint64),
        word_bits=8,
        base=first,
        source=file,
        notes=tuple(notes),
    )


def too_wide(span: int, given: int) -> bool:
    """Whether contents span more addresses than one ROM's can, or far more than they give words for.

    >>> too_wide(1 << 24, 2), too_wide(1 << 25, 2), too_wide(1 << 26, 1 << 25), too_wide(1 << 27, 1 << 27)
    (False, True, False, True)
    """
    return span > LARGEST_SPAN or (span > SPARSE_SPAN and given * _SHARE < span)


def _too_wide(ordered: list[Record], span: int, file: str) -> ImageError:
    """The error that names the widest gap, where most likely two things share one file."""
    before, after = max(pairwise(ordered), key=lambda pair: pair[1][0] - pair[0][0] - len(pair[0][1]))
    last = before[0] + len(before[1]) - 1
    return ImageError(
        f"the records span more than {(LARGEST_SPAN if span > LARGEST_SPAN else SPARSE_SPAN) >> 20} Mi "
        f"addresses{'' if span > LARGEST_SPAN else ' and give few of them'}: line {before[2]} ends at "
        f"0x{last:X} and the next record is at 0x{after[0]:X} (line {after[2]}).",
        "Put each part into a file of its own: one file, one ROM.",
        file=file,
        line=after[2],
    )


def _check_overlaps(records: list[Record], first: int, end: int, file: str, notes: list[str]) -> None:
    """Compare bytes that several records give, in file order."""
    values: NDArray[np.uint8] = np.zeros(end - first, np.uint8)
    owner: NDArray[np.int64] = np.zeros(end - first, np.int64)
    repeated, example = 0, ""
    for address, data, line in records:
        here = slice(address - first, address - first + len(data))
        given = np.frombuffer(data, np.uint8)
        twice = owner[here] != 0
        clash = np.flatnonzero(twice & (values[here] != given))
        if len(clash):
            index = int(clash[0])
            raise ImageError(
                f"address 0x{address + index:X} is given as {given[index]:02X} here and as "
                f"{values[here][index]:02X} on line {owner[here][index]}.",
                "Records must not disagree: take out the line that is wrong, or split the file in two.",
                file=file,
                line=line,
            )
        if not example and twice.any():
            example = f"line {line} repeats line {owner[here][twice][0]}"
        repeated += int(twice.sum())
        values[here], owner[here] = given, line
    notes.append(f"Given twice with the same value: {repeated} bytes (first: {example}).")


def writable_bytes(contents: Contents, fill: int | None) -> tuple[bytes, NDArray[np.bool_]]:
    """The bytes of 8-bit (or narrower) contents, and which of them may be written.

    Args:
        contents: One word a byte.
        fill: Value for bits that are not known; None: words without any known bit are left out.

    Returns:
        The bytes, and ``bool (n,)``, False for words left out.

    Raises:
        ImageError: Words wider than a byte; or, without ``fill``, words of which only some bits are known.
    """
    if contents.word_bits > 8:
        raise ImageError(
            f"the words are {contents.word_bits} bits wide; this format holds bytes.",
            "Split them into lanes first, or turn them into bytes in a stated byte order.",
            file=contents.source or None,
        )
    mask = np.uint64(contents.mask)
    if fill is not None:
        words = contents.words | (np.uint64(fill & contents.mask) & ~contents.known)
        return words.astype(np.uint8).tobytes(), np.ones(len(contents), np.bool_)
    partly = np.flatnonzero((contents.known != 0) & (contents.known != mask))
    if len(partly):
        raise ImageError(
            f"{len(partly)} words have bits that are not known, the first at "
            f"0x{contents.base + int(partly[0]):X}.",
            "Find out these bits, or state the value that is to be written for them.",
            file=contents.source or None,
        )
    return contents.words.astype(np.uint8).tobytes(), contents.known == mask


def known_runs(contents: Contents, fill: int | None) -> Iterator[tuple[int, bytes]]:
    """Maximal runs of writable bytes as (address, bytes); see `writable_bytes`."""
    data, written = writable_bytes(contents, fill)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], written, [False])).astype(np.int8)))
    for start, end in edges.reshape(-1, 2).tolist():
        yield contents.base + start, data[start:end]


def cut(runs: Iterator[tuple[int, bytes]], size: int, boundary: int) -> Iterator[tuple[int, bytes]]:
    """Runs in pieces of at most ``size`` bytes, none of which crosses a multiple of ``boundary``.

    >>> list(cut(iter([(6, b"abcdef")]), 4, 8))
    [(6, b'ab'), (8, b'cdef')]
    """
    for address, data in runs:
        done = 0
        while done < len(data):
            here = address + done
            length = min(size, len(data) - done, boundary - here % boundary)
            yield here, data[done : done + length]
            done += length
