"""Is the true part found, and with how few measurements? Random single faults on the paths of all machines.

Run: ``python benchmarks/diagnose_parts.py [first seed [last seed]]``. Every fault that changes what some
probe point sees counts: is its part in the top tie once all points were captured? Then, from a first capture
with at most 12 suspects left, the expected number of measurements when each is the most telling one, beside
the best strategy of all, found by exhaustive search.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from diagnose.boards import Bench, loaded, points_of
from diagnose.session import begin, by_entropy, fewest, tables
from wrongbit.demo.wiring import draw_part_fault
from wrongbit.diagnose.suspects import weigh_suspects

MACHINES = ("saltmarsh", "fellgate", "quarrybank", "hollowmere")


def report(first: int = 0, last: int = 330) -> None:
    """Print both figures, and every fault whose part was missed."""
    begun = time.perf_counter()
    shown = right = 0
    ours = best = 0.0
    for seed in range(first, last):
        on = loaded(MACHINES[seed % len(MACHINES)])
        fault = draw_part_fault(on.structure.machine, on.demo.board, seed)
        bench = Bench(on, fault, seed)
        points = points_of(on)
        looks = [bench.look(point) for point in points]
        if not any(look.wrong for look in looks):
            continue
        shown += 1
        weighing = weigh_suspects(on.structure, looks)
        if fault.part in weighing.top():
            right += 1
        else:
            print(
                f"  missed, seed {seed}: {fault.sentence} ({on.demo.name}); said {', '.join(weighing.top())}"
            )
        session = begin(bench, points[0])
        found = tables(session.weighing)
        if session.looks[0].wrong and 2 < len(found[0]) <= 12:
            ours += by_entropy(*found)
            best += fewest(*found)
    print(
        f"Parts: {shown} faults that show, seeds {first} to {last - 1}: true part in the top tie for {right} "
        f"({right / shown:.1%}); measurements {ours / best:.3f} times the fewest "
        f"({time.perf_counter() - begun:.0f} s)"
    )


if __name__ == "__main__":
    report(*(int(each) for each in sys.argv[1:3]))
