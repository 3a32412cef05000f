"""When the set-up is doubted before the machine: by lines that are right, counted here by hand."""

from __future__ import annotations

import numpy as np
import pytest

from wrongbit.bus.cycles import KIND_CODE, NO_TIME, Cycles
from wrongbit.compare.doubt import set_up_doubtful
from wrongbit.compare.judge import judge
from wrongbit.compare.memory_map import ChipMap, ChipRegion, MemoryMap
from wrongbit.compare.summary import summarise

SIZE = 256
DRAWN = np.random.default_rng(5)
HELD, ELSE = (DRAWN.integers(0, 256, SIZE, dtype=np.uint64) for _ in range(2))
WHOLE = np.full(SIZE, 0xFF, np.uint64)
ROM = ChipMap("U5", "rom", tuple(range(8)), tuple(range(8)), (ChipRegion(None, 0, SIZE),), HELD, WHOLE)
MAP = MemoryMap("U1", 8, 8, (ROM,))


def doubted(seen: np.ndarray[tuple[int], np.dtype[np.uint64]]) -> bool:
    """A capture that reads every address of the chip once."""
    zeros = np.zeros(SIZE, np.uint64)
    count = len(seen)
    cycles = Cycles(
        sample=np.arange(count), time_ps=np.full(count, NO_TIME),
        kind=np.full(count, KIND_CODE["read"], np.uint8), bank=np.zeros(count, np.int32),
        address=np.arange(count, dtype=np.uint64), address_known=WHOLE[:count], word=seen,
        known=WHOLE[:count], held=zeros[:count], flags=np.zeros(count, np.uint8),
    )  # fmt: skip
    return set_up_doubtful(summarise(cycles, judge(cycles, MAP), MAP))


@pytest.mark.parametrize(
    ("seen", "doubtful"),
    [
        (HELD, False),
        (ELSE, True),  # another machine
        (HELD ^ WHOLE, True),  # every line inverted
        (HELD ^ np.uint64(0x21), False),  # two lines inverted: no word agrees, yet six lines are right
        (HELD & np.uint64(0xF8), False),  # three lines stuck: an eighth agrees, and five lines are right
        (ELSE[:7], False),  # too few words
    ],
)
def test_the_set_up_is_doubted(seen: np.ndarray[tuple[int], np.dtype[np.uint64]], doubtful: bool) -> None:
    assert doubted(seen) is doubtful
