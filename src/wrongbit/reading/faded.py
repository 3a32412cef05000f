"""Readings of a chip that may fade, with the direction in which charge leaks taken into account."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wrongbit.reading.fading import Estimate, Witnessed, estimate, local_odds
from wrongbit.reading.readings import Reading
from wrongbit.reading.sources import Source, bits_of

Bits = NDArray[np.bool_]
Floats = NDArray[np.float64]

SURELY = 3.0
"""Log odds from which another source says what a bit was."""

OTHER_WAY, AT_LEAST = 4, 10
"""Readings with so many times more bits wrong the other way, and at least so many, do not show fading."""

TOGETHER = 0.3
"""Share of wavering cells with a wavering neighbour, beyond chance, from which on a contact is the cause
and not lost charge, where at least `AT_LEAST` waver. A choice."""


@dataclass(frozen=True)
class Fading:
    """What the readings tell of lost charge.

    Args:
        level: What a cell without charge reads.
        estimate: How many steady cells have faded.
        weak: Bits that are steadily at that level, and of which nothing but the chip itself tells.
        faded: Expected number of these that were programmed, and its interval at 95 %.
        open: How many of them are called unknown.
        twin: Expected share of a twin's erased bits that were programmed, for each twin.
    """

    level: int
    estimate: Estimate
    weak: int = 0
    faded: tuple[float, float, float] = (0.0, 0.0, 0.0)
    open: int = 0
    twin: tuple[float, ...] = ()


def erased_level(technology: str | None, type_: str = "") -> int | None:
    """What a cell without charge reads; None where charge does not decide or the level is not known.

    Erased EPROMs read 1 (data sheets, from memory), but for the 1702 of the first generation, which reads 0
    (from memory). Of EEPROM and flash, parts differ (from memory): no direction is assumed.

    Args:
        technology: As the machine file has it.
        type_: The chip's type, which tells where the technology is not given.

    >>> erased_level("eprom"), erased_level("mask"), erased_level(None, "EPROM 8192 x 8"), erased_level(None)
    (1, None, 1, None)
    """
    text = type_.lower()
    named = "eprom" in text and "eeprom" not in text and "e2prom" not in text
    if technology != "eprom" and not (technology is None and named):
        return None
    return 0 if "1702" in text else 1


def say_fading(fading: Fading) -> tuple[str, ...]:
    """What fading means for these contents, in plain sentences: first in one, then the rest."""
    found, level = fading.estimate, fading.level
    first = f"{found.wavering} bits waver, as they do where charge leaks"
    if found.witnessed is not None and found.witnessed.programmed:
        first += f"; {found.witnessed.programmed} steady ones have faded, as other sources show"
    if not fading.weak:
        return (f"{first}. Other sources or a checksum stand for every steady bit.",)
    expected, low, high = (round(each) for each in fading.faded)
    part = f"; {fading.open} of them stand where so many have faded that they are called unknown"
    held = 1 - level
    rest = [
        f"Charge only leaks, so a bit that ever gives {held} very likely held {held}, and the steady "
        f"{level}s are the weak ones: a {level} and a {held} that has faded altogether look "
        "alike in every pass.",
        f"Of {fading.weak} steady {level}s of which nothing else tells, about {expected} may have held "
        f"{held} ({low} to {high}, at 95 %){part if fading.open else ''}. {_account(found)}",
    ]
    settle = "What would settle them: a twin, a listing, a checksum (a CRC rather than a sum)"
    settle += (
        "; and passes at the lowest supply the maker permits, or in a reader with a marginal test, where "
        "faded cells are likelier to read right (common practice, no source)."
    )
    return (f"{first}.", *rest, settle)


def _account(found: Estimate) -> str:
    if found.witnessed is not None and found.witnessed.total:
        return "That is counted where other sources say what was held."
    if found.account == "supply":
        return "That is extrapolated from the bits that waver between the passes' supplies (judgement)."
    return (
        "That is extrapolated from how often the wavering bits gave each level (judgement), and rough; "
        "passes at known, different supplies tell more."
    )


def with_fading(
    readings: Sequence[Reading], sources: Sequence[Source], level: int, *, noise: float
) -> tuple[tuple[Source, ...], Fading | None, tuple[str, ...]]:
    """Sources in which lost charge is reckoned with.

    Args:
        readings: Passes of the chip, at its own addresses and levels.
        sources: Everything there is; the readings' own source is among them.
        level: What a cell without charge reads.
        noise: Rate of misreads that is reckoned with.

    Returns:
        The sources, what was found, and notes; the sources as they were and None where nothing fades, or
        where what wavers does not look like lost charge.
    """
    given, reads = _programmed_reads(readings, level)
    others = [source for source in sources if source.kind not in ("reading", "bus")]
    steady, ever = (reads > 0) & (given == 0), given > 0
    wavers = ever & (given < reads)
    witnessed, other_way, twins = _witness(others, steady, (given == reads) & ever, ever, level)
    if other_way is not None:
        return tuple(sources), None, (other_way,)
    if (apart := _not_scattered(wavers)) is not None:
        return tuple(sources), None, (apart,)
    full = reads == len(readings)
    counts = np.bincount(given[full], minlength=len(readings) + 1)
    found = estimate(counts.astype(np.int64), noise=noise, supplies=_supplies(readings), witnessed=witnessed)
    if found is None:
        return tuple(sources), None, ()
    chances = _chances(found, given, reads, wavers)
    leaked = _where(found, others, steady, (ever, np.where(wavers, chances, 0.0)), level)
    sign = np.float32(1 if level else -1)
    odds = np.clip(np.log(chances) - np.log1p(-chances), -34.0, 34.0) * -sign
    changed = []
    for source in sources:
        if source.kind == "reading":
            mixed = np.where(wavers, odds, source.odds).astype(np.float32)
            source = replace(source, odds=mixed, leaked=np.where(steady, leaked, 0) * sign)
        elif source.kind == "twin":
            share = twins[[id(each) for each in others].index(id(source))]
            source = replace(source, leaked=np.full((1, source.odds.shape[1]), share * sign, np.float32))
        changed.append(source)
    told_twins = tuple(share for share, each in zip(twins, others, strict=True) if each.kind == "twin")
    return tuple(changed), Fading(level, found, twin=told_twins), ()


def _where(
    found: Estimate, others: Sequence[Source], steady: Bits, wavering: tuple[Bits, Floats], level: int
) -> NDArray[np.float32]:
    """Odds that each steady bit was programmed.

    Args:
        found: The estimate for the whole chip.
        others: Sources of another origin than the chip.
        steady: Bits steadily at the erased level.
        wavering: Bits that ever gave the other level, and how surely each of them has lost charge.
        level: The erased level.
    """
    ever, events = wavering
    told, covered = np.zeros(steady.shape, np.bool_), np.zeros(steady.shape, np.bool_)
    for other in others:
        told |= steady & ((other.odds < -SURELY) if level else (other.odds > SURELY))
        covered |= np.abs(other.odds) > SURELY
    exposed = ever | told
    # Where nobody tells of the steady bits only those that waver show.
    waver = float(events.sum()) / max(int(exposed.sum()), 1)
    gone = int(told.sum()) / max(int((exposed & covered).sum()), 1)
    seen = np.where(covered, 1.0, max(waver, 1e-9) / (max(waver, 1e-9) + gone))
    return local_odds(found, steady, np.where(told, 1.0, events), exposed, seen)


def _programmed_reads(readings: Sequence[Reading], level: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """``int64 (n, bits)`` how often each cell gave the programmed level, and how often it was read."""
    width = readings[0].contents.word_bits
    given = np.zeros((len(readings[0].contents), width), np.int64)
    reads = np.zeros_like(given)
    for reading in readings:
        known = reading.contents.known
        held = ~reading.contents.words & known if level else reading.contents.words & known
        given += bits_of(held, width)
        reads += bits_of(known, width)
    return given, reads


def _supplies(readings: Sequence[Reading]) -> tuple[float, float] | None:
    """Lowest and highest supply in volts, if all are known and they differ."""
    volts = [each.conditions.voltage_mv for each in readings]
    known = [each / 1000 for each in volts if each is not None]
    return (min(known), max(known)) if len(known) == len(volts) and len(set(known)) > 1 else None


def _chances(
    found: Estimate, given: NDArray[np.int64], reads: NDArray[np.int64], wavers: Bits
) -> NDArray[np.float64]:
    """``float64 (n, bits)`` probability that a wavering cell was programmed; ½ elsewhere."""
    chances = np.full(given.shape, 0.5)
    pairs, place = np.unique(np.column_stack([given[wavers], reads[wavers]]), axis=0, return_inverse=True)
    if len(pairs):
        each = np.array([found.programmed(int(one), int(all_)) for one, all_ in pairs])
        chances[wavers] = np.clip(each, 1e-12, 1 - 1e-12)[place.reshape(-1)]
    return chances


def _witness(
    others: Sequence[Source], steady: Bits, surely: Bits, ever: Bits, level: int
) -> tuple[Witnessed | None, str | None, list[float]]:
    """What other sources say of steady bits; a note where that is not fading; how far each twin has faded.

    Args:
        others: Sources of another origin than the chip.
        steady: Bits steadily at the erased level.
        surely: Bits steadily at the programmed level.
        ever: Bits that ever gave the programmed level.
        level: The erased level.
    """
    sides = [other.odds if level else -other.odds for other in others]
    twins = []
    for side in sides:
        both = int(np.count_nonzero(ever & (np.abs(side) > SURELY)))
        twins.append((int(np.count_nonzero(ever & (side > SURELY))) + 0.5) / (both + 1.0) if both else 0.0)
    charged, erased = np.zeros(steady.shape, np.bool_), np.zeros(steady.shape, np.bool_)
    for side in sides:
        charged |= side < -SURELY
        erased |= side > SURELY
    # A twin may have faded itself; what else is wrong is wrong in both directions alike.
    against, wrong = 0, 0.0
    for side, other in zip(sides, others, strict=True):
        if other.kind != "twin":
            amiss = int(np.count_nonzero(surely & (side > SURELY)))
            seen = int(np.count_nonzero(surely & (np.abs(side) > SURELY)))
            against, wrong = against + amiss, max(wrong, (amiss + 0.5) / (seen + 1.0))
    differ = int(np.count_nonzero(steady & charged))
    total = int(np.count_nonzero((steady | surely) & charged))
    at_rest = int(np.count_nonzero(steady & erased & ~charged))
    if against >= AT_LEAST and against > OTHER_WAY * differ:
        note = (
            f"{against} bits are steadily {1 - level} where another source says {level}: that is not lost "
            "charge, so that the direction in which charge leaks was left out."
        )
        return None, note, twins
    error = wrong * at_rest / max(total, 1)
    witnessed = Witnessed(differ, total, error) if total else None
    return witnessed, None, twins


def _not_scattered(wavers: Bits) -> str | None:
    """A note where wavering cells stand together as contacts make them, not scattered as leaky cells are."""
    count = int(np.count_nonzero(wavers))
    beside = np.zeros(wavers.shape, np.bool_)
    beside[1:] |= wavers[:-1]
    beside[:-1] |= wavers[1:]
    runs = np.count_nonzero(wavers & beside)
    share = count / max(wavers.size, 1)
    words = np.count_nonzero(wavers & (wavers.sum(axis=1) > 1)[:, None])
    width = wavers.shape[1]
    # Of cells scattered by chance so many have a neighbour.
    if (
        count < AT_LEAST
        or max(runs - 2 * share * count, words - (width - 1) * share * count) < TOGETHER * count
    ):
        return None
    return (
        f"The {count} cells that waver stand in runs or in the same words, as a bad contact or a slow chip "
        "makes them: the direction in which charge leaks was left out."
    )
