"""Rows that already are whole bus cycles, as a table of cycles."""

from __future__ import annotations

import numpy as np
import pytest

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
