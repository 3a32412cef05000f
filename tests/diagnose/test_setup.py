"""Mistakes at the clips and in the machine file, made on purpose on captures of sound machines, and faults
of the machine that look alike."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import permutations
from pathlib import Path

import numpy as np
import pytest

from wrongbit.bits import gather_bits
from wrongbit.bus.cycles import Cycles
from wrongbit.demo.case import write_case
from wrongbit.diagnose.setup import SHARES, Acted, _derangements, _pair_shares
from wrongbit.job import Diagnosis, Job, compare_cycles, diagnose, open_job, read_capture

MACHINES = ("saltmarsh", "fellgate", "quarrybank", "hollowmere")
Change = Callable[[Cycles], Cycles]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Job, Cycles]]:
    """Captures of sound machines."""
    return {name: captured(tmp_path_factory.mktemp(name), name, "none") for name in MACHINES}


def captured(folder: Path, machine: str, fault: str) -> tuple[Job, Cycles]:
    case = write_case(folder, machine, fault, cycles=4000)
    job = open_job(case.machine_file, point=case.captures[0].point)
    return job, read_capture(job, case.captures[0].path)[0]


def diagnosed(job: Job, cycles: Cycles) -> Diagnosis:
    return diagnose(job, compare_cycles(job, cycles, ()))


def ordered(width: int, *pairs: tuple[int, int]) -> list[int]:
    """Bit positions with these exchanged."""
    order = list(range(width))
    for one, two in pairs:
        order[one], order[two] = two, one
    return order


def data(order: list[int]) -> Change:
    return lambda cycles: replace(cycles, word=gather_bits(cycles.word, order))


def address(order: list[int]) -> Change:
    return lambda cycles: replace(cycles, address=gather_bits(cycles.address, order))


def held_low(bit: int) -> Change:
    return lambda cycles: replace(cycles, word=cycles.word & ~np.uint64(1 << bit))


MISTAKES: dict[str, tuple[Change, str, str]] = {
    "exchanged": (data(ordered(64, (2, 6))), "clips", "The leads D2 and D6 are exchanged."),
    "ring": (
        data([1, 3, 2, 0, *range(4, 64)]),
        "clips",
        "The leads are mixed up: D0 carries D1, D1 carries D3, D3 carries D0.",
    ),
    "off": (held_low(5), "clips", "The lead D5 shows nothing of its bit"),
    "inverted": (
        lambda cycles: replace(cycles, word=cycles.word ^ np.uint64(8)),
        "clips",
        "The lead D3 is inverted",
    ),
    "doubled": (
        lambda cycles: replace(
            cycles, word=(cycles.word & ~np.uint64(2)) | (cycles.word >> np.uint64(5) & np.uint64(2))
        ),
        "clips",
        "The lead D1 shows the same as D6.",
    ),
    "address exchanged": (
        address(ordered(64, (3, 4))),
        "clips",
        "The leads A3 and A4 are exchanged.",
    ),
    "address inverted": (
        lambda cycles: replace(cycles, address=cycles.address ^ np.uint64(8)),
        "clips",
        "The lead A3 is inverted",
    ),
    "reversed": (
        data([*range(7, -1, -1), *range(15, 7, -1), *range(16, 64)]),
        "machine file",
        "reverse order",
    ),
    "inverted bus": (
        lambda cycles: replace(cycles, word=cycles.word ^ np.uint64(0xFFFF)),
        "machine file",
        "have the other polarity",
    ),
    "another moment": (
        lambda cycles: replace(cycles, word=np.roll(cycles.word, 1), held=np.roll(cycles.held, 1)),
        "machine file",
        "",
    ),
}
"""What is done to the capture of a sound machine = (change, where the mistake is, what is said of it)."""


CASES = [(MACHINES[number % 4], mistake) for number, mistake in enumerate(MISTAKES)]
CASES += [("fellgate", "off"), ("saltmarsh", "address exchanged"), ("quarrybank", "another moment")]


@pytest.mark.parametrize(("machine", "mistake"), CASES)
def test_a_mistake_in_the_set_up_is_told_before_any_fault(
    machine: str, mistake: str, sound: dict[str, tuple[Job, Cycles]]
) -> None:
    job, cycles = sound[machine]
    change, where, text = MISTAKES[mistake]
    width = np.uint64((1 << job.processor.word_bits) - 1)
    seen = change(cycles)
    found = diagnosed(job, replace(seen, word=seen.word & width))
    first = found.check_first[0]
    assert first.where == where and text in first.say() and first.say()
    assert first.probability > found.findings.best.probability
    if where == "clips":
        assert first.lead is not None and found.clips[0].say() == first.say()


@pytest.mark.parametrize(
    ("machine", "fault"),
    [
        ("quarrybank", "stuck-low:bus.D5"),
        ("hollowmere", "stuck-high:bus.D1"),
        ("fellgate", "address-swapped:bus.A3-A4"),
        ("quarrybank", "address-swapped:bus.A3-A4"),
        ("hollowmere", "address-swapped:bus.A3-A4"),
        ("fellgate", "stuck-low:U4.D5"),
    ],
)
def test_a_fault_of_the_machine_is_not_put_down_to_the_clips(
    machine: str, fault: str, tmp_path: Path
) -> None:
    """RAM read back other than written, a program gone astray, addresses in order speak for the machine."""
    found = diagnosed(*captured(tmp_path, machine, fault))
    assert found.findings.fault_seen and found.check_first == () and found.clips == ()
    assert sum(each.probability for each in found.mistakes) < 0.05


@pytest.mark.parametrize("fault", ["stuck-low:bus.D5", "none"])
def test_the_odds_of_faults_and_mistakes_sum_to_1(fault: str, tmp_path: Path) -> None:
    job, cycles = captured(tmp_path, "fellgate", fault)
    if fault == "none":
        cycles = held_low(5)(cycles)
    found = diagnosed(job, cycles)
    total = sum(each.probability for each in found.findings.findings)
    total += sum(each.probability for each in found.mistakes)
    assert total == pytest.approx(1, abs=1e-3)
    assert found.mistakes and 0 < found.mistakes[0].probability < 1


def test_a_sound_capture_has_no_mistakes(sound: dict[str, tuple[Job, Cycles]]) -> None:
    for job, cycles in sound.values():
        found = diagnosed(job, cycles)
        assert found.mistakes == () and found.clips == () and not found.findings.fault_seen


def test_what_the_processor_acted_on_counts_so_often_at_most() -> None:
    assert Acted(0, 0).cost(True) == Acted(0, 0).cost(False) == 0
    assert Acted(1, 0).cost(True) == 0 < Acted(1, 0).cost(False) < Acted(2, 0).cost(False)
    assert Acted(2, 0).cost(False) == Acted(20, 0).cost(False) == Acted(0, 5).cost(True)


def test_shares_of_the_prior_sum_to_1() -> None:
    assert sum(SHARES.values()) == pytest.approx(1)
    assert sum(_pair_shares(8).values()) == pytest.approx(1)


@pytest.mark.parametrize("count", range(1, 7))
def test_derangements_are_counted_as_by_trying_all(count: int) -> None:
    tried = sum(all(a != b for a, b in enumerate(order)) for order in permutations(range(count)))
    assert _derangements(count) == tried
