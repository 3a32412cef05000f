"""Decoding many at once, against decoding each by itself as plainly as it can be written."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instructions.captures import by_hand, judged, simulated, with_rare_glitches, without_marks
from wrongbit.instructions.decodings import decode_many, fingerprints
from wrongbit.instructions.execution import FETCH, READ, SOON, Execution, opcode_units
from wrongbit.instructions.flow import instruction_words, is_instruction_word
from wrongbit.instructions.instruction import Instruction
from wrongbit.instructions.loops import Run, find_runs
from wrongbit.instructions.prefetch import run_of
from wrongbit.job import explain, open_execution

MACHINES = (
    ("saltmarsh", "dead-row"), ("saltmarsh", "address-bridged-and"), ("fellgate", "open-data"),
    ("fellgate", "address-bridged-and"), ("quarrybank", "address-bridged-and"), ("quarrybank", "open-data"),
)  # fmt: skip
WAYS = ("whole", "cut", "gaps", "glitches", "unknown bits", "no marks", "no marks, gaps")


def plainly(execution: Execution, start: int, end: int) -> Instruction | None:
    """The instruction that begins in a cycle, decoded by itself."""
    cycles = execution.cycles
    found: dict[int, int] = {}
    for row in range(start, min(end, len(cycles))):
        if cycles.kind[row] in (FETCH, READ):
            found.setdefault(int(cycles.address[row]), row)

    def fetch(address: int) -> int | None:
        base = execution.word_address(address)
        if base in found:
            return execution.seen_unit(found[base], address)
        word, known = execution.reference(int(cycles.bank[start]), base)
        return execution.unit(word, known, address)

    return execution.instruction_set.decode(fetch, int(cycles.address[start]))


def seen(folder: Path, machine: str, fault: str, way: str) -> Execution:
    """A simulated capture, with something done to it."""
    job, comparison = simulated(folder, machine, fault, 3, cycles=2500)
    rng = np.random.default_rng(11)
    if way.startswith("no marks"):
        comparison = without_marks(job, comparison)
    if way == "glitches":
        comparison = with_rare_glitches(job, comparison, 5, 0.02)
    cycles = comparison.cycles
    if way == "cut":
        cycles = cycles.take(slice(701, -333))
    elif way.endswith("gaps"):
        cycles = cycles.take(rng.random(len(cycles)) > 0.01)
    elif way == "unknown bits":
        known = np.where(rng.random(len(cycles)) < 0.03, cycles.known & ~np.uint64(4), cycles.known)
        cycles = replace(cycles, known=known, word=cycles.word & known)
    return open_execution(job, judged(job, cycles))


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(("machine", "fault"), MACHINES)
def test_many_are_decoded_as_each_by_itself(tmp_path: Path, machine: str, fault: str, way: str) -> None:
    execution = seen(tmp_path, machine, fault, way)
    every = np.arange(len(execution.cycles))
    found = decode_many(execution, every)
    expected = [plainly(execution, row, row + 12) for row in every.tolist()]
    assert [found.instructions[code] for code in found.code] == expected
    assert [execution.seen_at(row) for row in every.tolist()] == expected
    # In another order each is looked up afresh.
    assert [execution.seen_at(row) for row in every[::-7].tolist()] == expected[::-7]


@pytest.mark.parametrize("way", ("whole", "cut", "gaps"))
@pytest.mark.parametrize(("machine", "fault"), MACHINES)
def test_their_ends_are_where_the_next_begins_or_soon(
    tmp_path: Path, machine: str, fault: str, way: str
) -> None:
    execution = seen(tmp_path, machine, fault, way)
    starts, count = execution.starts, len(execution.cycles)
    first, last = len(starts) // 3, len(starts)
    expected = []
    for start in starts[first:last].tolist():
        end = int(execution.window(start)[-1]) + 1
        expected.append(min(max(end, start + SOON), count))
    ends = execution.ends(first, last)
    assert ends.tolist() == expected
    found = decode_many(execution, starts[first:last], ends)
    for start, end, code in zip(starts[first:last].tolist(), expected, found.code, strict=True):
        assert found.instructions[code] == plainly(execution, start, end)
        assert found.instructions[code] == execution.decoded(start, seen=True)


def test_an_indirect_jump_is_decoded_by_what_its_pointer_held_each_time() -> None:
    # JMP ($0200) at 8000 twice, the pointer changed between (MOS MCS6500 programming manual, indirect jump).
    once = [("fetch", 0x8000, 0x6C), ("read", 0x8001, 0x00), ("read", 0x8002, 0x02)]
    rows = [
        *once, ("read", 0x0200, 0x00), ("read", 0x0201, 0x90),
        ("fetch", 0x9000, 0x4C), ("read", 0x9001, 0x00), ("read", 0x9002, 0x80),
        *once, ("read", 0x0200, 0x34), ("read", 0x0201, 0x92), ("fetch", 0x9234, 0xEA),
    ]  # fmt: skip
    execution = by_hand(rows, {}, instructions="6502")
    starts = execution.starts
    found = decode_many(execution, starts, execution.ends(0, len(starts)))
    told = [found.instructions[code] for code in found.code]
    assert [each.targets for each in told if each is not None][:3] == [(0x9000,), (0x8000,), (0x9234,)]
    near = fingerprints(execution, starts, np.minimum(starts + 3, len(rows)))
    assert near[0] == near[2] != near[1]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.booleans(), st.sampled_from([0xDD, 0xFD, 0xCB, 0xED, 0x36, 0x00, 0x21])), max_size=60
    ),
    st.sets(st.integers(0, 59)),
)
def test_prefixes_are_told_from_codes_one_after_the_other(
    units: list[tuple[bool, int]], jumps: set[int]
) -> None:
    """Zilog UM0080: each of DD, FD, CB and ED is fetched as the code after it is."""
    rows, address = [], 0x100
    for number, (fetched, unit) in enumerate(units):
        address = address + 7 if number in jumps else address + 1
        rows.append(("fetch" if fetched else "read", address, unit))
    if not any(fetched for fetched, _ in units):
        return
    execution = by_hand(rows, {}, instructions="z80")
    fetches = execution.fetches.tolist()
    begins, at = [], 0
    while at < len(fetches):
        row = fetches[at]
        begins.append(row)
        found = plainly(execution, row, row + 12)
        at += 1
        if execution.seen_unit(row, rows[row][1]) not in execution.instruction_set.habits.prefixes:
            continue
        units_of_it = 1 if found is None else opcode_units(found, execution.instruction_set.habits)
        if units_of_it == 2 and at < len(fetches) and rows[fetches[at]][1] == rows[row][1] + 1:
            at += 1
    assert execution.starts.tolist() == begins


def runs_plainly(values: list[int], fewest: int, longest: int) -> list[Run]:
    """Every stretch that repeats, found element by element."""
    taken, runs = [False] * len(values), []
    for period in range(1, min(longest, len(values) // fewest) + 1):
        begin = period
        while begin < len(values):
            end = begin
            while end < len(values) and values[end] == values[end - period]:
                end += 1
            rounds = (end - begin + period) // period
            part = slice(begin - period, begin - period + rounds * period)
            if end > begin and rounds >= fewest and not any(taken[part]):
                taken[part] = [True] * (rounds * period)
                runs.append(Run(begin - period, period, rounds))
            begin = end + 1
    return sorted(runs, key=lambda run: run.first)


BODIES = st.lists(
    st.tuples(st.lists(st.integers(0, 3), min_size=1, max_size=9), st.integers(1, 14), st.integers(0, 8)),
    max_size=4,
)


@settings(max_examples=300, deadline=None)
@given(BODIES, st.integers(1, 9), st.integers(1, 16))
def test_runs_are_found_as_element_by_element(
    bodies: list[tuple[list[int], int, int]], fewest: int, longest: int
) -> None:
    values = [each for body, rounds, less in bodies for each in (body * rounds)[less:]]
    found = find_runs(np.array(values, np.uint64), fewest, longest)
    assert found == runs_plainly(values, fewest, longest)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from(["fetch", "fetch", "read", "idle"]), st.integers(0, 12)), min_size=1)
)
def test_runs_of_fetches_go_as_far_as_the_addresses_do(cycles: list[tuple[str, int]]) -> None:
    """Words fetched ahead; those below address 8 are read after reset (M68000 User's Manual)."""
    rows = [(kind, place * 2, 0x4E71) for kind, place in cycles]
    execution = by_hand(rows, {}, instructions="68000")
    execution = replace(
        execution,
        processor=execution.processor.model_copy(update={"word_bits": 16, "address_bits": 24}),
    )
    fetches = [row for row, (kind, _, _) in enumerate(rows) if kind == "fetch"]
    runs: list[list[int]] = []
    for row in fetches:
        before = rows[runs[-1][-1]][1] if runs else None
        if before is not None and rows[row][1] == before + 2 and before != 6:
            runs[-1].append(row)
        else:
            runs.append([row])
    for number, run in enumerate(runs):
        for row in run:
            found = run_of(execution, row)
            assert found.rows.tolist() == run
            assert found.end == rows[run[-1]][1] + 2
            assert found.next_row == (runs[number + 1][0] if number + 1 < len(runs) else None)


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(("machine", "fault"), MACHINES)
def test_what_is_looked_at_first_leaves_no_wrong_word_out(
    tmp_path: Path, machine: str, fault: str, way: str
) -> None:
    execution = seen(tmp_path, machine, fault, way)
    every = np.arange(len(execution.cycles))
    expected = [row for row in every.tolist() if is_instruction_word(execution, row)]
    assert expected or not len(execution.starts)
    assert list(instruction_words(execution, every)) == expected


def test_a_cycle_is_explained_alike_whatever_was_explained_before(tmp_path: Path) -> None:
    job, comparison = simulated(tmp_path, "fellgate", "stuck-low:U4.D4", 2)
    whole = explain(job, comparison)
    assert whole.evidence == whole.all_evidence[0]
    execution = open_execution(job, comparison)
    for each in whole.all_evidence[:60]:
        among, fresh = explain(job, comparison, each.row, execution), explain(job, comparison, each.row)
        assert among.evidence == fresh.evidence == each
        assert among.consequence == fresh.consequence
