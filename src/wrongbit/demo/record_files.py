"""ROM images as people keep them: Intel HEX and Motorola S-records, written by bincopy."""

from __future__ import annotations

import bincopy


def intel_hex(contents: bytes, base: int) -> bytes:
    """Contents from address ``base`` as Intel HEX."""
    text: str = _file(contents, base).as_ihex()
    return text.encode()


def s_record(contents: bytes, base: int) -> bytes:
    """Contents from address ``base`` as S-records with 16-bit addresses (S1, S9)."""
    image = _file(contents, base)
    image.execution_start_address = base  # gives the file its end record
    text: str = image.as_srec(address_length_bits=16)
    return text.encode()


def _file(contents: bytes, base: int) -> bincopy.BinFile:
    image = bincopy.BinFile()
    image.add_binary(contents, base)
    return image
