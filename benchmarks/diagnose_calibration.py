"""Are the stated odds honest? Over simulated faults of all machines, with noise and limited depth.

Run: ``python benchmarks/diagnose_calibration.py [faults]``; `report` prints the same. A fault is drawn as the
priors say (a rate for each part and chip, shares for each way of failing), put into the simulator, captured
at one to three probe points with 300 to 3000 bus cycles and two bits in 100 000 read wrong, and weighed.
Faults that change nothing in these captures are left out: nothing can be said of them. Each finding is the
likeliest part with its stated share. Seeds are fixed.
"""

from __future__ import annotations

import sys
import time
from itertools import pairwise
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

import numpy as np

from diagnose.boards import Bench, Loaded, loaded, points_of
from wrongbit.demo.fault import InjectedFault
from wrongbit.demo.wiring import PartFault
from wrongbit.diagnose.rates import chip_rate
from wrongbit.diagnose.structure import Hypothesis
from wrongbit.diagnose.suspects import weigh_suspects

MACHINES = ("saltmarsh", "fellgate", "quarrybank", "hollowmere")
INSIDE = {
    "stuck-high": 2,
    "stuck-low": 2,
    "open-data": 1,
    "bridged-data-and": 0.5,
    "address-stuck-high": 1,
    "address-stuck-low": 1,
    "lost-charge": 1,
    "failed-cells": 1,
    "dead-row": 0.5,
    "dead-column": 0.5,
    "slow-data": 1,
}
"""Kind of fault within a chip = how often, relative to each other."""

EDGES = (0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0001)


def draw(on: Loaded, rng: Random) -> tuple[str, PartFault | None, InjectedFault | None]:
    """A part with a fault, by the priors: (part, fault in a part on a path, fault within a chip)."""
    hypotheses = on.structure.hypotheses()
    roms = [chip for chip in on.structure.machine.chip if chip.kind == "rom"]
    weights = [*(each.weight for each in hypotheses), *(chip_rate(chip) for chip in roms)]
    chosen = rng.choices([*hypotheses, *roms], weights)[0]
    if isinstance(chosen, Hypothesis):
        what, rate = chosen.what, 1.0
        if what == "loose" or (chosen.is_open and chosen.carries == "data" and rng.random() < 0.2):
            what, rate = ("open" if what == "loose" else what), round(rng.uniform(0.05, 0.95), 2)
        drift = rng.choice([0.0, round(rng.random(), 2)])
        fault = PartFault(
            chosen.part, chosen.carries, what, chosen.line, chosen.other, chosen.ends, rate, drift
        )
        return chosen.part, fault, None
    kind = rng.choices(list(INSIDE), list(INSIDE.values()))[0]
    injected = on.demo.inject(f"{kind}:{chosen.name}", rng.randrange(10**6))
    return chosen.name, None, injected


def findings(count: int) -> tuple[list[tuple[float, bool]], list[float], int]:
    """(stated share of the likeliest part, right?) of every finding, Brier scores, and faults drawn."""
    stated: list[tuple[float, bool]] = []
    brier: list[float] = []
    seed = 0
    while len(stated) < count:
        rng = Random(f"calibration {seed}")
        on = loaded(MACHINES[seed % len(MACHINES)])
        seed += 1
        part, fault, inside = draw(on, rng)
        points = rng.sample(points_of(on), rng.randint(1, 3))
        bench = Bench(on, fault, seed, rng.choice((300, 1000, 3000)), chip_fault=inside)
        if not any(bench.look(point).wrong for point in points):
            continue
        bench.noise = 2e-5
        weighing = weigh_suspects(on.structure, [bench.look(point) for point in points])
        suspects = weighing.suspects()
        stated.append((suspects[0].share, suspects[0].part == part))
        brier.append(sum((each.share - (each.part == part)) ** 2 for each in suspects))
    return stated, brier, seed


def table(stated: list[tuple[float, bool]], brier: list[float]) -> str:
    """The reliability table as Markdown."""
    share = np.array([each for each, _ in stated])
    right = np.array([each for _, each in stated])
    lines = ["| stated share | findings | mean stated | right |", "|---|---|---|---|"]
    for low, high in pairwise(EDGES):
        here = (share >= low) & (share < high)
        if here.any():
            lines.append(
                f"| {low:.0%} to {min(high, 1):.0%} | {here.sum()} | {share[here].mean():.1%} "
                f"| {right[here].mean():.1%} |"
            )
    lines.append(f"| all | {len(share)} | {share.mean():.1%} | {right.mean():.1%} |")
    lines += ["", f"Brier score over parts (0 best, 2 worst): {np.mean(brier):.3f}."]
    return "\n".join(lines)


def report(count: int = 1000) -> None:
    """Print the reliability table and the Brier score."""
    begun = time.perf_counter()
    stated, brier, drawn = findings(count)
    print(
        f"Suspects: {count} simulated faults that show, of {drawn} drawn "
        f"({time.perf_counter() - begun:.0f} s)"
    )
    print(table(stated, brier))


if __name__ == "__main__":
    report(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
