"""Intel HEX: ``:`` count, address, type, data, checksum, all in pairs of hex digits.

Source: Intel, "Hexadecimal Object File Format Specification", revision A, 6 January 1988 (from memory, not
checked), and Microchip's online page "Intel HEX" (layout and checksum). All bytes of a record, checksum
included, add up to 0 modulo 256. In segment mode (after type 02) an address wraps inside its 64 Ki segment;
in linear mode (after type 04) it does not.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.image.formats.records import (
    Gathered,
    cut,
    cut_remedy,
    known_runs,
    read_lines,
    recognise_lines,
    record_bytes,
    wrong_checksum,
    wrong_start,
)

DATA, END, SEGMENT, START_SEGMENT, LINEAR, START_LINEAR = range(6)

_PAYLOAD = {END: 0, SEGMENT: 2, START_SEGMENT: 4, LINEAR: 2, START_LINEAR: 4}
"""Data bytes that a record of each type must have."""

_RECORD_LIKE = re.compile(r"\s*:[0-9A-Fa-f]{6}")


def recognise(data: bytes) -> tuple[bool, str]:
    """Whether these bytes are taken for Intel HEX, and why: most lines start with ``:`` and hex digits."""
    return recognise_lines(data, _RECORD_LIKE, "':' and hex digits")


@dataclass
class _State(Gathered):
    """Where the reader stands: address mode, and what was gathered."""

    mode: Literal["plain", "segment", "linear"] = "plain"
    base: int = 0


def read(data: bytes, file: str) -> Contents:
    """Intel HEX as 8-bit contents; bytes that no record gives are not known.

    Raises:
        ImageError: Not Intel HEX, a damaged record, records that disagree, or no data. The missing end
            record of a file whose records are all sound is a note, not an error.
    """
    return read_lines(data, _State(file), _read_record)


def _read_record(text: str, line: int, state: _State, last: bool) -> None:
    if text[0] != ":":
        raise wrong_start(text, "an Intel HEX record starts with ':'", line, state.file)
    raw = record_bytes(text[1:], line, state.file, last=last)
    if len(raw) < 5 or raw[0] != len(raw) - 5:
        raise _wrong_count(raw, line, state.file, last)
    if sum(raw) & 0xFF:
        raise wrong_checksum(raw, -sum(raw[:-1]) & 0xFF, line, state.file)
    kind, payload = raw[3], raw[4:-1]
    if kind == DATA:
        _place(int.from_bytes(raw[1:3], "big"), payload, line, state)
        return
    if kind not in _PAYLOAD or len(payload) != _PAYLOAD[kind]:
        raise _wrong_type(kind, payload, line, state.file)
    _control(kind, int.from_bytes(payload, "big"), line, state)


def _wrong_count(raw: bytes, line: int, file: str, last: bool) -> ImageError:
    if len(raw) < 5:
        found = f"the record has {len(raw)} bytes; count, address, type and checksum alone are 5."
    else:
        found = f"the record's count says {raw[0]} data bytes, the line has {len(raw) - 5}."
    return ImageError(found, cut_remedy(last and len(raw) - 5 < (raw[0] if raw else 1)), file=file, line=line)


def _wrong_type(kind: int, payload: bytes, line: int, file: str) -> ImageError:
    if kind in _PAYLOAD:
        return ImageError(
            f"a record of type {kind:02X} has {len(payload)} data bytes, {_PAYLOAD[kind]} were expected.",
            "The program that wrote this file is at fault: have it written again.",
            file=file,
            line=line,
        )
    return ImageError(
        f"record type {kind:02X} is unknown; Intel HEX has types 00 to 05.",
        "Have the file written again as plain Intel HEX.",
        file=file,
        line=line,
    )


def _place(offset: int, payload: bytes, line: int, state: _State) -> None:
    """Put a data record where the address mode says."""
    before_wrap = 0x10000 - offset
    if state.mode == "linear" or len(payload) <= before_wrap:
        state.records.append((state.base + offset, payload, line))
    elif state.mode == "segment":
        state.records.append((state.base + offset, payload[:before_wrap], line))
        state.records.append((state.base, payload[before_wrap:], line))
        state.notes.append(
            f"Line {line} runs past the end of its segment; its last {len(payload) - before_wrap} bytes "
            f"belong at the segment's start, 0x{state.base:X}."
        )
    else:
        raise ImageError(
            f"the record runs past address 0xFFFF (from 0x{offset:X}, {len(payload)} bytes) and no record "
            "before it gives the upper part of the address.",
            "Have the file written again with records of type 04 or 02 before such data.",
            file=state.file,
            line=line,
        )


def _control(kind: int, value: int, line: int, state: _State) -> None:
    """Act on a record that carries no data."""
    if kind == END:
        state.ended = line
    elif kind == SEGMENT:
        state.mode, state.base = "segment", value << 4
    elif kind == LINEAR:
        state.mode, state.base = "linear", value << 16
    elif kind == START_SEGMENT:
        state.notes.append(f"Start address {value >> 16:04X}:{value & 0xFFFF:04X} (line {line}).")
    else:
        state.notes.append(f"Start address 0x{value:X} (line {line}).")


def write(contents: Contents, fill: int | None = None, record_size: int = 16) -> bytes:
    """Intel HEX of 8-bit contents; addresses above 64 Ki by records of type 04.

    Args:
        contents: Words of at most 8 bits; words without any known bit are left out.
        fill: Value to write for bits that are not known.
        record_size: Data bytes in a record, 1 to 255.

    Raises:
        ImageError: Words wider than 8 bits, partly known words and no ``fill``, or an address above 32 bits.
    """
    return "".join(_lines(contents, fill, record_size)).encode("ascii")


def _lines(contents: Contents, fill: int | None, record_size: int) -> Iterator[str]:
    if contents.base + len(contents) > 1 << 32:
        raise ImageError(
            f"address 0x{contents.base + len(contents) - 1:X} does not fit Intel HEX, which ends at "
            "0xFFFFFFFF.",
            "Subtract the base first.",
        )
    upper = 0
    for address, data in cut(known_runs(contents, fill), record_size, 0x10000):
        if address >> 16 != upper:
            upper = address >> 16
            yield _record(LINEAR, 0, upper.to_bytes(2, "big"))
        yield _record(DATA, address & 0xFFFF, data)
    yield _record(END, 0, b"")


def _record(kind: int, offset: int, payload: bytes) -> str:
    body = bytes((len(payload), offset >> 8, offset & 0xFF, kind)) + payload
    return f":{body.hex().upper()}{-sum(body) & 0xFF:02X}\n"
