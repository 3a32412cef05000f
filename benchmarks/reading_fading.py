"""Is a bit of a worn EPROM as sure as `rebuild` says? Stated against true shares over simulated chips.

Nothing is known but the passes: no twin, no listing, no checksum. The truth is a part of a program-like
image. Two simulators, neither of which the estimate knows: cells as charge on floating gates
(`wrongbit.demo.cells`: exponential leakage, thresholds, a supply), and leaky cells whose share of passes with
the programmed level is drawn from a mixture. "before" is the same rebuild without the direction of the leak.

    python benchmarks/reading_fading.py [chips of each sort]
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.demo.cells import Cells, programmed
from wrongbit.image.contents import Contents
from wrongbit.reading.conditions import Conditions
from wrongbit.reading.faded import with_fading
from wrongbit.reading.readings import Reading
from wrongbit.reading.rebuild import LIKELY, PROVEN, UNKNOWN, Rebuilt, Shape, rebuild
from wrongbit.reading.sources import DEFAULT_RATES, Source, bits_of, from_contents, from_passes

SIZE = 4096
NOISE = 1e-4
FIRST = 1000
"""Seed of the first chip. The choices in `wrongbit.reading.fading` were set with seeds 0 to 9 in view, which
would flatter them: never set a choice by the seeds from here on."""

Words = NDArray[np.uint64]
Draw = np.random.Generator


@dataclass(frozen=True)
class Chip:
    """A simulated chip's passes and what it held."""

    truth: Words
    readings: tuple[Reading, ...]


def image(draw: Draw) -> Words:
    """Program-like: bytes of very different frequency, tables, and filler at the end."""
    data = (draw.exponential(50, SIZE).astype(np.int64) & 255).astype(np.uint64)
    data[SIZE // 2 : SIZE * 3 // 4] = draw.integers(0, 256, SIZE // 4, dtype=np.uint64)
    data[SIZE - int(draw.integers(0, SIZE // 4)) :] = 0xFF
    return data


def _readings(passes: list[Words], volts: list[float] | None = None) -> tuple[Reading, ...]:
    known = np.full(SIZE, 255, np.uint64)
    return tuple(
        Reading(
            Contents(words, known, 8),
            Conditions(voltage_mv=None if volts is None else round(volts[number] * 1000)),
            f"pass {number}",
        )
        for number, words in enumerate(passes)
    )


def charge(
    leaky: float, volts: Callable[[int], list[float]], *, region: bool = False
) -> Callable[[Draw], Chip]:
    """Cells as charge on floating gates."""

    def make(draw: Draw) -> Chip:
        truth = image(draw)
        fresh = programmed(truth, 8, draw)
        years = float(draw.uniform(15, 45))
        worn = fresh.aged(years, leaky, draw)
        if region:
            rest = fresh.aged(years, leaky / 20, draw)
            here = np.arange(SIZE) // (SIZE // 8) == draw.integers(0, 6)
            worn = Cells(
                np.where(here[:, None], worn.threshold, rest.threshold), fresh.programmed, fresh.decoding_ns
            )
        supplies = volts(int(draw.integers(3, 21)))
        passes = [worn.read(np.arange(SIZE), each, 25.0, 450.0, draw) for each in supplies]
        return Chip(truth, _readings(passes, supplies))

    return make


def spread(leaky: float, *, region: bool = False, noise: float = 1e-5) -> Callable[[Draw], Chip]:
    """Leaky cells: some have faded, others give 0 in a share of the passes that a Beta distribution draws."""

    def make(draw: Draw) -> Chip:
        truth = image(draw)
        cells = bits_of(truth, 8)
        share = np.full((SIZE, 1), leaky)
        if region:
            share = np.where(np.arange(SIZE) // (SIZE // 8) == draw.integers(0, 6), leaky, leaky / 20)[
                :, None
            ]
        gone = draw.random((SIZE, 8)) < draw.uniform(0.2, 0.9)
        rate = np.where(gone, 0.0, draw.beta(draw.uniform(0.2, 1), draw.uniform(0.2, 1), (SIZE, 8)))
        rate = np.where(draw.random((SIZE, 8)) < share, rate, 1.0)
        passes = []
        for _ in range(int(draw.integers(3, 21))):
            level = np.where(cells == 0, draw.random((SIZE, 8)) >= rate, True)
            level ^= draw.random((SIZE, 8)) < noise
            passes.append(np.packbits(level, axis=1, bitorder="little")[:, 0].astype(np.uint64))
        return Chip(truth, _readings(passes))

    return make


def _one(passes: int) -> list[float]:
    return [5.0] * passes


def _three(passes: int) -> list[float]:
    return [(4.5, 5.0, 5.5)[number % 3] for number in range(passes)]


SORTS: dict[str, Callable[[Draw], Chip]] = {
    "no fading": spread(0.0),
    "no fading, many misreads": spread(0.0, noise=1e-4),
    "charge, little, one supply": charge(0.003, _one),
    "charge, little, three supplies": charge(0.003, _three),
    "charge, worn, three supplies": charge(0.0065, _three),
    "charge, heavy, one supply": charge(0.06, _one),
    "charge, heavy, three supplies": charge(0.06, _three),
    "charge, regional, one supply": charge(0.1, _one, region=True),
    "charge, regional, three supplies": charge(0.1, _three, region=True),
    "spread, little": spread(0.002),
    "spread, heavy": spread(0.08),
    "spread, regional": spread(0.2, region=True),
}


def rebuilt(chip: Chip, *, direction: bool, listing: float = 0.0, seed: int = 0) -> Rebuilt:
    """From the readings alone, or beside a listing of a share of the words, 1 bit in 5000 of it wrong."""
    sources: list[Source] = [from_passes(chip.readings, "reading", "readings", noise=NOISE)]
    if listing:
        draw = np.random.default_rng(seed)
        known = np.where(np.arange(SIZE) < listing * SIZE, 255, 0).astype(np.uint64)
        wrong = np.packbits(draw.random((SIZE, 8)) < 2e-4, axis=1, bitorder="little")[:, 0].astype(np.uint64)
        sources.append(from_contents(Contents((chip.truth ^ wrong) & known, known, 8), "listing", "listing"))
    if not direction:
        return rebuild(Shape(SIZE, 8), sources, rates=DEFAULT_RATES)
    told, fading, notes = with_fading(chip.readings, sources, 1, noise=NOISE)
    return rebuild(Shape(SIZE, 8), told, fading=fading, notes=notes)


def tally(chips: int, *, listing: float = 0.0) -> dict[str, dict[str, NDArray[np.float64]]]:
    """For each sort, before and after: ``(3, 3)`` bits, wrong ones and stated wrong ones, for each class."""
    table = {}
    for name, make in SORTS.items():
        found = {"before": np.zeros((3, 3)), "after": np.zeros((3, 3))}
        covered = np.zeros(2)
        for seed in range(FIRST, FIRST + chips):
            chip = make(np.random.default_rng([seed, len(name)]))
            truth = bits_of(chip.truth, 8)
            for when in found:
                got = rebuilt(chip, direction=when == "after", listing=listing, seed=seed)
                wrong = truth != bits_of(got.guess, 8)
                for code in (UNKNOWN, LIKELY, PROVEN):
                    mine = got.classes == code
                    found[when][code] += (mine.sum(), (wrong & mine).sum(), (1 - got.confidence[mine]).sum())
                if when == "after" and got.fading is not None:
                    inside = got.fading.estimate
                    steady = np.min([bits_of(each.contents.words, 8) for each in chip.readings], axis=0) == 1
                    true = int((steady & (truth == 0)).sum())
                    covered += (inside.low <= true <= inside.high, 1)
        table[name] = found | {"covered": covered}
    return table


def report(chips: int = 20) -> None:
    """Print stated against true shares."""
    for listing in (0.0, 0.8):
        print(f"{chips} chips of each sort, {'no other source' if not listing else 'a listing of 80 %'}")
        print(f"{'':34}{'':8}{'unknown':>9}{'true':>9}{'stated':>9}{'likely':>10}{'true':>9}{'stated':>9}"
              f"{'proven':>10}{'wrong':>7}")  # fmt: skip
        total = {"before": np.zeros((3, 3)), "after": np.zeros((3, 3))}
        table = tally(chips, listing=listing)
        for name, found in [*table.items(), ("all", total)]:
            for when in ("before", "after"):
                (unknown, a, b), (likely, c, d), (proven, e, _) = found[when]
                if found is not total:
                    total[when] += found[when]
                print(f"{name if when == 'before' else '':34}{when:8}{unknown:9.0f}{a / max(unknown, 1):9.3%}"
                      f"{b / max(unknown, 1):9.3%}{likely:10.0f}{c / max(likely, 1):9.3%}"
                      f"{d / max(likely, 1):9.3%}{proven:10.0f}{e:7.0f}"
                      + (f"  interval holds {found['covered'][0]:.0f} of {found['covered'][1]:.0f}"
                         if when == "after" and "covered" in found else ""))  # fmt: skip


def rows() -> list[tuple[str, float, float, float]]:
    """Reckoning with the direction, beside the rebuild without it."""
    chip = SORTS["charge, worn, three supplies"](np.random.default_rng(1))
    times = {}
    for direction in (True, False):
        took = []
        for _ in range(3):
            start = time.perf_counter()
            rebuilt(chip, direction=direction)
            took.append(time.perf_counter() - start)
        times[direction] = min(took)
    name = "rebuild 4 KiB with the direction of lost charge / without it"
    return [(name, times[True], times[False], times[True] / times[False])]


if __name__ == "__main__":
    report(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
