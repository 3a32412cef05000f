"""Checksums against published check values, another library, and a model written from the definition.

CRC check values for the digits 1 to 9: Cook's catalogue of parametrised CRC algorithms (recomputed by the
model below). One's complement sum: the worked example of RFC 1071 (from memory, its fold recomputed).
"""

from __future__ import annotations

import zlib

import crccheck
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from image.byte_contents import contents_of
from wrongbit.errors import ImageError
from wrongbit.image.checksums import (
    ALGORITHMS,
    Algorithm,
    CrcModel,
    check_fcode,
    check_headers,
    check_option_rom,
    describe,
)
from wrongbit.image.contents import Contents

DIGITS = b"123456789"
BY_NAME = {row.name: row for row in ALGORITHMS}
CRCS = [row for row in ALGORITHMS if row.crc is not None]

CHECKS = {
    "CRC-8/SMBUS": 0xF4,
    "CRC-16/ARC": 0xBB3D,
    "CRC-16/MODBUS": 0x4B37,
    "CRC-16/IBM-3740": 0x29B1,
    "CRC-16/XMODEM": 0x31C3,
    "CRC-16/KERMIT": 0x2189,
    "CRC-16/X-25": 0x906E,
    "CRC-16/GENIBUS": 0xD64E,
    "CRC-32": 0xCBF43926,
    "CRC-32/BZIP2": 0xFC891918,
    "CRC-32/MPEG-2": 0x0376E6E7,
    "CRC-32/CKSUM": 0x765E7680,
}

THEIRS = {
    "CRC-8/SMBUS": crccheck.crc.Crc8,
    "CRC-16/ARC": crccheck.crc.CrcArc,
    "CRC-16/MODBUS": crccheck.crc.Crc16Modbus,
    "CRC-16/IBM-3740": crccheck.crc.Crc16CcittFalse,
    "CRC-16/XMODEM": crccheck.crc.CrcXmodem,
    "CRC-16/KERMIT": crccheck.crc.Crc16Kermit,
    "CRC-16/X-25": crccheck.crc.CrcX25,
    "CRC-16/GENIBUS": crccheck.crc.Crc16Genibus,
    "CRC-32": crccheck.crc.Crc32,
    "CRC-32/BZIP2": crccheck.crc.Crc32Bzip2,
    "CRC-32/MPEG-2": crccheck.crc.Crc32Mpeg2,
    "CRC-32/CKSUM": crccheck.crc.Crc32Cksum,
}


def reverse(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


def by_definition(data: bytes, width: int, model: CrcModel) -> int:
    """Williams' model, bit by bit."""
    register = model.initial
    for byte in data:
        register ^= (reverse(byte, 8) if model.reflected else byte) << (width - 8)
        for _ in range(8):
            register = register << 1 ^ (model.polynomial if register >> (width - 1) else 0)
            register &= (1 << width) - 1
    return (reverse(register, width) if model.reflected else register) ^ model.final


def test_every_crc_has_its_check_value() -> None:
    assert {row.name: row.compute(DIGITS) for row in CRCS} == CHECKS


@pytest.mark.parametrize("row", CRCS, ids=lambda row: row.name)
@given(data=st.binary(max_size=40))
def test_crcs_follow_their_parameters_and_another_library(row: Algorithm, data: bytes) -> None:
    assert row.crc is not None
    assert row.compute(data) == by_definition(data, row.width, row.crc)
    assert row.compute(data) == THEIRS[row.name].calc(data)


def test_sums_of_the_digits() -> None:
    """Published beside the CRC check values: 01DD as 16-bit sum, DD as 8-bit sum."""
    assert BY_NAME["sum of bytes, 16 bits"].compute(DIGITS) == 0x01DD
    assert BY_NAME["sum of bytes, 8 bits"].compute(DIGITS) == 0xDD
    assert BY_NAME["two's complement of the sum, 8 bits"].compute(DIGITS) == 0x23


def test_rfc_1071_worked_sum() -> None:
    data = bytes.fromhex("0001F203F4F5F6F7")
    assert BY_NAME["one's complement sum"].compute(data) == 0xDDF2
    assert BY_NAME["Internet checksum"].compute(data) == 0x220D


@given(st.binary(min_size=1, max_size=300))
def test_sums_by_definition(data: bytes) -> None:
    """By Python's integers; one's complement as remainder modulo FFFF, RFC 1071 section 1."""
    even = data + bytes(len(data) % 2)
    big = sum(even[i] << 8 | even[i + 1] for i in range(0, len(even), 2))
    little = sum(even[i + 1] << 8 | even[i] for i in range(0, len(even), 2))
    expected = {
        "sum of bytes, 8 bits": sum(data) % 256,
        "sum of bytes, 16 bits": sum(data) % 65536,
        "sum of bytes, 32 bits": sum(data),
        "sum of words, low byte first": little % 65536,
        "sum of words, high byte first": big % 65536,
        "two's complement of the sum, 8 bits": -sum(data) % 256,
        "two's complement of the sum, 16 bits": -sum(data) % 65536,
        "one's complement sum": (big % 65535 or 65535) if big else 0,
    }
    assert {name: BY_NAME[name].compute(data) for name in expected} == expected
    exclusive = 0
    for byte in data:
        exclusive ^= byte
    assert BY_NAME["exclusive-or of bytes"].compute(data) == exclusive


def test_sum_of_a_large_chip_does_not_overflow() -> None:
    data = b"\xff" * (1 << 20)
    assert BY_NAME["sum of bytes, 32 bits"].compute(data) == 255 << 20
    assert BY_NAME["sum of words, low byte first"].compute(data) == (0xFFFF << 19) % 65536


def test_describe_gives_every_row() -> None:
    rows = describe(contents_of([(0x100, DIGITS)]))
    assert [row.name for row in rows] == [row.name for row in ALGORITHMS]
    assert {row.name: row.text for row in rows}["CRC-32"] == f"{zlib.crc32(DIGITS):08X}"
    assert {row.name: row.text for row in rows}["sum of bytes, 16 bits"] == "01DD"


def test_describe_of_wide_and_narrow_words() -> None:
    word = Contents(np.array([0x1234], np.uint64), np.array([0xFFFF], np.uint64), 16)
    assert {row.name: row.value for row in describe(word)}["CRC-32"] == zlib.crc32(b"\x34\x12")
    assert {row.name: row.value for row in describe(word, "big")}["CRC-32"] == zlib.crc32(b"\x12\x34")
    nibble = Contents(np.array([5, 6], np.uint64), np.full(2, 15, np.uint64), 4)
    assert {row.name: row.value for row in describe(nibble)}["sum of bytes, 8 bits"] == 11


def test_no_checksum_over_unknown_bits() -> None:
    with pytest.raises(ImageError, match="1 words are not wholly known, the first at 0x11"):
        describe(contents_of([(0x10, b"a"), (0x12, b"b")]))


def test_option_rom_rule() -> None:
    data = bytearray(b"\x55\xaa\x01" + bytes(range(1, 200)) + bytes(310))
    data[-1] = -sum(data) % 256
    good = check_option_rom(bytes(data) + b"beyond")
    assert good is not None
    assert (good.holds, good.size) == (True, 512)
    data[100] ^= 4
    bad = check_option_rom(bytes(data))
    assert bad is not None
    assert not bad.holds
    assert bad.found in ("sum of bytes 04, 00 expected", "sum of bytes FC, 00 expected")
    short = check_option_rom(bytes(data[:511]))
    assert short is not None
    assert (short.holds, short.found) == (False, "the header covers 512 bytes of 511")
    assert check_option_rom(b"\x55\xab\x01") is None


def test_fcode_rule() -> None:
    body = bytes(range(200))
    data = b"\xf1\x08" + sum(body).to_bytes(2, "big") + (8 + len(body)).to_bytes(4, "big") + body
    good = check_fcode(data + b"beyond")
    assert good is not None
    assert (good.holds, good.size) == (True, 208)
    bad = check_fcode(data[:-1] + b"\x00")
    assert bad is not None
    wrong, right = sum(body[:-1]), sum(body)
    assert (bad.holds, bad.found) == (False, f"sum of bytes {wrong:04X}, {right:04X} expected")
    short = check_fcode(data[:100])
    assert short is not None
    assert not short.holds
    assert check_headers(data) == (check_fcode(data),)
    assert check_headers(b"\x00" * 20) == ()
