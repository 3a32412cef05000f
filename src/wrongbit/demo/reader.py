"""A chip in a reader: the lines between them, what may be wrong there, and the file that comes out.

A kind of trouble is a row of `TROUBLES`: its name, the sentence that a list shows, an example of a detail,
and the function that changes a `Bench`. Nothing here knows how readings are examined.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from random import Random

import numpy as np
from numpy.typing import NDArray

from wrongbit.demo.cells import Cells, pack_bits, programmed, unpack_bits
from wrongbit.demo.detail import HOW_TO_WRITE, Detail, parse_detail
from wrongbit.demo.parts import Board, BoardChip, Words
from wrongbit.errors import UsageError

Addresses = NDArray[np.int64]
Address = Callable[[Addresses, np.random.Generator], Addresses]
Output = Callable[[Addresses, Words, np.random.Generator], Words]

WAITS_NS = (450.0, 450.0, 250.0, 250.0, 450.0, 250.0)
"""How long the reader waits in each pass, if nothing else is said."""

VOLTS = (5.0,) * 6
"""The chip's supply in each pass, if nothing else is said."""

WORN_VOLTS = (5.0, 5.0, 4.5, 4.5, 5.5, 5.5)
"""Supplies at which a worn chip is read."""

WORN_YEARS, WORN_LEAKY = 38.0, 0.0065
"""A worn chip: years since it was programmed, share of leaky cells."""

_DRIFT = 400
"""Reads after which a floating input has drifted to the other level, about."""


@dataclass(frozen=True)
class Bench:
    """A chip in a reader.

    Args:
        chip: Its name in the machine.
        cells: Its array.
        address: Levels on the reader's address lines = levels that reach the array.
        output: From address, the array's word: the word that reaches the reader.
        file: What the reader's settings make of the words.
        waits_ns: How long it waits in each pass.
        volts: The chip's supply in each pass.
        sentence: What is wrong, for people.
        worn: The chip itself has faded, so that its contents must be rebuilt.
    """

    chip: BoardChip
    cells: Cells
    address: tuple[Address, ...] = ()
    output: tuple[Output, ...] = ()
    file: tuple[Callable[[Words], Words], ...] = ()
    waits_ns: tuple[float, ...] = WAITS_NS
    volts: tuple[float, ...] = VOLTS
    sentence: str = ""
    worn: bool = False

    def read(self, volts: float, celsius: float, wait_ns: float, rng: np.random.Generator) -> Words:
        """One pass through all addresses."""
        asked = np.arange(self.cells.words, dtype=np.int64)
        reached = asked
        for line in self.address:
            reached = line(reached, rng)
        words = self.cells.read(reached, volts, celsius, wait_ns, rng)
        for wire in self.output:
            words = wire(reached, words, rng)
        for setting in self.file:
            words = setting(words)
        return words


@dataclass(frozen=True)
class Trouble:
    """A kind of trouble with a chip or its reader.

    Args:
        text: What it is, in one sentence.
        example: A detail, without the chip that it begins with; ``OTHER`` stands for a second one.
        apply: Changes the bench; what the detail leaves out is drawn.
    """

    text: str
    example: str
    apply: Callable[[Bench, Detail, Random, Board], Bench]


def troubles_for(board: Board, chip_name: str | None = None) -> dict[str, tuple[str, str]]:
    """The kinds of trouble that a chip of this board can be given: name = (text, example of a detail)."""
    chip = _rom(board, chip_name or board.roms[0].name)
    others = _as_large(board, chip)
    kinds = {}
    for name, trouble in TROUBLES.items():
        if others or "OTHER" not in trouble.example:
            example = trouble.example.replace("OTHER", others[0].name if others else "")
            kinds[name] = (trouble.text, f"{chip.name}{example}")
    return kinds


def _as_large(board: Board, chip: BoardChip) -> list[BoardChip]:
    """The other ROMs of the same size."""
    return [each for each in board.roms if each.words == chip.words and each is not chip]


def bench_for(board: Board, text: str, chip_name: str | None, seed: int) -> Bench:
    """A chip in a reader, with the trouble that ``NAME[:DETAIL]`` describes.

    Args:
        board: Where the chip comes from.
        text: The trouble; what its detail leaves out is drawn from the seed.
        chip_name: The chip where the detail names none; None: the board's first ROM.
        seed: Source of everything that varies.

    Raises:
        UsageError: The trouble or the chip is not known, or the detail does not fit.
    """
    name, _, rest = text.partition(":")
    if name not in TROUBLES:
        raise UsageError(
            f"No fault of a chip in a reader is called {name!r}.", f"Choose one of {', '.join(TROUBLES)}."
        )
    trouble, detail = TROUBLES[name], parse_detail(rest)
    chip = _rom(board, detail.place or chip_name or board.roms[0].name)
    width = len(chip.lane)
    _check(detail, trouble, text, chip)
    fresh = programmed(chip.contents, width, np.random.default_rng([seed, 1]))
    # Any healthy chip of that age has lost a little charge.
    bench = Bench(chip, fresh.aged(WORN_YEARS, 0.0, np.random.default_rng([seed, 2])))
    return trouble.apply(bench, detail, Random(f"{text} {seed}"), board)


def _rom(board: Board, name: str) -> BoardChip:
    for chip in board.roms:
        if chip.name == name:
            return chip
    names = ", ".join(chip.name for chip in board.roms)
    raise UsageError(f"{name!r} is no ROM of this machine.", f"Its ROMs are {names}.")


def _check(detail: Detail, trouble: Trouble, text: str, chip: BoardChip) -> None:
    """Refuse what this trouble takes no notice of, and lines that the chip does not have."""
    example = parse_detail(f"{chip.name}{trouble.example}")
    pairs = (
        (detail.bits, example.bits, "a data line"),
        (detail.lines, example.lines, "an address line"),
        (detail.line is not None, example.line is not None, "a row or column"),
        (detail.level is not None, example.level is not None, "a level"),
        (detail.rate is not None, example.rate is not None, "a rate"),
        (detail.other, example.other, "a second chip"),
        (detail.bank is not None, False, "a bank"),
        (detail.count is not None or detail.cells, False, "cells"),
    )
    for given, used, what in pairs:
        if given and not used:
            raise UsageError(f"In {text!r}, {what} means nothing for this fault.", HOW_TO_WRITE)
    for letter, given_lines, wanted, most in (
        ("D", detail.bits, len(example.bits), len(chip.lane)),
        ("A", detail.lines, len(example.lines), len(chip.lines)),
    ):
        if given_lines and (len(set(given_lines)) != wanted or max(given_lines) >= most):
            raise UsageError(
                f"{text!r} does not name {wanted} of {chip.name}'s lines {letter}0 to {letter}{most - 1}.",
                HOW_TO_WRITE,
            )


# The kinds -----------------------------------------------------------------------------------------


def _none(bench: Bench, detail: Detail, rng: Random, board: Board) -> Bench:
    return replace(bench, sentence=f"Nothing is wrong with {bench.chip.name} or its reader.")


def _worn(bench: Bench, detail: Detail, rng: Random, board: Board) -> Bench:
    fresh = programmed(bench.chip.contents, len(bench.chip.lane), np.random.default_rng(rng.getrandbits(32)))
    aged = fresh.aged(WORN_YEARS, WORN_LEAKY, np.random.default_rng(rng.getrandbits(32)))
    sentence = (
        f"{bench.chip.name} was programmed {WORN_YEARS:g} years ago, and some of its cells have leaked."
    )
    return replace(bench, cells=aged, volts=WORN_VOLTS, sentence=sentence, worn=True)


def _blank(bench: Bench, detail: Detail, rng: Random, board: Board) -> Bench:
    return replace(bench, cells=bench.cells.erased(), sentence=f"{bench.chip.name} is blank.")


def _stuck_output(bench: Bench, detail: Detail, rng: Random, board: Board) -> Bench:
    (bit,) = detail.bits or (rng.randrange(len(bench.chip.lane)),)
    level = rng.getrandbits(1) if detail.level is None else detail.level
    mask = np.uint64(1 << bit)

    def output(address: Addresses, words: Words, noise: np.random.Generator) -> Words:
        return words | mask if level else words & ~mask

    word = "high" if level else "low"
    sentence = f"Output D{bit} of {bench.chip.name} is stuck {word}."
    return replace(bench, output=(*bench.output, output), sentence=sentence)


def _bent_output(bench: Bench, detail: Detail, rng: Random, board: Board) -> Bench:
    (bit,) = detail.bits or (rng.randrange(len(bench.chip.lane)),)

    def output(address: Addresses, words: Words, noise: np.random.Generator) -> Words:
        levels = unpack_bits(words, len(bench.chip.lane))
        levels[:, bit] = True  # the reader's own pull-up resistor is all that is left
        return pack_bits(levels)

    sentence = f"Pin D{bit} of {bench.chip.name} is bent and does not touch the reader's socket."
    return replace(bench, output=(*bench.output, output), sentence=sentence)


def _bent_address(bench: Bench, detail: Detail, rng: Random, board: Board) -> Bench:
    (line,) = detail.lines or (rng.randrange(len(bench.chip.lines)),)

    def address(asked: Addresses, noise: np.random.Generator) -> Addresses:
        turns = np.cumsum(noise.random(len(asked)) < 1 / _DRIFT) + noise.integers(2)
        return (asked & ~(1 << line)) | ((turns & 1) << line)

    sentence = f"Pin A{line} of {bench.chip.name} is bent: its level drifts."
    return replace(bench, address=(*bench.address, address), sentence=sentence)


def _touching_outputs(bench: Bench, detail: Detail, rng: Random, board: Board) -> Bench:
    first = rng.randrange(len(bench.chip.lane) - 1)
    one, two = detail.bits or (first, first + 1)

    def output(address: Addresses, words: Words, noise: np.random.Generator) -> Words:
        levels = unpack_bits(words, len(bench.chip.lane))
        levels[:, one] = levels[:, two] = levels[:, one] & levels[:, two]
        return pack_bits(levels)

    sentence = f"D{one} and D{two} touch in the reader's socket: a 0 on either makes both 0."
    return replace(bench, output=(*bench.output, output), sentence=sentence)


def _dirty_contact(bench: Bench, detail: Detail, rng: Random, board: Board) -> Bench:
    (bit,) = detail.bits or (rng.randrange(len(bench.chip.lane)),)
    share = detail.rate or 0.1

    def output(address: Addresses, words: Words, noise: np.random.Generator) -> Words:
        # The contact opens for some dozens of reads at a time.
        begins = noise.random(len(words)) < share / 40
        away = np.convolve(begins, np.ones(40), "full")[: len(words)] > 0
        levels = unpack_bits(words, len(bench.chip.lane))
        levels[:, bit] |= away
        return pack_bits(levels)

    sentence = f"The contact of D{bit} is dirty and opens now and then, in about {share:.0%} of the reads."
    return replace(bench, output=(*bench.output, output), sentence=sentence)


def _swapped_lines(bench: Bench, detail: Detail, rng: Random, board: Board) -> Bench:
    first = rng.randrange(len(bench.chip.lines) - 1)
    one, two = detail.lines or (first, first + 1)

    def address(asked: Addresses, noise: np.random.Generator) -> Addresses:
        differ = (asked >> one ^ asked >> two) & 1
        return asked ^ (differ << one | differ << two)

    sentence = f"The reader's adapter exchanges A{one} and A{two}."
    return replace(bench, address=(*bench.address, address), sentence=sentence)


def _mirrored(bench: Bench, detail: Detail, rng: Random, board: Board) -> Bench:
    top = 1 << (len(bench.chip.lines) - 1)

    def address(asked: Addresses, noise: np.random.Generator) -> Addresses:
        return asked & ~top

    sentence = "The reader was set to a chip of half the size, and its file repeats."
    return replace(bench, address=(*bench.address, address), sentence=sentence)


def _half_filled(bench: Bench, detail: Detail, rng: Random, board: Board) -> Bench:
    width = len(bench.chip.lane)

    def file(words: Words) -> Words:
        filled = words.copy()
        filled[len(words) // 2 :] = np.uint64((1 << width) - 1)
        return filled

    sentence = "The reader was set to a chip of half the size, and filled its file up with ones."
    return replace(bench, file=(*bench.file, file), sentence=sentence)


def _exchanged_halves(bench: Bench, detail: Detail, rng: Random, board: Board) -> Bench:
    def file(words: Words) -> Words:
        return np.roll(words, len(words) // 2)

    return replace(bench, file=(*bench.file, file), sentence="The two halves of the file are exchanged.")


def _too_fast(bench: Bench, detail: Detail, rng: Random, board: Board) -> Bench:
    waits = (450.0, 450.0, 250.0, 250.0, 150.0, 150.0)
    sentence = "In the last passes the reader did not wait long enough."
    return replace(bench, waits_ns=waits, sentence=sentence)


def _other_chip(bench: Bench, detail: Detail, rng: Random, board: Board) -> Bench:
    same = _as_large(board, bench.chip)
    if detail.other is not None:
        same = [each for each in same if each.name == detail.other]
    if not same:
        raise UsageError(
            f"{detail.other} is no ROM of {bench.chip.words} words, as {bench.chip.name} is."
            if detail.other
            else f"There is no other ROM of {bench.chip.words} words to take for {bench.chip.name}.",
            "Choose another fault.",
        )
    other = rng.choice(same)
    cells = programmed(other.contents, len(other.lane), np.random.default_rng(rng.getrandbits(32)))
    sentence = f"The chip in the reader is {other.name}, not {bench.chip.name}."
    return replace(bench, cells=cells, sentence=sentence)


def _dead_row(bench: Bench, detail: Detail, rng: Random, board: Board) -> Bench:
    chip = bench.chip
    row = _below(1 << len(chip.rows), detail.line, rng, "row")
    level = rng.getrandbits(1) if detail.level is None else detail.level
    every = np.uint64((1 << len(chip.lane)) - 1)

    def output(address: Addresses, words: Words, noise: np.random.Generator) -> Words:
        here = _number(address, chip.rows) == row
        return np.where(here, every if level else np.uint64(0), words)

    sentence = f"Row {row} of {chip.name} is dead: all its cells read {level}."
    return replace(bench, output=(*bench.output, output), sentence=sentence)


def _weak_column(bench: Bench, detail: Detail, rng: Random, board: Board) -> Bench:
    chip = bench.chip
    column = _below(1 << len(chip.columns), detail.line, rng, "column")
    (bit,) = detail.bits or (rng.randrange(len(chip.lane)),)
    level = rng.getrandbits(1) if detail.level is None else detail.level
    share = detail.rate or 0.3

    def output(address: Addresses, words: Words, noise: np.random.Generator) -> Words:
        levels = unpack_bits(words, len(chip.lane))
        fails = (_number(address, chip.columns) == column) & (noise.random(len(words)) < share)
        levels[fails, bit] = bool(level)
        return pack_bits(levels)

    sentence = f"Column {column} of output D{bit} of {chip.name} reads {level} in {share:.0%} of the reads."
    return replace(bench, output=(*bench.output, output), sentence=sentence)


def _below(count: int, given: int | None, rng: Random, what: str) -> int:
    if given is None:
        return rng.randrange(count)
    if given >= count:
        raise UsageError(f"There is no {what} {given} here.", f"Choose from 0 to {count - 1}.")
    return given


def _number(address: Addresses, lines: tuple[int, ...]) -> Addresses:
    """Number of the row or column, from the address lines that choose it."""
    number = np.zeros_like(address)
    for place, line in enumerate(lines):
        number |= (address >> line & 1) << place
    return number


TROUBLES: dict[str, Trouble] = {
    "worn": Trouble("An EPROM whose cells have lost charge.", "", _worn),
    "none": Trouble("Nothing is wrong.", "", _none),
    "blank": Trouble("The chip was erased, or never programmed.", "", _blank),
    "stuck-output": Trouble("An output always has one level.", ".D4.high", _stuck_output),
    "bent-output": Trouble("A data pin does not touch the socket.", ".D2", _bent_output),
    "bent-address": Trouble("An address pin does not touch; its level drifts.", ".A7", _bent_address),
    "touching-outputs": Trouble("Two data pins touch.", ".D3-D4", _touching_outputs),
    "dirty-contact": Trouble("A data pin's contact opens now and then.", ".D5@0.1", _dirty_contact),
    "swapped-lines": Trouble("An adapter exchanges two address lines.", ".A3-A4", _swapped_lines),
    "mirrored": Trouble("The reader was set to half the size; the file repeats.", "", _mirrored),
    "half-filled": Trouble("The reader was set to half the size; the rest is filler.", "", _half_filled),
    "exchanged-halves": Trouble("The file's halves stand in each other's place.", "", _exchanged_halves),
    "too-fast": Trouble("Some passes were read faster than the chip answers.", "", _too_fast),
    "other-chip": Trouble("Another chip of the machine was read.", "-OTHER", _other_chip),
    "dead-row": Trouble("A row of the array reads one level.", ".row37.high", _dead_row),
    "weak-column": Trouble(
        "A column of one output reads wrong now and then.", ".D3.column5.low@0.3", _weak_column
    ),
}
"""Every kind of trouble by its name."""
