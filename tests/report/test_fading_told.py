"""A fading chip in the report: its weak bits are told of, with their number; a sound chip's are not."""

from __future__ import annotations

import numpy as np

from wrongbit.image.contents import Contents
from wrongbit.machine.model import Chip
from wrongbit.reading.faded import with_fading
from wrongbit.reading.readings import Reading
from wrongbit.reading.rebuild import Shape, rebuild
from wrongbit.reading.sources import from_passes
from wrongbit.report.content import Paragraph
from wrongbit.report.sections.chips import rebuilt_section

CHIP = Chip.model_validate(
    {
        "name": "U4",
        "kind": "rom",
        "technology": "eprom",
        "words": 1024,
        "bits": 8,
        "region": [{"base": 0, "size": 1024}],
        "lane": "0..7",
    }
)


def told(wavering: int) -> str:
    draw = np.random.default_rng(4)
    truth = draw.integers(0, 128, 1024, dtype=np.uint64)
    mask = np.full(1024, 255, np.uint64)
    readings = []
    for number in range(4):
        words = truth.copy()
        words[: wavering * 20 : 20] |= np.uint64(0x80) * np.uint64(number % 2)
        readings.append(Reading(Contents(words, mask, 8), name=f"pass {number}"))
    sources = [from_passes(readings, "reading", "readings")]
    changed, fading, notes = with_fading(readings, sources, 1, noise=1e-4)
    section = rebuilt_section(CHIP, rebuild(Shape(1024, 8), changed, fading=fading, notes=notes))
    return " ".join(str(block.text) for block in section.blocks if isinstance(block, Paragraph))


def test_weak_bits_are_told_of() -> None:
    text = told(7)
    assert "Fading: 7 bits waver" in text
    assert "steady 1s are the weak ones" in text
    assert "95 %" in text
    assert "a twin, a listing, a checksum" in text


def test_of_a_sound_chip_nothing_is_said() -> None:
    assert "Fading" not in told(0)
