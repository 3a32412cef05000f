"""The weighing: answers known by hand, invariances, and every fault costed one by one."""

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import logsumexp, softmax

from faults.boards import CASES, lost_charge, narrow, reads, wide
from faults.simulator import Board, Chip, evidence, evidence_of, put
from wrongbit.faults.batch import Board as Weighed
from wrongbit.faults.evidence import Evidence
from wrongbit.faults.fault import SelectionStage
from wrongbit.faults.likelihood import cost_of
from wrongbit.faults.models import MODELS, NO_FAULT_PRIOR
from wrongbit.faults.models.arrays import DeadRow, WeakColumn
from wrongbit.faults.models.wires import AddressFault, ChipAddressFault, DataLineFault, OutputFault
from wrongbit.faults.noise import Noise
from wrongbit.faults.posterior import MARGIN, TIE, weigh
from wrongbit.faults.rows import Rows


def sixteen_words():
    """A ROM of 16 words, all different in every bit pattern that matters, alone on the bus."""
    contents = [
        0x5A,
        0xC3,
        0x17,
        0xE8,
        0x2D,
        0x91,
        0xB6,
        0x7F,
        0x04,
        0xDA,
        0x6B,
        0x38,
        0xF1,
        0x8E,
        0x40,
        0xA5,
    ]
    return Board([Chip("U1", tuple(range(8)), tuple(range(4)), 0, 16, contents)], address_bits=4)


def all_words(times=3):
    return [(0, address) for _ in range(times) for address in range(16)]


def faults_of(findings):
    return {tie.faults for tie in findings.ties}


def test_a2_stuck_low_by_hand():
    """A2 = 0 in every read: words 4-7 read as 0-3 and 12-15 as 8-11, and nothing else differs."""
    board = sixteen_words()
    words = board.chips[0].contents
    seen = [words[address & 0b1011] for address in range(16)]
    rows = [(0, a, 0, words[a], 0xFF, seen[a], 1) for a in range(16)]
    found = weigh(evidence(rows, [3] * 16), board.memory_map())
    assert found.wrong_observations == 8
    assert found.fits
    assert found.best.unexplained == 0
    # With one chip on the bus nothing tells its own line from the bus line; an open one may be low by chance.
    same = ("stuck at 0", 2)
    assert {(type(f), f.what, f.first) for (f,) in faults_of(found)} >= {
        (ChipAddressFault, *same),
        (AddressFault, *same),
    }
    assert all(f.first == 2 and f.what in ("stuck at 0", "open") for (f,) in faults_of(found))
    assert sum(tie.probability for tie in found.ties) > 0.999


def test_nothing_wrong_gives_no_fault_at_once():
    board = sixteen_words()
    found = weigh(evidence_of(board, all_words()), board.memory_map())
    assert not found.fault_seen
    assert [finding.probability for finding in found.findings] == [1.0]
    assert "No fault is seen" in found.remark()
    assert (found.best.model, found.best.parts) == ("no fault seen", ())
    assert found.best.say() == "No fault shows in what was captured."


def test_no_evidence_is_no_finding():
    found = weigh(evidence([]), sixteen_words().memory_map())
    assert not found.fault_seen
    assert found.remark() == "Nothing that was captured could be judged."


def test_one_wrong_bit_in_one_read_is_noise():
    board = sixteen_words()
    words = board.chips[0].contents
    rows = [(0, a, 0, words[a], 0xFF, words[a], 1) for a in range(16)]
    rows.append((0, 5, 0, words[5], 0xFF, words[5] ^ 1, 1))
    found = weigh(evidence(rows, [8] * 16 + [1]), board.memory_map())
    assert not found.fault_seen
    assert (found.best.explained, found.best.unexplained) == (0, 1)
    assert found.best.say() == "No fault shows in what was captured; 1 wrong bit is taken for noise."


def test_the_same_wrong_bit_again_and_again_is_a_cell():
    board = sixteen_words()
    words = board.chips[0].contents
    rows = [(0, a, 0, words[a], 0xFF, words[a] ^ (a == 5), 1) for a in range(16)]
    found = weigh(evidence(rows, [8] * 16), board.memory_map())
    assert "scattered cells" in {tie.model for tie in found.ties}
    cells = next(tie for tie in found.ties if tie.model == "scattered cells").faults[0].cells
    assert cells == ((5, 1),)


def test_another_chip_on_the_same_line_breaks_the_tie_of_output_and_bus():
    alone, shared = [], []
    for held_by_bus in (False, True):
        board = narrow()
        if held_by_bus:
            board.bus = lambda word, held: put(word, 3, 0)
        else:
            board.outputs["A"] = lambda word, held: put(word, 3, 0)
        only_a = evidence_of(board, [(0, address) for address in range(32)])
        alone.append(weigh(only_a, board.memory_map()))
        shared.append(weigh(evidence_of(board, reads(board)), board.memory_map()))
    output, line = OutputFault("A", "stuck at 0", 3), DataLineFault("bus", "stuck at 0", 3)
    for found in alone:
        assert faults_of(found) >= {(output,), (line,)}
        best = found.best.faults[0]
        for read in found.separations:
            (other,) = found.findings[read.other].faults
            assert read.bits == 1 << 3
            if other.part != best.part:
                assert read.address >= 0x20, "a read of another chip tells them apart"
        assert len(found.separations) == len(found.ties) - 1
    # A line that is always 0 may as well be open and hold that 0: only a 1 on it would tell.
    assert (output,) in faults_of(shared[0])
    assert {fault.part for (fault,) in faults_of(shared[0])} == {"A"}
    assert (line,) in faults_of(shared[1])
    assert {fault.part for (fault,) in faults_of(shared[1])} == {"bus"}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_true_fault_is_among_the_ties(case):
    board, found = case.evidence()
    findings = weigh(found, board.memory_map())
    assert findings.fits
    bare = {(type(f), f.part, *_parameters(f)) for tie in findings.ties for f in tie.faults}
    assert (type(case.fault), case.fault.part, *_parameters(case.fault)) in bare or any(
        tie.cost < 3 and tie.explained == findings.wrong_bits for tie in findings.ties
    )


def _parameters(fault):
    free = ("part", "rate", "drift", "cells", "lines", "number", "output")
    return tuple(value for name, value in fault.parameters().items() if name not in free)


def test_two_faults_at_once():
    board = narrow()
    board.outputs["B"] = lambda word, held: put(word, 6, 1)
    board.lines["A"] = lambda lines: put(lines, 1, 0)
    found = weigh(evidence_of(board, reads(board)), board.memory_map())
    assert set(found.best.faults) == {
        OutputFault("B", "stuck at 1", 6),
        ChipAddressFault("A", "stuck at 0", 1),
    }
    assert found.fits
    alone = weigh(evidence_of(board, reads(board)), board.memory_map(), pairs=False)
    assert len(alone.best.faults) == 1
    assert not alone.fits
    assert "No single fault or pair" in alone.remark()


def test_a_dead_row_and_a_weak_column_of_one_chip():
    board = narrow()
    board.chips[0].rows, board.chips[0].columns = (2, 3, 4), (0, 1)
    turn = {"n": 0}

    def cells(cell, word):
        turn["n"] += 1
        if cell >> 2 == 3:
            return 0
        return put(word, 5, 1) if cell & 3 == 1 and turn["n"] % 3 == 0 else word

    board.cells["A"] = cells
    found = weigh(evidence_of(board, reads(board, count=1500)), board.memory_map())
    row, column = sorted(found.best.faults, key=lambda fault: fault.model)
    assert row == DeadRow("A", (2, 3, 4), 3, 0)
    assert isinstance(column, WeakColumn)
    assert (column.lines, column.number, column.output, column.level) == ((0, 1), 1, 5, 1)
    assert 0.2 < column.rate < 0.5


@pytest.mark.parametrize("level", [0, 1])
def test_a_dead_row_chosen_by_lines_in_the_middle(level: int):
    """Nothing is declared; lines 1 to 3 of five choose the row, which is neither a low nor a high part."""
    board = narrow()
    board.cells["A"] = lambda cell, word: level * 0xFF if cell >> 1 & 7 == 5 else word
    found = weigh(evidence_of(board, reads(board, count=1500)), board.memory_map())
    assert found.best.faults == (DeadRow("A", (1, 2, 3), 5, level),)
    assert found.fits


def test_what_no_model_predicts_is_said_to_be_so():
    board = narrow()
    # Every third address gives its word rotated: no row of the table.
    board.outputs["A"] = lambda word, held: word << 3 & 0xFF | word >> 5
    board.outputs["B"] = lambda word, held: word << 2 & 0xFF | word >> 6
    found = weigh(evidence_of(board, reads(board)), board.memory_map())
    assert found.best.model == "scattered cells + scattered cells"
    assert not found.fits
    assert "not in the table" in found.remark()


def test_lost_charge_is_told_from_scattered_cells_by_its_direction():
    board = narrow()
    cells = {number: 0b1100101 << number % 3 & 0xFF for number in range(0, 32, 3)}
    lost_charge(board, "A", cells)
    found = weigh(evidence_of(board, reads(board)), board.memory_map())
    assert found.best.model == "lost charge"
    assert found.best.probability > 0.99


# Invariances ---------------------------------------------------------------------------------------


def permuted(found: Evidence, seed: int) -> Evidence:
    order = np.random.default_rng(seed).permutation(len(found))
    return Evidence(*(getattr(found, column.name)[order] for column in fields(found)))


@settings(max_examples=12, deadline=None)
@given(st.sampled_from(CASES), st.integers(0, 1000))
def test_order_of_rows_changes_nothing(case, seed):
    board, found = case.evidence(seed=1, count=250)
    one = weigh(found, board.memory_map())
    two = weigh(permuted(found, seed), board.memory_map())
    first, second = ({f.faults: f.probability for f in each.ties} for each in (one, two))
    assert first.keys() == second.keys()
    for faults, probability in first.items():
        assert second[faults] == pytest.approx(probability, abs=1e-3)


def _inside_chip(fault):
    return fault.part == "A" and not isinstance(fault, SelectionStage)


@settings(max_examples=8, deadline=None)
@given(st.sampled_from([case for case in CASES if case.make is narrow and _inside_chip(case.fault)]))
def test_a_second_lane_that_is_in_order_changes_nothing(case):
    """Twice the width, the new half untouched: the faults of the old half keep their costs."""
    board = case.make()
    case.damage(board)
    chosen = [(bank, address) for bank, address in reads(board) if address < 0x40]
    narrow_evidence = evidence_of(board, chosen)
    upper = [
        Chip(chip.name + "'", tuple(range(8, 16)), chip.lines, chip.base, chip.size, list(range(32)))
        for chip in board.chips[:2]
    ]
    double = Board([*board.chips, *upper], 16, 8)
    case.damage(double)
    wide_evidence = evidence_of(double, chosen)
    noise = Noise()
    for fault in (case.fault, OutputFault("A", "open", 2), ChipAddressFault("A", "stuck at 1", 0)):
        costs = [
            cost_of([fault], Rows.of(each, map_), noise).nats
            for each, map_ in ((narrow_evidence, board.memory_map()), (wide_evidence, double.memory_map()))
        ]
        if fault is case.fault:  # rows that differ only in the held upper byte are observations of their own
            assert costs == pytest.approx([costs[0]] * 2, abs=0.5)
        assert costs[1] >= costs[0] - 0.5
    found = weigh(wide_evidence, double.memory_map())
    assert case.fault.part in found.best.parts or found.best.parts == ("bus",)


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_any_evidence_is_weighed(data):
    """Words seen at random, any bits judged: probabilities are shares, groups hold every finding once."""
    board = data.draw(st.sampled_from([narrow, wide, sixteen_words]))()
    size = 1 << board.word_bits
    word = st.integers(0, size - 1)
    table = []
    for bank, address in data.draw(
        st.lists(st.sampled_from(reads(board, count=40)), min_size=1, max_size=30)
    ):
        expected, judged = board.read(bank, address, 0), data.draw(st.just(size - 1) | word)
        seen = data.draw(st.just(expected) | word)
        table.append((bank, address, data.draw(word), expected & judged, judged, seen & judged, 1))
    found = weigh(evidence(table), board.memory_map())
    assert sum(finding.probability for finding in found.findings) <= 1 + 1e-9
    assert found.best.probability == max(finding.probability for finding in found.findings)
    assert sorted(index for group in found.groups for index in group) == list(range(len(found.findings)))
    assert found.best.explained + found.best.unexplained >= found.wrong_bits
    assert found.remark()
    for finding in found.findings:
        assert finding.say().endswith(".")
        assert finding.model


# Arithmetic ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["output open", "chip addresses bridged", "scattered cells", "two chips"])
def test_posterior_is_that_of_costing_everything_one_by_one(name):
    """Source: scipy.special.softmax and logsumexp over all faults of all families, without any pruning."""
    case = next(case for case in CASES if case.name == name)
    board, found = case.evidence(count=150)
    memory_map, noise = board.memory_map(), Noise()
    rows = Rows.of(found, memory_map)
    whole = Weighed.of(rows, noise, max(chip.bank or 0 for chip in board.chips).bit_length())
    total = NO_FAULT_PRIOR + sum(family.prior for family in MODELS)
    nothing = cost_of([], rows, noise).nats
    scores = {(): np.log(NO_FAULT_PRIOR / total) - nothing}
    for family in MODELS:
        for batch in family.scan(whole):
            if not batch.hopeless:
                for number in range(len(batch)):
                    cost = cost_of([batch.build(number)], rows, noise)
                    if cost.nats < nothing - 1e-6:
                        prior = np.log(batch.share[number] * family.prior / total)
                        scores[cost.faults] = prior - cost.nats
    exact = dict(zip(scores, softmax(list(scores.values())), strict=True))
    findings = weigh(found, memory_map, pairs=False)
    assert findings.best.faults == max(exact, key=exact.__getitem__)
    best = max(scores.values())
    near = {faults for faults, score in scores.items() if score > best - MARGIN + 1e-6}
    assert {finding.faults for finding in findings.findings} == near
    for finding in findings.findings:
        assert finding.probability == pytest.approx(exact[finding.faults], rel=1e-4, abs=1e-6)
    assert logsumexp(list(scores.values())) >= best


def test_ties_are_shorter_odds_than_twenty_to_one_or_the_same_prediction():
    board = sixteen_words()
    board.lines["U1"] = lambda lines: put(lines, 2, 0)
    found = weigh(evidence_of(board, all_words()), board.memory_map())
    best = found.findings[0]
    for index, finding in enumerate(found.findings):
        near = best.score - finding.score < TIE
        assert near <= (index in found.groups[0])
    assert sorted(index for group in found.groups for index in group) == list(range(len(found.findings)))


def test_a_noisier_capture_makes_noise_likelier():
    board = sixteen_words()
    words = board.chips[0].contents
    rows = [(0, a, 0, words[a], 0xFF, words[a] ^ (a in (2, 9)), 1) for a in range(16)]
    one, two = (weigh(evidence(rows), board.memory_map(), noise=noise) for noise in (1e-6, 0.05))
    assert one.fault_seen
    assert not two.fault_seen
    assert one.allowed < two.allowed


def test_a_wide_board_names_the_lane():
    case = next(case for case in CASES if case.name == "inverted output")
    board, found = case.evidence()
    findings = weigh(found, board.memory_map())
    assert case.fault in {fault for (fault,) in faults_of(findings)}
    assert "D2 (bus D13) of H is stuck at 0" in " ".join(tie.say() for tie in findings.ties)
    assert wide().chips[1].lane[2] == 13
