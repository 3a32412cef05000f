"""Why a capture gave no bus cycle: which event never came, which term never held, which wires never moved."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from wrongbit.bits import mask_of
from wrongbit.bus.cycles import KIND_CODE, Cycles
from wrongbit.bus.rebuild import Rebuilder
from wrongbit.capture.capture import Capture
from wrongbit.machine.recipe import Transfer, parse_event, parse_term
from wrongbit.units import parse_bits


def still_signals(chunks: Iterable[Capture]) -> tuple[dict[str, str], int]:
    """Signals that never moved, with their level ('low', 'high' or 'not known'), and the number of samples.

    Args:
        chunks: The whole capture.
    """
    layout = None
    ones: list[int] = []
    zeros: list[int] = []
    count = 0
    for chunk in chunks:
        if layout is None:
            layout = chunk.layout
            ones, zeros = [0] * len(chunk.planes), [0] * len(chunk.planes)
        count += len(chunk)
        for number, (plane, unknown) in enumerate(zip(chunk.planes, chunk.unknown, strict=True)):
            if not len(plane):
                continue
            low = ~plane if unknown is None else ~(plane | unknown)
            ones[number] |= int(np.bitwise_or.reduce(plane))
            zeros[number] |= int(np.bitwise_or.reduce(low))
    still: dict[str, str] = {}
    for name, position in layout.signals.items() if layout is not None else ():
        if position < 0:
            continue
        number, bit = divmod(position, 64)
        one, zero = ones[number] >> bit & 1, zeros[number] >> bit & 1
        if not (one and zero):
            still[name] = "high" if one else "low" if zero else "not known"
    return still, count


def explain_nothing(rebuilder: Rebuilder, chunks: Iterable[Capture]) -> tuple[str, ...]:
    """Lines that say why no cycle came out, the likeliest reason first.

    Args:
        rebuilder: The rebuilder that has taken the whole capture.
        chunks: The same capture once more.
    """
    still, count = still_signals(chunks)
    lines = [f"The capture has {count} samples."]
    for transfer_number, transfer in enumerate(rebuilder.recipe.transfer):
        lines.append(_why(rebuilder, transfer_number, transfer))
    if still:
        moved = ", ".join(f"{name} ({level})" for name, level in sorted(still.items()))
        lines.append(f"Signals that never moved: {moved}.")
    else:
        lines.append("Every signal moved at least once.")
    return tuple(lines)


FEW_PULSES, SMALL_SHARE, FEW_CYCLES = 16, 0.05, 16
"""Unused pulses of a read strobe, and their share, above which they are told; and cycles among which some
fetch must be. A choice: a capture's ends cost one pulse or two, a processor fetches every few cycles."""


def explain_losses(rebuilder: Rebuilder, cycles: Cycles) -> tuple[str, ...]:
    """Sentences on reads that the capture shows and the rebuild could not use; none where all is well.

    Args:
        rebuilder: The rebuilder that has taken the whole capture.
        cycles: What it gave.
    """
    told = []
    recipe, tally = rebuilder.recipe, rebuilder.tally
    reads = [step for step in recipe.transfer if step.kind in ("fetch", "read")]
    for at in dict.fromkeys(step.at for step in reads if not rebuilder.lacking(step)):
        came, unused = tally.events.get(parse_event(at), 0), tally.unused.get(parse_event(at), 0)
        if unused >= FEW_PULSES and unused > SMALL_SHARE * came:
            told.append(f"'{at}' came {came} times, and {unused} of them gave no cycle.")
    fetches = [step for step in reads if step.kind == "fetch" and not rebuilder.lacking(step)]
    if fetches and len(cycles) >= FEW_CYCLES and not (cycles.kind == KIND_CODE["fetch"]).any():
        plain = {term for step in reads if step.kind == "read" for term in step.where}
        terms = [term for step in fetches for term in step.where]
        markers = dict.fromkeys(parse_term(term)[1] for term in [t for t in terms if t not in plain] or terms)
        told.append(
            f"No fetch was found among {len(cycles)} cycles, though the capture carries {', '.join(markers)}."
        )
    told += _say_torn(rebuilder, cycles)
    if told:
        told.append(_remedy(rebuilder))
    return tuple(told)


def _say_torn(rebuilder: Rebuilder, cycles: Cycles) -> list[str]:
    """Fetches of a part of the word, though the recipe waits for joined strobes, which then end apart."""
    recipe = rebuilder.recipe
    joined = {step.at for step in recipe.transfer if step.kind == "fetch" and "|" in step.at}
    fetched = cycles.known[cycles.kind == KIND_CODE["fetch"]]
    if not joined or not len(fetched):
        return []
    groups = [np.uint64(mask_of(parse_bits(enable.bits))) for enable in recipe.enable]
    moved = np.array([fetched & group != 0 for group in groups])
    torn = int((moved.any(axis=0) & ~moved.all(axis=0)).sum())
    if torn < FEW_PULSES or torn <= SMALL_SHARE * len(fetched):
        return []
    return [
        f"{torn} of {len(fetched)} fetches show a part of the word only: when '{sorted(joined)[0]}' came, "
        "one of these lines had ended already."
    ]


def _remedy(rebuilder: Rebuilder) -> str:
    point = rebuilder.point
    if point.mode == "state":
        return f"Check the clips on these lines, and 'clock' at the probe point {point.name!r}."
    given = "has none" if point.skew is None else f"has {point.skew // 1000} ns"
    return (
        "Where lines that belong to one cycle move a little before each other, cycles are lost: give the "
        f"probe point {point.name!r} a skew, such as skew = '20 ns' (it {given}), and compare again; else "
        "check the clips on these lines."
    )


def _why(rebuilder: Rebuilder, number: int, transfer: Transfer) -> str:
    lacking = sorted(rebuilder.lacking(transfer))
    if lacking:
        return f"{transfer.kind}: left out, as the capture does not carry {', '.join(map(repr, lacking))}."
    events = rebuilder.tally.events.get(parse_event(transfer.at), 0)
    if not events:
        return (
            f"{transfer.kind}: the event '{transfer.at}' never came. If its pulses last only one or two "
            f"samples, set skew = '0 ns' at the probe point or sample faster."
        )
    came = f"{transfer.kind}: '{transfer.at}' came {events} times"
    never = [term for term in transfer.where if rebuilder.tally.failed.get((number, term), 0) >= events]
    if never:
        return f"{came}, but {' and '.join(never)} never held then."
    return f"{came}, but its terms never held together."
