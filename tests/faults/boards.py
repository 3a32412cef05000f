"""Boards for tests, and faults put into them twice: as a damage of the simulator and as a fault model."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from faults.simulator import Board, Chip, bit, evidence_of, put
from wrongbit.faults.evidence import Evidence
from wrongbit.faults.fault import Fault
from wrongbit.faults.models.arrays import DeadColumn, DeadRow
from wrongbit.faults.models.cells import LostCharge, ScatteredCells
from wrongbit.faults.models.selection import (
    ChipSilent,
    LaneInverted,
    SelectsExchanged,
    SelectSilent,
    TwoChips,
    WrongChip,
    WrongContents,
)
from wrongbit.faults.models.wires import (
    AddressFault,
    BankFault,
    ChipAddressFault,
    DataLineFault,
    OutputFault,
)


def narrow(seed: int = 1) -> Board:
    """Eight bits: two ROMs in one bank, a ROM in either of two banks, a RAM."""
    rng = Random(seed)

    def rom(name: str, base: int, lines: int, **more: object) -> Chip:
        contents = [rng.getrandbits(8) for _ in range(1 << lines)]
        return Chip(name, tuple(range(8)), tuple(range(lines)), base, 1 << lines, contents, **more)  # type: ignore[arg-type]

    return Board(
        [
            rom("A", 0x00, 5),
            rom("B", 0x20, 5),
            rom("E", 0x40, 4, bank=0),
            rom("F", 0x40, 4, bank=1),
            Chip("R", tuple(range(8)), tuple(range(4)), 0x80, 16),
        ]
    )


def wide(seed: int = 1) -> Board:
    """Sixteen bits from two chips with crossed lines, one of them behind an inverting buffer."""
    rng = Random(seed)
    lanes = (0, 2, 4, 6, 1, 3, 5, 7), (15, 14, 13, 12, 11, 10, 9, 8)
    lines = (1, 0, 2, 3, 4), (0, 1, 2, 3, 4)
    return Board(
        [
            Chip("L", lanes[0], lines[0], 0x00, 32, [rng.getrandbits(8) for _ in range(32)]),
            Chip("H", lanes[1], lines[1], 0x00, 32, [rng.getrandbits(8) for _ in range(32)], inverted=True),
        ],
        word_bits=16,
    )


def reads(board: Board, seed: int = 1, count: int = 600) -> list[tuple[int, int]]:
    """Random reads of ROM words, as (bank, address)."""
    rng = Random(seed)
    roms = [chip for chip in board.chips if chip.contents]
    chosen = []
    for _ in range(count):
        chip = rng.choice(roms)
        bank = rng.randrange(2) if chip.bank is None else chip.bank
        chosen.append((bank, chip.base + rng.randrange(chip.size)))
    return chosen


@dataclass(frozen=True)
class Case:
    """One fault, told twice."""

    name: str
    make: Callable[[], Board]
    damage: Callable[[Board], None]
    fault: Fault

    def evidence(self, seed: int = 1, count: int = 600) -> tuple[Board, Evidence]:
        board = self.make()
        self.damage(board)
        return board, evidence_of(board, reads(board, seed, count))


def _outputs(chip: str, change: Callable[[int, int], int]) -> Callable[[Board], None]:
    return lambda board: board.outputs.update({chip: change})


def _lines(chip: str, change: Callable[[int], int]) -> Callable[[Board], None]:
    return lambda board: board.lines.update({chip: change})


def _cells(chip: str, change: Callable[[int, int], int]) -> Callable[[Board], None]:
    return lambda board: board.cells.update({chip: change})


def _set(name: str, change: object) -> Callable[[Board], None]:
    return lambda board: setattr(board, name, change)


def _both(word: int, i: int, j: int, level: int) -> int:
    return put(put(word, i, level), j, level)


def _swap(word: int, i: int, j: int) -> int:
    return put(put(word, i, bit(word, j)), j, bit(word, i))


def _contents(chip: str, other: str) -> Callable[[Board], None]:
    def damage(board: Board) -> None:
        held = next(each.contents for each in board.chips if each.name == other)
        board.cells[chip] = lambda cell, word: held[cell % len(held)]

    return damage


BAD = {3: 0b1001, 17: 0b100000}
"""Cells that read wrong, and their outputs."""

CASES = (
    Case(
        "output stuck at 0",
        narrow,
        _outputs("A", lambda w, h: put(w, 3, 0)),
        OutputFault("A", "stuck at 0", 3),
    ),
    Case(
        "output stuck at 1", wide, _outputs("L", lambda w, h: put(w, 1, 1)), OutputFault("L", "stuck at 1", 1)
    ),
    Case(
        "inverted output", wide, _outputs("H", lambda w, h: put(w, 2, 0)), OutputFault("H", "stuck at 0", 2)
    ),
    Case("output open", wide, _outputs("L", lambda w, h: put(w, 5, bit(h, 5))), OutputFault("L", "open", 5)),
    Case(
        "outputs low wins",
        wide,
        _outputs("L", lambda w, h: _both(w, 1, 6, bit(w, 1) & bit(w, 6))),
        OutputFault("L", "low wins", 1, 6),
    ),
    Case(
        "outputs high wins",
        narrow,
        _outputs("B", lambda w, h: _both(w, 0, 7, bit(w, 0) | bit(w, 7))),
        OutputFault("B", "high wins", 0, 7),
    ),
    Case(
        "output follows",
        narrow,
        _outputs("A", lambda w, h: put(w, 2, bit(w, 4))),
        OutputFault("A", "follows", 2, 4),
    ),
    Case(
        "data line stuck", wide, _set("bus", lambda w, h: put(w, 9, 1)), DataLineFault("bus", "stuck at 1", 9)
    ),
    Case(
        "data line open",
        narrow,
        _set("bus", lambda w, h: put(w, 4, bit(h, 4))),
        DataLineFault("bus", "open", 4),
    ),
    Case(
        "data lines bridged across lanes",
        wide,
        _set("bus", lambda w, h: _both(w, 2, 12, bit(w, 2) & bit(w, 12))),
        DataLineFault("bus", "low wins", 2, 12),
    ),
    Case(
        "data lines swapped",
        wide,
        _set("bus", lambda w, h: _swap(w, 0, 15)),
        DataLineFault("bus", "swapped", 0, 15),
    ),
    Case(
        "chip address stuck",
        narrow,
        _lines("A", lambda a: put(a, 2, 0)),
        ChipAddressFault("A", "stuck at 0", 2),
    ),
    Case(
        "crossed chip address",
        wide,
        _lines("L", lambda a: put(a, 0, 1)),
        ChipAddressFault("L", "stuck at 1", 0),
    ),
    Case(
        "chip addresses bridged",
        narrow,
        _lines("B", lambda a: _both(a, 0, 3, bit(a, 0) & bit(a, 3))),
        ChipAddressFault("B", "low wins", 0, 3),
    ),
    Case(
        "chip addresses swapped",
        wide,
        _lines("H", lambda a: _swap(a, 1, 4)),
        ChipAddressFault("H", "swapped", 1, 4),
    ),
    Case(
        "address stuck",
        narrow,
        _set("address", lambda b, a: (b, put(a, 1, 1))),
        AddressFault("bus", "stuck at 1", 1),
    ),
    Case(
        "address stuck, so that another chip answers",
        narrow,
        _set("address", lambda b, a: (b, put(a, 5, 1))),
        AddressFault("bus", "stuck at 1", 5),
    ),
    Case(
        "address stuck, so that nobody answers",
        narrow,
        _set("address", lambda b, a: (b, put(a, 4, 1))),
        AddressFault("bus", "stuck at 1", 4),
    ),
    Case(
        "addresses bridged",
        wide,
        _set("address", lambda b, a: (b, _both(a, 0, 2, bit(a, 0) | bit(a, 2)))),
        AddressFault("bus", "high wins", 0, 2),
    ),
    Case(
        "addresses swapped",
        wide,
        _set("address", lambda b, a: (b, _swap(a, 3, 4))),
        AddressFault("bus", "swapped", 3, 4),
    ),
    Case("bank stuck", narrow, _set("address", lambda b, a: (1, a)), BankFault("bus", "stuck at 1", 0)),
    Case("chip silent", wide, _outputs("H", lambda w, h: h), ChipSilent("H")),
    Case("select silent", wide, _set("chosen", lambda names: set()), SelectSilent("L", ("L", "H"))),
    Case(
        "wrong chip",
        narrow,
        _set("chosen", lambda names: {"B"} if "A" in names else names),
        WrongChip("A", "B"),
    ),
    Case(
        "selects exchanged",
        narrow,
        _set("chosen", lambda names: {{"A": "B", "B": "A"}.get(name, name) for name in names}),
        SelectsExchanged("A", "B"),
    ),
    Case(
        "two chips",
        narrow,
        _set("chosen", lambda names: {"A", "B"} if names & {"A", "B"} else names),
        TwoChips("A", "B"),
    ),
    Case(
        "two chips in the place of one",
        narrow,
        _set("chosen", lambda names: {"A", "B"} if "A" in names else names),
        TwoChips("A", "B", False, False),
    ),
    Case("wrong contents", narrow, _contents("E", "F"), WrongContents("E", "F")),
    Case("lane inverted", wide, _outputs("L", lambda w, h: w ^ 0xFF), LaneInverted("L", 8)),
    Case(
        "scattered cells",
        narrow,
        _cells("A", lambda c, w: w ^ BAD.get(c, 0)),
        ScatteredCells("A", cells=tuple(BAD.items())),
    ),
    Case(
        "dead row",
        narrow,
        _cells("A", lambda c, w: 0xFF if c >> 2 == 5 else w),
        DeadRow("A", (2, 3, 4), 5, 1),
    ),
    Case(
        "dead column",
        wide,
        _cells("H", lambda c, w: put(w, 6, 0) if c & 3 == 2 else w),
        DeadColumn("H", (0, 1), 2, 0, output=6),
    ),
)


def lost_charge(board: Board, chip: str, cells: dict[int, int], level: int = 1) -> LostCharge:
    """Let bits that hold charge lose it, and say so as a fault model."""
    held = next(each.contents for each in board.chips if each.name == chip)
    lost = {cell: mask & (~held[cell] if level else held[cell]) & 0xFF for cell, mask in cells.items()}
    board.cells[chip] = lambda cell, word: word ^ lost.get(cell, 0)
    return LostCharge(chip, level, cells=tuple(lost.items()))
