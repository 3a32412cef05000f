"""Costs against scipy's distributions and against sums over every possibility."""

from itertools import product

import numpy as np
import pytest
from scipy.integrate import dblquad, quad
from scipy.special import betaln, logsumexp
from scipy.stats import binom

from faults.boards import CASES, narrow
from faults.simulator import Board, Chip, evidence, evidence_of, put
from wrongbit.faults.likelihood import _condense, _Terms, cost_of, row_costs
from wrongbit.faults.models.cells import LostCharge, ScatteredCells
from wrongbit.faults.models.wires import AddressFault, ChipAddressFault, DataLineFault, OutputFault
from wrongbit.faults.noise import Noise
from wrongbit.faults.rows import MOST_WEIGHT, Rows

NOISE = Noise(1e-4)
ONE_CHIP = Board([Chip("A", tuple(range(8)), tuple(range(4)), 0, 16, [0xF0 + cell for cell in range(16)])])


def rows_of(seen, count=None, contents=ONE_CHIP):
    """Rows from (address, word seen), each read so often."""
    words = contents.chips[0].contents
    table = [(0, address, 0, words[address], 0xFF, word, 1) for address, word in seen]
    return Rows.of(evidence(table, count), contents.memory_map())


def test_noise_alone_is_a_binomial_distribution():
    """Source: scipy.stats.binom; with every bit its own read, no fault has the binomial's likelihood."""
    rows = rows_of([(0, 0xF0), (1, 0xF0), (2, 0xF3), (3, 0xF3)])
    wrong, bits = 2, 32
    log_likelihood = binom.logpmf(wrong, bits, NOISE.rate) - np.log(binom.pmf(wrong, bits, 0.5) * 2.0**bits)
    perfect = bits * np.log1p(-NOISE.rate)
    assert cost_of([], rows, NOISE).nats == pytest.approx(perfect - log_likelihood)


def test_equal_reads_count_up_to_a_limit():
    costs = [cost_of([], rows_of([(1, 0xF0)], [count]), NOISE).nats for count in (1, 2, 8, 9, 10**6)]
    assert costs == pytest.approx([NOISE.wrong * n for n in (1, 2, 8, 8, 8)])
    assert MOST_WEIGHT == 8


@pytest.mark.parametrize(("acts", "rests"), [(0, 5), (3, 4), (40, 9), (900, 3000)])
def test_the_rate_of_a_loose_fault_is_integrated_out(acts, rests):
    """Source: the Beta integral of a binomial's probability (scipy.special.betaln), noise as good as none."""
    noise = Noise(1e-12)
    # Bit 0 of address 1 reads 0 where the fault acts; weights stand for single reads.
    stuck = [(0, 1, held, 0xF1, 0x01, 0, 1) for held in range(acts)]
    right = [(0, 1, held, 0xF1, 0x01, 1, 1) for held in range(rests)]
    rows = Rows.of(evidence(stuck + right), ONE_CHIP.memory_map())
    spread = np.log(0.2) + betaln(acts + 1, rests + 1)
    always = np.log(0.8) - noise.wrong * rests
    expected = -logsumexp([spread, always])
    found = cost_of([OutputFault("A", "stuck at 0", 0)], rows, noise)
    assert found.nats == pytest.approx(expected, abs=0.15)
    assert found.faults[0].rate == pytest.approx(acts / (acts + rests), abs=0.06)


def test_the_drift_of_a_floating_line_is_integrated_out():
    """Source: scipy.integrate.dblquad over rate and drift, with the beliefs in their certain values."""
    noise = Noise(1e-12)
    rose = [(0, address, 0xF0, 0xF0 + address, 0x01, 1, 1) for address in (1, 3)]
    stayed = [(0, address, 0xF0, 0xF0 + address, 0x01, 0, 1) for address in (5, 7, 9, 11, 13)]
    rows = Rows.of(evidence(rose + stayed), ONE_CHIP.memory_map())

    def likelihood(drift, rate):
        return (rate * drift + 1 - rate) ** 2 * (rate * (1 - drift)) ** 5

    loose = 0.5 * dblquad(likelihood, 0, 1, 0, 1)[0] + 0.4 * quad(lambda rate: likelihood(0, rate), 0, 1)[0]
    solid = 0.5 * quad(likelihood, 0, 1, args=(1.0,))[0]
    expected = -np.log(0.2 * loose + 0.8 * solid)
    assert cost_of([OutputFault("A", "open", 0)], rows, noise).nats == pytest.approx(expected, abs=0.1)


def test_unknown_cells_are_summed_over_all_their_contents():
    """Every contents of the unknown bits, one by one, each as likely as any other."""
    board = narrow()
    board.chips[0].known = [0xFF] * 4 + [0x1F] * 4 + [0xFF] * 24
    board.lines["A"] = lambda lines: put(lines, 2, 1)
    addresses = (0, 1, 0, 2, 9, 3, 1, 4, 5)
    rows = Rows.of(evidence_of(board, [(0, address) for address in addresses]), board.memory_map())
    fault = ChipAddressFault("A", "stuck at 1", 2)
    truth = board.chips[0].contents
    costs = []
    for guess in product(range(8), repeat=4):
        contents = list(truth)
        for cell, high in zip((4, 5, 6, 7), guess, strict=True):
            contents[cell] = high << 5 | truth[cell] & 0x1F
        given = Board([Chip("A", tuple(range(8)), tuple(range(5)), 0, 32, contents), *board.chips[1:]])
        costs.append(cost_of([fault], _with_map(rows, given), NOISE, settled=True).nats)
    expected = -logsumexp(-np.array(costs)) + 12 * np.log(2)
    assert min(costs) < 1
    assert cost_of([fault], rows, NOISE, settled=True).nats == pytest.approx(expected, abs=1e-3)


def test_strayed_ram_reads_may_find_the_last_write_or_anything():
    board = Board([Chip("R", tuple(range(8)), tuple(range(4)), 0x80, 16)])
    table = [(0, 0x80 + n, 0, n, 0xFF, n, 0) for n in range(16)]
    right = Rows.of(evidence(table), board.memory_map())
    fault = AddressFault("bus", "stuck at 1", 1)
    assert cost_of([fault], right, NOISE).nats < 1.2
    table[4] = (0, 0x84, 0, 4, 0xFF, 0xA5, 0)  # A1 is 0 there, so the read strays
    wrong = Rows.of(evidence(table), board.memory_map())
    anything = 8 * np.log(2)
    assert anything < cost_of([fault], wrong, NOISE).nats < anything + 5 < cost_of([], wrong, NOISE).nats
    table[6] = (0, 0x86, 0, 6, 0xFF, 0xA5, 0)  # A1 is 1 there, so it does not
    assert cost_of([fault], Rows.of(evidence(table), board.memory_map()), NOISE).nats > 4 * NOISE.wrong


def test_cost_of_rows_adds_up_to_the_cost_of_a_settled_fault():
    for case in CASES:
        board, found = case.evidence()
        rows = Rows.of(found, board.memory_map())
        summed = row_costs([case.fault], rows, NOISE) @ rows.weight
        assert summed == pytest.approx(0.0, abs=1e-9)
        other = DataLineFault("bus", "stuck at 0", 0, rate=0.25)
        once = -np.logaddexp(np.log(0.25), np.log(0.75) - NOISE.wrong)
        rows = rows_of([(1, 0xF0)])
        assert row_costs([other], rows, NOISE) == pytest.approx([once])


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_cost_never_falls_when_rows_are_added(case):
    board, found = case.evidence(count=300)
    rows = Rows.of(found, board.memory_map())
    order = np.random.default_rng(1).permutation(len(rows))
    for fault in ([case.fault], [CASES[0].fault], [OutputFault(board.chips[0].name, "open", 2)], []):
        costs = [cost_of(fault, rows.take(order[:n]), NOISE).nats for n in (10, 40, 120, len(rows))]
        assert costs == sorted(costs)


@pytest.mark.parametrize(
    ("right", "wrong"), [(0, 1), (0, 8), (5, 3), (1, 1), (100, 60)], ids=lambda count: str(count)
)
def test_a_bad_cell_is_stuck_or_unstable(right, wrong):
    """Source: scipy.special.betaln for the unstable cell; π summed over its nine beliefs by hand."""
    table = [(0, 1, held, 0xF1, 0x01, held < right, 1) for held in range(right + wrong)]
    rows = Rows.of(evidence([tuple(map(int, row)) for row in table]), ONE_CHIP.memory_map())
    stuck = -NOISE.wrong * right
    unstable = betaln(right + 1, wrong + 1)
    bad = np.logaddexp(np.log(0.75) + stuck, np.log(0.25) + unstable)
    good = -NOISE.wrong * wrong
    shares = 10.0 ** (-np.arange(1, 10) / 2)
    expected = -logsumexp(np.logaddexp(np.log1p(-shares) + good, np.log(shares) + bad)) + np.log(9)
    for fault in (ScatteredCells("A"), LostCharge("A", 0)):
        assert cost_of([fault], rows, NOISE).nats == pytest.approx(expected)
    # The other direction cannot explain a 1 that reads 0.
    assert cost_of([LostCharge("A", 1)], rows, NOISE).nats >= -good


def test_cells_are_paid_for_once_and_clean_ones_a_little():
    rows = rows_of([(cell, 0xF0 + cell ^ (cell in (3, 9))) for cell in range(16)], [8] * 16)
    share = 10.0 ** (-np.arange(1, 10) / 2)
    bad = np.logaddexp(np.log(0.75), np.log(0.25) + betaln(1, 9))
    clean = 16 * 8 - 2
    by_share = clean * np.log1p(-share) + 2 * np.log(
        share * np.exp(bad) + (1 - share) * np.exp(-8 * NOISE.wrong)
    )
    found = cost_of([ScatteredCells("A")], rows, NOISE)
    assert found.nats == pytest.approx(-logsumexp(by_share) + np.log(9))
    assert found.faults[0].cells == ((3, 1), (9, 1))


def test_the_noise_rate_is_a_small_share():
    for rate in (0, 0.5, -1, 2):
        with pytest.raises(ValueError, match="noise rate"):
            Noise(rate)


def _with_map(rows, board):
    return Rows(
        board.memory_map(),
        rows.bank,
        rows.address,
        rows.held,
        rows.expected,
        rows.judged,
        rows.seen,
        rows.from_rom,
        rows.weight,
    )


def test_rows_are_put_together_alike_however_many_counts_there_are():
    """Sixteen counts up to 63 make a key of 96 bits; a plain dictionary is the reference."""
    rng = np.random.default_rng(3)
    rows = rng.integers(0, 64, (40, 16)).astype(np.uint8)
    rows = rows[rng.integers(0, 40, 500)]
    rows[0] = 63
    weight = rng.random(500)
    terms = [
        _Terms(tuple(rows[:, 4 * form + kind] for kind in range(4)), float(form), None) for form in range(4)
    ]
    table = _condense(terms, weight)
    expected: dict[tuple[int, ...], float] = {}
    for row, own in zip(rows.tolist(), weight.tolist(), strict=True):
        expected[tuple(row)] = expected.get(tuple(row), 0.0) + own
    found = {
        tuple(int(each) for each in table.counts[:, :, column].ravel()): table.weight[column]
        for column in range(table.counts.shape[2])
    }
    assert found.keys() == expected.keys()
    assert all(found[key] == pytest.approx(expected[key]) for key in expected)
