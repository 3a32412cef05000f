"""The verdict against simulated machines, whose truth is known.

A fault on the board reaches the processor: it acts on the wrong word. A bad probe lead does not: it acts on
the right one. The verdict may be "can't tell" at any word, but must never be the opposite of the truth.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from instructions.captures import simulated, with_bad_probe, with_rare_glitches, without_marks
from wrongbit.job import Comparison, Job, explain, open_execution

BOARD_FAULTS = [
    ("saltmarsh", "stuck-high", 1),
    ("saltmarsh", "dead-row:U11.row3.high", 1),
    ("saltmarsh", "failed-cells", 3),
    ("saltmarsh", "address-open", 4),
    ("saltmarsh", "bridged-data-or", 5),
    ("fellgate", "stuck-low:U4.D4", 2),
    ("fellgate", "open-data:bus.D4@0.15", 1),
    ("fellgate", "lost-charge", 3),
    ("fellgate", "slow-data", 4),
    ("quarrybank", "lost-charge:U2.x150", 3),
    ("quarrybank", "bridged-data-and", 1),
    ("quarrybank", "slow-data", 2),
    ("quarrybank", "stuck-high", 6),
]
PROBE_LEADS = [("saltmarsh", bit, level) for bit in (0, 3, 8, 9, 14) for level in (0, 1)] + [
    (machine, bit, level) for machine in ("fellgate", "quarrybank") for bit in range(8) for level in (0, 1)
]


def verdicts(job: Job, comparison: Comparison) -> Counter[str]:
    return Counter(each.acted for each in explain(job, comparison).all_evidence)


RARE_BOARD_FAULTS = [
    *[("quarrybank", "lost-charge", seed) for seed in range(1, 9)],
    *[("fellgate", "open-data:bus.D4@0.004", seed) for seed in range(1, 5)],
    *[("fellgate", f"open-data:bus.D{bit}@0.004", 1) for bit in range(4)],
]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Job, Comparison]]:
    folder = tmp_path_factory.mktemp("sound")
    return {
        name: simulated(folder / name, name, "none", 7, 3000)
        for name in ("saltmarsh", "fellgate", "quarrybank")
    }


@pytest.mark.slow
def test_a_fault_on_the_board_is_never_laid_to_the_probe(tmp_path: Path) -> None:
    total: Counter[str] = Counter()
    for number, (machine, fault, seed) in enumerate(BOARD_FAULTS):
        counts = verdicts(*simulated(tmp_path / str(number), machine, fault, seed))
        assert counts["right word"] == 0, (machine, fault, counts)
        total += counts
    assert total["wrong word"] >= 0.1 * total.total() > 0, total


@pytest.mark.slow
def test_a_bad_probe_lead_is_never_laid_to_the_board(sound: dict[str, tuple[Job, Comparison]]) -> None:
    total: Counter[str] = Counter()
    for machine, bit, level in PROBE_LEADS:
        job, comparison = sound[machine]
        counts = verdicts(job, with_bad_probe(job, comparison, bit, level))
        assert counts["wrong word"] == 0, (machine, bit, level, counts)
        total += counts
    assert total["right word"] >= 0.3 * total.total() > 0, total


@pytest.mark.slow
def test_rare_faults_of_both_kinds_without_marked_fetches(
    tmp_path: Path, sound: dict[str, tuple[Job, Comparison]]
) -> None:
    """Instructions are then found by how they follow from each other, which many wrong words forbid."""
    board: Counter[str] = Counter()
    for number, (machine, fault, seed) in enumerate(RARE_BOARD_FAULTS):
        job, comparison = simulated(tmp_path / str(number), machine, fault, seed)
        counts = verdicts(job, without_marks(job, comparison))
        assert counts["right word"] == 0, (machine, fault, seed, counts)
        board += counts
    probe: Counter[str] = Counter()
    for machine in ("fellgate", "quarrybank"):
        for seed in range(6):
            job, comparison = sound[machine]
            glitched = with_rare_glitches(job, without_marks(job, comparison), seed)
            counts = verdicts(job, glitched)
            assert counts["wrong word"] == 0, (machine, seed, counts)
            probe += counts
    assert board["wrong word"] >= 3, board
    assert probe["right word"] >= 0.1 * probe.total() > 0, probe


@pytest.mark.parametrize("machine", ["fellgate", "quarrybank"])
def test_instructions_are_found_without_marks(machine: str, sound: dict[str, tuple[Job, Comparison]]) -> None:
    job, comparison = sound[machine]
    with_marks = open_execution(job, comparison).starts.tolist()
    without = open_execution(job, without_marks(job, comparison)).starts.tolist()
    assert set(without) <= set(with_marks)
    assert len(without) >= 0.99 * len(with_marks) > 500


def as_65c02(job: Job) -> Job:
    """The same machine with the CMOS processor: its programs use no code on which the two differ."""
    return replace(job, processor=job.processor.model_copy(update={"instructions": "65c02"}))


def test_a_65c02_is_followed_without_marks(sound: dict[str, tuple[Job, Comparison]]) -> None:
    job, comparison = sound["fellgate"]
    job = as_65c02(job)
    marked = set(open_execution(job, comparison).starts.tolist())
    without = open_execution(job, without_marks(job, comparison)).starts.tolist()
    assert set(without) <= marked
    assert len(without) >= 0.95 * len(marked)
    for bit in range(4):
        counts = verdicts(job, without_marks(job, with_rare_glitches(job, comparison, bit)))
        assert counts["wrong word"] == 0
