"""Clips exchanged on the capture of a machine that has a fault as well.

The captures come from the demo simulator, which shares no code with the fault models but the gathering of
bits; the clips are exchanged in the capture afterwards. The right answer is the pair of what was done to the
capture and what the machine was given.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from wrongbit.bits import gather_bits
from wrongbit.bus.cycles import Cycles
from wrongbit.casework.words import diagnosis_conclusion
from wrongbit.cli.weighed import diagnosis_as_json
from wrongbit.demo.case import write_case
from wrongbit.diagnose.corrected import Correction
from wrongbit.job import Diagnosis, Job, compare_cycles, diagnose, open_job, read_capture
from wrongbit.report.sections.faults import fault_blocks

FAULTS: dict[tuple[str, str], str] = {
    ("quarrybank", "stuck-low:U2.D5"): "output D5 of U2 is stuck at 0",
    ("quarrybank", "stuck-high:U2.D3"): "output D3 of U2 is stuck at 1",
    ("quarrybank", "address-stuck-low:U2.A3"): "address line A3 at U2 is stuck at 0",
    ("hollowmere", "stuck-low:U11.D2"): "D2 of U11 is stuck at 0",
    ("hollowmere", "address-stuck-low:U11.A6"): "address line A6 at U11 is stuck at 0",
    ("hollowmere", "dead-row"): "row ",
    ("saltmarsh", "stuck-low:U12.D1"): "of U12 is stuck at 0",
    ("saltmarsh", "wrong-chip:U12-U14"): "U14 answers where U12 should",
    ("fellgate", "stuck-high:U4.D0"): "output D0 of U4 is stuck at 1",
    ("fellgate", "stuck-low:U4.D7"): "output D7 of U4 is stuck at 0",
}
"""Machine and the fault that it is given = what is said of it."""

CLIPS = {
    "A0 and A1": Correction(address=(1, 0, *range(2, 64))),
    "A3 and A4": Correction(address=(0, 1, 2, 4, 3, *range(5, 64))),
    "D0 and D1": Correction(word=(1, 0, *range(2, 64))),
    "D5 and D6": Correction(word=(0, 1, 2, 3, 4, 6, 5, *range(7, 64))),
}
"""Leads that are exchanged; doing it twice puts them right."""

ENOUGH = 20
"""Different words that a capture must hold to tell two causes from one: a machine that goes round a loop of
six wrong words shows less than a second cause costs beforehand."""

BAR = 0.95
"""Share of the captures in which the true pair must be among the first."""


def exchanged(cycles: Cycles, names: str) -> Cycles:
    """The cycles with two clips exchanged, written apart from the code under test."""
    first, second = (int(name[1:]) for name in names.split(" and "))
    order = list(range(64))
    order[first], order[second] = second, first
    if names.startswith("A"):
        return replace(cycles, address=gather_bits(cycles.address, order))
    return replace(cycles, word=gather_bits(cycles.word, order), held=gather_bits(cycles.held, order))


def captured(folder: Path, machine: str, fault: str) -> tuple[Job, Cycles]:
    case = write_case(folder, machine, fault, cycles=4000)
    job = open_job(case.machine_file, point=case.captures[0].point)
    return job, read_capture(job, case.captures[0].path)[0]


def diagnosed(job: Job, cycles: Cycles) -> Diagnosis:
    return diagnose(job, compare_cycles(job, cycles, ()))


@pytest.fixture(scope="module")
def broken(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], tuple[Job, Cycles, Diagnosis]]:
    """Captures of broken machines with the clips where they belong."""
    found = {}
    for machine, fault in FAULTS:
        job, cycles = captured(tmp_path_factory.mktemp(machine), machine, fault)
        found[machine, fault] = (job, cycles, diagnosed(job, cycles))
    return found


def test_the_mistake_and_the_fault_are_told_together(
    broken: dict[tuple[str, str], tuple[Job, Cycles, Diagnosis]],
) -> None:
    tried, missed = 0, []
    for (machine, fault), (job, cycles, alone) in broken.items():
        if alone.findings.observations < ENOUGH:
            continue
        for leads in CLIPS:
            seen = exchanged(cycles, leads)
            told = [each.say() for each in diagnosed(job, seen).check_first]
            tried += 1
            says = f"The leads {leads} are exchanged, and "
            if not any(each.startswith(says) and FAULTS[machine, fault] in each for each in told):
                missed.append((machine, fault, leads, told))
    assert tried >= 24
    assert len(missed) <= (1 - BAR) * tried, missed


def test_a_fault_alone_is_told_as_before(
    broken: dict[tuple[str, str], tuple[Job, Cycles, Diagnosis]],
) -> None:
    for alone in (found for _, _, found in broken.values() if found.findings.observations >= ENOUGH):
        assert alone.findings.fault_seen
        assert not any(each.faults for each in alone.mistakes)


@pytest.mark.parametrize("machine", ["quarrybank", "fellgate", "hollowmere", "saltmarsh"])
@pytest.mark.parametrize("leads", ["A0 and A1", "D5 and D6"])
def test_a_mistake_on_a_sound_machine_brings_no_fault_with_it(
    machine: str, leads: str, tmp_path: Path
) -> None:
    job, cycles = captured(tmp_path, machine, "none")
    found = diagnosed(job, exchanged(cycles, leads))
    assert found.check_first[0].say() == f"The leads {leads} are exchanged."
    assert not any(each.faults for each in found.check_first)


def test_swapped_lines_in_the_machine_bring_no_fault_with_them(tmp_path: Path) -> None:
    found = diagnosed(*captured(tmp_path, "quarrybank", "address-swapped:bus.A3-A4"))
    assert found.findings.fault_seen and not any(each.faults for each in found.mistakes)


def test_it_is_told_in_every_place(
    broken: dict[tuple[str, str], tuple[Job, Cycles, Diagnosis]],
) -> None:
    job, cycles, _ = broken["quarrybank", "stuck-low:U2.D5"]
    found = diagnosed(job, exchanged(cycles, "A0 and A1"))
    says = "The leads A0 and A1 are exchanged, and output D5 of U2 is stuck at 0."
    says += " Put the clips right and capture again."
    assert says in [each.say() for each in found.check_first]
    told = diagnosis_as_json(job, found)
    joint = next(each for each in told["mistakes"] if each["says"] == says)
    assert joint["check_first"] and [each["model"] for each in joint["faults"]] == ["output stuck"]
    assert len(told["clips"]) == 1
    total = sum(each["probability"] for each in (*told["mistakes"], *told["findings"]))
    assert total == pytest.approx(1, abs=1e-3)
    assert "capture again" in diagnosis_conclusion(job, found)
    text = str([getattr(block, "text", "") for block in fault_blocks(job, found)])
    assert says in text and "A sound machine would" not in text


@pytest.mark.parametrize("leads", CLIPS)
def test_undoing_an_exchange_gives_the_cycles_back(
    leads: str, broken: dict[tuple[str, str], tuple[Job, Cycles, Diagnosis]]
) -> None:
    job, cycles, _ = broken["quarrybank", "stuck-low:U2.D5"]
    back = CLIPS[leads].apply(exchanged(cycles, leads), job.memory_map)
    assert np.array_equal(back.address, cycles.address) and np.array_equal(back.word, cycles.word)
    assert np.array_equal(back.held, cycles.held)
    assert not np.array_equal(exchanged(cycles, leads).word + exchanged(cycles, leads).address * 3,
                              cycles.word + cycles.address * 3)  # fmt: skip


def test_the_outputs_of_a_chip_are_put_right_where_it_answers(
    broken: dict[tuple[str, str], tuple[Job, Cycles, Diagnosis]],
) -> None:
    job, cycles, _ = broken["quarrybank", "stuck-low:U2.D5"]
    chip = next(each for each in job.memory_map.roms if each.name == "U2")
    here = chip.selected(cycles.bank, cycles.address) & (cycles.known != 0)
    for turned in (True, False):
        changed = Correction(chips=("U2",), turned=turned).apply(cycles, job.memory_map)
        word = cycles.word.tolist()
        reads = np.flatnonzero(here & (changed.word != cycles.word)).tolist()
        assert reads and not (changed.word != cycles.word)[~here].any()
        for row in reads[:50]:
            lane = int(f"{word[row]:08b}"[::-1], 2) if turned else word[row] ^ 0xFF
            assert int(changed.word[row]) == lane
