"""Sums and checks over a chip's bytes: one visible table, `ALGORITHMS`, and the rules of two ROM headers.

A chip's label, a service note and a programmer name a checksum without saying which: `describe` gives all.
CRCs are computed by the fastcrc library; `CrcModel` tells each one's parameters.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import fastcrc
import numpy as np

from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.image.lanes import ByteOrder, as_bytes


@dataclass(frozen=True)
class CrcModel:
    """A CRC's parameters.

    Source: R. N. Williams, "A Painless Guide to CRC Error Detection Algorithms", 1993.

    Args:
        polynomial: Without its highest term, highest power first.
        initial: Register before the first byte.
        reflected: Bytes go in, and the register comes out, lowest bit first.
        final: Exclusive-or on the register at the end.
    """

    polynomial: int
    initial: int
    reflected: bool
    final: int


@dataclass(frozen=True)
class Algorithm:
    """One way to reduce bytes to a number.

    Args:
        name: Short name.
        width: Bits of the result.
        compute: The result from the bytes.
        source: Published source, or that there is none.
        crc: Parameters, for CRCs.
    """

    name: str
    width: int
    compute: Callable[[bytes], int]
    source: str
    crc: CrcModel | None = None


_PRACTICE = "common practice, no source"


def add_bytes(data: bytes, width: int) -> int:
    """Sum of the bytes modulo 2 to the width.

    >>> hex(add_bytes(b"123456789", 16))
    '0x1dd'
    """
    return int(np.frombuffer(data, np.uint8).sum(dtype=np.uint64)) & ((1 << width) - 1)


def add_words(data: bytes, order: ByteOrder) -> int:
    """Sum of 16-bit words modulo 65536; a last odd byte is completed by a zero byte after it.

    >>> hex(add_words(bytes([0x12, 0x34, 0x01]), "big"))
    '0x1334'
    """
    return int(_words(data, order).sum(dtype=np.uint64)) & 0xFFFF


def ones_complement_sum(data: bytes) -> int:
    """Sum of big-endian 16-bit words with end-around carry; an odd byte is completed as in `add_words`.

    Source: RFC 1071. The Internet checksum is this sum's complement.

    >>> hex(ones_complement_sum(bytes.fromhex("0001F203F4F5F6F7")))
    '0xddf2'
    """
    total = int(_words(data, "big").sum(dtype=np.uint64))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return total


def xor_bytes(data: bytes) -> int:
    """Exclusive-or of the bytes."""
    return int(np.bitwise_xor.reduce(np.frombuffer(data, np.uint8)))


def _words(data: bytes, order: ByteOrder) -> np.ndarray[tuple[int], np.dtype[np.uint16]]:
    even = data + b"\x00" * (len(data) % 2)
    return np.frombuffer(even, np.dtype("<u2" if order == "little" else ">u2"))


def _negative(compute: Callable[[bytes], int], width: int) -> Callable[[bytes], int]:
    """Two's complement of a sum: what must be added to make it zero."""
    return lambda data: -compute(data) & ((1 << width) - 1)


def _sum8(data: bytes) -> int:
    return add_bytes(data, 8)


def _sum16(data: bytes) -> int:
    return add_bytes(data, 16)


_CATALOGUE = "parameters: Williams 1993 and Cook's catalogue of parametrised CRC algorithms"

ALGORITHMS: tuple[Algorithm, ...] = (
    Algorithm("sum of bytes, 8 bits", 8, _sum8, _PRACTICE),
    Algorithm("sum of bytes, 16 bits", 16, _sum16, _PRACTICE),
    Algorithm("sum of bytes, 32 bits", 32, lambda data: add_bytes(data, 32), _PRACTICE),
    Algorithm("sum of words, low byte first", 16, lambda data: add_words(data, "little"), _PRACTICE),
    Algorithm("sum of words, high byte first", 16, lambda data: add_words(data, "big"), _PRACTICE),
    Algorithm("two's complement of the sum, 8 bits", 8, _negative(_sum8, 8), _PRACTICE),
    Algorithm("two's complement of the sum, 16 bits", 16, _negative(_sum16, 16), _PRACTICE),
    Algorithm("exclusive-or of bytes", 8, xor_bytes, _PRACTICE),
    Algorithm("one's complement sum", 16, ones_complement_sum, "RFC 1071"),
    Algorithm("Internet checksum", 16, lambda data: ones_complement_sum(data) ^ 0xFFFF, "RFC 1071"),
    Algorithm(
        "CRC-8/SMBUS", 8, fastcrc.crc8.smbus, f"SMBus specification; {_CATALOGUE}",
        CrcModel(0x07, 0, False, 0),
    ),
    Algorithm("CRC-16/ARC", 16, fastcrc.crc16.arc, _CATALOGUE, CrcModel(0x8005, 0, True, 0)),
    Algorithm(
        "CRC-16/MODBUS", 16, fastcrc.crc16.modbus, f"Modbus serial line guide; {_CATALOGUE}",
        CrcModel(0x8005, 0xFFFF, True, 0),
    ),
    Algorithm(
        "CRC-16/IBM-3740", 16, fastcrc.crc16.ibm_3740, _CATALOGUE, CrcModel(0x1021, 0xFFFF, False, 0)
    ),
    Algorithm(
        "CRC-16/XMODEM", 16, fastcrc.crc16.xmodem, f"polynomial: ITU-T V.41; {_CATALOGUE}",
        CrcModel(0x1021, 0, False, 0),
    ),
    Algorithm("CRC-16/KERMIT", 16, fastcrc.crc16.kermit, _CATALOGUE, CrcModel(0x1021, 0, True, 0)),
    Algorithm(
        "CRC-16/X-25", 16, fastcrc.crc16.ibm_sdlc, f"ITU-T X.25; {_CATALOGUE}",
        CrcModel(0x1021, 0xFFFF, True, 0xFFFF),
    ),
    Algorithm(
        "CRC-16/GENIBUS", 16, fastcrc.crc16.genibus, _CATALOGUE, CrcModel(0x1021, 0xFFFF, False, 0xFFFF)
    ),
    Algorithm(
        "CRC-32", 32, fastcrc.crc32.iso_hdlc,
        f"ITU-T V.42 8.1.1.6.2 and IEEE 802.3 (clauses from memory, not checked); {_CATALOGUE}",
        CrcModel(0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF),
    ),
    Algorithm(
        "CRC-32/BZIP2", 32, fastcrc.crc32.bzip2, _CATALOGUE,
        CrcModel(0x04C11DB7, 0xFFFFFFFF, False, 0xFFFFFFFF),
    ),
    Algorithm(
        "CRC-32/MPEG-2", 32, fastcrc.crc32.mpeg_2, f"ISO/IEC 13818-1; {_CATALOGUE}",
        CrcModel(0x04C11DB7, 0xFFFFFFFF, False, 0),
    ),
    Algorithm(
        "CRC-32/CKSUM", 32, fastcrc.crc32.cksum,
        f"POSIX cksum without the length that the tool appends; {_CATALOGUE}",
        CrcModel(0x04C11DB7, 0, False, 0xFFFFFFFF),
    ),
)  # fmt: skip
"""Every algorithm, sums first. Names in the CRC rows are those of Cook's catalogue."""


@dataclass(frozen=True)
class SumRow:
    """A checksum of some contents, for a label.

    Args:
        name: The algorithm's name.
        value: The result.
        width: Bits of the result.
    """

    name: str
    value: int
    width: int

    @property
    def text(self) -> str:
        """The value in hex digits, as many as the width has."""
        return f"{self.value:0{-(-self.width // 4)}X}"


def contents_bytes(contents: Contents, byte_order: ByteOrder = "little") -> bytes:
    """The bytes of contents that are known throughout: one a word, or the words' bytes in this order.

    Raises:
        ImageError: There is no word, some bit is not known, or a word over 8 bits is not made of bytes.
    """
    holes = np.flatnonzero(contents.known != np.uint64(contents.mask))
    if len(holes) or not len(contents):
        found = (
            f"{len(holes)} words are not wholly known, the first at 0x{contents.base + int(holes[0]):X}"
            if len(holes)
            else "there is no word"
        )
        raise ImageError(
            f"{found}; a checksum needs every bit.",
            "Complete the contents first.",
            file=contents.source or None,
        )
    narrow = contents if contents.word_bits <= 8 else as_bytes(contents, byte_order)
    return narrow.words.astype(np.uint8).tobytes()


def describe(contents: Contents, byte_order: ByteOrder = "little") -> tuple[SumRow, ...]:
    """All checksums of contents, in the table's order.

    Raises:
        ImageError: As `contents_bytes`.
    """
    data = contents_bytes(contents, byte_order)
    return tuple(SumRow(row.name, row.compute(data), row.width) for row in ALGORITHMS)


@dataclass(frozen=True)
class HeaderCheck:
    """What a ROM's own header says about its sum.

    Args:
        rule: Name of the rule.
        holds: The sum is as the rule wants it.
        found: The sum, or what else is wrong, in words.
        size: Bytes that the header covers.
        source: Published source of the rule.
    """

    rule: str
    holds: bool
    found: str
    size: int
    source: str


def check_option_rom(data: bytes) -> HeaderCheck | None:
    """The rule of PC expansion ROMs: 55 AA, length in 512-byte blocks, bytes add up to 0 modulo 256.

    Source: Plug and Play BIOS Specification 1.0A (1994), appendix A.

    Returns:
        None where the first bytes are not 55 AA.
    """
    if data[:2] != b"\x55\xaa" or len(data) < 3:
        return None
    size = data[2] * 512
    source = "Plug and Play BIOS Specification 1.0A, appendix A"
    if not size or size > len(data):
        return HeaderCheck(
            "expansion ROM", False, f"the header covers {size} bytes of {len(data)}", size, source
        )
    total = add_bytes(data[:size], 8)
    return HeaderCheck("expansion ROM", total == 0, f"sum of bytes {total:02X}, 00 expected", size, source)


def check_fcode(data: bytes) -> HeaderCheck | None:
    """The rule of FCode images: F1 08, 16-bit sum of the bytes from offset 8 on, 32-bit length.

    Source: IEEE Std 1275-1994 (from memory, not checked; holds for three real images).

    Returns:
        None where the first bytes are not F1 08.
    """
    if data[:2] != b"\xf1\x08" or len(data) < 8:
        return None
    expected = int.from_bytes(data[2:4], "big")
    size = int.from_bytes(data[4:8], "big")
    source = "IEEE Std 1275-1994"
    if not 8 <= size <= len(data):
        return HeaderCheck("FCode", False, f"the header covers {size} bytes of {len(data)}", size, source)
    total = add_bytes(data[8:size], 16)
    found = f"sum of bytes {total:04X}, {expected:04X} expected"
    return HeaderCheck("FCode", total == expected, found, size, source)


HEADER_CHECKS: tuple[Callable[[bytes], HeaderCheck | None], ...] = (check_option_rom, check_fcode)
"""Every rule that a ROM's own header may call for."""


def check_headers(data: bytes) -> tuple[HeaderCheck, ...]:
    """The rules that this ROM's first bytes call for, with their outcome."""
    outcomes = (check(data) for check in HEADER_CHECKS)
    return tuple(outcome for outcome in outcomes if outcome is not None)
