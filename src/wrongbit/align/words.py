"""Words as a clip on one chip shows them: data without addresses, taken when the chip's enable ends."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from wrongbit.bus.cycles import Cycles
from wrongbit.bus.rebuild import Rebuilder
from wrongbit.capture.formats import open_samples
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Chip, Point, Processor
from wrongbit.machine.recipe import Recipe, Transfer, parse_event

ENABLES = ("CE", "CS", "OE", "RD")
"""Names under which a chip's enable is looked for in a timing capture, active low, in this order."""


def read_chip_words(
    chip: Chip, point: Point, capture: Path, progress: Callable[[int, int], None] | None = None
) -> tuple[Cycles, tuple[str, ...]]:
    """The words at a chip's outputs, one for each time that it was enabled.

    Args:
        chip: The chip.
        point: A probe point on it. In state mode every sample is one word; in timing mode the word is taken
            when the chip's enable ends.
        capture: CSV or VCD.
        progress: Told how far the reading is.

    Returns:
        Cycles whose ``word`` has output 0 in bit 0 and whose address is not known, and the reader's notes.

    Raises:
        CaptureError: The file cannot be used, or holds no word.
    """
    source = open_samples(capture, point, {"D": chip.bits, **dict.fromkeys(ENABLES, 1)})
    if point.clock is not None:
        event = point.clock
    else:
        enable = next((name for name in ENABLES if name in source.layout.signals), None)
        if enable is None:
            raise CaptureError(
                f"No column carries the enable of {chip.name}: {', '.join(ENABLES)} are looked for.",
                f"Map the column to /CE under 'columns' of the probe point {point.name!r}.",
                file=str(capture),
            )
        event = f"{enable} ends"
    recipe = Recipe(
        active_low=(parse_event(event)[0],),
        transfer=(Transfer(kind="read", at=event, address=("D",), data="D"),),
    )
    outputs = Processor(name=chip.name, word_bits=chip.bits, address_bits=min(chip.bits, 32), recipe=recipe)
    rebuilder = Rebuilder(outputs, point)
    cycles = rebuilder.read_all(source, progress)
    if not len(cycles):
        raise CaptureError(
            f"{chip.name} is never enabled in this capture.",
            f"Check the clip for '{event}'.",
            file=str(capture),
        )
    return cycles, source.notes
