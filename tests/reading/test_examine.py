"""All sides together: odd shapes of chips, gaps, conditions, and sizes that must not fall over."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wrongbit.compare.memory_map import ChipMap, ChipRegion
from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.reading.conditions import NOTHING_KNOWN, Conditions
from wrongbit.reading.examine import examine
from wrongbit.reading.readings import Reading


def chip_map(words: np.ndarray, width: int, known: bool = True) -> ChipMap:
    lines = (len(words) - 1).bit_length()
    full = np.uint64((1 << width) - 1)
    return ChipMap(
        "U7",
        "rom",
        tuple(range(width)),
        tuple(range(lines)),
        (ChipRegion(None, 0, len(words)),),
        words if known else np.zeros_like(words),
        np.full(len(words), full if known else 0, np.uint64),
    )


def reading(
    words: np.ndarray,
    width: int,
    known: np.ndarray | None = None,
    name: str = "pass",
    conditions: Conditions = NOTHING_KNOWN,
) -> Reading:
    full = np.full(len(words), (1 << width) - 1, np.uint64)
    given_bits = full if known is None else known
    return Reading(Contents(words & given_bits, given_bits, width), conditions, name)


@settings(max_examples=40)
@given(
    size=st.sampled_from([1, 2, 3, 8, 32, 96, 256, 768]),
    width=st.sampled_from([1, 4, 8, 12, 16, 33]),
    passes=st.integers(1, 5),
    flips=st.integers(0, 12),
    gaps=st.booleans(),
    known=st.booleans(),
    seed=st.integers(0, 1000),
)
def test_any_shape_of_chip_can_be_examined(
    size: int, width: int, passes: int, flips: int, gaps: bool, known: bool, seed: int
) -> None:
    draw = np.random.default_rng(seed)
    full = (1 << width) - 1
    truth = draw.integers(0, full, size, dtype=np.uint64, endpoint=True)
    readings = []
    for _ in range(passes):
        words = truth.copy()
        for place in draw.integers(0, size, flips):
            words[place] ^= np.uint64(1 << int(draw.integers(0, width)))
        holes = None
        if gaps:
            holes = np.where(draw.random(size) < 0.2, 0, full).astype(np.uint64)
        readings.append(reading(words, width, holes))
    found = examine(readings, chip_map(truth, width, known))
    assert found.stability.cells.total <= size * width
    assert len(found.by_pass) == passes
    if found.weighed is not None:
        assert found.weighed.wrong_cells >= found.weighed.always_wrong
        assert 0.5 < sum(each.probability for each in found.weighed.patterns) <= 1 + 1e-9
        if not flips:
            assert not found.fault_seen
    # Every unstable bit was counted, none twice: compare with a plain look at the passes.
    unstable = 0
    for address in range(size):
        for bit in range(width):
            levels = {
                int(each.contents.words[address]) >> bit & 1
                for each in readings
                if int(each.contents.known[address]) >> bit & 1
            }
            unstable += len(levels) == 2
    assert found.stability.cells.count == unstable


def test_conditions_that_go_with_the_errors_are_told() -> None:
    """Programmed cells fail first at a high supply voltage (device physics; from memory, not checked)."""
    draw = np.random.default_rng(1)
    truth = draw.integers(0, 255, 1024, dtype=np.uint64)
    readings = []
    for volts in (4.5, 5.0, 5.5, 4.5, 5.0, 5.5):
        words = truth.copy()
        words[: int((volts - 4.4) * 40)] |= np.uint64(0x18)
        readings.append(reading(words, 8, conditions=Conditions(voltage_mv=round(volts * 1000))))
    found = examine(readings, chip_map(truth, 8))
    (dependence,) = found.dependences
    assert (dependence.quantity, dependence.rises, dependence.chance) == ("voltage_mv", True, 90)
    assert "grow as the supply voltage grows" in dependence.say()


def test_readings_that_do_not_fit_the_chip_are_refused() -> None:
    truth = np.arange(64, dtype=np.uint64)
    with pytest.raises(ImageError, match="32 words of 8 bits; U7 has 64"):
        examine([reading(truth[:32], 8)], chip_map(truth, 8))
    with pytest.raises(ImageError, match="the twin has 32 words"):
        examine([reading(truth, 8)], chip_map(truth, 8), twin=reading(truth[:32], 8, name="twin.bin"))


def test_a_twin_is_compared_bit_by_bit() -> None:
    truth = np.arange(64, dtype=np.uint64)
    other = truth.copy()
    other[5] ^= np.uint64(0x81)  # 05 becomes 84: bit 7 rises, bit 0 falls there
    found = examine([reading(truth, 8)], chip_map(truth, 8, known=False), twin=reading(other, 8, name="twin"))
    assert found.twin is not None
    assert (found.twin.words, found.twin.first, found.twin.rises, found.twin.falls) == (1, 5, 1, 1)
    assert found.twin.against_reference is None


def test_a_type_that_says_mask_rom_holds_no_charge_to_lose() -> None:
    """Its zeros that read 1 are opens: the machine file's type tells it where no technology is stated."""
    truth = np.random.default_rng(5).integers(0, 256, 512, dtype=np.uint64)
    faded = truth | np.where(np.arange(512) % 9 == 0, np.uint64(0x10), np.uint64(0))
    passes = [reading(faded, 8)] * 3
    eprom, mask = (
        examine(passes, chip_map(truth, 8), chip_type=name).weighed for name in ("2764", "mask ROM")
    )
    assert eprom is not None and mask is not None
    assert any(each.model == "lost charge" for each in eprom.patterns)
    assert not any(each.model == "lost charge" for each in mask.patterns)
