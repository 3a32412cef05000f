"""One chip with what it should hold, and what its neighbours should hold: for readings of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from wrongbit.compare.build import build_memory_map
from wrongbit.compare.memory_map import ChipMap
from wrongbit.image.contents import Contents
from wrongbit.machine.model import Chip, Machine


def references_of(
    machine: Machine, wanted: Chip, folder: Path, *, without: bool = False
) -> tuple[ChipMap, dict[str, Contents], tuple[str, ...]]:
    """A chip on its board.

    Args:
        machine: The machine.
        wanted: One of its ROMs.
        folder: Where its files lie.
        without: Leave every reference out.

    Returns:
        The chip with what it should hold, what the other ROMs of its size should hold, and what the readers
        of the references want a person to know.

    Raises:
        ImageError: A reference cannot be used.
    """
    if without:
        blank = wanted.model_copy(update={"image": None})
        machine = machine.model_copy(update={"chip": (blank,), "listing": ()})
    processor = machine.processor_of(wanted.processor)
    memory_map = build_memory_map(machine, processor, folder)
    others: dict[str, Contents] = {}
    for each in memory_map.roms:
        if each.name != wanted.name and len(each.contents) == wanted.words:
            others[each.name] = Contents(each.contents, each.known, len(each.lane), source=each.name)
    alone = next(each for each in memory_map.chips if each.name == wanted.name)
    notes = tuple(note for note in memory_map.notes if note.startswith(f"{wanted.name}:"))
    return alone, others, notes


@dataclass(frozen=True)
class Disagreement:
    """How contents differ from what a chip should hold.

    Args:
        compared: Words of which some bit is known on both sides.
        differ: Of these, how many differ.
        first: Address in the chip of the first that differs, None where none does.
        expected: What should be there, unknown bits 0.
        found: What is there, unknown bits 0.
    """

    compared: int
    differ: int
    first: int | None = None
    expected: int = 0
    found: int = 0


def disagreement(should: ChipMap, contents: Contents) -> Disagreement:
    """Compare contents with what a chip should hold.

    Args:
        should: The chip on its board.
        contents: As many words as the chip has.
    """
    known = should.known & contents.known
    rows = np.flatnonzero((should.contents ^ contents.words) & known)
    compared = int(np.count_nonzero(known))
    if not len(rows):
        return Disagreement(compared, 0)
    row, mask = int(rows[0]), known[rows[0]]
    return Disagreement(
        compared, len(rows), row, int(should.contents[row] & mask), int(contents.words[row] & mask)
    )
