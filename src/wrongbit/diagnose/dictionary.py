"""What every fault on a machine's paths would show at every probe point, before anything is captured.

The nominal run reads every ROM word that a reference gives once, in the order of the addresses; undriven
lines hold the word before. A sight is what would be seen of it with a fault: its signature is the same for
faults that no capture of ROM words at that point can tell apart. What a fault does to RAM is not foretold.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.bus.cycles import KIND_CODE, NO_TIME, Cycles
from wrongbit.compare.judge import judge
from wrongbit.compare.memory_map import MemoryMap
from wrongbit.diagnose.effects import NOTHING, Effect
from wrongbit.diagnose.looks import Look
from wrongbit.diagnose.structure import Hypothesis, Structure
from wrongbit.faults.evidence import gather_evidence
from wrongbit.faults.noise import DEFAULT_RATE
from wrongbit.faults.predict import predict
from wrongbit.faults.rows import Rows, Words
from wrongbit.machine.model import Point

NOTHING_SEEN = ""
"""Signature of a point at which all is as it should be."""


@dataclass(frozen=True)
class Sight:
    """What a fault, or several at once, would show at one probe point.

    Args:
        signature: Equal for faults that the nominal run cannot tell apart here; `NOTHING_SEEN` for those
            that do not show.
        wrong: Words that would differ, or may.
        words: Words that pass the point.
        bank: Bank of the first wrong word; 0 without one.
        address: Its address.
        expected: What should be there.
        seen: What would be seen; bits that may be either as 0.
        bits: Every bit that is wrong in some word.
        settled: Every wrong word is wrong in the same way each time.
    """

    signature: str = NOTHING_SEEN
    wrong: int = 0
    words: int = 0
    bank: int = 0
    address: int = 0
    expected: int = 0
    seen: int = 0
    bits: int = 0
    settled: bool = True


def nominal_look(structure: Structure, point: Point, memory_map: MemoryMap) -> Look:
    """The nominal run as a sound machine shows it at a point."""
    cycles = _read_all(memory_map)
    evidence = gather_evidence(cycles, judge(cycles, memory_map))
    seen = structure.chips_seen(point)
    return Look.of(point, "nominal run", evidence, memory_map, DEFAULT_RATE, seen)


def _read_all(memory_map: MemoryMap) -> Cycles:
    """Every address at which some ROM bit is known, read once by a sound machine."""
    places = sorted(
        {
            (0 if region.bank is None else region.bank, address)
            for chip in memory_map.roms
            for region in chip.regions
            for address in range(region.base, region.base + region.size)
        }
    )
    bank = np.array([place[0] for place in places], np.int32)
    address = np.array([place[1] for place in places], np.uint64)
    word, known = memory_map.expected(bank, address)
    kept = np.flatnonzero(known)
    count = len(kept)
    return Cycles(
        sample=np.arange(count, dtype=np.int64),
        time_ps=np.full(count, NO_TIME),
        kind=np.full(count, KIND_CODE["read"], np.uint8),
        bank=bank[kept],
        address=address[kept],
        address_known=np.full(count, (1 << memory_map.address_bits) - 1, np.uint64),
        word=word[kept],
        known=known[kept],
        held=np.concatenate([[0], word[kept][:-1]]).astype(np.uint64)[:count],
        flags=np.zeros(count, np.uint8),
    )


def classes_of(structure: Structure, hypotheses: Sequence[Hypothesis]) -> list[int]:
    """Numbers of classes of hypotheses that have the same effect at every probe point, from 0, in order.

    Two of one class cannot be told apart, alone or together with any other fault, by captures alone.
    """
    numbers: dict[tuple[Effect, ...], int] = {}
    return [
        numbers.setdefault(
            tuple(structure.effect(each, point) for point in structure.machine.point), len(numbers)
        )
        for each in hypotheses
    ]


def name_of(hypothesis: Hypothesis) -> str:
    """A name that stays the same from run to run.

    >>> name_of(Hypothesis("J1", "data", "open", 5))
    'J1 data open 5'
    """
    lines = [str(line) for line in (hypothesis.line, hypothesis.other) if line >= 0]
    return " ".join([hypothesis.part, hypothesis.carries, hypothesis.what, *lines, *hypothesis.ends])


def sight_of(structure: Structure, look: Look, faults: Sequence[Hypothesis]) -> Sight:
    """What one fault, or several at once, would show of a nominal run.

    Args:
        structure: The board.
        look: From `nominal_look`.
        faults: What is wrong.
    """
    rows = look.rows
    effects = [structure.effect(each, look.point) for each in faults]
    shows = [(each, effect) for each, effect in zip(faults, effects, strict=True) if effect != NOTHING]
    if not shows:
        return Sight(words=len(rows))
    if len(shows) < len(faults):  # the others do not matter here
        return sight_of(structure, look, [each for each, _ in shows])
    value, loose = _words(effects, rows)
    wrong = ((value ^ rows.expected) | loose) & rows.judged
    digest = hashlib.blake2b(digest_size=12)
    digest.update(((value ^ rows.expected) & rows.judged & ~loose).tobytes())
    digest.update((loose & rows.judged).tobytes())
    for effect in effects:
        if effect.shown is not None:
            digest.update(repr(effect.shown).encode())
    if any(each.what == "loose" for each in faults) and wrong.any():
        digest.update(b"now and then")
    shown = wrong.any() or any(effect.shown is not None for effect in effects)
    found = np.flatnonzero(wrong)
    if not len(found):
        return Sight(digest.hexdigest() if shown else NOTHING_SEEN, words=len(rows))
    row = int(found[0])
    return Sight(
        signature=digest.hexdigest(),
        wrong=len(found),
        words=len(rows),
        bank=int(rows.bank[row]),
        address=int(rows.address[row]),
        expected=int(rows.expected[row]),
        seen=int(value[row] & rows.judged[row]),
        bits=int(np.bitwise_or.reduce(wrong)),
        settled=not (loose & rows.judged).any() and all(each.what != "loose" for each in faults),
    )


def _words(effects: Sequence[Effect], rows: Rows) -> tuple[Words, Words]:
    """The words that would be seen, and their bits that may be either.

    Each effect concerns the bits of its chips only; where two concern the same bits both act.
    """
    value, loose = rows.expected.copy(), np.zeros_like(rows.expected)
    acting = [(effect, _lanes(effect, rows)) for effect in effects if effect.fault is not None]
    for code in range(1, 1 << len(acting)):
        bits = rows.judged
        for number, (_, lanes) in enumerate(acting):
            bits = bits & (lanes if code >> number & 1 else ~lanes)
        if not bits.any():
            continue
        faults = [effect.fault for number, (effect, _) in enumerate(acting) if code >> number & 1]
        foretold = predict([fault for fault in faults if fault is not None], rows)
        open_bits = foretold.soft | (foretold.unknown if foretold.unknown is not None else np.uint64(0))
        value = (value & ~bits) | (foretold.value & bits)
        loose |= open_bits & bits
    return value & ~loose, loose


def _lanes(effect: Effect, rows: Rows) -> Words:
    lanes: NDArray[np.uint64] = np.zeros(len(rows), np.uint64)
    for chip in rows.memory_map.chips:
        if chip.name in effect.chips:
            lanes[rows.at(chip).index] |= np.uint64(chip.lane_mask)
    return lanes
