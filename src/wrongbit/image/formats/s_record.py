"""S-records: ``S``, type, count, address, data, checksum, all in pairs of hex digits after the type.

Source: "M68000 Family Programmer's Reference Manual", appendix C (from memory, not checked); layout and
checksum also in Emerson's PmT1/PmE1 manual 10002367-02, page 8-24. The count covers address, data and
checksum. All bytes of a record, checksum included, add up to FF modulo 256. S6, a count of 24 bits, is common
practice.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

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

_ADDRESS_BYTES = {"0": 2, "1": 2, "2": 3, "3": 4, "5": 2, "6": 3, "7": 4, "8": 3, "9": 2}
"""Bytes of the address field of each type; in S5 and S6 it holds the count of data records."""

_RECORD_LIKE = re.compile(r"\s*[Ss][0-9][0-9A-Fa-f]{6}")


def recognise(data: bytes) -> tuple[bool, str]:
    """Whether these bytes are taken for S-records, and why: most lines start with ``S`` and digits."""
    return recognise_lines(data, _RECORD_LIKE, "'S' and digits")


@dataclass
class _State(Gathered):
    """What the reader gathered."""

    data_records: int = 0


def read(data: bytes, file: str) -> Contents:
    """S-records as 8-bit contents; bytes that no record gives are not known.

    Raises:
        ImageError: Not S-records, a damaged record, a count of records that is wrong, records that
            disagree, or no data. The missing end record of a file whose records are all sound is a note.
    """
    return read_lines(data, _State(file), _read_record)


def _read_record(text: str, line: int, state: _State, last: bool) -> None:
    kind = text[1:2]
    if text[0] not in "Ss" or not kind.isdigit():
        raise wrong_start(text, "an S-record starts with 'S' and a digit", line, state.file)
    if kind not in _ADDRESS_BYTES:
        raise ImageError(
            f"record type S{kind} is unknown; S0 to S3 and S5 to S9 were expected.",
            "Have the file written again as plain S-records.",
            file=state.file,
            line=line,
        )
    raw = record_bytes(text[2:], line, state.file, last=last)
    width = _ADDRESS_BYTES[kind]
    if len(raw) < 2 + width or raw[0] != len(raw) - 1:
        raise _wrong_count(kind, raw, line, state.file, last)
    if sum(raw) & 0xFF != 0xFF:
        raise wrong_checksum(raw, ~sum(raw[:-1]) & 0xFF, line, state.file)
    _act(kind, int.from_bytes(raw[1 : 1 + width], "big"), raw[1 + width : -1], line, state)


def _wrong_count(kind: str, raw: bytes, line: int, file: str, last: bool) -> ImageError:
    least = _ADDRESS_BYTES[kind] + 1
    if not raw or raw[0] == len(raw) - 1:
        found = f"an S{kind} record has {len(raw)} bytes; count, address and checksum alone are {least + 1}."
    else:
        found = f"the record's count says {raw[0]} bytes after it, the line has {len(raw) - 1}."
    return ImageError(found, cut_remedy(last and len(raw) - 1 < (raw[0] if raw else 1)), file=file, line=line)


def _act(kind: str, address: int, payload: bytes, line: int, state: _State) -> None:
    """Do what the record says."""
    if kind == "0":
        text = payload.decode("latin-1").strip("\x00 ")
        if text.isprintable() and text:
            state.notes.append(f"Header: {text!r}.")
    elif kind in "123":
        state.data_records += 1
        room = (1 << 8 * _ADDRESS_BYTES[kind]) - address
        if len(payload) > room:
            raise ImageError(
                f"the record has {len(payload)} bytes from 0x{address:X}; "
                f"the addresses of S{kind} end {room} bytes later.",
                "Have the file written again with a longer address (S2 or S3).",
                file=state.file,
                line=line,
            )
        state.records.append((address, payload, line))
    elif kind in "56":
        if address != state.data_records:
            raise ImageError(
                f"the S{kind} record says that {address} data records come before it; "
                f"there are {state.data_records}.",
                "Lines were lost or added: get the file again.",
                file=state.file,
                line=line,
            )
    else:
        state.ended = line
        if address:
            state.notes.append(f"Start address 0x{address:X} (line {line}).")


def write(contents: Contents, fill: int | None = None, record_size: int = 16, header: str = "") -> bytes:
    """S-records of 8-bit contents, with the shortest addresses that do and a count of the records.

    Args:
        contents: Words of at most 8 bits; words without any known bit are left out.
        fill: Value to write for bits that are not known.
        record_size: Data bytes in a record, 1 to 250.
        header: Text of the S0 record, ASCII.

    Raises:
        ImageError: Words wider than 8 bits, partly known words and no ``fill``, or an address above 32 bits.
    """
    return "".join(_lines(contents, fill, record_size, header)).encode("ascii")


def _lines(contents: Contents, fill: int | None, record_size: int, header: str) -> Iterator[str]:
    end = contents.base + len(contents)
    if end > 1 << 32:
        raise ImageError(
            f"address 0x{end - 1:X} does not fit S-records, which end at 0xFFFFFFFF.",
            "Subtract the base first.",
        )
    width = 2 if end <= 1 << 16 else 3 if end <= 1 << 24 else 4
    yield _record("0", 0, header.encode("ascii", errors="replace")[:64])
    count = 0
    for address, data in cut(known_runs(contents, fill), record_size, 1 << 32):
        count += 1
        yield _record(str(width - 1), address, data)
    if count < 1 << 24:
        yield _record("5" if count < 1 << 16 else "6", count, b"")
    yield _record(str(11 - width), 0, b"")


def _record(kind: str, address: int, payload: bytes) -> str:
    width = _ADDRESS_BYTES[kind]
    body = bytes((width + len(payload) + 1,)) + address.to_bytes(width, "big") + payload
    return f"S{kind}{body.hex().upper()}{~sum(body) & 0xFF:02X}\n"
