"""Rows that already are whole bus cycles, as a table of cycles."""

from __future__ import annotations

import numpy as np
import pytest

from wrongbit.bus.cycles import DOUBTFUL_BYTE, UNSTROBED
from wrongbit.bus.rows import cycles_from_rows, with_tied_lines
from wrongbit.capture.source import CycleRows
from wrongbit.machine.model import Point, Processor
from wrongbit.machine.recipe import KINDS


def processor(held: str) -> Processor:
    recipe = {"transfer": [{"kind": "read", "at": "RD ends"}], "held": held}
    return Processor.model_validate({"name": "U1", "word_bits": 8, "address_bits": 12, "recipe": recipe})


def rows(known: list[int]) -> CycleRows:
    """Four cycles at 0x1A1 to 0x1A4 with the words 0x11 to 0x44; the third has a status."""
    count = np.arange(1, 5)
    return CycleRows(
        sample=np.arange(4),
        time_ps=None,
        kind=np.array([-1, -1, KINDS.index("write"), -1], np.int8),
        bank=None,
        address=np.asarray(0x1A0 + count, np.uint64),
        address_known=np.full(4, 2**64 - 1, np.uint64),
        word=np.asarray(0x11 * count, np.uint64),
        known=np.array(known, np.uint64),
    )


@pytest.mark.parametrize(
    ("held", "expected"),
    [
        # The second row shows no word: the lines then still hold the first row's, as in a rebuilt capture.
        ("word", [0, 0x11, 0x11, 0x33]),
        ("address", [0xA1, 0xA2, 0xA3, 0xA4]),
        ("nothing", [0, 0, 0, 0]),
    ],
)
def test_what_undriven_lines_hold(held: str, expected: list[int]) -> None:
    assert cycles_from_rows(rows([0xFF, 0, 0xFF, 0xFF]), processor(held)).held.tolist() == expected


def test_a_row_without_a_status_is_a_read() -> None:
    cycles = cycles_from_rows(rows([0xFF] * 4), processor("word"))
    assert [KINDS[kind] for kind in cycles.kind] == ["read", "read", "write", "read"]
    assert set(cycles.address_known.tolist()) == {0xFFF} and set(cycles.known.tolist()) == {0xFF}


def test_no_row_at_all() -> None:
    none = {name: value[:0] for name, value in vars(rows([0] * 4)).items() if isinstance(value, np.ndarray)}
    assert len(cycles_from_rows(CycleRows(**(vars(rows([0] * 4)) | none)), processor("word"))) == 0


def test_tied_lines_count_as_seen_at_their_level() -> None:
    cycles = cycles_from_rows(rows([0xFF & ~8, 0xFF, 0xFF, 0xFF]), processor("word"))
    tied = with_tied_lines(cycles, Point(name="list", mode="cycles", tied={"D3": 1, "A2": 1}))
    assert [int(known) for known in tied.known] == [0xFF] * 4
    assert [int(word) & 8 for word in tied.word] == [8] * 4
    assert (tied.address & 4 == 4).all()
    assert (tied.address_known & 4 == 4).all()


def strobed(family: str, kinds: list[str], addresses: list[int], **levels: list[int]) -> CycleRows:
    """Rows of a 16-bit bus, each with the word ABCD."""
    count = len(kinds)
    return CycleRows(
        sample=np.arange(count),
        time_ps=None,
        kind=np.array([KINDS.index(kind) for kind in kinds], np.int8),
        bank=None,
        address=np.array(addresses, np.uint64),
        address_known=np.full(count, 2**64 - 1, np.uint64),
        word=np.full(count, 0xABCD, np.uint64),
        known=np.full(count, 0xFFFF, np.uint64),
        levels={name: np.array(each, np.uint8) for name, each in levels.items()},
    )


def on_16_bits(family: str) -> Processor:
    return Processor(name="U1", word_bits=16, address_bits=20, recipe=family)


def test_a_byte_that_was_not_asked_for_is_not_known() -> None:
    """UDS moves D8 to D15, LDS D0 to D7, both active low (M68000 User's Manual, 9th edition, 5.1)."""
    given = strobed("68000", ["fetch", "read", "read", "write"], [0] * 4, UDS=[0, 0, 1, 2], LDS=[0, 1, 0, 0])
    cycles = cycles_from_rows(given, on_16_bits("68000"))
    assert cycles.known.tolist() == [0xFFFF, 0xFF00, 0x00FF, 0x00FF]
    assert cycles.word.tolist() == [0xABCD, 0xAB00, 0x00CD, 0x00CD]
    assert not cycles.flags.any()


def test_without_strobes_only_a_fetch_surely_moves_the_whole_word() -> None:
    given = strobed("68000", ["fetch", "read", "write"], [0] * 3)
    cycles = cycles_from_rows(given, on_16_bits("68000"))
    assert cycles.known.tolist() == [0xFFFF] * 3
    assert cycles.flags.tolist() == [0, UNSTROBED, UNSTROBED | DOUBTFUL_BYTE | DOUBTFUL_BYTE << 1]


def test_the_lowest_address_line_tells_what_an_8086_writes() -> None:
    """A0 low moves D0 to D7, BHE low D8 to D15 (Intel 8086 data sheet 231455, as the recipe has it)."""
    plain = strobed("8086", ["write", "write", "read"], [0x10, 0x11, 0x11])
    cycles = cycles_from_rows(plain, on_16_bits("8086"))
    assert cycles.known.tolist() == [0xFFFF, 0xFF00, 0xFFFF]
    assert cycles.flags.tolist() == [DOUBTFUL_BYTE << 1, 0, 0]  # an odd byte is written for sure
    told = strobed("8086", ["write", "write", "write"], [0x10, 0x10, 0x11], BHE=[1, 0, 0])
    cycles = cycles_from_rows(told, on_16_bits("8086"))
    assert cycles.known.tolist() == [0x00FF, 0xFFFF, 0xFF00]
    assert not cycles.flags.any()


def test_a_strobe_keeps_its_polarity_under_the_name_that_a_machine_gives_it() -> None:
    """The recipe's UDS is active low (M68000 User's Manual, 9th edition, 3.2), however it is called."""
    given = strobed("68000", ["read", "read"], [0, 0], UPPER=[0, 1], LDS=[1, 0])
    processor = Processor(name="U1", word_bits=16, address_bits=20, recipe="68000", signals={"UDS": "UPPER"})
    assert cycles_from_rows(given, processor).known.tolist() == [0xFF00, 0x00FF]
