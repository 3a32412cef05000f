"""Faults that readings show beside other sources, and which of them can be taken back."""

from __future__ import annotations

from collections.abc import Sequence

from wrongbit.compare.memory_map import ChipMap
from wrongbit.image.contents import Contents
from wrongbit.reading.pattern import weigh_readings
from wrongbit.reading.readings import Reading
from wrongbit.reading.stack import READ_NOISE, stack_readings
from wrongbit.reading.undo import Step, step_for

SURE = 0.99
"""Probability from which a fault is taken back without being asked for. A choice."""


def find_steps(
    readings: Sequence[Reading],
    chip: ChipMap,
    reference: Contents,
    *,
    chip_type: str = "",
    noise: float = READ_NOISE,
) -> tuple[tuple[Step, ...], tuple[str, ...]]:
    """Look for the fault behind what readings have otherwise than other sources.

    Args:
        readings: Passes of the chip.
        chip: The chip on its board.
        reference: What other sources say, as far as they do.
        chip_type: Its type in the machine file.
        noise: Probability that one read is wrong by chance.

    Returns:
        Steps that take it back (none where there is nothing to take back, or it is not sure enough), and
        notes that say what was found.
    """
    if not reference.known.any():
        return (), ()
    weighed = weigh_readings(
        stack_readings(readings), chip, reference=reference, chip_type=chip_type, noise=noise
    )
    best = weighed.best
    if not best.faults:
        return (), ()
    sure = "over 99.9 %" if best.probability > 0.999 else f"{best.probability:.1%}"
    found = f"Beside the other sources the readings show, with {sure}: {best.says.rstrip('.')}"
    if weighed.ties > 1 or best.probability < SURE or best.unexplained > weighed.allowed:
        return (), (
            f"{found}. That is not sure enough to be taken back; ask for it with --undo if it is so.",
        )
    steps = [step_for(fault, len(chip.lane)) for fault in best.faults]
    sound = [step for step in steps if step is not None]
    if len(sound) < len(steps):
        return (), (f"{found}. That cannot be taken back.",)
    return tuple(sound), (f"{found}.",)
