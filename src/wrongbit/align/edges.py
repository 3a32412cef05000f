"""Wrong edges in a bus recipe: which of the other edges would make the words agree."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from wrongbit.bits import count_bits
from wrongbit.bus.cycles import Cycles
from wrongbit.bus.rebuild import rebuild_all
from wrongbit.bus.recipes import resolve_recipe
from wrongbit.capture.capture import Capture
from wrongbit.compare.judge import judge
from wrongbit.compare.memory_map import MemoryMap
from wrongbit.compare.verdicts import BASIS_ROM
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point, Processor
from wrongbit.machine.recipe import Recipe, parse_event

CLEARLY = 0.2
"""A recipe must agree in so much more of its bits before it is told of. Judgement, no source."""


@dataclass(frozen=True)
class Edge:
    """How well a recipe agrees that takes an event at its other end.

    Args:
        changed: The event as it should be written, such as 'RD ends'; empty: the recipe as it is.
        instead_of: The event that is written.
        agree: Share of the judged bits that agree.
        judged: Judged words.
    """

    changed: str
    instead_of: str
    agree: float
    judged: int

    def say(self) -> str:
        """What would be better, in a sentence."""
        return (
            f"With '{self.changed}' instead of '{self.instead_of}' {self.agree:.1%} of the judged bits "
            "agree: the recipe takes the wrong edge, or the polarity of this signal is turned round."
        )


def recipes_with_another_edge(recipe: Recipe) -> list[tuple[str, str, Recipe]]:
    """(event, instead of, recipe) for each event of a recipe, taken at its other end wherever it stands."""
    events = dict.fromkeys([*(latch.at for latch in recipe.latch), *(each.at for each in recipe.transfer)])
    found = []
    for event in events:
        signal, edge = parse_event(event)
        other = f"{signal} {'begins' if edge == 'ends' else 'ends'}"
        found.append(
            (
                other,
                event,
                recipe.model_copy(
                    update={
                        name: tuple(
                            each.model_copy(update={"at": other}) if each.at == event else each
                            for each in getattr(recipe, name)
                        )
                        for name in ("latch", "transfer")
                    }
                ),
            )
        )
    return found


def try_edges(
    processor: Processor, point: Point, chunks: Callable[[], Iterable[Capture]], memory_map: MemoryMap
) -> tuple[Edge, list[Edge]]:
    """The recipe as it is, and those with another edge that agree clearly better, the best first.

    Args:
        processor: Whose bus it is.
        point: Where the capture was taken; in state mode the samples themselves fix the edge.
        chunks: Gives the capture from its start each time it is called.
        memory_map: What should be there.
    """
    recipe = resolve_recipe(processor)
    now = _agreement("", "", rebuild_all(chunks(), processor, point, recipe), memory_map)
    others = []
    for changed, instead, other in recipes_with_another_edge(recipe):
        try:
            cycles = rebuild_all(chunks(), processor, point, other)
        except CaptureError:
            continue  # a recipe that this capture cannot serve
        edge = _agreement(changed, instead, cycles, memory_map)
        if edge.judged >= max(32, now.judged // 4) and edge.agree > now.agree + CLEARLY:
            others.append(edge)
    return now, sorted(others, key=lambda edge: -edge.agree)


def _agreement(changed: str, instead: str, cycles: Cycles, memory_map: MemoryMap) -> Edge:
    """Share of agreeing bits; words of a ROM only, so that a RAM read like it was written proves nothing."""
    verdicts = judge(cycles, memory_map)
    rom = verdicts.basis == BASIS_ROM
    judged = int(count_bits(verdicts.judged[rom]).sum())
    wrong = int(count_bits(verdicts.wrong[rom]).sum())
    return Edge(changed, instead, 1 - wrong / judged if judged else 0.0, int(np.count_nonzero(rom)))
