"""Faults that only a reading shows: the wrong device selected, a file put together wrongly, a blank chip.

They are faults like those of `wrongbit.faults.models`, so that all compete on the same scale: each says what
would have been read, and says itself in a sentence. To add one: a class here, a line in `reader_faults`, its
advice in `wrongbit.reading.advice`, a paragraph in ``docs/readings.md`` and a test.

Priors are shares of belief on the scale of `wrongbit.faults.models.MODELS`: common practice and judgement,
no source. They decide only between faults that explain the readings equally well.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from wrongbit.bits import gather_bits
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.faults.fault import CellStage, ChipAddressStage, Fault, OutputStage
from wrongbit.faults.rows import Words
from wrongbit.image.contents import Contents


@dataclass(frozen=True)
class Blank(OutputStage):
    """Every word reads the same.

    Args:
        word: The word.
        width: Number of outputs.
    """

    word: int
    width: int

    @property
    def model(self) -> str:
        """Name of its family."""
        return "blank chip"

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        return f"{self.part} reads {self.word:0{-(-self.width // 4)}X} everywhere, as an erased chip does."

    def drive(self, value: Words, soft: Words, held: Words) -> tuple[Words, Words, Words]:
        """Outputs behind the fault as (value, soft, floating)."""
        none = np.zeros_like(value)
        return np.full_like(value, self.word), none, none


@dataclass(frozen=True)
class SmallerDevice(ChipAddressStage):
    """The reader was set to a smaller device: the upper address lines keep one level, contents repeat.

    Args:
        lines: Address lines that were worked.
        level: Levels on the lines above, as a number.
    """

    lines: int
    level: int

    @property
    def model(self) -> str:
        """Name of its family."""
        return "wrong device size"

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        size = 1 << self.lines
        where = f"0x{self.level << self.lines:X} to 0x{(self.level + 1 << self.lines) - 1:X}"
        return (
            f"Only {size} words of {self.part} were read, those at {where}, and they repeat: "
            f"address lines from A{self.lines} up did not move."
        )

    def move_lines(self, lines: Words) -> Words:
        """Levels on the chip's address lines behind the fault."""
        low = np.uint64((1 << self.lines) - 1)
        return (lines & low) | np.uint64(self.level << self.lines)


@dataclass(frozen=True)
class PartFilled(CellStage):
    """Part of the reading is filler: the reader stopped early, or began late.

    Args:
        first: First filled address.
        end: Address behind the last filled one.
        word: The filler.
        width: Number of outputs.
    """

    first: int
    end: int
    word: int
    width: int

    @property
    def model(self) -> str:
        """Name of its family."""
        return "part not read"

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        word = f"{self.word:0{-(-self.width // 4)}X}"
        return (
            f"Words 0x{self.first:X} to 0x{self.end - 1:X} are filler ({word}): the reader was set to a "
            f"smaller device, or that part of {self.part} is erased."
        )

    def spoil(
        self, memory_map: MemoryMap, chip: ChipMap, cell: Words, value: Words, soft: Words
    ) -> tuple[Words, Words]:
        """What the cells give."""
        here = (cell >= np.uint64(self.first)) & (cell < np.uint64(self.end))
        none = np.uint64(0)
        return np.where(here, np.uint64(self.word), value), np.where(here, none, soft)


@dataclass(frozen=True)
class LineInverted(ChipAddressStage):
    """One address line has the wrong polarity: parts of the contents changed places.

    Args:
        line: The line.
        lines: Number of address lines.
    """

    line: int
    lines: int

    @property
    def model(self) -> str:
        """Name of its family."""
        return "parts exchanged"

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        if self.line == self.lines - 1:
            return f"The two halves of {self.part} stand in each other's place (A{self.line} is inverted)."
        if self.line == 0:
            return "Neighbouring words stand in each other's place: byte order of the file, or A0 inverted."
        size = 1 << self.line
        return f"Blocks of {size} words stand in each other's place (A{self.line} is inverted)."

    def move_lines(self, lines: Words) -> Words:
        """Levels on the chip's address lines behind the fault."""
        return lines ^ np.uint64(1 << self.line)


@dataclass(frozen=True)
class LinesReordered(ChipAddressStage):
    """The address lines are in another order.

    Args:
        order: Where each of the chip's lines gets its level from, line 0 first.
        what: The order in words.
    """

    order: tuple[int, ...]
    what: str

    @property
    def model(self) -> str:
        """Name of its family."""
        return "file in another order"

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        return f"The words stand in another order: {self.what}."

    def move_lines(self, lines: Words) -> Words:
        """Levels on the chip's address lines behind the fault."""
        return gather_bits(lines, self.order)


@dataclass(frozen=True)
class OutputsReordered(OutputStage):
    """The outputs are in another order.

    Args:
        order: Which of the chip's outputs each bit of the file is, bit 0 first.
        what: The order in words.
    """

    order: tuple[int, ...]
    what: str

    @property
    def model(self) -> str:
        """Name of its family."""
        return "bits in another order"

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        return f"The bits of every word stand in another order: {self.what}."

    def drive(self, value: Words, soft: Words, held: Words) -> tuple[Words, Words, Words]:
        """Outputs behind the fault as (value, soft, floating)."""
        return gather_bits(value, self.order), gather_bits(soft, self.order), np.zeros_like(value)


@dataclass(frozen=True)
class Unrelated(OutputStage):
    """What was read has nothing to do with the reference: every bit is as likely right as wrong."""

    @property
    def model(self) -> str:
        """Name of its family."""
        return "unrelated contents"

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        return f"What was read from {self.part} has nothing to do with the reference."

    def drive(self, value: Words, soft: Words, held: Words) -> tuple[Words, Words, Words]:
        """Outputs behind the fault as (value, soft, floating)."""
        return np.zeros_like(value), np.full_like(value, ~np.uint64(0)), np.zeros_like(value)


UNRELATED_PRIOR = 0.02
"""Prior of `Unrelated`, which is costed once a cell and not once a read (`wrongbit.reading.pattern`)."""


@dataclass(frozen=True)
class OtherContents(CellStage):
    """It is another chip of the machine, or holds its contents.

    Args:
        other: Name of the chip whose contents these are.
        contents: What that one should hold.
    """

    other: str
    contents: Contents = field(compare=False, repr=False)

    @property
    def model(self) -> str:
        """Name of its family."""
        return "another chip"

    def say(self) -> str:
        """What is wrong, in a sentence for people."""
        return f"What was read belongs to {self.other}, not to {self.part}."

    def spoil(
        self, memory_map: MemoryMap, chip: ChipMap, cell: Words, value: Words, soft: Words
    ) -> tuple[Words, Words]:
        """What the cells give."""
        at = (cell % np.uint64(len(self.contents))).astype(np.intp)
        every = np.uint64((1 << len(chip.lane)) - 1)
        return self.contents.words[at], every & ~self.contents.known[at]


def reader_faults(chip: ChipMap, others: Mapping[str, Contents]) -> Iterator[tuple[Fault, float]]:
    """Every fault of this module for a chip, with its prior.

    Args:
        chip: The chip alone in a reader (`wrongbit.reading.evidence.reader_map`).
        others: What other chips of the machine should hold.
    """
    width, lines, name = len(chip.lane), len(chip.address_lines), chip.name
    every = (1 << width) - 1
    yield Blank(name, every, width), 0.04
    yield Blank(name, 0, width), 0.005
    yield from _sizes(name, width, lines)
    for line in range(lines):
        likely = line in (0, lines - 1)
        yield LineInverted(name, line, lines), 0.006 if likely else 0.002 / lines
    for order, what in _line_orders(lines):
        yield LinesReordered(name, order, what), 0.002
    for order, what in _output_orders(width):
        yield OutputsReordered(name, order, what), 0.002
    fitting = {other: c for other, c in others.items() if c.word_bits == width and c.known.any()}
    for other, contents in fitting.items():
        yield OtherContents(name, other, contents), 0.03 / len(fitting)


def _sizes(name: str, width: int, lines: int) -> Iterator[tuple[Fault, float]]:
    """A smaller device: half, a quarter … of the chip, down to a sixteenth."""
    whole, every = 1 << lines, (1 << width) - 1
    steps = range(1, min(4, lines - 1) + 1)
    for step in steps:
        size = whole >> step
        share = 0.04 / len(steps) / (2**step)
        for level in range(1 << step):
            yield SmallerDevice(name, lines - step, level), share
        for word in (every, 0):
            yield PartFilled(name, size, whole, word, width), share * (1.0 if word else 0.25)
            yield PartFilled(name, 0, whole - size, word, width), share * 0.25


def _line_orders(lines: int) -> Iterator[tuple[tuple[int, ...], str]]:
    if lines < 3:
        return
    every = tuple(range(lines))
    # File address f shows chip word g: g's line k takes its level from f's line order[k].
    yield (lines - 1, *every[:-1]), "first all even words of the chip, then all odd ones"
    yield (*every[1:], 0), "words of the lower and of the upper half take turns"
    yield every[::-1], "the address lines count in reverse"


def _output_orders(width: int) -> Iterator[tuple[tuple[int, ...], str]]:
    if width < 2:
        return
    every = tuple(range(width))
    yield every[::-1], "the highest comes first"
    parts = {4: "the nibbles of every byte", width // 2: "the two halves of every word"}
    for part, name in parts.items():
        if width > 2 and width % (2 * part) == 0:
            yield tuple(bit + part - 2 * part * (bit // part % 2) for bit in every), f"{name} are exchanged"
    if width > 16 and width % 8 == 0:
        yield tuple(8 * (width // 8 - 1 - bit // 8) + bit % 8 for bit in every), "the bytes count in reverse"
