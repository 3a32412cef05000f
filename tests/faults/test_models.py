"""The table of models: priors, words, and a paragraph for each."""

import re
from itertools import product
from pathlib import Path

import pytest

from faults.boards import CASES, narrow, wide
from faults.simulator import Board as Simulated
from wrongbit.faults.batch import Board
from wrongbit.faults.fault import ALWAYS, Fault
from wrongbit.faults.models import MODELS, NO_FAULT_PRIOR, PAIR_PRIOR
from wrongbit.faults.models.arrays import DeadRow, Split, WeakColumn, geometries
from wrongbit.faults.models.cells import LostCharge
from wrongbit.faults.models.selection import ChipSilent, SlowData
from wrongbit.faults.models.wires import AddressFault, ChipAddressFault, DataLineFault, OutputFault
from wrongbit.faults.noise import Noise
from wrongbit.faults.rows import Rows

DOCUMENT = (Path(__file__).parents[2] / "docs" / "fault-models.md").read_text("utf-8")


def board_of(case) -> Board:
    board, found = case.evidence()
    return Board.of(Rows.of(found, board.memory_map()), Noise(), 1)


def every_fault(family) -> list[Fault]:
    """Some faults of the family on boards where it lists any."""
    found = []
    for case in CASES:
        for batch in family.scan(board_of(case)):
            found += [batch.build(number) for number in range(0, len(batch), 9)]
        if len(found) > 30:
            break
    return found


def test_priors_are_shares():
    assert all(0 < family.prior < 0.2 for family in MODELS)
    assert 0 < NO_FAULT_PRIOR < 0.2
    assert 0 < PAIR_PRIOR < 0.2
    assert sum(family.prior for family in MODELS) + NO_FAULT_PRIOR == pytest.approx(1.0, abs=0.05)
    assert len({family.name for family in MODELS}) == len(MODELS)


@pytest.mark.parametrize("family", MODELS, ids=lambda family: family.name)
def test_faults_bear_the_name_of_their_family_and_say_where_they_are(family):
    faults = every_fault(family)
    assert faults
    for fault in faults:
        assert fault.model == family.name
        assert fault.say().endswith(".")
        assert fault.part in fault.say() or fault.part == "bus"
        assert fault.parameters()["part"] == fault.part


@pytest.mark.parametrize("family", MODELS, ids=lambda family: family.name)
def test_rates_and_weights_are_probabilities(family):
    for fault in every_fault(family)[:12]:
        assert len(fault.values) == len(fault.shares)
        for rates in fault.shares:
            assert sum(point.belief for point in rates) == pytest.approx(1.0)
            assert all(point.value - point.reach >= 0 for point in rates)
            assert all(point.value + point.reach <= 1 + 1e-12 for point in rates)
        for values in product(*([point.value for point in rates] for rates in fault.shares)):
            assert sum(fault.weights(*values)) == pytest.approx(1.0)
            assert len(fault.weights(*values)) == len(fault.shapes())
            assert fault.fitted(*values).values == values
            assert fault.fitted(*values).bare() == fault.bare()
        if len(fault.shapes()) == 1:
            assert fault.rates is ALWAYS


@pytest.mark.parametrize("family", MODELS, ids=lambda family: family.name)
def test_each_family_has_its_row_in_the_document(family):
    row = re.search(rf"^\| {re.escape(family.name)} \| ([\d.]+) \|", DOCUMENT, re.MULTILINE)
    assert row is not None
    assert float(row[1]) == family.prior


SENTENCES = {
    OutputFault("U7", "stuck at 0", 3): "Output line 3 of U7 is stuck at 0.",
    OutputFault("U7", "stuck at 1", 0, -1, ("D0",), rate=0.3): (
        "Output D0 of U7 is stuck at 1, in about 30% of the reads."
    ),
    OutputFault("U7", "follows", 0, 1, ("D0", "D1")): (
        "Output D0 of U7 is bridged to D1, which is stronger and wins."
    ),
    OutputFault("U7", "open", 0, -1, ("D0",), drift=0.25): (
        "Output D0 of U7 is open: it reads what was left on the line, or drifts to 1 (about 25%)."
    ),
    DataLineFault("bus", "low wins", 0, 1, ("D0", "D1")): (
        "Data lines D0 and D1 of the bus are bridged; a low level wins."
    ),
    ChipAddressFault("U7", "stuck at 1", 2, -1, ("A0", "A1", "A2")): ("Address line A2 at U7 is stuck at 1."),
    AddressFault("bus", "open", 1, -1, ("A0", "A1"), rate=0.5): (
        "Address line A1 of the bus is open: its level drifts, high in about 50% of the reads."
    ),
    ChipSilent("U7", drift=1.0): "U7 does not answer: its data lines read 1.",
    SlowData("U7", rate=0.1): "U7 is too slow: its word is late in about 10% of the reads.",
    LostCharge("U7", 1, cells=((5, 3),)): ("U7 has lost charge: cells that held 0 read 1 (2 bits seen)."),
    DeadRow("U7", (5, 6, 7), 6, 1): "Row 6 (A7 A6 A5 = 110) of U7 is dead: all its cells read 1.",
    WeakColumn("U7", (0, 1), 1, 0, output=4, rate=0.3): (
        "Column 1 (A1 A0 = 01) of output D4 of U7 is weak: it reads 0 in about 30% of the reads."
    ),
}


@pytest.mark.parametrize(("fault", "sentence"), SENTENCES.items(), ids=list(SENTENCES.values()))
def test_sentences(fault, sentence):
    assert fault.say() == sentence


def test_geometry_is_what_the_machine_file_says_or_every_split():
    board: Simulated = narrow()
    chip = board.memory_map().chips[0]
    splits = geometries(chip)
    assert [(split.rows, split.columns) for split in splits] == [
        ((2, 3, 4), (0, 1)),
        ((0, 1), (2, 3, 4)),
        ((3, 4), (0, 1, 2)),
        ((0, 1, 2), (3, 4)),
        ((1, 2, 3), (0, 4)),
    ]
    assert sum(split.share for split in splits) == pytest.approx(1)
    assert min(split.share for split in splits if not split.middle) > max(
        split.share for split in splits if split.middle
    )
    board.chips[0].rows = (4, 3)
    assert geometries(board.memory_map().chips[0]) == [Split((4, 3), (0, 1, 2), 1.0)]
    assert wide().memory_map().chips[1].inverted
