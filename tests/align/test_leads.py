"""Mistakes at the clips, made on purpose on a captured run of an invented machine."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, permutations
from pathlib import Path

import numpy as np
import pytest

from wrongbit.align.leads import (
    LeadFinding,
    Observations,
    agreement,
    data_lead_findings,
    lead_findings,
    observe,
    one_chip_lines,
    say_one_chip_lines,
)
from wrongbit.bits import gather_bits
from wrongbit.bus.cycles import NO_TIME, Cycles
from wrongbit.compare.memory_map import ChipMap, ChipRegion, MemoryMap
from wrongbit.demo.case import write_case
from wrongbit.job import Job, open_job, read_capture


@pytest.fixture(scope="module")
def saltmarsh(tmp_path_factory: pytest.TempPathFactory) -> tuple[Job, Cycles]:
    """Sixteen data bits, a sound machine."""
    return sound(tmp_path_factory.mktemp("saltmarsh"), "saltmarsh", 3000)


@pytest.fixture(scope="module")
def quarrybank(tmp_path_factory: pytest.TempPathFactory) -> tuple[Job, Cycles]:
    """Separate buses, sixteen address leads."""
    return sound(tmp_path_factory.mktemp("quarrybank"), "quarrybank", 12_000)


def sound(folder: Path, name: str, cycles: int) -> tuple[Job, Cycles]:
    case = write_case(folder, name, "none", cycles=cycles)
    job = open_job(case.machine_file, point=case.captures[0].point)
    trace = case.trace
    count = len(trace)
    whole = np.uint64((1 << job.processor.address_bits) - 1)
    return job, Cycles(
        sample=np.arange(count, dtype=np.int64),
        time_ps=np.full(count, NO_TIME),
        kind=trace.kind.astype(np.uint8),
        bank=trace.bank.astype(np.int32),
        address=trace.address.astype(np.uint64),
        address_known=np.full(count, whole),
        word=trace.word.astype(np.uint64),
        known=np.full(count, (1 << job.processor.word_bits) - 1, np.uint64),
        held=np.zeros(count, np.uint64),
        flags=np.zeros(count, np.uint8),
    )


def exchanged(words: np.ndarray, first: int, second: int) -> np.ndarray:
    order = list(range(64))
    order[first], order[second] = second, first
    return gather_bits(words, order)


def brief(findings: list[LeadFinding]) -> list[tuple[str, str, tuple[int, ...]]]:
    return [(finding.kind, finding.bus, finding.leads) for finding in findings]


def test_nothing_is_found_where_nothing_is_wrong(
    saltmarsh: tuple[Job, Cycles], quarrybank: tuple[Job, Cycles]
) -> None:
    for job, cycles in (saltmarsh, quarrybank):
        assert lead_findings(cycles, job.memory_map) == []


def test_every_swap_of_two_among_sixteen_data_leads(saltmarsh: tuple[Job, Cycles]) -> None:
    job, cycles = saltmarsh
    for pair in combinations(range(16), 2):
        seen = replace(cycles, word=exchanged(cycles.word, *pair))
        assert brief(lead_findings(seen, job.memory_map)) == [("swapped", "data", pair)]


def test_every_swap_of_two_among_sixteen_leads_of_a_shared_bus(saltmarsh: tuple[Job, Cycles]) -> None:
    """Address and word on one bus: a swapped lead shows in both. Lines that never differ cannot be told."""
    job, cycles = saltmarsh
    for pair in combinations(range(16), 2):
        seen = replace(cycles, word=exchanged(cycles.word, *pair), address=exchanged(cycles.address, *pair))
        found = brief(lead_findings(seen, job.memory_map))
        assert [(kind, leads) for kind, _, leads in found] == [("swapped", pair)]


def test_every_swap_of_two_among_sixteen_address_leads(quarrybank: tuple[Job, Cycles]) -> None:
    job, cycles = quarrybank
    missed = []
    for pair in combinations(range(16), 2):
        address = exchanged(cycles.address, *pair)
        if (address == cycles.address).all():
            continue  # two lines that were always equal: nothing was changed
        found = brief(lead_findings(replace(cycles, address=address), job.memory_map))
        if found[:1] != [("swapped", "address", pair)]:
            missed.append((pair, found))
    assert missed == []


@pytest.mark.parametrize("lead", [0, 7, 13])
def test_inverted_unconnected_and_doubled_data_leads(saltmarsh: tuple[Job, Cycles], lead: int) -> None:
    job, cycles = saltmarsh
    bit = np.uint64(1 << lead)
    inverted = replace(cycles, word=cycles.word ^ bit)
    assert brief(lead_findings(inverted, job.memory_map)) == [("inverted", "data", (lead,))]
    for level in (cycles.word | bit, cycles.word & ~bit):
        off = lead_findings(replace(cycles, word=level), job.memory_map)
        assert brief(off) == [("unconnected", "data", (lead,))]
    order = list(range(64))
    order[lead] = 3
    double = lead_findings(replace(cycles, word=gather_bits(cycles.word, order)), job.memory_map)
    assert brief(double) == [("doubled", "data", (lead,))]
    assert double[0].carries == (3,)
    noise = np.random.default_rng(1).integers(0, 2, len(cycles)).astype(np.uint64) << np.uint64(lead)
    floating = lead_findings(replace(cycles, word=(cycles.word & ~bit) | noise), job.memory_map)
    assert brief(floating) == [("unconnected", "data", (lead,))]


def test_inverted_address_lead(quarrybank: tuple[Job, Cycles]) -> None:
    job, cycles = quarrybank
    found = lead_findings(replace(cycles, address=cycles.address ^ np.uint64(16)), job.memory_map)
    assert brief(found)[0] == ("inverted", "address", (4,))


def test_three_leads_in_a_ring(saltmarsh: tuple[Job, Cycles]) -> None:
    job, cycles = saltmarsh
    order = list(range(64))
    order[2], order[5], order[9] = 5, 9, 2
    (found,) = lead_findings(replace(cycles, word=gather_bits(cycles.word, order)), job.memory_map)
    assert dict(zip(found.leads, found.carries, strict=True)) == {2: 5, 5: 9, 9: 2}
    assert "D2 carries D5" in found.say()


def small(words: np.ndarray, seen: np.ndarray, width: int) -> Observations:
    mask = np.uint64((1 << width) - 1)
    chip = ChipMap(
        "U1",
        "rom",
        tuple(range(width)),
        tuple(range(8)),
        (ChipRegion(None, 0, len(words)),),
        words,
        np.full(len(words), mask),
    )
    count = len(words)
    return Observations(
        np.zeros(count, np.int32),
        np.arange(count, dtype=np.uint64),
        seen,
        np.full(count, mask),
        np.ones(count),
        MemoryMap("P", width, 8, (chip,)),
    )


def test_assignment_is_the_best_of_all_permutations() -> None:
    """Against trying all 720 orders of six leads, with a twentieth of the bits read wrong."""
    rng = np.random.default_rng(4)
    for _ in range(10):
        words = rng.integers(0, 64, 256).astype(np.uint64)
        order = rng.permutation(6).tolist()
        flips = (rng.random((256, 6)) < 0.05) @ (1 << np.arange(6))
        observed = small(words, gather_bits(words, order) ^ flips.astype(np.uint64), 6)
        same = agreement(observed).same
        best = max(permutations(range(6)), key=lambda each: sum(same[lead, each[lead]] for lead in range(6)))
        carries = list(range(6))
        for finding in data_lead_findings(observed, 0.05):
            assert finding.kind == "swapped"
            for lead, bit in zip(finding.leads, finding.carries, strict=True):
                carries[lead] = bit
        assert tuple(carries) == best == tuple(order)


def test_cost_of_a_swap_is_that_of_the_bits_it_leaves() -> None:
    """Counted by hand: once the leads are put right, 3 of 256 words have one bit wrong."""
    rng = np.random.default_rng(8)
    words = rng.integers(0, 16, 256).astype(np.uint64)
    seen = exchanged(words, 0, 3)
    seen[[5, 50, 150]] ^= np.uint64(2)
    (found,) = data_lead_findings(small(words, seen, 4), 0.01)
    assert found.log_likelihood == pytest.approx(-3 * np.log(0.99 / 0.01))


# What is wrong on many reads is not yet a dead clip -----------------------------------------------------


def two_chips(rng: np.random.Generator, count: int = 400) -> tuple[np.ndarray, MemoryMap, np.ndarray]:
    """Two ROMs of 256 words that feed the same 8 lines, the addresses read, and what each should hold."""
    known, lane = np.full(256, np.uint64(0xFF)), tuple(range(8))
    words = rng.integers(0, 256, (2, 256)).astype(np.uint64)
    chips = tuple(
        ChipMap(f"U{n + 1}", "rom", lane, lane, (ChipRegion(None, 256 * n, 256),), words[n], known)
        for n in range(2)
    )
    address = rng.permutation(512)[:count].astype(np.uint64)
    return address, MemoryMap("P", 8, 9, chips), words.reshape(-1)[address.astype(np.intp)]


def seen_at(address: np.ndarray, memory_map: MemoryMap, seen: np.ndarray) -> Observations:
    count = len(address)
    known = np.full(count, np.uint64(0xFF))
    return Observations(np.zeros(count, np.int32), address, seen, known, np.ones(count), memory_map)


BIT = np.uint64(1 << 3)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("level", [0, 1, None])
def test_one_chips_dead_output_is_no_dead_clip(seed: int, level: int | None) -> None:
    """The other chip's words come through the same lead: a stuck or a floating output of U1."""
    rng = np.random.default_rng(seed)
    address, memory_map, due = two_chips(rng)
    own = address < 256
    value = rng.integers(0, 2, len(due)) if level is None else np.full(len(due), level)
    dead = (due & ~BIT) | (value.astype(np.uint64) * BIT)
    observed = seen_at(address, memory_map, np.where(own, dead, due))
    assert data_lead_findings(observed, 1e-4) == []
    (told,) = one_chip_lines(observed)
    wrong = int(((dead ^ due)[own] != 0).sum())
    assert (told.bit, told.chip, told.wrong, told.judged) == (3, "U1", wrong, int(own.sum()))
    assert told.others == ("U2",) and told.others_judged == int((~own).sum())
    assert "its lead is connected" in told.say()


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("share", [0.05, 0.15, 0.25])
def test_a_line_that_is_mostly_right_is_no_dead_clip(seed: int, share: float) -> None:
    rng = np.random.default_rng(seed)
    address, memory_map, due = two_chips(rng)
    wrong = (rng.random(len(due)) < share).astype(np.uint64) * BIT
    assert data_lead_findings(seen_at(address, memory_map, due ^ wrong), 1e-4) == []


def test_bridged_lines_are_no_dead_clip() -> None:
    """Where a low level wins, the line is right whenever it should be low, or its neighbour is high."""
    address, memory_map, due = two_chips(np.random.default_rng(3))
    low = (due & ~BIT) | (due & (due >> np.uint64(1)) & BIT)
    assert data_lead_findings(seen_at(address, memory_map, low), 1e-4) == []


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("ones", [0.0, 0.3, 0.5, 0.8, 1.0])
def test_a_lead_that_says_nothing_with_either_chip_is_dead(seed: int, ones: float) -> None:
    rng = np.random.default_rng(seed)
    address, memory_map, due = two_chips(rng)
    value = (rng.random(len(due)) < ones).astype(np.uint64) * BIT
    (found,) = data_lead_findings(seen_at(address, memory_map, (due & ~BIT) | value), 1e-4)
    assert (found.kind, found.leads, found.chips) == ("unconnected", (3,), ("U1", "U2"))
    assert "with every chip on it: U1, U2" in found.say()


def test_a_lead_that_leaks_a_little_of_its_line_is_dead_all_the_same() -> None:
    """It follows the line in one read of seven: right in 57 of 100 reads."""
    rng = np.random.default_rng(9)
    address, memory_map, due = two_chips(rng, 512)
    loose = (rng.integers(0, 2, len(due))).astype(np.uint64) * BIT
    seen = np.where(rng.random(len(due)) < 1 / 7, due, (due & ~BIT) | loose)
    (found,) = data_lead_findings(seen_at(address, memory_map, seen), 1e-4)
    assert (found.kind, found.leads) == ("unconnected", (3,))


def test_where_one_chip_alone_was_judged_its_output_may_be_it() -> None:
    rng = np.random.default_rng(2)
    address, memory_map, due = two_chips(rng)
    own = address < 256
    (found,) = data_lead_findings(seen_at(address[own], memory_map, due[own] & ~BIT), 1e-4)
    assert found.chips == ("U1",) and "a dead output of U1 would look the same" in found.say()


@pytest.fixture(scope="module")
def bridged(tmp_path_factory: pytest.TempPathFactory) -> tuple[Job, Cycles]:
    """Two address lines of one ROM touch: data lines and address lines of the bus are all right."""
    folder = tmp_path_factory.mktemp("bridged")
    case = write_case(folder, "quarrybank", cycles=6000, points=["u1-timing"])
    job = open_job(case.machine_file, point="u1-timing")
    return job, read_capture(job, case.captures[0].path)[0]


def test_a_fault_of_one_chip_is_not_excused_by_an_address_lead(bridged: tuple[Job, Cycles]) -> None:
    """Some address lines never move, and where no chip answers anything may be read: that proves nothing."""
    job, cycles = bridged
    assert lead_findings(cycles, job.memory_map) == []
    lines = one_chip_lines(observe(cycles, job.memory_map))
    assert {line.chip for line in lines} == {"U3"} and len(lines) == 8
    (told,) = say_one_chip_lines(lines)
    assert told.startswith("D0, D1, D2, D3, D4, D5, D6, D7 are wrong in ") and "U2: their leads are" in told


def test_an_address_lead_that_is_off_is_found(quarrybank: tuple[Job, Cycles]) -> None:
    """It reads 0 or 1 for ever, though the program uses both levels of it."""
    job, cycles = quarrybank
    line = np.uint64(1 << 3)
    for address in (cycles.address & ~line, cycles.address | line):
        found = lead_findings(replace(cycles, address=address), job.memory_map)
        assert ("unconnected", "address", (3,)) in brief(found)


def test_few_wrong_reads_say_nothing_of_a_chip() -> None:
    """Three wrong reads among 400, all of one chip: by chance in one case of eight, and 16 were looked at."""
    address, memory_map, due = two_chips(np.random.default_rng(6))
    seen = due.copy()
    seen[np.flatnonzero(address < 256)[:3]] ^= BIT
    assert one_chip_lines(seen_at(address, memory_map, seen)) == ()


def test_a_noise_rate_outside_is_refused(saltmarsh: tuple[Job, Cycles]) -> None:
    job, cycles = saltmarsh
    with pytest.raises(ValueError, match="noise"):
        lead_findings(cycles, job.memory_map, noise=0.5)
    assert lead_findings(Cycles.empty(), job.memory_map) == []
