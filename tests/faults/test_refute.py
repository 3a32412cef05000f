"""What is refuted quickly is what the whole prediction refutes: two independent ways to the same bits."""

from itertools import combinations

import numpy as np
import pytest

from faults.boards import CASES, narrow, wide
from faults.test_batch import board_of
from wrongbit.bits import count_bits
from wrongbit.faults.models import MODELS
from wrongbit.faults.models.selection import SelectsExchanged, SelectSilent, TwoChips, WrongChip
from wrongbit.faults.models.wires import AddressFault, BankFault
from wrongbit.faults.predict import predict
from wrongbit.faults.refute import wrong_behind_addresses, wrong_behind_selections

BOARDS = {make.__name__: next(case for case in CASES if case.make is make) for make in (narrow, wide)}


def predicted(fault, rows):
    """Bits that the prediction of one fault settles otherwise than seen, and bits that it leaves open."""
    found = predict([fault], rows)
    open_ = found.soft | (found.floating & ~found.value)
    if found.unknown is not None:
        open_ = open_ | found.unknown
    sure = rows.judged if found.strays is None else np.where(found.strays, np.uint64(0), rows.judged)
    wrong = (found.value ^ rows.seen) & sure & ~open_
    return count_bits(wrong).tolist(), count_bits(found.soft & sure).tolist()


def assert_agrees(quick, whole, rows, fault):
    """The same for reads of a ROM; of a RAM the whole prediction settles more."""
    whole = np.array(whole)
    assert quick[rows.from_rom].tolist() == whole[rows.from_rom].tolist(), fault
    assert (quick <= whole).all(), fault


def with_ram(rows):
    """The same rows, every third of them judged by what was written to RAM."""
    rows.from_rom[::3] = False
    return rows


@pytest.mark.parametrize("case", BOARDS.values(), ids=BOARDS.keys())
def test_faults_in_the_choice_of_chips(case):
    rows = with_ram(board_of(case).rows)
    faults = []
    for one, two in combinations([chip.name for chip in rows.memory_map.chips], 2):
        faults += [WrongChip(one, two), WrongChip(two, one), SelectsExchanged(one, two)]
        faults += [SelectSilent(one, (one, two))]
        faults += [TwoChips(one, two, high, both) for high in (False, True) for both in (False, True)]
    behind = wrong_behind_selections(rows, faults)
    found, either = behind.wrong, behind.either
    assert found.any()
    assert either.any() == any(chip.kind == "ram" for chip in rows.memory_map.chips)
    for fault, wrong, left_open in zip(faults, found, either, strict=True):
        settled, open_ = predicted(fault, rows)
        assert_agrees(wrong, settled, rows, fault)
        assert left_open[rows.from_rom].tolist() == np.array(open_)[rows.from_rom].tolist(), fault
        assert not left_open[~rows.from_rom].any()


@pytest.mark.parametrize("case", BOARDS.values(), ids=BOARDS.keys())
def test_faults_of_address_and_bank_lines(case):
    rows = with_ram(board_of(case).rows)
    rows.bank[::7] = -1
    lines = range(rows.memory_map.address_bits)
    faults = [AddressFault("bus", what, line) for what in ("stuck at 0", "stuck at 1") for line in lines]
    faults += [
        AddressFault("bus", what, *two) for what in ("low wins", "swapped") for two in combinations(lines, 2)
    ]
    found = wrong_behind_addresses(
        rows, rows.bank, np.array([f.move(rows.bank, rows.address)[1] for f in faults])
    )
    banks = [BankFault("bus", what, line) for what in ("stuck at 0", "stuck at 1") for line in (0, 1)]
    also = wrong_behind_addresses(
        rows, np.array([f.move(rows.bank, rows.address)[0] for f in banks]), rows.address
    )
    assert found.any()
    for fault, wrong in zip(faults + banks, [*found, *also], strict=True):
        assert_agrees(wrong, predicted(fault, rows)[0], rows, fault)


@pytest.mark.parametrize("case", BOARDS.values(), ids=BOARDS.keys())
@pytest.mark.parametrize("family", MODELS, ids=lambda family: family.name)
def test_quick_bounds_are_no_higher_than_the_sharp_ones(case, family):
    board = board_of(case)
    for batch in family.scan(board):
        if batch.quick is not None and len(batch):
            every = np.arange(len(batch))
            quick, sharp = batch.quick(board.rows, every)
            bounds = batch.bound(board.rows, every)
            assert (quick <= bounds + 1e-6).all()
            assert quick[sharp] == pytest.approx(bounds[sharp], abs=1e-6)
            assert family.name != "wrong chip" or (quick > 0).all()
