"""Everything that readings of one chip tell, gathered for a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from wrongbit.compare.memory_map import ChipMap
from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.image.lanes import ByteOrder
from wrongbit.reading.array import Gathering, cells_of, find_gathering
from wrongbit.reading.dependence import Dependence, find_dependences
from wrongbit.reading.evidence import wrong_bits
from wrongbit.reading.pattern import weigh_readings
from wrongbit.reading.readings import Reading
from wrongbit.reading.stability import Stability, differing_words, measure
from wrongbit.reading.stack import READ_NOISE, Majority, Narrow, Stack, stack_readings
from wrongbit.reading.structure import Structure, look
from wrongbit.reading.weighed import Weighed


@dataclass(frozen=True)
class Twin:
    """A comparison with the chip of another machine.

    Args:
        name: The file.
        words: Addresses at which the majority of the readings differs from the twin.
        rises: Bits that are 0 in the twin and 1 in the readings.
        falls: Bits that are 1 in the twin and 0 in the readings.
        judged: Bits that both give.
        first: First such address, or None.
        weighed: The faults that would make one of the other.
        against_reference: Words in which the twin itself differs from the reference; None without one.
    """

    name: str
    words: int
    rises: int
    falls: int
    judged: int
    first: int | None
    weighed: Weighed
    against_reference: int | None


@dataclass(frozen=True)
class Examination:
    """What several passes of a chip tell.

    Args:
        chip: The chip on its board; without a reference no bit of its contents is known.
        chip_type: Its type, for people.
        readings: The passes.
        stack: The passes laid over each other.
        stability: What differs between them.
        majority: The likelier level of every bit.
        dependences: Conditions with which the errors go.
        wrong: ``(n,)`` masks of bits that were wrong in some pass; None without anything to compare with.
        always_wrong: ``(n,)`` masks of bits that were wrong in every pass; None likewise.
        judged: ``(n,)`` masks of bits that could be judged; None likewise.
        by_pass: Wrong words of each pass, or words that differ from the majority where nothing is to
            compare with.
        gathering: Where the wrong (or else the unstable) cells gather in the array.
        weighed: The faults behind wrong bits; None without a reference.
        structure: What the contents show by themselves.
        twin: Comparison with a twin; None without one.
    """

    chip: ChipMap
    chip_type: str
    readings: tuple[Reading, ...]
    stack: Stack
    stability: Stability
    majority: Majority
    dependences: tuple[Dependence, ...]
    wrong: Narrow | None
    always_wrong: Narrow | None
    judged: Narrow | None
    by_pass: tuple[int, ...]
    gathering: Gathering
    weighed: Weighed | None
    structure: Structure
    twin: Twin | None = field(default=None)

    @property
    def fault_seen(self) -> bool:
        """A reference says so; without one, unstable cells or suspicious contents do."""
        if self.weighed is not None:
            return self.weighed.fault_seen
        if self.twin is not None and self.twin.weighed.fault_seen:
            return True
        return bool(self.stability.cells.count) or self.structure.suspicious


def examine(
    readings: Sequence[Reading],
    chip: ChipMap,
    *,
    others: Mapping[str, Contents] | None = None,
    twin: Reading | None = None,
    chip_type: str = "",
    byte_order: ByteOrder = "little",
    noise: float = READ_NOISE,
) -> Examination:
    """Look at readings of one chip from every side.

    Args:
        readings: Passes, all as long and wide as the chip (`wrongbit.reading.readings.load_readings`).
        chip: The chip on its board. Where nothing of its contents is known there is no reference.
        others: What other chips of the machine should hold, by name.
        twin: A reading of the same chip of another machine.
        chip_type: Its type in the machine file; "mask" in it tells how it holds its contents, where nothing
            else does.
        byte_order: How bytes of wider words are added up.
        noise: Probability that a bit is read wrong for no other reason, above 0 and below ½.

    Raises:
        ImageError: The readings or the twin do not fit each other or the chip.
    """
    stack = stack_readings(readings)
    if len(stack) != len(chip.contents) or stack.word_bits != len(chip.lane):
        raise ImageError(
            f"the readings have {len(stack)} words of {stack.word_bits} bits; {chip.name} has "
            f"{len(chip.contents)} of {len(chip.lane)}.",
            "Read the chip with its own type set.",
        )
    conditions = [reading.conditions for reading in readings]
    referenced = bool(chip.known.any())
    majority = stack.majority(noise=noise)
    reference = chip if referenced else None if twin is None else _as_chip(chip, twin.contents)
    by_pass = _wrong_words(stack, reference) if reference is not None else differing_words(stack)
    dependences = find_dependences(conditions, by_pass)
    weighed = None
    if referenced:
        weighed = weigh_readings(
            stack, chip, others=others, dependences=dependences, chip_type=chip_type, noise=noise
        )
    wrong = always = judged = None
    if reference is not None:
        wrong, always = wrong_bits(stack, reference)
        judged = reference.known.astype(wrong.dtype) & stack.ever_known
    bad = wrong if wrong is not None and wrong.any() else stack.unstable
    return Examination(
        chip=chip,
        chip_type=chip_type,
        readings=tuple(readings),
        stack=stack,
        stability=measure(stack),
        majority=majority,
        dependences=dependences,
        wrong=wrong,
        always_wrong=always,
        judged=judged,
        by_pass=by_pass,
        gathering=find_gathering(cells_of(bad, stack.word_bits), chip),
        weighed=weighed,
        structure=look(majority.contents, uncertain=stack.unstable.astype(np.uint64), byte_order=byte_order),
        twin=None if twin is None else _compare_twin(stack, majority.contents, chip, twin, chip_type, noise),
    )


def _as_chip(chip: ChipMap, contents: Contents) -> ChipMap:
    return replace(chip, contents=contents.words, known=contents.known)


def _wrong_words(stack: Stack, reference: ChipMap) -> tuple[int, ...]:
    """Words with a wrong bit, for each pass."""
    kind = stack.words.dtype
    expected, known = reference.contents.astype(kind), reference.known.astype(kind)
    counts = []
    for number in range(stack.passes):
        differs = (stack.words[number] ^ expected) & known
        if stack.known is not None:
            differs &= stack.known[number]
        counts.append(int(np.count_nonzero(differs)))
    return tuple(counts)


def _compare_twin(
    stack: Stack, majority: Contents, chip: ChipMap, twin: Reading, chip_type: str, noise: float
) -> Twin:
    other = twin.contents
    if (len(other), other.word_bits) != (len(stack), stack.word_bits):
        raise ImageError(
            f"the twin has {len(other)} words of {other.word_bits} bits; {len(stack)} of {stack.word_bits} "
            "were read.",
            "Give a reading of the same type of chip.",
            file=twin.name,
        )
    both = majority.known & other.known
    differs = (majority.words ^ other.words) & both
    places = np.flatnonzero(differs)
    against = None
    if chip.known.any():
        against = int(np.count_nonzero((other.words ^ chip.contents) & other.known & chip.known))
    return Twin(
        name=twin.name,
        words=len(places),
        rises=int(np.bitwise_count(differs & majority.words).sum()),
        falls=int(np.bitwise_count(differs & other.words).sum()),
        judged=int(np.bitwise_count(both).sum()),
        first=int(places[0]) if len(places) else None,
        weighed=weigh_readings(stack, chip, reference=other, chip_type=chip_type, noise=noise),
        against_reference=against,
    )
