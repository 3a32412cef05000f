"""Requirements and contents that several tests of this room use."""

from __future__ import annotations

from typing import Any

import numpy as np

from wrongbit.image.contents import Contents
from wrongbit.replace.buses import BusTimes, given_times
from wrongbit.replace.catalogue import Socket, load_catalogue
from wrongbit.replace.requirement import LatchNeed, Requirement, selects_of

CATALOGUE = load_catalogue()

RELAXED = given_times(
    {
        "address_to_data": 1_000_000,
        "enable_to_data": 900_000,
        "output_to_data": 800_000,
        "open_to_data": 1_000_000,
        "address_before_close": 100_000,
        "hold_after_close": 100_000,
        "open_width": 100_000,
        "float_time": 300_000,
        "release_before_output": 0,
    }
)
"""A bus so slow that everything fits."""

SHARED_PINS = "VCC AD0 AD1 AD2 AD3 AD4 AD5 AD6 AD7 A8 A9 GND A10 A11 A12 A13 A14 A15 ALE /CE /RD NC NC NC"
"""An invented mask ROM that latches its address from shared lines."""


def requirement(shape: str, selects: dict[str, str] | None = None, **more: Any) -> Requirement:
    """A requirement for a chip of the data files on a relaxed bus."""
    socket = CATALOGUE.socket_named(shape)
    arguments: dict[str, Any] = {
        "designator": "U7",
        "words": socket.words,
        "bits": socket.bits,
        "times": RELAXED,
        **more,
    }
    return Requirement(socket=socket, selects=selects_of(socket, selects or {}), **arguments)


def latched(times: BusTimes = RELAXED, closes: str = "falling", **more: Any) -> Requirement:
    """A requirement for the invented latched mask ROM."""
    socket = Socket(
        name="own shape", words=65536, bits=8, pins=SHARED_PINS, status="given", source="invented"
    )
    return Requirement(
        designator="U9",
        words=65536,
        bits=8,
        socket=socket,
        selects=selects_of(socket, {}, latch="ALE"),
        latch=LatchNeed("ALE", closes),  # type: ignore[arg-type]
        times=times,
        **more,
    )


def random_contents(words: int, bits: int = 8, seed: int = 1) -> Contents:
    """Wholly known random words."""
    rng = np.random.default_rng(seed)
    mask = (1 << bits) - 1
    return Contents(
        rng.integers(0, mask, words, np.uint64, endpoint=True), np.full(words, mask, np.uint64), bits
    )
