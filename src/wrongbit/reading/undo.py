"""Faults of reader, adapter or chip that can be taken back: every bit that they did not destroy returns.

A step says where each word of a reading really stood and what became of its bits. Swapped and inverted lines
lose nothing; a line without effect, a stuck output or a bridge loses bits, which are then not known.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import scatter_bits
from wrongbit.errors import UsageError
from wrongbit.faults.fault import ChipAddressStage, Fault
from wrongbit.faults.lines import What, wire
from wrongbit.faults.models.selection import LaneInverted
from wrongbit.faults.models.wires import AddressFault, DataLineFault, OutputFault, WireFault
from wrongbit.image.contents import Contents
from wrongbit.reading.models import LineInverted, OutputsReordered
from wrongbit.reading.readings import Reading

Words = NDArray[np.uint64]


@dataclass(frozen=True)
class Step:
    """One fault to take back; what is None or 0 it leaves alone.

    Args:
        says: The fault, in words.
        cell: The chip's address behind each address of the reading.
        order: Which of the chip's outputs each bit of the reading is, bit 0 first.
        inverted: Outputs that were read inverted.
        lost: Outputs that say nothing.
        bridge: Two outputs that were read as one, and the level that wins.
    """

    says: str
    cell: Callable[[Words], Words] | None = None
    order: tuple[int, ...] | None = None
    inverted: int = 0
    lost: int = 0
    bridge: tuple[int, int, int] | None = None

    @property
    def turn(self) -> int:
        """Steps are taken from the file back to the cells: order and polarity first, then what loses bits."""
        return 1 if self.lost or self.bridge else 0


@dataclass(frozen=True)
class Partner:
    """Where a bridge showed its winning level: at least one of the two bits has it.

    Args:
        first: An output.
        second: The other one.
        level: The winning level.
        address: ``intp (k,)`` where.
    """

    first: int
    second: int
    level: int
    address: NDArray[np.intp]


@dataclass(frozen=True)
class Undone:
    """A reading without its fault.

    Args:
        contents: Bits that the fault left, at their own addresses.
        partners: What bridges leave open.
        notes: What was taken back and what was lost.
    """

    contents: Contents
    partners: tuple[Partner, ...]
    notes: tuple[str, ...]


def undo(contents: Contents, steps: Sequence[Step]) -> Undone:
    """Take faults back.

    Args:
        contents: One reading, from address 0.
        steps: The faults, in any order.

    >>> reading = Contents(np.array([1, 3, 2, 4], np.uint64), np.full(4, 7, np.uint64), 3)
    >>> undo(reading, [parse_step("swap A0 A1", 3, 4)]).contents.words.tolist()
    [1, 2, 3, 4]
    """
    partners: list[Partner] = []
    notes: list[str] = []
    for step in sorted(steps, key=lambda step: step.turn):
        before = int(np.bitwise_count(contents.known).sum())
        if step.cell is not None:
            contents, clash = _moved(contents, step.cell)
            if clash:
                notes.append(f"{step.says}: {clash} words that should then be the same differ; not known.")
        if step.order is not None:
            contents = replace(
                contents,
                words=scatter_bits(contents.words, step.order),
                known=scatter_bits(contents.known, step.order),
            )
        if step.inverted:
            flip = np.uint64(step.inverted)
            contents = replace(contents, words=(contents.words ^ flip) & contents.known)
        if step.lost:
            contents = _without(contents, np.uint64(step.lost))
        if step.bridge is not None:
            contents, partner, clash = _unbridged(contents, *step.bridge)
            partners.append(partner)
            if clash:
                notes.append(
                    f"{step.says}: in {clash} words the two bits differ, so that they are not known."
                )
        lost = before - int(np.bitwise_count(contents.known).sum())
        notes.append(f"{step.says}: taken back{f'; {lost} bits are lost' if lost else ''}.")
    return Undone(contents, tuple(partners), tuple(notes))


def _without(contents: Contents, lost: np.uint64) -> Contents:
    return replace(contents, words=contents.words & ~lost, known=contents.known & ~lost)


def _moved(contents: Contents, cell: Callable[[Words], Words]) -> tuple[Contents, int]:
    """Words at the cells they came from; one cell read at several addresses must have read the same."""
    at = cell(np.arange(len(contents), dtype=np.uint64)).astype(np.intp)
    inside = at < len(contents)
    at, words, known = at[inside], contents.words[inside], contents.known[inside]
    ones, zeros = np.zeros(len(contents), np.uint64), np.zeros(len(contents), np.uint64)
    np.bitwise_or.at(ones, at, words & known)
    np.bitwise_or.at(zeros, at, ~words & known)
    clash = ones & zeros
    fresh = (ones | zeros) & ~clash
    return replace(contents, words=ones & fresh, known=fresh), int(np.count_nonzero(clash))


def _unbridged(contents: Contents, first: int, second: int, level: int) -> tuple[Contents, Partner, int]:
    """Both bits are known where the losing level was read; otherwise one of them at least has the winner."""
    both = np.uint64((1 << first) | (1 << second))
    asked = (contents.known & both) == both
    ones = contents.words & both
    same = (ones == both) | (ones == 0)
    loser = np.uint64(0) if level else both
    settled = asked & same & (ones == loser)
    open_ = np.flatnonzero(asked & same & ~settled)
    known = np.where(settled, contents.known, contents.known & ~both)
    clash = int(np.count_nonzero(asked & ~same))
    return (
        replace(contents, words=contents.words & known, known=known),
        Partner(first, second, level, open_),
        clash,
    )


@dataclass(frozen=True)
class Bench:
    """Readings of one chip without their fault.

    Args:
        readings: Each with the bits that the fault left.
        partners: What bridges leave open in every reading.
        notes: What was taken back.
    """

    readings: tuple[Reading, ...]
    partners: tuple[Partner, ...]
    notes: tuple[str, ...]


def undo_all(readings: Sequence[Reading], steps: Sequence[Step]) -> Bench:
    """Take the same faults back from several passes of one chip.

    What a bridge leaves open is told once: passes of one chip through one bridge are no independent
    witnesses. Where one pass shows the losing level, that pass alone speaks.
    """
    if not steps:
        return Bench(tuple(readings), (), ())
    undone = [undo(reading.contents, steps) for reading in readings]
    partners = []
    for number, partner in enumerate(undone[0].partners):
        both = np.uint64((1 << partner.first) | (1 << partner.second))
        open_ = np.zeros(len(readings[0].contents), np.bool_)
        for each in undone:
            open_[each.partners[number].address] = True
        for each in undone:
            open_ &= (each.contents.known & both) == 0
        partners.append(replace(partner, address=np.flatnonzero(open_)))
    notes = dict.fromkeys(note for each in undone for note in each.notes)
    cleaned = [
        replace(reading, contents=each.contents) for reading, each in zip(readings, undone, strict=True)
    ]
    return Bench(tuple(cleaned), tuple(partners), tuple(notes))


# -- where steps come from ---------------------------------------------------------------------------------


def step_for(fault: Fault, width: int) -> Step | None:
    """The step that takes a fault back; None if there is none, or it acts only in some of the reads.

    Args:
        fault: From `wrongbit.reading.pattern` or `wrongbit.faults`.
        width: Number of outputs.
    """
    says = fault.say().rstrip(".")
    if isinstance(fault, WireFault) and fault.what in ("open", "stuck at 0", "stuck at 1"):
        if isinstance(fault, OutputFault | DataLineFault):
            return Step(says, lost=1 << int(fault.first))  # a bit that is right at times is not known either
        if fault.what == "open":
            return None
    if fault.rate < 1:
        return None
    if isinstance(fault, ChipAddressStage):
        return Step(says, cell=fault.move_lines)
    if isinstance(fault, AddressFault):
        return Step(says, cell=_bus_cells(fault))
    if isinstance(fault, LaneInverted):
        return Step(says, inverted=(1 << width) - 1)
    if isinstance(fault, OutputsReordered):
        return Step(says, order=fault.order)
    if isinstance(fault, OutputFault | DataLineFault):
        return _wired(says, fault.what, int(fault.first), int(fault.second), width)
    return None


def _bus_cells(fault: AddressFault) -> Callable[[Words], Words]:
    return lambda address: fault.move(np.zeros(len(address), np.int32), address)[1]


def _wired(says: str, what: What, first: int, second: int, width: int) -> Step:
    """A fault of one or two outputs."""
    if what == "swapped":
        order = list(range(width))
        order[first], order[second] = second, first
        return Step(says, order=tuple(order))
    if what in ("low wins", "high wins"):
        return Step(says, bridge=(first, second, int(what == "high wins")))
    return Step(says, lost=1 << first)


_STEP = re.compile(
    r"(swap|invert|stuck|open|bridge)\s+([AD])(\d*)(?:\s+([AD])(\d+))?(?:\s+(low|high))?", re.I
)
_FORM = (
    "Write 'swap A3 A4', 'swap D0 D1', 'invert A12', 'invert D' (all outputs), 'stuck A12 low', 'stuck D3', "
    "'bridge D2 D3' or 'bridge A2 A3 high'."
)


def parse_step(text: str, width: int, words: int, *, part: str = "the chip") -> Step:
    """A fault as a person asks for it to be taken back.

    Args:
        text: What, on which lines, and for a stuck or bridged line the level; a bridge's is low if left out.
        width: Number of outputs.
        words: Number of words.
        part: The chip's name.

    Raises:
        UsageError: The text says something else, or a line that the chip does not have.
    """
    match = _STEP.fullmatch(text.strip())
    if match is None:
        raise UsageError(f"{text!r} is not a fault that can be taken back.", _FORM)
    what, kind, first, other, second, level = (each and each.lower() for each in match.groups())
    lines = max((words - 1).bit_length(), 1)
    pair = what in ("swap", "bridge")
    whole = what == "invert" and kind == "d" and not first
    if (other is None) == pair or (other or kind) != kind or (not first and not whole):
        raise UsageError(f"{text!r} is not a fault that can be taken back.", _FORM)
    numbers = [int(each) for each in (first, second) if each]
    _check_lines(text, kind, numbers, width if kind == "d" else lines)
    if kind == "a":
        return _address_step(text, what, numbers, level, lines, part)
    if what == "invert":
        return Step(text, inverted=(1 << width) - 1 if whole else 1 << numbers[0])
    meant: dict[str, What] = {"swap": "swapped", "bridge": "high wins" if level == "high" else "low wins"}
    return _wired(text, meant.get(what, "open"), numbers[0], numbers[-1], width)


def _check_lines(text: str, kind: str, numbers: Iterable[int], count: int) -> None:
    numbers = list(numbers)
    name = "D" if kind == "d" else "A"
    wrong = [number for number in numbers if number >= count]
    if wrong:
        raise UsageError(
            f"{text!r}: there is no line {name}{wrong[0]}; the chip has {name}0 to {name}{count - 1}.",
            "Correct the line.",
        )
    if len(set(numbers)) < len(numbers):
        raise UsageError(f"{text!r} names the same line twice.", _FORM)


def _address_step(text: str, what: str, numbers: list[int], level: str | None, lines: int, part: str) -> Step:
    if what == "invert":
        return Step(text, cell=LineInverted(part, numbers[0], lines).move_lines)
    if what in ("stuck", "open") and level is None:
        raise UsageError(f"{text!r} does not say at which level the line is.", "Add 'low' or 'high'.")
    high = level == "high"
    meant: dict[str, What] = {
        "swap": "swapped",
        "bridge": "high wins" if high else "low wins",
        "stuck": "stuck at 1" if high else "stuck at 0",
    }
    kind = meant.get(what, meant["stuck"])
    return Step(text, cell=lambda address: wire(kind, numbers[0], numbers[-1], address)[0])
