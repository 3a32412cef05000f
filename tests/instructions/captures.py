"""Captures whose truth is known: simulated machines, and cycles written by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from wrongbit.bus.cycles import KIND_CODE, NO_TIME, Cycles
from wrongbit.compare.judge import judge
from wrongbit.compare.summary import summarise
from wrongbit.demo.case import write_case
from wrongbit.instructions.execution import Execution
from wrongbit.instructions.instruction import InstructionSet
from wrongbit.instructions.sets import built_in_set
from wrongbit.job import Comparison, Job, compare_capture, open_job
from wrongbit.machine.model import Processor


def simulated(
    folder: Path, machine: str, fault: str, seed: int, cycles: int = 6000
) -> tuple[Job, Comparison]:
    """A simulated machine with a fault on its board: the processor acts on what the probe sees."""
    case = write_case(folder, machine, fault=fault, points=["u1-cycles"], cycles=cycles, seed=seed)
    job = open_job(case.machine_file, point="u1-cycles")
    return job, compare_capture(job, case.captures[0].path)


def with_bad_probe(job: Job, comparison: Comparison, bit: int, level: int) -> Comparison:
    """The same capture through a probe lead that always shows one level: the processor saw otherwise."""
    mask = np.uint64(1 << bit)
    cycles = comparison.cycles
    word = cycles.word | mask if level else cycles.word & ~mask
    return judged(job, replace(cycles, word=word))


def with_rare_glitches(job: Job, comparison: Comparison, seed: int, share: float = 0.004) -> Comparison:
    """The same capture through a probe that now and then shows a wrong bit: the processor saw otherwise."""
    rng = np.random.default_rng(seed)
    cycles = comparison.cycles
    bad = rng.random(len(cycles)) < share
    bit = rng.integers(0, job.processor.word_bits, len(cycles)).astype(np.uint64)
    word = np.where(bad, cycles.word ^ (np.uint64(1) << bit), cycles.word)
    return judged(job, replace(cycles, word=word))


def without_marks(job: Job, comparison: Comparison) -> Comparison:
    """The same capture without the lead that marks fetches."""
    cycles = comparison.cycles
    kind = cycles.kind.copy()
    kind[kind == KIND_CODE["fetch"]] = KIND_CODE["read"]
    return judged(job, replace(cycles, kind=kind))


def judged(job: Job, cycles: Cycles) -> Comparison:
    verdicts = judge(cycles, job.memory_map)
    return Comparison(cycles, verdicts, summarise(cycles, verdicts, job.memory_map), ())


def by_hand(
    rows: Sequence[tuple[str, int, int]],
    expected: Mapping[int, int],
    *,
    instructions: str | InstructionSet,
    reference: Mapping[int, int] | None = None,
    processor: Processor | None = None,
    period_ns: float | None = None,
) -> Execution:
    """Cycles (kind, address, word) with what should have been in some of them.

    Args:
        rows: Every cycle; a kind may carry a bank as in ``fetch@1``.
        expected: Row = the word that should have been there; elsewhere what was seen.
        instructions: Set or its name.
        reference: Address = word that should be there, where no cycle read it.
        processor: Left out: 8 bits wide with 16 address bits.
        period_ns: Time from one cycle to the next.
    """
    found = built_in_set(instructions) if isinstance(instructions, str) else instructions
    assert found is not None
    processor = processor or Processor(name="U1", word_bits=8, address_bits=16, recipe="z80")
    kinds = [kind.partition("@") for kind, _, _ in rows]
    count = len(rows)
    word = np.array([word for _, _, word in rows], np.uint64)
    all_bits = np.full(count, (1 << processor.word_bits) - 1, np.uint64)
    time = np.full(count, NO_TIME) if period_ns is None else (np.arange(count) * period_ns * 1000).astype(int)
    cycles = Cycles(
        sample=np.arange(count),
        time_ps=time,
        kind=np.array([KIND_CODE[kind] for kind, _, _ in kinds], np.uint8),  # type: ignore[index]
        bank=np.array([int(bank or 0) for _, _, bank in kinds], np.int32),
        address=np.array([address for _, address, _ in rows], np.uint64),
        address_known=np.full(count, (1 << processor.address_bits) - 1, np.uint64),
        word=word,
        known=all_bits,
        held=word,
        flags=np.zeros(count, np.uint8),
    )
    right = word.copy()
    for row, value in expected.items():
        right[row] = value
    there = dict(reference or {})

    def look_up(bank: int, address: int) -> tuple[int, int]:
        return (there[address], int(all_bits[0])) if address in there else (0, 0)

    return Execution(cycles, processor, found, right, all_bits, look_up)
