"""The kinds of fault that can be put into a machine, and how one is drawn from a seed or a detail.

Nothing here knows how faults are diagnosed. A kind is a row of `KINDS_OF_FAULT`: its name, the sentence that
a list shows, and the function that draws its parameters; `wrongbit.demo.board` then acts on the parameters.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from random import Random

from wrongbit.demo.detail import HOW_TO_WRITE, Detail, parse_detail
from wrongbit.demo.fault import ARRAY_LINES, BUS, InjectedFault
from wrongbit.demo.parts import Board, BoardChip
from wrongbit.errors import UsageError

_ON_BUS = 0.25
"""How often a fault that can sit at a chip or on the bus sits on the bus."""


Draw = Callable[[Board, Random, Detail], InjectedFault]


@dataclass(frozen=True)
class FaultKind:
    """A kind of fault that a machine can be given.

    Args:
        name: As the command line takes it.
        text: What it is, in one sentence.
        example: A detail that fixes everything about it, for machines with these chips.
    """

    name: str
    text: str
    example: str = ""


def kinds_for(board: Board) -> tuple[FaultKind, ...]:
    """The kinds that this board can be given, with an example of a detail each."""
    kinds = []
    for name in _names(board):
        text, draw = KINDS_OF_FAULT[name]
        example = draw(board, Random(name), Detail()) if name != "none" else InjectedFault("none")
        if len(example.addresses) > 2:
            example = replace(example, addresses=example.addresses[:2], masks=example.masks[:2])
        kinds.append(FaultKind(name, text, example.detail if name != "none" else ""))
    return tuple(kinds)


def _names(board: Board) -> list[str]:
    lanes = [chip.lane for chip in board.roms]
    pairs = len(set(lanes)) < len(lanes)
    impossible = set() if pairs else {"wrong-chip", "two-chips"}
    if board.banks == 1:
        impossible.add("wrong-bank")
    return [name for name in KINDS_OF_FAULT if name not in impossible]


def inject_into(board: Board, text: str, seed: int) -> InjectedFault:
    """The fault that ``NAME[:DETAIL][+NAME[:DETAIL]…]`` describes, missing parameters drawn from ``seed``.

    Raises:
        UsageError: The name is not known, or the detail does not fit the board.
    """
    rng = Random(f"{text} {seed}")
    parts = tuple(_inject_one(board, piece, rng) for piece in text.split("+"))
    if len(parts) == 1:
        return parts[0]
    for model in ("weak-column", "slow-data"):
        if sum(part.model == model for part in parts) > 1:
            raise UsageError(f"{text!r} asks for {model} twice.", "Name each fault of this kind once.")
    model = "+".join(part.model for part in parts)
    sentence = " ".join(part.sentence for part in parts)
    return InjectedFault(model, chip=parts[0].chip, sentence=sentence, parts=parts)


def _inject_one(board: Board, text: str, rng: Random) -> InjectedFault:
    name, _, detail = text.partition(":")
    known = _names(board)
    if name not in known:
        raise UsageError(f"No fault is called {name!r} here.", f"Choose one of {', '.join(known)}.")
    asked = parse_detail(detail)
    fault = KINDS_OF_FAULT[name][1](board, rng, asked)
    _require_used(asked, fault, text)
    return fault


def _require_used(asked: Detail, fault: InjectedFault, text: str) -> None:
    """Refuse a detail of which the fault took no notice.

    Raises:
        UsageError: A piece of it means nothing for this kind of fault.
    """
    pieces = (
        (asked.place, asked.place == fault.chip, asked.place),
        (asked.other, asked.other == fault.other, asked.other),
        (asked.bits, asked.bits == fault.bits, "a data line"),
        (asked.lines, asked.lines == fault.lines, "an address line"),
        (asked.line is not None, asked.line == fault.line and fault.model in ARRAY_LINES, "a row or column"),
        (asked.level is not None, asked.level == fault.level and fault.model in ARRAY_LINES, "a level"),
        (asked.bank is not None, fault.model == "wrong-bank", "a bank"),
        (asked.count or asked.cells, bool(fault.addresses), "cells"),
        (asked.rate is not None, asked.rate == fault.rate, "a rate"),
    )
    for given, used, what in pieces:
        if given and not used:
            raise UsageError(f"In {text!r}, {what} means nothing for this kind of fault.", HOW_TO_WRITE)


# Where: chips, bits, lines -------------------------------------------------------------------------


def _rom(board: Board, rng: Random, named: str | None) -> BoardChip:
    """The named chip, or one of the ROMs."""
    if named is None:
        return rng.choice(board.roms)
    try:
        return board.chip(named)
    except KeyError:
        chips = ", ".join(chip.name for chip in board.chips)
        raise UsageError(f"{named!r} is no chip of this machine.", f"Its chips are {chips}.") from None


def _place(board: Board, rng: Random, detail: Detail) -> BoardChip | None:
    """A chip, or None for the bus."""
    if detail.place == BUS or (detail.place is None and rng.random() < _ON_BUS):
        return None
    return _rom(board, rng, detail.place)


def _bits(board: Board, chip: BoardChip | None, rng: Random, detail: Detail, count: int) -> tuple[int, ...]:
    width = board.word_bits if chip is None else len(chip.lane)
    return _choose(detail.bits, range(width), rng, count, "data line", "D")


def _address_lines(
    board: Board, chip: BoardChip | None, rng: Random, detail: Detail, count: int
) -> tuple[int, ...]:
    """Lines of the chip, or on the bus: lines that reach a ROM, so that the fault can be seen."""
    count_of_lines = max(len(rom.lines) for rom in board.roms) if chip is None else len(chip.lines)
    allowed = range(count_of_lines)
    return _choose(detail.lines, allowed, rng, count, "address line", "A")


def _choose(
    given: tuple[int, ...], allowed: range, rng: Random, count: int, what: str, letter: str
) -> tuple[int, ...]:
    if not given:
        if count == 2:  # neighbours short together far more often than distant lines do
            first = rng.choice(allowed[:-1])
            return first, first + 1
        return (rng.choice(allowed),)
    if len(set(given)) != count or not set(given) <= set(allowed):
        names = "-".join(f"{letter}{number}" for number in given)
        raise UsageError(
            f"{names} does not name {count} {what}{'s' if count > 1 else ''} here.",
            f"Choose from {letter}{allowed[0]} to {letter}{allowed[-1]}.",
        )
    return given


def _at(chip: BoardChip | None) -> str:
    return "the bus" if chip is None else chip.name


def _name(chip: BoardChip | None) -> str:
    return BUS if chip is None else chip.name


def _number(given: int | None, count: int, rng: Random, what: str) -> int:
    if given is None:
        return rng.randrange(count)
    if not 0 <= given < count:
        raise UsageError(f"There is no {what} {given} here.", f"Choose from 0 to {count - 1}.")
    return given


# How each kind is drawn ----------------------------------------------------------------------------


def _none(board: Board, rng: Random, detail: Detail) -> InjectedFault:
    return InjectedFault("none", sentence="Nothing is wrong with the machine.")


def _stuck(level: int) -> Draw:
    def draw(board: Board, rng: Random, detail: Detail) -> InjectedFault:
        chip = _place(board, rng, detail)
        bits = _bits(board, chip, rng, detail, 1)
        word = "high" if level else "low"
        line = "Data line" if chip is None else "Output"
        return InjectedFault(
            f"stuck-{word}",
            _name(chip),
            bits=bits,
            level=level,
            sentence=f"{line} D{bits[0]} of {_at(chip)} is stuck {word}.",
        )

    return draw


def _bridged_data(wired: str) -> Draw:
    def draw(board: Board, rng: Random, detail: Detail) -> InjectedFault:
        chip = _place(board, rng, detail)
        bits = _bits(board, chip, rng, detail, 2)
        return InjectedFault(
            f"bridged-data-{wired}",
            _name(chip),
            bits=bits,
            sentence=f"D{bits[0]} and D{bits[1]} of {_at(chip)} are bridged (wired {wired.upper()}).",
        )

    return draw


def _address(model: str, count: int, says: str) -> Draw:
    def draw(board: Board, rng: Random, detail: Detail) -> InjectedFault:
        chip = _place(board, rng, detail)
        lines = _address_lines(board, chip, rng, detail, count)
        names = " and ".join(f"A{line}" for line in lines)
        place = "after the address buffer" if chip is None else f"at {chip.name}"
        return InjectedFault(model, _name(chip), lines=lines, sentence=f"{names} {says} {place}.")

    return draw


def _wrong_bank(board: Board, rng: Random, detail: Detail) -> InjectedFault:
    bank = _number(detail.bank, board.banks, rng, "bank")
    sentence = f"The bank line is stuck: bank {bank} always answers."
    return InjectedFault("wrong-bank", level=bank, sentence=sentence)


def _pair(board: Board, rng: Random, detail: Detail) -> tuple[BoardChip, BoardChip]:
    """Two ROMs that feed the same lane."""
    pairs = [
        (one, two)
        for one in board.roms
        for two in board.roms
        if one is not two
        and one.lane == two.lane
        and (detail.place is None or detail.place == one.name)
        and (detail.other is None or detail.other == two.name)
    ]
    if not pairs:
        wanted = "-".join(name or "any" for name in (detail.place, detail.other))
        raise UsageError(f"{wanted} are not two ROMs on the same data lines.", "Name two such, as U4-U5.")
    return rng.choice(pairs)


def _two_chips(model: str, says: str) -> Draw:
    def draw(board: Board, rng: Random, detail: Detail) -> InjectedFault:
        one, two = _pair(board, rng, detail)
        return InjectedFault(
            model, one.name, other=two.name, sentence=f"The selects of {one.name} and {two.name} {says}."
        )

    return draw


def _floating(board: Board, rng: Random, detail: Detail) -> InjectedFault:
    chip = _rom(board, rng, detail.place)
    sentence = f"{chip.name} is never enabled: its data lines float and keep what was on them."
    return InjectedFault("floating-data", chip.name, rate=detail.rate or 0.0, sentence=sentence)


def _slow(board: Board, rng: Random, detail: Detail) -> InjectedFault:
    chip = _contents(_rom(board, rng, detail.place))
    rate = detail.rate if detail.rate is not None else round(rng.uniform(0.05, 0.9), 2)
    sentence = f"{chip.name} is too slow: in {rate:.0%} of the reads its word is not there in time."
    return InjectedFault("slow-data", chip.name, rate=rate, sentence=sentence)


def _cells(
    board: Board, chip: BoardChip, rng: Random, detail: Detail, candidates: list[int], most: int
) -> dict[int, int]:
    """Wrong cells as address = outputs, from the detail or drawn among ``candidates`` (address, then bit)."""
    if detail.cells:
        limit = 1 << len(chip.lane)
        for address, mask in detail.cells:
            if address >= chip.words or not 0 < mask < limit:
                raise UsageError(f"{chip.name} has no cell 0x{address:X}=0x{mask:X}.", HOW_TO_WRITE)
        return dict(detail.cells)
    count = detail.count or rng.randint(1, most)
    cells: dict[int, int] = {}
    for number in rng.sample(candidates, min(count, len(candidates))):
        address, bit = divmod(number, len(chip.lane))
        cells[address] = cells.get(address, 0) | 1 << bit
    return cells


def _failed_cells(board: Board, rng: Random, detail: Detail) -> InjectedFault:
    chip = _contents(_rom(board, rng, detail.place))
    every = list(range(chip.words * len(chip.lane)))
    cells = _cells(board, chip, rng, detail, every, 24)
    count = sum(mask.bit_count() for mask in cells.values())
    sentence = f"{count} scattered cells of {chip.name} have failed."
    return _with_cells("failed-cells", chip, cells, sentence)


def _lost_charge(board: Board, rng: Random, detail: Detail) -> InjectedFault:
    chip = _contents(_rom(board, rng, detail.place))
    width = len(chip.lane)
    # An erased cell reads 1, so a cell that loses its charge can only go from 0 to 1.
    zeros = [
        a * width + b
        for a, word in enumerate(chip.contents.tolist())
        for b in range(width)
        if not word >> b & 1
    ]
    cells = _cells(board, chip, rng, detail, zeros, 200)
    count = sum(mask.bit_count() for mask in cells.values())
    sentence = f"{chip.name} has lost charge: {count} bits that were programmed to 0 read 1."
    return _with_cells("lost-charge", chip, cells, sentence)


def _with_cells(model: str, chip: BoardChip, cells: dict[int, int], sentence: str) -> InjectedFault:
    addresses = tuple(sorted(cells))
    masks = tuple(cells[address] for address in addresses)
    return InjectedFault(model, chip.name, addresses=addresses, masks=masks, sentence=sentence)


def _contents(chip: BoardChip) -> BoardChip:
    if not len(chip.contents):
        raise UsageError(f"{chip.name} is no ROM.", "This fault can only be given to a ROM.")
    return chip


def _dead_row(board: Board, rng: Random, detail: Detail) -> InjectedFault:
    chip = _contents(_rom(board, rng, detail.place))
    row = _number(detail.line, 1 << len(chip.rows), rng, "row")
    level = detail.level if detail.level is not None else rng.getrandbits(1)
    sentence = f"Row {row} of {chip.name} is dead: all its cells read {level}."
    bits = tuple(range(len(chip.lane)))
    return InjectedFault("dead-row", chip.name, bits=bits, line=row, level=level, sentence=sentence)


def _column(model: str, says: str) -> Draw:
    def draw(board: Board, rng: Random, detail: Detail) -> InjectedFault:
        chip = _contents(_rom(board, rng, detail.place))
        column = _number(detail.line, 1 << len(chip.columns), rng, "column")
        bits = _bits(board, chip, rng, detail, 1)
        level = detail.level if detail.level is not None else rng.getrandbits(1)
        rate = 0.0
        if model == "weak-column":
            rate = detail.rate if detail.rate is not None else round(rng.uniform(0.1, 0.7), 2)
        how = says.format(level=level, share=f"{rate:.0%}")
        sentence = f"Column {column} of output D{bits[0]} of {chip.name} {how}."
        return InjectedFault(
            model, chip.name, bits=bits, line=column, level=level, rate=rate, sentence=sentence
        )

    return draw


def _open_data(board: Board, rng: Random, detail: Detail) -> InjectedFault:
    chip = _place(board, rng, detail)
    bits = _bits(board, chip, rng, detail, 1)
    rate = detail.rate if detail.rate is not None else round(rng.uniform(0.02, 0.4), 2)
    where = "at the data buffer" if chip is None else f"at output D{bits[0]} of {chip.name}"
    sentence = f"A joint {where} is open: D{bits[0]} keeps its last level, or drifts high."
    return InjectedFault("open-data", _name(chip), bits=bits, rate=rate, sentence=sentence)


KINDS_OF_FAULT: dict[str, tuple[str, Draw]] = {
    "none": ("Nothing is wrong.", _none),
    "stuck-high": ("A chip's output or a data line of the bus is always 1.", _stuck(1)),
    "stuck-low": ("A chip's output or a data line of the bus is always 0.", _stuck(0)),
    "bridged-data-and": ("Two data lines touch; a 0 on either makes both 0.", _bridged_data("and")),
    "bridged-data-or": ("Two data lines touch; a 1 on either makes both 1.", _bridged_data("or")),
    "address-stuck-high": (
        "An address line is always 1, at one chip or after the address buffer.",
        _address("address-stuck-high", 1, "is stuck high"),
    ),
    "address-stuck-low": (
        "An address line is always 0, at one chip or after the address buffer.",
        _address("address-stuck-low", 1, "is stuck low"),
    ),
    "address-open": (
        "An address line is not connected; its input drifts between the levels.",
        _address("address-open", 1, "is open"),
    ),
    "address-bridged-and": (
        "Two address lines touch; a 0 on either makes both 0.",
        _address("address-bridged-and", 2, "are bridged (wired AND)"),
    ),
    "address-bridged-or": (
        "Two address lines touch; a 1 on either makes both 1.",
        _address("address-bridged-or", 2, "are bridged (wired OR)"),
    ),
    "address-swapped": (
        "Two address lines are connected the wrong way round.",
        _address("address-swapped", 2, "are swapped"),
    ),
    "wrong-bank": ("The bank line is stuck, so that one bank answers for the other.", _wrong_bank),
    "wrong-chip": (
        "The selects of two ROMs are exchanged.",
        _two_chips("wrong-chip", "are exchanged"),
    ),
    "two-chips": (
        "The selects of two ROMs touch, so that both answer (wired AND).",
        _two_chips("two-chips", "are bridged, so that both answer at once"),
    ),
    "floating-data": ("A ROM is never enabled; the bus keeps its last value.", _floating),
    "slow-data": ("A ROM answers too late in a share of the reads.", _slow),
    "failed-cells": ("A few cells of a ROM, anywhere, read the wrong level.", _failed_cells),
    "lost-charge": ("Cells of a worn EPROM that were programmed to 0 read 1.", _lost_charge),
    "dead-row": ("A whole row of a ROM's array reads one level.", _dead_row),
    "dead-column": (
        "A column of one output of a ROM's array reads one level.",
        _column("dead-column", "is dead and reads {level}"),
    ),
    "weak-column": (
        "A column of one output of a ROM's array reads wrong now and then.",
        _column("weak-column", "reads {level} in {share} of the reads"),
    ),
    "open-data": ("A joint on a data line is open; the bit floats.", _open_data),
}
"""Name = (sentence for a list, how to draw it)."""
