"""Lines that a capture never shows: what depends on them is not judged, and must not look sound."""

from __future__ import annotations

import numpy as np

from wrongbit.bits import mask_of
from wrongbit.bus.cycles import Cycles
from wrongbit.bus.rebuild import named_lines
from wrongbit.compare.judge import is_reading
from wrongbit.compare.memory_map import MemoryMap


def lines_never_seen(cycles: Cycles, memory_map: MemoryMap) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Address lines, and data lines that some chip drives, of which no read shows a level.

    Args:
        cycles: A whole capture's; without a read nothing is never seen.
        memory_map: The chips on this bus.
    """
    reads = np.flatnonzero(is_reading(cycles))
    if not len(reads):
        return (), ()
    address = int(np.bitwise_or.reduce(cycles.address_known[reads]))
    word = int(np.bitwise_or.reduce(cycles.known[reads]))
    driven = 0
    for chip in memory_map.chips:
        driven |= mask_of(chip.lane)
    return (
        tuple(line for line in range(memory_map.address_bits) if not address >> line & 1),
        tuple(line for line in range(memory_map.word_bits) if driven >> line & 1 and not word >> line & 1),
    )


def say_never_seen(cycles: Cycles, memory_map: MemoryMap) -> tuple[str, ...]:
    """Sentences on them for a person, with what to do."""
    address, data = lines_never_seen(cycles, memory_map)
    told = []
    if address and len(address) < memory_map.address_bits:
        names = named_lines("A", address)
        fixed = ", ".join(f"A{line} = 0" for line in address[:4])
        told.append(
            f"Of the address, {names} {'was' if len(address) == 1 else 'were'} never seen, so that no read "
            f"can be placed. If {'it is' if len(address) == 1 else 'they are'} fixed and not clipped, say so "
            f"at the probe point: tied = {{ {fixed} }}; else clip and map {names}."
        )
    if data and len(data) < memory_map.word_bits:
        chips = [chip.name for chip in memory_map.chips if set(chip.lane) & set(data)]
        told.append(
            f"Of the word, {named_lines('D', data)} {'was' if len(data) == 1 else 'were'} never seen: "
            f"{'this bit' if len(data) == 1 else 'these bits'} of {', '.join(chips)} cannot be judged, and a "
            "word that 'agrees' does so in the other bits only. Clip and map "
            f"{'it' if len(data) == 1 else 'them'}."
        )
    return tuple(told)
