"""Physical damage to real ROM contents, made by the tests' own reader, must be named for what it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from reading.damage import Bench, Bytes, as_reading, chip_of, option_rom, system_rom
from wrongbit.image.contents import Contents
from wrongbit.reading.advice import ADVICE, twin_of
from wrongbit.reading.conditions import Conditions
from wrongbit.reading.dependence import find_dependences
from wrongbit.reading.evidence import reader_map
from wrongbit.reading.models import reader_faults
from wrongbit.reading.pattern import weigh_readings
from wrongbit.reading.stack import stack_readings
from wrongbit.reading.weighed import Weighed

pytestmark = pytest.mark.debian

SIZE = 1 << 13


def weighed(bench: Bench, truth: Bytes, passes: int = 5, **settings: object) -> Weighed:
    stack = stack_readings(bench.readings(passes))
    return weigh_readings(stack, chip_of(truth), **settings)  # type: ignore[arg-type]


def bench_for(case: str, truth: Bytes) -> Bench:
    """A chip with one physical defect."""
    address = np.arange(len(truth))
    half = len(truth) // 2
    faded = (np.random.default_rng(5).random(len(truth)) < 0.01) * np.uint8(0x21)
    benches: dict[str, Callable[[], Bench]] = {
        "sound": lambda: Bench(truth),
        "D4 shorted to ground": lambda: Bench(truth & np.uint8(0xEF)),
        "D6 pulled high": lambda: Bench(truth | np.uint8(0x40)),
        "D6 pin bent, pulled up": lambda: Bench(truth, drive=lambda at, draw: np.full(SIZE, 0x40, np.uint8)),
        "D0 touches D1, low wins": lambda: Bench(
            truth & np.uint8(0xFC) | (truth & truth >> np.uint8(1) & np.uint8(1)) * np.uint8(3)
        ),
        "A7 pin on ground": lambda: Bench(truth, address=lambda at, draw: at & ~0x80),
        "A7 pin open": lambda: Bench(
            truth, address=lambda at, draw: at & ~0x80 | (draw.random(SIZE) < 0.7) * 0x80
        ),
        "A3 and A4 exchanged": lambda: Bench(
            truth, address=lambda at, draw: at & ~0x18 | (at & 8) << 1 | (at & 16) >> 1
        ),
        "read as a chip half as large": lambda: Bench(truth, address=lambda at, draw: at & (half - 1)),
        "read as a quarter": lambda: Bench(truth, address=lambda at, draw: at & (half // 2 - 1)),
        "second half not read": lambda: Bench(np.where(address < half, truth, np.uint8(0xFF))),
        "halves exchanged": lambda: Bench(np.roll(truth, half)),
        "bytes exchanged": lambda: Bench(truth.reshape(-1, 2)[:, ::-1].ravel()),
        "even bytes first": lambda: Bench(np.concatenate([truth[::2], truth[1::2]])),
        "nibbles exchanged": lambda: Bench(truth >> np.uint8(4) | truth << np.uint8(4)),
        "inverted file": lambda: Bench(~truth),
        "erased": lambda: Bench(np.full(SIZE, 0xFF, np.uint8)),
        "charge lost": lambda: Bench(truth | faded),
        "row 0x2B dead": lambda: Bench(np.where(address >> 5 == 0x2B, np.uint8(0), truth)),
        "another program": lambda: Bench(system_rom(SIZE, 0x8000)),
        "contact of D2 comes and goes": lambda: Bench(truth, drive=contact),
    }
    return benches[case]()


def contact(address: np.ndarray, draw: np.random.Generator) -> Bytes:
    """A few stretches of hundreds of reads in which the pin does not touch."""
    loose = np.zeros(len(address), np.uint8)
    for start in draw.integers(0, len(address) - 800, 3):
        loose[start : start + draw.integers(200, 800)] = 0x04
    return loose


@pytest.mark.parametrize(
    ("case", "family", "says"),
    [
        ("sound", "no fault seen", "No fault"),
        ("D4 shorted to ground", "output stuck", "D4"),
        ("D6 pulled high", "output stuck", "D6"),
        ("D6 pin bent, pulled up", "output open", "D6"),
        ("D0 touches D1, low wins", "outputs bridged", "D0 and D1"),
        ("A7 pin on ground", "chip address line stuck", "A7"),
        ("A7 pin open", "chip address line open", "A7"),
        ("A3 and A4 exchanged", "chip address lines swapped", "A3 and A4"),
        ("read as a chip half as large", "wrong device size", "4096 words"),
        ("read as a quarter", "wrong device size", "2048 words"),
        ("second half not read", "part not read", "0x1000 to 0x1FFF are filler (FF)"),
        ("halves exchanged", "parts exchanged", "halves"),
        ("bytes exchanged", "parts exchanged", "Neighbouring words"),
        ("even bytes first", "file in another order", "first all even words"),
        ("nibbles exchanged", "bits in another order", "halves of every word"),
        ("inverted file", "lane inverted", "Every bit"),
        ("erased", "blank chip", "FF everywhere"),
        ("charge lost", "lost charge", "cells that held 0 read 1"),
        ("row 0x2B dead", "dead row", "00101011"),
        ("another program", "unrelated contents", "nothing to do"),
        ("contact of D2 comes and goes", "contact comes and goes", "D2"),
    ],
)
def test_the_defect_is_among_the_best_explanations(case: str, family: str, says: str) -> None:
    truth = system_rom(SIZE)
    found = weighed(bench_for(case, truth), truth)
    named = [(each.model, each.says) for each in found.patterns[: found.ties]]
    assert any(family == twin_of(model) and says in text for model, text in named), named
    assert found.fault_seen == (case != "sound")
    assert found.best.unexplained <= found.allowed
    assert all(each.advice for each in found.patterns[: found.ties] if each.faults)
    assert sum(each.probability for each in found.patterns) == pytest.approx(1, abs=1e-6)


def test_single_misreads_are_no_fault() -> None:
    """One wrong bit in a hundred thousand reads, never twice the same."""
    truth = system_rom(SIZE)

    def misread(at: np.ndarray, word: Bytes, draw: np.random.Generator) -> Bytes:
        flips = (draw.random((len(word), 8)) < 1e-5) @ (1 << np.arange(8))
        return word ^ flips.astype(np.uint8)

    found = weighed(Bench(truth, read=misread), truth, passes=12)
    assert found.wrong_cells > 0
    assert not found.fault_seen
    assert "single misreads" in found.remark()


def test_one_cell_wrong_in_every_pass_is_a_fault() -> None:
    truth = system_rom(SIZE)
    cells = truth.copy()
    cells[0x123] ^= 0x10
    found = weighed(Bench(cells), truth)
    assert found.fault_seen
    assert (found.wrong_cells, found.always_wrong, found.wrong_words) == (1, 1, 1)


def test_lost_charge_goes_one_way_and_a_mask_rom_has_none() -> None:
    """An erased EPROM cell reads 1, so lost charge turns 0 into 1 (Euzent et al., IRPS 1981, abstract)."""
    truth = system_rom(SIZE)
    bench = bench_for("charge lost", truth)
    found = weighed(bench, truth)
    assert found.rises == found.wrong_cells > 50
    mask = replace(chip_of(truth), technology="mask")
    opens = weigh_readings(stack_readings(bench.readings(5)), mask)
    assert "opens in the array" in opens.best.says
    assert not any(each.model == "lost charge" for each in opens.patterns)


def test_another_chip_of_the_machine_is_named() -> None:
    truth, other = system_rom(SIZE), system_rom(SIZE, 0x8000)
    contents = Contents(other.astype(np.uint64), np.full(SIZE, 255, np.uint64), 8)
    found = weighed(Bench(other), truth, others={"U3": contents})
    assert found.best.model == "another chip"
    assert "belongs to U3" in found.best.says


def test_words_that_come_late_only_when_the_reader_hurries() -> None:
    """Every tenth word of a fast pass still shows the word before it."""
    truth = system_rom(SIZE)
    waits = (150, 450, 150, 450, 150, 450)
    draw = np.random.default_rng(3)
    readings = []
    for wait in waits:
        before = np.concatenate([[np.uint8(0xFF)], truth[:-1]])
        late = (draw.random(SIZE) < 0.1) & (wait < 200)
        readings.append(as_reading(np.where(late, before, truth), conditions=Conditions(speed_ns=wait)))
    stack = stack_readings(readings)
    wrong = [int((reading.contents.words != truth).sum()) for reading in readings]
    (dependence,) = find_dependences([reading.conditions for reading in readings], wrong)
    assert dependence.quantity == "speed_ns"
    assert not dependence.rises
    found = weigh_readings(stack, chip_of(truth), dependences=(dependence,))
    assert found.best.model == "read too fast"
    assert "150 ns" in found.best.says
    without = weigh_readings(stack, chip_of(truth))
    assert without.best.model != "read too fast"


def test_two_faults_at_once_are_told_as_a_pair() -> None:
    truth = system_rom(SIZE)
    bench = Bench(truth & np.uint8(0xFB), address=lambda at, draw: at & ~0x20)
    found = weighed(bench, truth, passes=3)
    assert any(
        {twin_of(fault.model) for fault in each.faults} == {"chip address line stuck", "output stuck"}
        for each in found.patterns[: found.ties]
    )


def test_a_reference_with_gaps_judges_the_rest() -> None:
    truth = system_rom(SIZE)
    chip = chip_of(truth)
    known = chip.known.copy()
    known[::2] = 0
    torn = Contents(chip.contents & known, known, 8)
    stack = stack_readings(Bench(truth & np.uint8(0xEF)).readings(2))
    found = weigh_readings(stack, chip, reference=torn)
    assert found.judged_cells == SIZE * 4
    assert any("D4" in each.says for each in found.patterns[: found.ties])


def test_every_family_that_a_reader_shows_has_advice() -> None:
    chip = reader_map(chip_of(option_rom())).chips[0]
    contents = Contents(chip.contents, chip.known, 8)
    families = {fault.model for fault, _ in reader_faults(chip, {"U3": contents})}
    assert families <= set(ADVICE)
    assert sum(prior for _, prior in reader_faults(chip, {"U3": contents})) < 0.3


def test_passes_dealt_by_chance_are_counted_by_hand() -> None:
    """Six passes in three pairs in order: 6!/(2! 2! 2!) = 90 ways; a tie across two pairs halves them."""
    conditions = [Conditions(speed_ns=ns) for ns in (100, 100, 200, 200, 300, 300)]
    (found,) = find_dependences(conditions, [9, 8, 5, 6, 1, 2])
    assert found.chance == 90
    (tied,) = find_dependences(conditions, [9, 5, 5, 5, 1, 2])
    assert tied.chance == 90 // 3
    assert find_dependences(conditions, [9, 5, 6, 8, 1, 2]) == ()
    assert find_dependences(conditions, [4] * 6) == ()
