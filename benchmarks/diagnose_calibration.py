"""Are the stated odds honest? Over simulated faults of all machines, with noise and limited depth.

Run: ``python benchmarks/diagnose_calibration.py [faults]``; `report` prints the same. A fault is drawn as
the diagnosis believes: rates of parts and chips, shares of the ways of failing, and the rates, drifts and
levels of contacts and floating lines. It is put into the simulator, captured at one to three probe points
with 300 to 3000 bus cycles and two bits in 100 000 read wrong, and weighed. Faults that change nothing in
these captures are left out: nothing can be said of them. Each finding is the likeliest part with its stated
share. Seeds are fixed; those whose wrong answers were looked at are others.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

import numpy as np

from diagnose.boards import Bench, Loaded, loaded, points_of
from wrongbit.demo.fault import InjectedFault
from wrongbit.demo.wiring import PartFault
from wrongbit.diagnose.effects import SOMETIMES
from wrongbit.diagnose.rates import chip_rate
from wrongbit.diagnose.structure import Hypothesis
from wrongbit.diagnose.suspects import inside_shares, weigh_suspects
from wrongbit.faults.fault import DRIFTS, LOOSE, Rates
from wrongbit.faults.models.wires import LEVELS
from wrongbit.machine.model import Chip

MACHINES = ("saltmarsh", "fellgate", "quarrybank", "hollowmere")

INJECTED: dict[str, dict[str, float]] = {
    "output stuck": {"stuck-high": 1, "stuck-low": 1},
    "output open": {"open-data": 1},
    "outputs bridged": {"bridged-data-and": 3, "bridged-data-or": 1},
    "chip address line stuck": {"address-stuck-high": 1, "address-stuck-low": 1},
    "chip address line open": {"address-open": 1},
    "chip address lines bridged": {"address-bridged-and": 1, "address-bridged-or": 1},
    "chip silent": {"floating-data": 1},
    "slow data": {"slow-data": 1},
    "scattered cells": {"failed-cells": 1},
    "lost charge": {"lost-charge": 1},
    "dead row": {"dead-row": 1},
    "dead column": {"dead-column": 1},
    "weak column": {"weak-column": 1},
}
"""Family of faults within a chip = kinds of the simulator, with how often; chips that changed places are one
fault in a hundred and left out."""

ROM_ONLY = frozenset(("slow-data", "failed-cells", "lost-charge", "dead-row", "dead-column", "weak-column"))

EDGES = (0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0001)


@dataclass(frozen=True)
class Drawn:
    """A fault as the priors draw it.

    Args:
        part: The part or chip.
        fault: In a part on a path.
        inside: Within a chip.
        level: How often an open address line is high.
    """

    part: str
    fault: PartFault | None = None
    inside: InjectedFault | None = None
    level: float | None = None


def drawn_from(rates: Rates, rng: Random) -> float:
    """A rate or drift as the beliefs have it."""
    point = rng.choices(rates, [each.belief for each in rates])[0]
    return point.value + point.reach * rng.uniform(-1, 1)


def draw(on: Loaded, rng: Random) -> Drawn:
    """A part with a fault, by the priors and beliefs of the diagnosis."""
    hypotheses = on.structure.hypotheses()
    there = {chip.name for chip in on.demo.board.chips}
    chips = [chip for chip in on.structure.machine.chip if chip.kind != "io" and chip.name in there]
    weights = [*(each.weight for each in hypotheses), *(chip_rate(chip) for chip in chips)]
    while True:
        chosen = rng.choices([*hypotheses, *chips], weights)[0]
        if isinstance(chosen, Hypothesis):
            return _in_part(chosen, rng)
        inside = _in_chip(on, chosen, rng)
        if inside is not None:
            return Drawn(chosen.name, inside=inside)


def _in_part(chosen: Hypothesis, rng: Random) -> Drawn:
    what, level, rate = chosen.what, None, drawn_from(LOOSE, rng)
    if what == "loose":
        what, rate, level = "open", drawn_from(SOMETIMES, rng), 0.5
    elif what == "open" and chosen.carries != "data":
        rate, level = 1.0, drawn_from(LEVELS, rng)
    fault = PartFault(
        chosen.part,
        chosen.carries,
        what,
        chosen.line,
        chosen.other,
        chosen.ends,
        rate,
        drawn_from(DRIFTS, rng),
    )
    return Drawn(chosen.part, fault, level=level)


def _in_chip(on: Loaded, chip: Chip, rng: Random) -> InjectedFault | None:
    shares = inside_shares(chip)
    family = rng.choices(list(INJECTED), [shares[each] for each in INJECTED])[0]
    kind = rng.choices(list(INJECTED[family]), list(INJECTED[family].values()))[0]
    if kind == "address-open" and (level := drawn_from(LEVELS, rng)) in (0.0, 1.0):
        kind = "address-stuck-high" if level else "address-stuck-low"  # the same, where it is at the chip
    if chip.kind != "rom" and kind in ROM_ONLY:
        return None
    if kind == "lost-charge" and chip.technology in ("mask", "fuse"):
        return None
    injected = on.demo.inject(f"{kind}:{chip.name}", rng.randrange(10**6))
    if kind in ("open-data", "floating-data"):
        injected = replace(injected, rate=drawn_from(DRIFTS, rng))
    return injected


def findings(count: int) -> tuple[list[tuple[float, bool]], list[float], int]:
    """(stated share of the likeliest part, right?) of every finding, Brier scores, and faults drawn."""
    stated: list[tuple[float, bool]] = []
    brier: list[float] = []
    seed = 0
    while len(stated) < count:
        rng = Random(f"evaluation {seed}")
        on = loaded(MACHINES[seed % len(MACHINES)])
        seed += 1
        drawn = draw(on, rng)
        points = rng.sample(points_of(on), rng.randint(1, 3))
        cycles = rng.choice((300, 1000, 3000))
        bench = Bench(on, drawn.fault, seed, cycles, chip_fault=drawn.inside, level=drawn.level)
        if not any(bench.look(point).wrong for point in points):
            continue
        bench.noise = 2e-5
        weighing = weigh_suspects(on.structure, [bench.look(point) for point in points])
        suspects = weighing.suspects()
        stated.append((suspects[0].share, suspects[0].part == drawn.part))
        brier.append(sum((each.share - (each.part == drawn.part)) ** 2 for each in suspects))
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
