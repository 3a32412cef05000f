"""Every prediction against a board in plain Python that was damaged by hand."""

import numpy as np
import pytest

from faults.boards import CASES, Case, lost_charge, narrow, reads, wide
from faults.simulator import Board, Chip, bit, evidence_of, put
from wrongbit.faults.fault import (
    AddressStage,
    BusStage,
    CellStage,
    ChipAddressStage,
    OutputStage,
    SelectionStage,
)
from wrongbit.faults.models.selection import SelectSilent, SlowData, TwoChips
from wrongbit.faults.models.wires import AddressFault, ChipAddressFault, DataLineFault, OutputFault
from wrongbit.faults.predict import predict
from wrongbit.faults.rows import Rows


def rows_of(case: Case) -> Rows:
    board, evidence = case.evidence()
    return Rows.of(evidence, board.memory_map())


def refuted(faults, rows):
    """Judged bits that were seen otherwise than predicted; floating lines hold here."""
    prediction = predict(faults, rows)
    open_ = prediction.soft if prediction.unknown is None else prediction.soft | prediction.unknown
    return (prediction.value ^ rows.seen) & rows.judged & ~open_, open_ & rows.judged


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_prediction_is_what_the_damaged_board_gives(case):
    rows = rows_of(case)
    assert rows.wrong.any(), "the damage must show, or this proves nothing"
    wrong, open_ = refuted([case.fault], rows)
    assert not wrong.any()
    assert not open_.any()


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_without_a_fault_the_expected_word_is_predicted(case):
    rows = rows_of(case)
    prediction = predict([], rows)
    assert np.array_equal(prediction.value & rows.judged, rows.expected)


STAGES = (AddressStage, SelectionStage, ChipAddressStage, CellStage, OutputStage, BusStage)


def place(fault):
    """The stage at which it acts, and the chip where that is a chip's own."""
    stage = next(stage for stage in STAGES if isinstance(fault, stage))
    return stage, None if stage in (AddressStage, SelectionStage, BusStage) else fault.part


PAIRS = [
    (one, two)
    for number, one in enumerate(CASES)
    for two in CASES[number + 1 :]
    if one.make is two.make and place(one.fault) != place(two.fault)
]


@pytest.mark.parametrize(("one", "two"), PAIRS[::4], ids=lambda case: case.name)
def test_two_faults_act_each_at_its_own_stage(one, two):
    board = one.make()
    one.damage(board)
    two.damage(board)
    rows = Rows.of(evidence_of(board, reads(board)), board.memory_map())
    floats = predict([one.fault, two.fault], rows).floating.any()
    for faults in ([one.fault, two.fault], [two.fault, one.fault]):
        wrong, open_ = refuted(faults, rows)
        assert not wrong.any()
        # A bridge or swap on the bus may meet a line that floats, and then leaves it open.
        assert floats or not open_.any()


def test_lost_charge_changes_only_cells_that_hold_it():
    board = narrow()
    fault = lost_charge(board, "B", {4: 0xFF, 9: 0x0F, 20: 0xF0})
    rows = Rows.of(evidence_of(board, reads(board)), board.memory_map())
    assert rows.wrong.any()
    assert not (rows.wrong & rows.expected).any()
    assert not refuted([fault], rows)[0].any()


def test_a_floating_line_that_held_0_may_drift():
    board = wide()
    board.outputs["L"] = lambda word, held: put(word, 5, 1)  # drifted high in every read
    rows = Rows.of(evidence_of(board, reads(board)), board.memory_map())
    prediction = predict([OutputFault("L", "open", 5)], rows)
    line = np.uint64(1 << board.chips[0].lane[5])
    assert np.array_equal(prediction.floating & rows.judged, np.full(len(rows), line))
    assert not ((prediction.value ^ rows.seen) & rows.judged & ~prediction.floating).any()
    assert np.array_equal(prediction.value & line, rows.held & line)


def test_late_words_are_old_right_or_a_mixture():
    board = narrow()
    late = {"n": 0}

    def outputs(word, held):
        late["n"] += 1
        return (word, held, word & 0x0F | held & 0xF0)[late["n"] % 3]

    board.outputs["A"] = outputs
    rows = Rows.of(evidence_of(board, reads(board)), board.memory_map())
    old, mixed, _ = SlowData("A").shapes()
    whole, _ = refuted([old], rows)
    some, open_ = refuted([mixed], rows)
    assert (whole[rows.wrong != 0] == 0).any()
    assert not some.any()
    from_a = rows.address < 0x20
    assert np.array_equal(open_, np.where(from_a, rows.expected ^ rows.held, 0) & rows.judged)


def test_contents_that_no_reference_gives_are_open_but_the_same_in_every_read():
    board = narrow()
    board.chips[0].known = [0xFF] * 4 + [0x0F] * 4 + [0xFF] * 24
    board.lines["A"] = lambda lines: put(lines, 2, 1)
    rows = Rows.of(evidence_of(board, reads(board)), board.memory_map())
    prediction = predict([ChipAddressFault("A", "stuck at 1", 2)], rows)
    moved = (rows.address < 4) & (rows.judged == 0xFF)
    assert moved.any()
    assert np.array_equal(prediction.unknown & rows.judged, np.where(moved, 0xF0, 0).astype(np.uint64))
    assert set(prediction.source[moved].tolist()) == {4, 5, 6, 7}
    assert not ((prediction.value ^ rows.seen) & rows.judged & ~prediction.unknown).any()


def test_ram_reads_that_an_address_fault_moves_are_not_predicted():
    board = Board([Chip("R", tuple(range(8)), tuple(range(4)), 0x80, 16)])
    for address in range(0x80, 0x90):
        board.write(address, address)
    rows = Rows.of(evidence_of(board, [(0, address) for address in range(0x80, 0x90)]), board.memory_map())
    on_bus = predict([AddressFault("bus", "stuck at 1", 1)], rows)
    at_chip = predict([ChipAddressFault("R", "stuck at 1", 1)], rows)
    moved = [not bit(address, 1) for address in range(0x80, 0x90)]
    assert on_bus.strays.tolist() == moved
    assert at_chip.strays.tolist() == moved


RAM_AND_ROM = {
    "sent to nobody": (
        lambda board: setattr(board, "address", lambda bank, address: (bank, put(address, 6, 1))),
        AddressFault("bus", "stuck at 1", 6),
    ),
    "sent to a ROM": (
        lambda board: setattr(board, "address", lambda bank, address: (bank, put(address, 7, 0))),
        AddressFault("bus", "stuck at 0", 7),
    ),
    "not selected": (
        lambda board: setattr(board, "chosen", lambda names: names - {"R"}),
        SelectSilent("R", ("R",)),
    ),
    "a ROM answers as well": (
        lambda board: setattr(board, "chosen", lambda names: names | {"A"}),
        TwoChips("R", "A", both_ways=False),
    ),
}
"""What happens to reads of a RAM = (damage, fault)."""


@pytest.mark.parametrize("case", RAM_AND_ROM.values(), ids=RAM_AND_ROM.keys())
def test_a_ram_read_is_predicted_where_no_other_cell_of_it_answers(case):
    damage, fault = case
    board = narrow()
    for address in range(0x80, 0x90):
        board.write(address, 0xF0 | 15 - (address & 15))
    damage(board)
    every = [(0, address) for address in range(0x80, 0x90)]
    rows = Rows.of(evidence_of(board, every, held=0x5A), board.memory_map())
    assert rows.wrong.any(), "the damage must show, or this proves nothing"
    wrong, open_ = refuted([fault], rows)
    assert predict([fault], rows).strays is None and not wrong.any() and not open_.any()


def test_a_bridge_to_a_line_without_expectation_leaves_a_bit_open():
    board = narrow()
    board.chips[0].known = [0b11111110] * 32  # output 0 was never listed
    rows = Rows.of(evidence_of(board, [(0, address) for address in range(32)]), board.memory_map())
    for fault in (OutputFault("A", "low wins", 0, 1), DataLineFault("bus", "low wins", 0, 1)):
        prediction = predict([fault], rows)
        assert np.array_equal(prediction.soft & rows.judged, rows.expected & np.uint64(2))
