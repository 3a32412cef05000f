"""Of 200 random injections a model, how many does the weighing name rightly?

Run: ``python benchmarks/faults_injections.py [number a model] [model ...]``. Seeds are fixed.

*Shown* are injections that changed at least one captured word, *right* those of them whose true fault is
among the top ties; *hidden* changed none, and are right if no fault is seen; *alone* had one explanation.
The bar: 95 % right of those shown, all of those hidden.
"""

from __future__ import annotations

import sys
import time
from itertools import cycle, islice
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from faults.injections import TRUE, inject_and_weigh, machines_for


def report(count: int = 200, models: list[str] | None = None) -> None:
    """Print the table."""
    print(f"Random injections into the demo machines, {count} a model")
    print(
        f"{'model':22}{'shown':>7}{'right':>7}{'share':>8}   {'hidden':>6}{'right':>7}{'alone':>7}{'ms':>7}"
    )
    for model in models or list(TRUE):
        begun = time.perf_counter()
        outcomes = [
            inject_and_weigh(machine, model, seed)
            for seed, machine in enumerate(islice(cycle(machines_for(model)), count))
        ]
        spent = (time.perf_counter() - begun) / count * 1e3
        shown = [outcome for outcome in outcomes if outcome.shown]
        hidden = [outcome for outcome in outcomes if not outcome.shown]
        right = sum(outcome.right for outcome in shown)
        alone = sum(len(outcome.findings.ties) == 1 for outcome in shown)
        share = f"{right / len(shown):.1%}" if shown else "-"
        print(
            f"{model:22}{len(shown):7}{right:7}{share:>8}   {len(hidden):6}"
            f"{sum(outcome.right for outcome in hidden):7}{alone:7}{spent:7.0f}",
            flush=True,
        )


if __name__ == "__main__":
    report(int(sys.argv[1]) if len(sys.argv) > 1 else 200, sys.argv[2:])
